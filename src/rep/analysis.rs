//! From the signals of a stretch to one swing, measured.
//!
//! In: signals that end a little after the rep. Out: the rep, or nothing where the stretch holds none; and what looked like
//! one and missed a condition.

use crate::motion::{Direction, Signals, Stance, roll, yaw_from_pelvis};
use crate::time::CaptureTime;

use super::context::MeasureContext;
use super::estimates::EventEstimates;
use super::events;
use super::hand_burst::OPEN_SIDE_STANCE;
use super::measures;
use super::not_counted::{MissedCondition, NotCountedReason, Refused};
use super::setup::HitterSetup;
use super::slow_motion::SlowMotion;
use super::style;
use super::swing::Swing;
use super::types::{Bats, PitchTimes, Rep, RepKind, Ruler, View};

/// Cutoff for the hands' speed, hertz: the swing's burst lasts about a fifth of a second.
const HANDS_HZ: f64 = 10.0;
/// Bursts of the hands slower than this are not even judged, heights a second.
const BURST_SPEED: f64 = 1.0;
/// The burst is looked for from this long before the peak that the live finder saw, seconds.
const BEFORE_PEAK_SECS: f64 = 0.3;

/// The set position is looked at for this long before the gather.
const SET_SECS: f64 = 0.4;
/// Standard uncertainty of the camera's roll once the plumb line has shown it, and where it has not, radians.
const LEVELED_ROLL_RAD: f64 = 0.014;
const UNKNOWN_ROLL_RAD: f64 = 0.035;
/// Standard uncertainty of a roll that the operator measured: a pixel or two at each end of the line it was read from,
/// radians.
const MEASURED_ROLL_RAD: f64 = 0.009;
/// A pelvis turned off square by less than this in the set is seen from the open side, radians; the angle is clamped at
/// 35 degrees.
const OPEN_SIDE_YAW_RAD: f64 = 0.609;
/// The hands' way back after a swing is not a swing of the other side until this long after it, seconds.
const WAY_BACK_SECS: f64 = 4.0;
/// A front foot that moves away from the pitcher by more than this between set and plant is no stride, H.
const BACKWARD_STRIDE: f64 = 0.08;

/// What is known besides the signals when a stretch is analyzed.
pub(super) struct AnalysisContext<'a> {
    /// What the operator has said.
    pub setup: &'a HitterSetup,
    /// How many times slower than life the signals are taken to have been filmed.
    pub slow_motion: SlowMotion,
    /// The pitch that was played last.
    pub pitch: Option<PitchTimes>,
    /// Where the pitcher was in earlier swings.
    pub pitcher: Option<Direction>,
    /// Nothing so soon after the last rep may become one.
    pub not_before: Option<Refractory>,
    /// When the last swing's hands peaked and where the pitcher was: for a while no swing may go against it.
    pub last_swing: Option<(CaptureTime, Direction)>,
}

/// The time after a rep in which no other can begin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Refractory {
    /// The moment of the rep that it runs from.
    pub from: CaptureTime,
    /// How long it lasts.
    pub secs: f64,
}

impl Refractory {
    /// The condition that a movement at this time misses, where it does.
    pub(super) fn missed_at(self, at: CaptureTime) -> Option<MissedCondition> {
        MissedCondition::unless(
            NotCountedReason::TooSoon,
            at.secs_since(self.from),
            self.secs,
        )
    }
}

/// A swing that was found.
pub(super) struct FoundSwing {
    /// The rep.
    pub rep: Rep,
    /// When the hands were fastest.
    pub hand_peak: CaptureTime,
    /// Where the pitcher is.
    pub pitcher: Direction,
}

/// The first burst of the hands around `peak_at` that is a swing. What looks like one and is not counted goes to `refused`.
pub(super) fn swing(
    signals: &Signals,
    peak_at: CaptureTime,
    now: CaptureTime,
    context: &AnalysisContext,
    refused: &mut Vec<Refused>,
) -> Option<FoundSwing> {
    let found = first_swing(signals, peak_at, now, context, refused)?;
    let stance = Stance {
        front: context.setup.bats.map_or(found.stance.front, Bats::front),
        ..found.stance
    };
    let estimates = events::of_swing(signals, found.hand_peak, stance);
    let rep = measured(signals, found.hand_peak, &estimates, stance, context, now);
    // No hitter strides away from the pitcher by more than a little: those feet were somebody else's.
    let away = strode(signals, &estimates, stance).and_then(|cm| {
        let least = -BACKWARD_STRIDE * signals.scale.height_cm;
        MissedCondition::unless(NotCountedReason::StrideAway, cm, least)
    });
    if let Some(missed) = away {
        refused.push(Refused {
            kind: RepKind::Swing,
            at: signals.time_at(found.hand_peak),
            missed,
            rep: Some(rep),
        });
        return None;
    }
    Some(FoundSwing {
        rep,
        hand_peak: signals.time_at(found.hand_peak),
        pitcher: stance.pitcher,
    })
}

/// The swing whose hands peak at this sample, measured.
fn measured(
    signals: &Signals,
    hand_peak: f64,
    estimates: &EventEstimates,
    stance: Stance,
    context: &AnalysisContext,
    now: CaptureTime,
) -> Rep {
    let view = context.setup.view.unwrap_or_else(|| {
        let by_stance = view(signals, hand_peak);
        let square = turned_away(signals, estimates, stance)
            .is_some_and(|yaw| yaw.abs() < OPEN_SIDE_YAW_RAD);
        // A hitter with a narrow stance shows little of it; where the pelvis faces the camera, so does the chest.
        if square { View::OpenSide } else { by_stance }
    });
    let kind = RepKind::Swing;
    rep(signals, estimates, stance, kind, view, context, now)
}

fn first_swing(
    signals: &Signals,
    peak_at: CaptureTime,
    now: CaptureTime,
    context: &AnalysisContext,
    refused: &mut Vec<Refused>,
) -> Option<Swing> {
    let rate = signals.rate_hz;
    let speed = signals.hands.smoothed(HANDS_HZ, rate).speed(rate);
    let from = signals.sample_at(peak_at) - BEFORE_PEAK_SECS * rate;
    let floor = BURST_SPEED * signals.scale.height_cm;
    let bursts = (signals.index(from).max(1)..signals.len.saturating_sub(1))
        .filter(|&i| speed[i] > floor && speed[i] >= speed[i - 1] && speed[i] > speed[i + 1]);
    for i in bursts {
        let at = signals.time_at(i as f64);
        let Ok(swing) = Swing::judge(signals, &speed, i, context.slow_motion) else {
            continue;
        };
        let Some(missed) = missed_by(swing, at, signals, context) else {
            return Some(swing);
        };
        let estimates = events::of_swing(signals, swing.hand_peak, swing.stance);
        let (peak, stance) = (swing.hand_peak, swing.stance);
        refused.push(Refused {
            kind: RepKind::Swing,
            at,
            missed,
            rep: Some(measured(signals, peak, &estimates, stance, context, now)),
        });
    }
    None
}

/// What speaks against a movement that looks like a swing.
fn missed_by(
    swing: Swing,
    at: CaptureTime,
    signals: &Signals,
    context: &AnalysisContext,
) -> Option<MissedCondition> {
    use NotCountedReason as R;
    let too_soon = context.not_before.and_then(|after| after.missed_at(at));
    let way_back = || {
        let (before, pitcher) = context.last_swing?;
        (swing.stance.pitcher != pitcher)
            .then(|| MissedCondition::unless(R::WayBack, at.secs_since(before), WAY_BACK_SECS))?
    };
    too_soon
        .or_else(way_back)
        .or_else(|| other_side(signals, swing, context.setup))
}

/// Whether the feet speak against the side that the operator named. Along the line to the pitcher the feet hide each
/// other, so that only what the operator named counts there.
fn other_side(signals: &Signals, swing: Swing, setup: &HitterSetup) -> Option<MissedCondition> {
    let named = setup.bats?.front();
    if named == swing.stance.front || setup.view.is_some_and(|v| v != View::OpenSide) {
        return None;
    }
    Some(feet_of_other_side(signals, swing.hand_peak, swing.stance))
}

/// The condition that the feet miss whose front one is not the named side's: how far that one is ahead.
pub(super) fn feet_of_other_side(
    signals: &Signals,
    sample: f64,
    stance: Stance,
) -> MissedCondition {
    let (front, back) = (
        stance.front_of(&signals.feet),
        stance.back_of(&signals.feet),
    );
    let i = signals.index(sample);
    MissedCondition {
        reason: NotCountedReason::OtherSide,
        value: stance.forward() * (back.ankle.x_cm[i] - front.ankle.x_cm[i]),
        limit: 0.0,
    }
}

/// How far the pelvis is turned off square to the camera while the hitter is set, radians; `None` without metric
/// landmarks or where the set was not seen.
fn turned_away(signals: &Signals, estimates: &EventEstimates, stance: Stance) -> Option<f64> {
    let gather = estimates.gather?.sample;
    let from = signals.index(gather - SET_SECS * signals.rate_hz);
    yaw_from_pelvis(signals, from, signals.index(gather), stance)
}

/// How far the front foot gets toward the pitcher in the picture from its lift-off to the plant, centimeters.
fn strode(signals: &Signals, estimates: &EventEstimates, stance: Stance) -> Option<f64> {
    let front = stance.front_of(&signals.feet);
    let at = |sample: f64| front.ankle.x_cm[signals.index(sample)];
    Some(stance.forward() * (at(estimates.plant?.sample) - at(estimates.lift_off?.sample)))
}

/// Where the camera stands, from how wide the stance looks and whether a face shows.
pub(super) fn view(signals: &Signals, sample: f64) -> View {
    let i = signals.index(sample);
    let base = (signals.feet.left.ankle.x_cm[i] - signals.feet.right.ankle.x_cm[i]).abs();
    if base >= OPEN_SIDE_STANCE * signals.scale.height_cm {
        View::OpenSide
    } else if signals.shoulder.left.x_cm[i] > signals.shoulder.right.x_cm[i] {
        // The person's left is to the image's right: the chest faces the camera.
        View::Front
    } else {
        View::Rear
    }
}

/// Signals with the camera's roll taken out.
pub(super) struct Leveled {
    /// The signals.
    pub signals: Signals,
    /// The camera's angle off square, radians, as far as the set position shows it.
    pub yaw_rad: Option<f64>,
    /// Standard uncertainty of the roll that is left, radians.
    pub roll_spread_rad: f64,
}

/// Takes out the camera's roll as far as the hitter's set position shows it. `roll_deg` is the roll that the operator
/// measured, which `signals` are without already.
pub(super) fn leveled(
    signals: &Signals,
    estimates: &EventEstimates,
    stance: Stance,
    view: View,
    roll_deg: Option<f64>,
) -> Leveled {
    let as_they_are = |yaw_rad| Leveled {
        signals: signals.clone(),
        yaw_rad,
        roll_spread_rad: match roll_deg {
            Some(_) => MEASURED_ROLL_RAD,
            None => UNKNOWN_ROLL_RAD,
        },
    };
    // A hitter whose gather was not seen may be back already, and leans: no plumb line.
    let until = estimates.gather.map(|gather| gather.sample);
    let (Some(until), View::OpenSide) = (until, view) else {
        return as_they_are(None);
    };
    let from = (until - SET_SECS * signals.rate_hz).max(estimates.set.unwrap_or(0.0));
    let (from, until) = (signals.index(from.min(until)), signals.index(until));
    if signals.found[from..=until].iter().any(|f| !f) {
        return as_they_are(None);
    }
    let yaw_rad = yaw_from_pelvis(signals, from, until, stance);
    if roll_deg.is_some() {
        return as_they_are(yaw_rad);
    }
    let landed = estimates.plant.map(|plant| plant.sample);
    let roll_rad = roll(signals, (from, until), landed, stance.pitcher, yaw_rad);
    Leveled {
        signals: signals.leveled(roll_rad),
        yaw_rad,
        roll_spread_rad: LEVELED_ROLL_RAD,
    }
}

/// Measures a rep whose events are found.
pub(super) fn rep(
    signals: &Signals,
    estimates: &EventEstimates,
    stance: Stance,
    kind: RepKind,
    view: View,
    context: &AnalysisContext,
    now: CaptureTime,
) -> Rep {
    let roll_deg = context.setup.roll_deg;
    let leveled = leveled(signals, estimates, stance, view, roll_deg);
    let measured = MeasureContext {
        signals: &leveled.signals,
        estimates,
        stance,
        kind,
        view,
        yaw_rad: leveled.yaw_rad,
        roll_spread_rad: leveled.roll_spread_rad,
        pitch: context.pitch,
    };
    Rep {
        kind,
        bats: Bats::with_front(stance.front),
        pitcher: Some(stance.pitcher),
        view,
        fps: signals.rate_hz,
        events: estimates.times(signals),
        measures: measures::measure(&measured),
        style: style::style(&measured),
        ruler: Some(Ruler {
            scale: signals.scale,
            roll_deg,
        }),
        known_at: now,
    }
}
