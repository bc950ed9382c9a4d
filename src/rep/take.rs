//! A take: a stride that no swing followed.
//!
//! In: signals that end a little after the front foot has come to rest. Out: the rep, or nothing where the stride was no
//! hitter's: a step, a shuffle in the box, a foot drawn back in after a swing.

use crate::motion::filter::range_over;
use crate::motion::{Direction, Path, Side, Signals, Stance};
use crate::time::CaptureTime;

use super::analysis::{self, AnalysisContext};
use super::events;
use super::posture::standing;
use super::types::{Bats, Rep, RepKind};

/// Cutoff of the zero-phase low pass for ankles and hands, hertz: nothing in a stride is quicker.
const SMOOTH_HZ: f64 = 6.0;
/// What the feet and hands do is looked at from this long before the foot rests, seconds: no stride takes longer from its
/// lift-off.
const LOOK_BACK_SECS: f64 = 1.0;
/// A foot that gets less far than this in the picture, up or across, jitters and does not stride, H.
const LEAST_STRIDE: f64 = 0.03;
/// The back foot stands meanwhile: it gets no farther than this, H, and no farther than this share of the stride. A walk
/// moves both.
const MOST_STANDING: f64 = 0.03;
const MOST_STANDING_SHARE: f64 = 0.35;
/// A foot that ends nearer the back foot than it began, by more than the landmarks' jitter, H, was drawn in, as after a
/// swing.
const DRAWN_IN: f64 = 0.01;
/// A hitter who takes a pitch has the bat ready: the hands are this far behind the shoulders and above the hips, H.
const HANDS_BEHIND: f64 = 0.02;
const HANDS_ABOVE_HIPS: f64 = 0.08;
/// Hands faster than this begin a swing, H a second.
const HANDS_SPEED: f64 = 1.2;
/// The hitter has been set for at least this long before the gather, seconds: a step into the box is no take.
const LEAST_SET_SECS: f64 = 0.15;
/// How long the front foot is in the air, seconds.
const STRIDE_SECS: std::ops::Range<f64> = 0.12..1.3;

/// The stride that came to rest about `down_at`, if it was a hitter's and no swing followed.
pub(super) fn take(
    signals: &Signals,
    down_at: CaptureTime,
    now: CaptureTime,
    context: &AnalysisContext,
) -> Option<Rep> {
    let down = signals.sample_at(down_at);
    let until = signals.index(down);
    let from = until.saturating_sub(signals.samples_in(LOOK_BACK_SECS));
    let stance = striding(signals, (from, until))?;
    let known_front = context.setup.bats.map(Bats::front);
    if known_front.is_some_and(|front| front != stance.front)
        || context.pitcher.is_some_and(|known| known != stance.pitcher)
        || !bat_stays_ready(signals, (from, until), stance)
    {
        return None;
    }
    let estimates = events::of_take(signals, down, stance);
    let (lift, plant) = (estimates.lift_off?, estimates.plant?);
    if context
        .not_before
        .is_some_and(|t| signals.time_at(plant.sample) < t)
    {
        return None;
    }
    let (set, gather) = (estimates.set?, estimates.gather?);
    let took = (plant.sample - lift.sample) / signals.rate_hz;
    if !STRIDE_SECS.contains(&took) || gather.sample - set <= LEAST_SET_SECS * signals.rate_hz {
        return None;
    }
    let view = context
        .setup
        .view
        .unwrap_or_else(|| analysis::view(signals, down));
    let kind = RepKind::Take;
    Some(analysis::rep(
        signals, &estimates, stance, kind, view, context, now,
    ))
}

/// The stance of a hitter of whom one foot strides away from the other, which stands.
fn striding(signals: &Signals, (from, until): (usize, usize)) -> Option<Stance> {
    let height = signals.scale.height_cm;
    let smoothed = |path: &Path| path.smoothed(SMOOTH_HZ, signals.rate_hz);
    let left = smoothed(&signals.feet.left.ankle);
    let right = smoothed(&signals.feet.right.ankle);
    let range = |path: &Path| {
        let across = range_over(&path.x_cm, (from, until));
        across.max(range_over(&path.y_cm, (from, until)))
    };
    let (went_left, went_right) = (range(&left), range(&right));
    let (side, front, back, went, stood) = if went_left > went_right {
        (Side::Left, &left, &right, went_left, went_right)
    } else {
        (Side::Right, &right, &left, went_right, went_left)
    };
    if went < LEAST_STRIDE * height
        || stood > MOST_STANDING_SHARE * went
        || stood > MOST_STANDING * height
    {
        return None;
    }
    let stance = Stance {
        front: side,
        pitcher: Direction::of(front.x_cm[until] - back.x_cm[until]),
    };
    let widened = stance.forward() * (front.x_cm[until] - front.x_cm[from]);
    (widened >= -DRAWN_IN * height).then_some(stance)
}

/// Whether the hitter stands with the bat ready at both ends of the stretch and does not swing from its start on.
fn bat_stays_ready(signals: &Signals, (from, until): (usize, usize), stance: Stance) -> bool {
    let height = signals.scale.height_cm;
    let hands = signals.hands.smoothed(SMOOTH_HZ, signals.rate_hz);
    let ready = |i: usize| {
        let behind = stance.forward() * (signals.shoulders.x_cm[i] - hands.x_cm[i]);
        let above = hands.y_cm[i] - signals.hips.y_cm[i];
        behind >= HANDS_BEHIND * height
            && above >= HANDS_ABOVE_HIPS * height
            && standing(signals, i)
    };
    let speed = hands.speed(signals.rate_hz);
    ready(from) && ready(until) && speed[from..].iter().all(|v| *v <= HANDS_SPEED * height)
}
