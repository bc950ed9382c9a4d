//! The body's larger parts over time, smoothed enough to be judged whatever made the landmarks.
//!
//! In: the signals of a stretch. Out: a [`Posture`]. Landmarks put on by hand tremble by one to two and a half hundredths
//! of the body's height from frame to frame, the model's wander; each part is smoothed as much as its quickest motion in
//! a swing allows. Nothing here is measured for a hitter to see.

use crate::motion::filter::Butterworth;
use crate::motion::{Pair, Path, Signals};

/// Cutoffs of the zero-phase low pass, hertz: the hands' burst lasts about a fifth of a second, the shoulders turn in
/// about as long, and all else moves no faster than a stride.
const HANDS_HZ: f64 = 8.0;
const SHOULDERS_HZ: f64 = 6.0;
const BODY_HZ: f64 = 5.0;
/// How slowly one wrist takes over from the other where one gets hidden, hertz: a quick change would look like motion.
const SHARE_HZ: f64 = 3.0;

/// Smoothed paths of the parts that show whether a movement is a swing.
pub(super) struct Posture {
    pub hands: Path,
    pub hand_speed: Vec<f64>,
    pub left_wrist: Path,
    pub right_wrist: Path,
    pub head: Path,
    pub shoulders: Path,
    /// How far the left shoulder is to the right of the right one in the picture.
    pub shoulders_width_cm: Vec<f64>,
    pub hips: Path,
    pub knees: Path,
    pub left_ankle: Path,
    pub right_ankle: Path,
}

impl Posture {
    pub(super) fn of(signals: &Signals) -> Self {
        let rate = signals.rate_hz;
        let body = |p: &Path| p.smoothed(BODY_HZ, rate);
        let Pair { left, right } = &signals.shoulder;
        let (left, right) = (
            left.smoothed(SHOULDERS_HZ, rate),
            right.smoothed(SHOULDERS_HZ, rate),
        );
        let shoulders_width_cm = left
            .x_cm
            .iter()
            .zip(&right.x_cm)
            .map(|(l, r)| l - r)
            .collect();
        let (left_wrist, right_wrist) = (
            signals.wrists.left.smoothed(HANDS_HZ, rate),
            signals.wrists.right.smoothed(HANDS_HZ, rate),
        );
        let hands = grip(&left_wrist, &right_wrist, rate);
        Self {
            hand_speed: hands.speed(rate),
            hands,
            left_wrist,
            right_wrist,
            head: body(&signals.head),
            shoulders: body(&signals.shoulders),
            shoulders_width_cm,
            hips: body(&signals.hips),
            knees: body(&signals.knees),
            left_ankle: body(&signals.feet.left.ankle),
            right_ankle: body(&signals.feet.right.ankle),
        }
    }

    /// Shoulders over hips over knees over ankles at a sample; see [`standing`].
    pub(super) fn stands(&self, i: usize, height_cm: f64) -> bool {
        let ankles = 0.5 * (self.left_ankle.y_cm[i] + self.right_ankle.y_cm[i]);
        upright(
            [
                ankles,
                self.knees.y_cm[i],
                self.hips.y_cm[i],
                self.shoulders.y_cm[i],
                self.head.y_cm[i],
            ],
            height_cm,
        )
    }
}

/// The middle of the hands, the wrist that is seen better weighing more.
fn grip(left: &Path, right: &Path, rate_hz: f64) -> Path {
    let low = Butterworth::low_pass(SHARE_HZ, rate_hz);
    let weight = |p: &Path| -> Vec<f64> {
        let raw: Vec<f64> = p.visibility.iter().map(|v| 0.05 + v * v).collect();
        low.zero_phase(&raw).iter().map(|w| w.max(0.02)).collect()
    };
    let (l, r) = (weight(left), weight(right));
    let mix = |a: &[f64], b: &[f64]| -> Vec<f64> {
        (0..a.len())
            .map(|i| (a[i] * l[i] + b[i] * r[i]) / (l[i] + r[i]))
            .collect()
    };
    Path {
        x_cm: mix(&left.x_cm, &right.x_cm),
        y_cm: mix(&left.y_cm, &right.y_cm),
        visibility: mix(&left.visibility, &right.visibility),
    }
}

/// Shoulders over hips over knees over ankles, each by a fair part of what an upright body shows.
pub(super) fn standing(signals: &Signals, i: usize) -> bool {
    let ankles = 0.5 * (signals.feet.left.ankle.y_cm[i] + signals.feet.right.ankle.y_cm[i]);
    upright(
        [
            ankles,
            signals.knees.y_cm[i],
            signals.hips.y_cm[i],
            signals.shoulders.y_cm[i],
            signals.head.y_cm[i],
        ],
        signals.scale.height_cm,
    )
}

fn upright([ankles, knees, hips, shoulders, head]: [f64; 5], height_cm: f64) -> bool {
    knees - ankles > 0.08 * height_cm
        && hips - knees > 0.04 * height_cm
        && shoulders - hips > 0.13 * height_cm
        && head - shoulders > 0.0
}
