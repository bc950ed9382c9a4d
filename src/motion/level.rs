//! How the camera stands, found from the hitter: its roll from the plumb line, its angle off square from the pelvis.
//!
//! A person who stands still keeps the mass centre over the feet. While the hitter is set, the line from the middle of
//! the ankles to the body's middle is therefore upright but for the hitter's own lean, and what it leans by in the
//! picture is the camera's roll. The lean differs between hitters, so the finding is trusted only in part.

use super::signals::{Path, Signals};
use crate::pose::Landmark;

/// A hitter in the set position carries a little more weight on the back foot: the body's middle stands this share
/// of the base behind the middle of the feet (common practice, no source: 55 % of the weight back).
const WEIGHT_BEHIND: f64 = 0.05;
/// How far the finding is trusted: camera stands are level within about 2 degrees (one standard deviation), and
/// hitters lean by about 1.2 from one to the next.
const TRUST: f64 = 0.75;
/// What the camera's angle off square is against the pelvis's turn in the model's metric landmarks at set: its size,
/// and its value for a pelvis that the model sees square, degrees. The model's depth is not the same for the two
/// sides. Measured on rendered hitters with cameras from -25 to 25 degrees; each clip judged by the others, the angle
/// comes out within 2 degrees (median) and 8 (95 %).
const YAW_PER_PELVIS: f64 = -1.08;
const YAW_RIGHT_DEG: f64 = 6.6;
const YAW_LEFT_DEG: f64 = -1.6;
/// No camera that still shows an open side stands further off square, degrees.
const MOST_YAW_DEG: f64 = 35.0;
/// No stand leans more than this, radians.
const MOST_RAD: f64 = 0.1;

/// The roll in radians to be taken out, from the signals between two places while the hitter is set.
///
/// Positive when the picture shows a level line falling to the right. `signals` must not be levelled yet; `forward` is +1
/// where the pitcher is to the image's right.
pub fn roll_from_plumb_line(signals: &Signals, from: usize, to: usize, forward: f64) -> f64 {
    let mean = |v: &[f64]| v[from..=to].iter().sum::<f64>() / (to - from + 1) as f64;
    let place = |p: &Path| [mean(&p.x_cm), mean(&p.y_cm)];
    let (left, right) = (
        place(&signals.feet.left.ankle),
        place(&signals.feet.right.ankle),
    );
    let feet = [0.5 * (left[0] + right[0]), 0.5 * (left[1] + right[1])];
    let base = (left[0] - right[0]).hypot(left[1] - right[1]);
    let (hips, shoulders, head) = (
        place(&signals.hips),
        place(&signals.shoulders),
        place(&signals.head),
    );
    // About where the mass centre is; the arms and legs move it little sideways.
    let middle = [0, 1].map(|k| 0.45 * hips[k] + 0.4 * shoulders[k] + 0.15 * head[k]);
    let up = middle[1] - feet[1];
    if up <= 0.0 {
        return 0.0;
    }
    let lean = (middle[0] - feet[0] + forward * WEIGHT_BEHIND * base).atan2(up);
    (TRUST * lean).clamp(-MOST_RAD, MOST_RAD)
}

/// How far the camera stands off square, in radians: positive on the pitcher's side of the hitter. `None` where the
/// source gives no metric landmarks.
///
/// The hitter is set from `from` to `to`; `forward` is +1 where the pitcher is to the image's right.
pub fn yaw_from_pelvis(
    signals: &Signals,
    from: usize,
    to: usize,
    forward: f64,
    front_is_left: bool,
) -> Option<f64> {
    let (left, right) = (
        signals.world(Landmark::LeftHip)?,
        signals.world(Landmark::RightHip)?,
    );
    let mean = |axis: usize| {
        let gap = |i: usize| left.xyz[i][axis] - right.xyz[i][axis];
        (from..=to).map(gap).sum::<f64>() / (to - from + 1) as f64
    };
    let side = if front_is_left { 1.0 } else { -1.0 };
    // Depth against width of the line from the back hip to the front hip.
    let turned_deg = (side * mean(2))
        .atan2(side * forward * mean(0))
        .to_degrees();
    if turned_deg.abs() > 60.0 {
        return None;
    }
    let square_deg = if front_is_left {
        YAW_RIGHT_DEG
    } else {
        YAW_LEFT_DEG
    };
    let yaw = square_deg + YAW_PER_PELVIS * turned_deg;
    Some(yaw.clamp(-MOST_YAW_DEG, MOST_YAW_DEG).to_radians())
}
