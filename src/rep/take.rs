//! A take: a stride that no swing followed.
//!
//! In: signals that end a little after the front foot has come to rest. Out: the rep, or nothing where the stride was no
//! hitter's: a step, a shuffle in the box, a foot drawn back in after a swing.

use crate::motion::filter::range_over;
use crate::motion::{Direction, Path, Side, Signals, Stance};
use crate::time::CaptureTime;

use super::analysis::{self, AnalysisContext};
use super::events;
use super::not_counted::{MissedCondition, NotCountedReason as R, Refused};
use super::posture::standing;
use super::types::{Bats, Rep, RepKind};
use super::view::view;

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
///
/// # Errors
/// Where it does not count: the condition that it misses, where its feet and events tell that much. A stride that misses only
/// that one, and by little, is measured.
pub(super) fn take(
    signals: &Signals,
    down_at: CaptureTime,
    now: CaptureTime,
    context: &AnalysisContext,
) -> Result<Rep, Option<Box<Refused>>> {
    let down = signals.sample_at(down_at);
    let until = signals.index(down);
    let from = until.saturating_sub(signals.samples_in(LOOK_BACK_SECS));
    if !standing(signals, from) || !standing(signals, until) {
        return Err(None);
    }
    let stride = FeetMotion::over(signals, (from, until));
    let stance = stride.stance;
    let mut missed = stride.missed(signals.scale.height_cm);
    missed.extend(circumstances(signals, down, &stride, context));
    missed.extend(bat_not_ready(signals, (from, until), stance));
    let refused = |missed: MissedCondition, rep: Option<Rep>| {
        Err(Some(Box::new(Refused {
            kind: RepKind::Take,
            at: down_at,
            missed,
            rep,
        })))
    };
    // What misses two conditions is none that anybody would count.
    if let [first, _, ..] = missed[..] {
        return refused(first, None);
    }
    let estimates = events::of_take(signals, down, stance);
    let (Some(lift), Some(plant), Some(set), Some(gather)) = (
        estimates.lift_off,
        estimates.plant,
        estimates.set,
        estimates.gather,
    ) else {
        return Err(None);
    };
    missed.extend(
        context
            .not_before
            .and_then(|after| after.missed_at(signals.time_at(plant.sample))),
    );
    let took_secs = (plant.sample - lift.sample) / signals.rate_hz;
    let set_secs = (gather.sample - set) / signals.rate_hz;
    missed.extend(
        [
            (R::QuickStride, took_secs, STRIDE_SECS.start),
            (R::LongStride, took_secs, STRIDE_SECS.end),
            (R::NotSet, set_secs, LEAST_SET_SECS),
        ]
        .into_iter()
        .filter_map(|(reason, value, limit)| MissedCondition::unless(reason, value, limit)),
    );
    let measured = || {
        let view = context
            .setup
            .view
            .unwrap_or_else(|| view(signals, down, false));
        let kind = RepKind::Take;
        analysis::rep(signals, &estimates, stance, kind, view, context, now)
    };
    match missed[..] {
        [] => Ok(measured()),
        [only] => refused(only, only.is_near(RepKind::Take).then(measured)),
        [first, ..] => refused(first, None),
    }
}

/// How the feet move in a stretch.
struct FeetMotion {
    /// The foot that moves more is taken for the front one.
    stance: Stance,
    /// How far the front foot and the other get about, centimeters.
    went: f64,
    stood: f64,
    /// How much farther apart across the picture the feet end than they began, centimeters.
    widened: f64,
}

impl FeetMotion {
    fn over(signals: &Signals, (from, until): (usize, usize)) -> Self {
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
        let stance = Stance {
            front: side,
            pitcher: Direction::of(front.x_cm[until] - back.x_cm[until]),
        };
        Self {
            stance,
            went,
            stood,
            widened: stance.forward() * (front.x_cm[until] - front.x_cm[from]),
        }
    }

    /// One foot strides away from the other, which stands.
    fn missed(&self, height: f64) -> Vec<MissedCondition> {
        let most = (MOST_STANDING_SHARE * self.went).min(MOST_STANDING * height);
        [
            (R::ShortStride, self.went, LEAST_STRIDE * height),
            (R::BackFootMoved, self.stood, most),
            (R::DrawnIn, self.widened, -DRAWN_IN * height),
        ]
        .into_iter()
        .filter_map(|(reason, value, limit)| MissedCondition::unless(reason, value, limit))
        .collect()
    }
}

/// Whether the feet agree with the side that the operator named, and with where the pitcher is.
fn circumstances(
    signals: &Signals,
    down: f64,
    stride: &FeetMotion,
    context: &AnalysisContext,
) -> Option<MissedCondition> {
    let stance = stride.stance;
    let known_front = context.setup.bats.map(Bats::front);
    if known_front.is_some_and(|front| front != stance.front) {
        return Some(analysis::feet_of_other_side(signals, down, stance));
    }
    let away = context.pitcher.is_some_and(|known| known != stance.pitcher);
    away.then_some(MissedCondition {
        reason: R::StrideAway,
        value: -stride.widened.abs(),
        limit: 0.0,
    })
}

/// What speaks against a hitter who has the bat ready at both ends of the stretch and does not swing from its start on.
fn bat_not_ready(
    signals: &Signals,
    (from, until): (usize, usize),
    stance: Stance,
) -> Vec<MissedCondition> {
    let height = signals.scale.height_cm;
    let hands = signals.hands.smoothed(SMOOTH_HZ, signals.rate_hz);
    let behind = |i: usize| stance.forward() * (signals.shoulders.x_cm[i] - hands.x_cm[i]);
    let above = |i: usize| hands.y_cm[i] - signals.hips.y_cm[i];
    let speed = hands.speed(signals.rate_hz);
    let quickest = speed[from..].iter().copied().fold(0.0, f64::max);
    [
        (
            R::HandsInFront,
            behind(from).min(behind(until)),
            HANDS_BEHIND * height,
        ),
        (
            R::HandsLow,
            above(from).min(above(until)),
            HANDS_ABOVE_HIPS * height,
        ),
        (R::HandsQuick, quickest, HANDS_SPEED * height),
    ]
    .into_iter()
    .filter_map(|(reason, value, limit)| MissedCondition::unless(reason, value, limit))
    .collect()
}
