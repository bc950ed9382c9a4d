//! Whatever the landmarks do, the program neither stops nor sees a swing that is not there.

use cagehand::pose::{Body, ImagePoint, Landmark, PoseFrame};
use cagehand::rep::{HitterSetup, RepFinder};
use cagehand::time::CaptureTime;

use super::recorded::{HEIGHT_CM, Recorded};
use cagehand_stage::movements::MOVEMENTS;
use cagehand_stage::{Camera, Dice, Take, reps_of};

/// Frames at 30 a second whose points are drawn one by one.
fn drawn(frames: u64, mut point: impl FnMut(u64, Landmark) -> Option<[f64; 2]>) -> Vec<PoseFrame> {
    (0..frames)
        .map(|index| {
            let mut body = Body::empty();
            for landmark in Landmark::ALL {
                body.image[landmark.index()] = point(index, landmark).map(|[x, y]| ImagePoint {
                    x_px: x as f32,
                    y_px: y as f32,
                    visibility: 0.9,
                });
            }
            PoseFrame::new(
                index,
                CaptureTime::from_secs(index as f64 / 30.0),
                Some(body),
            )
        })
        .collect()
}

fn nothing(frames: &[PoseFrame], what: &str) {
    for height_cm in [None, Some(HEIGHT_CM)] {
        let reps = reps_of(frames, height_cm);
        assert!(reps.is_empty(), "{what}: {reps:?}");
    }
}

#[test]
fn points_all_over_the_picture_are_no_swing() {
    for seed in 0..20 {
        let mut dice = Dice::new(seed);
        let size = dice.one_of(&[1.0, 100.0, 2000.0, 1e7]);
        let frames = drawn(200, |_, _| {
            Some([dice.between(-size, size), dice.between(-size, size)])
        });
        nothing(&frames, "points all over");
    }
}

#[test]
fn extreme_values_are_no_swing() {
    let extremes = [
        0.0,
        -0.0,
        1e-30,
        -1e30,
        1e30,
        f64::from(f32::MAX),
        f64::from(f32::MIN),
    ];
    let mut dice = Dice::new(1);
    let frames = drawn(200, |_, _| {
        Some([dice.one_of(&extremes), dice.one_of(&extremes)])
    });
    nothing(&frames, "extreme values");
}

#[test]
fn points_in_one_place_or_on_one_line_are_no_swing() {
    nothing(&drawn(200, |_, _| Some([640.0, 360.0])), "one place");
    nothing(
        &drawn(200, |i, _| Some([(i * 20) as f64, 360.0])),
        "one place that moves",
    );
    nothing(
        &drawn(200, |i, l| Some([640.0, (i * l.index() as u64) as f64])),
        "one line",
    );
    nothing(&drawn(200, |_, _| None), "bodies without points");
}

#[test]
fn landmarks_that_come_and_go_are_no_swing() {
    let mut dice = Dice::new(3);
    let frames = drawn(300, |i, l| {
        let spot = [
            600.0 + l.index() as f64,
            100.0 + 15.0 * l.index() as f64 + i as f64 % 7.0,
        ];
        dice.chance(0.6).then_some(spot)
    });
    nothing(&frames, "landmarks that come and go");
}

/// As when two people take turns at being found.
#[test]
fn a_body_that_flickers_between_two_places_is_no_swing() {
    let (_, draw) = MOVEMENTS.iter().find(|m| m.0 == "waggles").unwrap();
    for seed in 0..12 {
        let mut dice = Dice::new(seed);
        let motion = draw(&mut dice);
        let mut frames = Take::new(Camera::at(dice.between(-30.0, 30.0)), seed).film(&motion);
        let (apart, often) = (dice.between(60.0, 500.0) as f32, dice.between(0.02, 0.5));
        let mut there = false;
        for frame in &mut frames {
            there ^= dice.chance(often);
            for point in frame
                .body
                .iter_mut()
                .flat_map(|b| b.image.iter_mut().flatten())
            {
                point.x_px += if there { apart } else { 0.0 };
            }
        }
        nothing(&frames, "a body in two places");
    }
}

/// Time stamps that stand still, jump or crawl must not stop the program either.
#[test]
fn odd_time_stamps_are_survived() {
    let recorded = Recorded::load();
    for (step, jump) in [
        (0.0, 0.0),
        (1e-9, 0.0),
        (1e-6, 0.0),
        (0.017, 3600.0),
        (40.0, 0.0),
    ] {
        let mut finder = RepFinder::new(HitterSetup::default());
        let mut reps = 0;
        for (i, frame) in recorded.frames.iter().enumerate() {
            let late = if i > 100 { jump } else { 0.0 };
            let mut frame = frame.clone();
            frame.captured_at = CaptureTime::from_secs(step * i as f64 + late);
            reps += usize::from(finder.push(frame).is_some());
        }
        reps += usize::from(finder.finish().is_some());
        assert!(reps <= 1, "step {step}, jump {jump}: {reps} reps");
    }
}
