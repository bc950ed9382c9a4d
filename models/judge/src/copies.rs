//! Copies of a track with other tempos, turns, widths and labels: what the judge must not go by.

use cagehand::pose::{Body, PoseFrame};
use cagehand::time::CaptureTime;
use cagehand_stage::{Dice, Points};

use crate::Source;

/// How many copies a source gets: swings are few, and what looks like one is what the judge must tell from it.
pub(crate) fn count(source: &Source) -> usize {
    const LIKE_A_SWING: [&str; 5] = [
        "baseball_pitch",
        "bowl",
        "golf_swing",
        "tennis_forehand",
        "tennis_serve",
    ];
    match source.kind.as_str() {
        "baseball_swing" => 8,
        "rendered" => 4,
        kind if LIKE_A_SWING.contains(&kind) => 3,
        _ => 1,
    }
}

/// A copy of the source, drawn.
pub(crate) fn copy(source: &Source, number: usize, dice: &mut Dice) -> Source {
    let pace = 0.7 * (1.5_f64 / 0.7).powf(dice.between(0.0, 1.0));
    let (sin, cos) = (0.06 * dice.bell()).sin_cos();
    let wider = dice.between(0.85, 1.15);
    let height = tallest(&source.frames);
    // Labels by people tremble already; the model's hardly do.
    let tremble = dice.between(0.0, 0.015) * height;
    let every = if source.frames.len() > 400 && dice.chance(0.5) {
        2
    } else {
        1
    };
    let few = dice.chance(0.5);
    let frames = source
        .frames
        .iter()
        .step_by(every)
        .map(|frame| PoseFrame {
            captured_at: CaptureTime::from_secs(pace * frame.captured_at.secs()),
            body: frame.body.as_ref().map(|body| {
                let mut body = if few { thirteen(body) } else { body.clone() };
                for point in body.image.iter_mut().flatten() {
                    let (x, y) = (f64::from(point.x_px), f64::from(point.y_px));
                    let (x, y) = (wider * (x * cos - y * sin), x * sin + y * cos);
                    point.x_px = (x + tremble * dice.bell()) as f32;
                    point.y_px = (y + tremble * dice.bell()) as f32;
                }
                body
            }),
            ..frame.clone()
        })
        .collect();
    Source {
        kind: source.kind.clone(),
        name: source.name.clone(),
        copy: number,
        frames,
        swings: source.swings.clone(),
        pace,
    }
}

/// Only the points that every body has.
fn thirteen(body: &Body) -> Body {
    let mut few = Body::empty();
    for landmark in cagehand::pose::Landmark::ALL {
        if Points::Thirteen.carries(landmark) {
            few.image[landmark.index()] = body.image[landmark.index()];
        }
    }
    few
}

/// The largest height of a body in the picture, pixels.
fn tallest(frames: &[PoseFrame]) -> f64 {
    frames
        .iter()
        .filter_map(|f| f.body.as_ref())
        .map(|body| {
            let ys = || body.image.iter().flatten().map(|p| f64::from(p.y_px));
            ys().fold(f64::MIN, f64::max) - ys().fold(f64::MAX, f64::min)
        })
        .filter(|h| h.is_finite())
        .fold(0.0, f64::max)
}
