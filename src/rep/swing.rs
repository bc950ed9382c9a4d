//! Which way a burst of the hands goes: where the pitcher is and which foot is in front.
//!
//! In: signals of a stretch and the sample at which the hands are fastest. Out: a [`Swing`]. Whether the burst is a swing at
//! all is the judge's to say ([`super::judge`]).

use crate::motion::filter::range_over;
use crate::motion::{Direction, Path, Side, Signals, Stance};

use super::change_point::peak_sample;

/// Feet at least so far apart along the picture show the line to the pitcher, H.
pub(super) const SIDE_ON_STANCE: f64 = 0.25;
/// How long before the peak the hands still rest at the load, and how long after it they get farthest, seconds.
const LOAD_SECS: std::ops::Range<f64> = 0.12..0.35;
const FAR_SECS: f64 = 0.2;
/// Seen along the line to the pitcher, the stride lies between these times before the hands' highest speed, seconds.
const STRIDE_SECS: (f64, f64) = (0.9, 0.05);
/// Cutoffs of the zero-phase low pass, hertz.
const HANDS_HZ: f64 = 8.0;
const STANCE_HZ: f64 = 5.0;
const ANKLE_HZ: f64 = 6.0;

/// A burst of the hands, taken for a swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Swing {
    /// The fractional sample index at which the hands are fastest.
    pub hand_peak: f64,
    /// Which foot is in front, and where the pitcher is.
    pub stance: Stance,
    /// Whether the stance looks as wide as from a side.
    pub from_side: bool,
}

impl Swing {
    /// Reads the burst whose highest speed lies at sample `peak` of `hand_speed`.
    pub(super) fn at(signals: &Signals, hand_speed: &[f64], peak: usize) -> Self {
        let pitcher = pitcher(signals, hand_speed, peak);
        let rate = signals.rate_hz;
        let ankle = |foot: &Path| foot.smoothed(STANCE_HZ, rate).x_cm[peak];
        let (left, right) = (&signals.feet.left.ankle, &signals.feet.right.ankle);
        let apart = ankle(left) - ankle(right);
        let from_side = apart.abs() >= SIDE_ON_STANCE * signals.scale.height_cm;
        let left_in_front = if from_side {
            pitcher.sign() * apart > 0.0
        } else {
            // Along the line to the pitcher the feet hide each other's order; the front foot is the one that strides
            // before the hands go.
            let from = peak.saturating_sub(signals.samples_in(STRIDE_SECS.0));
            let to = peak
                .saturating_sub(signals.samples_in(STRIDE_SECS.1))
                .max(from);
            went(left, (from, to), rate) > went(right, (from, to), rate)
        };
        Self {
            hand_peak: peak_sample(hand_speed, peak),
            stance: Stance {
                front: if left_in_front {
                    Side::Left
                } else {
                    Side::Right
                },
                pitcher,
            },
            from_side,
        }
    }
}

/// The hands go toward the pitcher, from where they are slowest shortly before the peak to where they get farthest after it.
fn pitcher(signals: &Signals, hand_speed: &[f64], peak: usize) -> Direction {
    let steps = |secs: f64| signals.samples_in(secs);
    let x_cm = signals.hands.smoothed(HANDS_HZ, signals.rate_hz).x_cm;
    let load_from = peak.saturating_sub(steps(LOAD_SECS.end));
    let load_to = peak.saturating_sub(steps(LOAD_SECS.start)).max(load_from);
    let load = (load_from..=load_to)
        .min_by(|&a, &b| hand_speed[a].total_cmp(&hand_speed[b]))
        .unwrap_or(load_from);
    let end = (peak + steps(FAR_SECS)).min(signals.len - 1);
    let across = (peak..=end)
        .map(|i| x_cm[i] - x_cm[load])
        .max_by(|a, b| a.abs().total_cmp(&b.abs()));
    Direction::of(across.unwrap_or(0.0))
}

/// How far a foot gets about in a range of samples, centimeters.
fn went(ankle: &Path, range: (usize, usize), rate_hz: f64) -> f64 {
    let path = ankle.smoothed(ANKLE_HZ, rate_hz);
    range_over(&path.x_cm, range).hypot(range_over(&path.y_cm, range))
}
