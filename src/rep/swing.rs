//! Is this burst of the hands a swing of a hitter, and which way does it go?
//!
//! In: signals of a stretch. Out: a [`Swing`], or the reason why a burst is no swing. What makes a swing: two hands together,
//! quick, from behind the back shoulder across the body, while the trunk turns and the feet stay.

use crate::motion::filter::range_over;
use crate::motion::{Path, Side, Signals, Stance};

use super::change_point::peak_sample;
use super::hand_burst::HandBurst;
use super::slow_motion::SlowMotion;

/// Seen along the line to the pitcher, the stride lies between these times before the hands' highest speed, seconds.
const STRIDE_SECS: (f64, f64) = (0.9, 0.05);
/// Cutoff of the zero-phase low pass for the ankles, hertz.
const ANKLE_HZ: f64 = 6.0;

/// A burst of the hands that is a swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Swing {
    /// The fractional sample index at which the hands are fastest.
    pub hand_peak: f64,
    /// Which foot is in front, and where the pitcher is.
    pub stance: Stance,
}

/// Why a burst of the hands is no swing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NoSwing {
    /// The hands are not fast enough, or faster than hands can be.
    Slow,
    /// The hands do not get far enough, or not forward.
    Short,
    /// The wrists are apart.
    HandsApart,
    /// The hands start from or get to where no hitter has them.
    NotLoaded,
    /// The hands are on the move before.
    Restless,
    /// The trunk does not turn.
    NotTurned,
    /// The person does not stand upright on two feet.
    NotStanding,
    /// The feet are off the ground or walking.
    FeetMoving,
    /// Not enough of the body was seen.
    Unseen,
}

impl Swing {
    /// Judges the burst whose highest speed lies at sample `peak` of `hand_speed`.
    ///
    /// `signals` must reach from the load to a little after the peak. Where they are those of a film in slow motion, brought
    /// to the pace of life, more is asked of the swing, for any slow movement gets quick that way.
    pub(super) fn judge(
        signals: &Signals,
        hand_speed: &[f64],
        peak: usize,
        slow_motion: SlowMotion,
    ) -> Result<Self, NoSwing> {
        let burst = HandBurst::new(signals, peak, slow_motion)?;
        burst.is_a_swing()?;

        let left_in_front = if burst.open_side {
            let posture = &burst.posture;
            let (left, right) = (&posture.left_ankle, &posture.right_ankle);
            burst.pitcher.sign() * (left.x_cm[burst.peak] - right.x_cm[burst.peak]) > 0.0
        } else {
            // Along the line to the pitcher the feet hide each other's order; the front foot is the one that strides
            // before the hands go.
            let from = peak.saturating_sub(signals.samples_in(STRIDE_SECS.0));
            let to = peak
                .saturating_sub(signals.samples_in(STRIDE_SECS.1))
                .max(from);
            let (left, right) = (&signals.feet.left.ankle, &signals.feet.right.ankle);
            let rate = signals.rate_hz;
            went(left, (from, to), rate) > went(right, (from, to), rate)
        };
        Ok(Self {
            hand_peak: peak_sample(hand_speed, peak),
            stance: Stance {
                front: if left_in_front {
                    Side::Left
                } else {
                    Side::Right
                },
                pitcher: burst.pitcher,
            },
        })
    }
}

/// How far a foot gets about in a range of samples, centimeters.
fn went(ankle: &Path, range: (usize, usize), rate_hz: f64) -> f64 {
    let path = ankle.smoothed(ANKLE_HZ, rate_hz);
    range_over(&path.x_cm, range).hypot(range_over(&path.y_cm, range))
}
