//! The camera's roll, found from the hitter's own plumb line.
//!
//! A person who stands still keeps the mass centre over the feet. While the hitter is set, the line from the middle of
//! the ankles to the body's middle is therefore upright but for the hitter's own lean, and what it leans by in the
//! picture is the camera's roll. The lean differs between hitters, so the finding is only trusted by half.

use super::signals::{Path, Signals};

/// A hitter in the set position carries a little more weight on the back foot: the body's middle stands this share
/// of the base behind the middle of the feet (common practice, no source: 55 % of the weight back).
const WEIGHT_BEHIND: f64 = 0.05;
/// How far the finding is trusted: camera stands are level within about 2 degrees, hitters lean by about 2 from one to
/// the next (one standard deviation each).
const TRUST: f64 = 0.5;
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
