//! The captured swing as people film sport and label it: at any tempo and size, from anywhere, cut anywhere.

use cagehand::pose::PoseFrame;

use crate::capture::{Capture, HEIGHT_M};
use crate::film::{Cut, Film, Stand};
use crate::{Dice, Motion, Pose3};

/// The captured person swings gently; this much quicker the hands are as fast as those of hitters.
const TEMPO: std::ops::Range<f64> = 0.6..1.0;
/// From a child to a tall adult, metres.
const HEIGHTS_M: std::ops::Range<f64> = 1.15..1.98;
/// Frames that anybody labels of one film.
const MOST_FRAMES: f64 = 150.0;

/// The captured swing at another tempo and size; its set, lift-off, plant and the time at which the hands are fastest, seconds.
pub fn swing(capture: &Capture, dice: &mut Dice) -> (Motion, [f64; 4]) {
    let tempo = dice.between(TEMPO.start, TEMPO.end);
    let height_m = dice.between(HEIGHTS_M.start, HEIGHTS_M.end);
    let as_captured = capture.motion(0.0, capture.secs(), dice.chance(0.5));
    let size = height_m / HEIGHT_M;
    let motion = Motion {
        secs: as_captured.secs * tempo,
        height_m,
        at: Box::new(move |t| sized(&(as_captured.at)(t / tempo), size)),
    };
    let times = [
        capture.lift_off - 0.3,
        capture.lift_off,
        capture.plant,
        capture.hand_peak,
    ];
    (motion, times.map(|t| t * tempo))
}

fn sized(pose: &Pose3, size: f64) -> Pose3 {
    let mut out = Pose3::new();
    for landmark in pose.known() {
        out.put(landmark, pose.at(landmark).map(|v| v * size));
    }
    out
}

/// A film of a swing with the camera in such a place, as frames, and when the hands are fastest in it, seconds.
///
/// `slow`: how many times slower than life it runs; drawn where not given.
pub fn film_of_a_swing(
    capture: &Capture,
    seed: u64,
    stand: Stand,
    slow: Option<f64>,
) -> (Vec<PoseFrame>, f64) {
    let mut dice = Dice::new(seed);
    let (motion, [set, lift_off, plant, hand_peak]) = swing(capture, &mut dice);
    let mut film = Film::draw(&mut dice, motion.height_m).slowed(&mut dice);
    while film.stand() != stand {
        film = film.seen_from(dice.between(0.0, 360.0));
    }
    if let Some(slow) = slow {
        film = film.slowed_by(slow);
    }
    let contact = hand_peak + 0.08;
    let mid_stride = 0.5 * (lift_off + plant);
    let to = dice.between(contact + 0.08, contact + 0.8).min(motion.secs);
    let from = dice
        .between((set - 1.2).max(0.0), mid_stride)
        .max(to - MOST_FRAMES / film.fps / film.slow)
        .min(mid_stride);
    let peak = film.slow * (hand_peak - from);
    (film.label(&motion, Cut { from, to }, &mut dice), peak)
}
