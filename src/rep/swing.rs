//! Is this burst of the hands a swing of a hitter, and which way does it go?
//!
//! In: signals of a stretch. Out: [`Swing`] or the reason why a burst is none. What makes a swing: two hands together,
//! quick, from behind the back shoulder across the body, while the trunk turns and the feet stay.

use crate::motion::{Path, Signals};

use super::burst::Burst;
use super::fit::peak_place;
use super::pace::Pace;

/// A burst of the hands that is a swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Swing {
    /// Where on the grid the hands are fastest.
    pub hand_peak: f64,
    /// The hands' highest speed, centimetres a second.
    pub hand_speed: f64,
    /// +1 where the pitcher is to the image's right, -1 where to the left.
    pub forward: f64,
    /// Whether the front foot is the person's left foot.
    pub front_is_left: bool,
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
    /// The hands start from or get to a place where no hitter has them.
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
    /// Judges the burst whose highest speed lies at grid moment `peak` of `hand_speed`.
    ///
    /// `signals` must reach from the load to a little after the peak. Where they are those of a slowed film, quickened
    /// by `pace`, more is asked of the swing, for any slow movement gets quick that way.
    pub(super) fn judge(
        signals: &Signals,
        hand_speed: &[f64],
        peak: usize,
        pace: Pace,
    ) -> Result<Self, NoSwing> {
        let rate = signals.rate_hz;
        let burst = Burst::new(signals, peak, pace)?;
        burst.is_a_swing()?;

        let posture = &burst.posture;
        let (left, right) = (&posture.left_ankle, &posture.right_ankle);
        let peak_of_body = burst.peak;
        Ok(Self {
            hand_peak: peak_place(hand_speed, peak),
            hand_speed: hand_speed[peak],
            forward: burst.forward,
            front_is_left: if burst.open_side {
                burst.forward * (left.x_cm[peak_of_body] - right.x_cm[peak_of_body]) > 0.0
            } else {
                // Along the line to the pitcher the feet hide each other's order; the front foot is the one that
                // strides before the hands go.
                let steps = |secs: f64| (secs * rate).round() as usize;
                let from = peak.saturating_sub(steps(0.9));
                let to = peak.saturating_sub(steps(0.05)).max(from);
                let (left, right) = (&signals.feet.left.ankle, &signals.feet.right.ankle);
                went(left, from, to, rate) > went(right, from, to, rate)
            },
        })
    }
}

/// How far a foot gets about between two grid moments, centimetres.
fn went(ankle: &Path, from: usize, to: usize, rate_hz: f64) -> f64 {
    let path = ankle.smoothed(6.0, rate_hz);
    let span = |v: &[f64]| {
        let part = &v[from..=to];
        part.iter().copied().fold(f64::MIN, f64::max)
            - part.iter().copied().fold(f64::MAX, f64::min)
    };
    span(&path.x_cm).hypot(span(&path.y_cm))
}
