//! From the signals of a stretch to one swing, measured.
//!
//! In: signals that end a little after the rep. Out: the rep, or nothing where the stretch holds none; and what looked like
//! one and missed a condition.

use crate::motion::{CameraYaw, Direction, Signals, Stance, roll, yaw_from_pelvis};
use crate::time::CaptureTime;

use super::context::MeasureContext;
use super::ears::{self, Ears};
use super::estimates::{EventEstimate, EventEstimates};
use super::events;
use super::judge::{self, LEAST_PROBABILITY, LEAST_PROBABILITY_QUICKENED, LEAST_SPEED, SwingJudge};
use super::measures;
use super::not_counted::{MissedCondition, NotCountedReason, Refused};
use super::setup::HitterSetup;
use super::slow_motion::SlowMotion;
use super::style;
use super::swing::Swing;
use super::types::{Bats, PitchTimes, Rep, RepKind, Ruler, View};
use super::view::{as_sure_as_seen, stance_before, view};

/// Slowest hands of a swing at life's pace, heights a second, seen from a side and along the line to the pitcher, where much
/// of their way is toward the camera. Skilled hitters reach about 4, an easy dry swing 2.5; a film that shows less is slowed.
const LIFE_SPEED: f64 = 1.6;
const LIFE_SPEED_END_ON: f64 = 1.3;
/// Bursts so close together are one swing's, seconds: its peak is the likeliest of those that reach this share of the
/// quickest.
const ONE_SWING_SECS: f64 = 0.3;
const QUICK_SHARE: f64 = 0.6;
/// So much of the stretch about the peak must show the body: seconds before and after, and the share.
const SHOWN_SECS: (f64, f64) = (0.3, 0.2);
const SHOWN_SHARE: f64 = 0.8;
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
/// A pelvis turned off square by less than this in the set is seen from a side, radians; the angle is clamped at 35
/// degrees.
const SIDE_ON_YAW_RAD: f64 = 0.609;
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
    /// Before this the landmarks were on another body.
    pub another_body_before: Option<CaptureTime>,
    /// What is known of the sounds, where a microphone listens.
    pub ears: Option<&'a Ears>,
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
    /// What was heard of it.
    pub heard: Option<ears::Verdict>,
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
    let seen = events::of_swing(signals, found.hand_peak, stance, None);
    let view = view_of(signals, found.hand_peak, &seen, stance, context);
    let heard = heard(
        signals,
        &as_sure_as_seen(seen, view, signals.rate_hz),
        context,
    );
    let contact = heard
        .and_then(|heard| heard.contact)
        .map(|contact| EventEstimate {
            sample: signals.sample_at(contact.at),
            sigma: contact.spread_secs * signals.rate_hz,
        });
    let estimates = match contact {
        Some(_) => events::of_swing(signals, found.hand_peak, stance, contact),
        None => as_sure_as_seen(seen, view, signals.rate_hz),
    };
    let mut rep = rep(
        signals,
        &estimates,
        stance,
        RepKind::Swing,
        view,
        context,
        now,
    );
    rep.heard = heard.map(|heard| heard.heard);
    // No hitter strides away from the pitcher by more than a little: those feet were somebody else's. Toward a camera on the
    // line to the pitcher a stride does not show.
    let strode = strode(signals, &estimates, stance).filter(|_| rep.view.is_side_on());
    let away = strode.and_then(|cm| {
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
        heard,
    })
}

/// Where the camera stands, as the operator said or as the hitter looks.
fn view_of(
    signals: &Signals,
    hand_peak: f64,
    estimates: &EventEstimates,
    stance: Stance,
    context: &AnalysisContext,
) -> View {
    context.setup.view.unwrap_or_else(|| {
        let square =
            turned_away(signals, estimates, stance).is_some_and(|yaw| yaw.abs() < SIDE_ON_YAW_RAD);
        view(signals, hand_peak, square)
    })
}

/// What was heard of a swing whose contact is seen so. A film that is taken to be slowed has no sound that fits.
fn heard(
    signals: &Signals,
    seen: &EventEstimates,
    context: &AnalysisContext,
) -> Option<ears::Verdict> {
    let ears = context
        .ears
        .filter(|_| context.slow_motion == SlowMotion::NONE)?;
    let contact = seen.contact?;
    let spread_secs = contact.sigma / signals.rate_hz;
    Some(ears.verdict(signals.time_at(contact.sample), spread_secs))
}

fn first_swing(
    signals: &Signals,
    peak_at: CaptureTime,
    now: CaptureTime,
    context: &AnalysisContext,
    refused: &mut Vec<Refused>,
) -> Option<Swing> {
    let rate = signals.rate_hz;
    let speed = judge::hand_speed(signals);
    let from = signals.index(signals.sample_at(peak_at) - BEFORE_PEAK_SECS * rate);
    let slow_motion = context.slow_motion;
    let floor = LEAST_SPEED * slow_motion.judged_factor() * signals.scale.height_cm;
    let least = if slow_motion.judged_factor() < slow_motion.factor {
        LEAST_PROBABILITY_QUICKENED
    } else {
        LEAST_PROBABILITY
    };
    let judge = SwingJudge::of(signals, slow_motion);
    let likely = |i: usize| {
        MissedCondition::unless(NotCountedReason::UnlikeASwing, judge.probability(i), least)
    };
    let mut bursts = judge::bursts(&speed, from, floor).peekable();
    while let Some(i) = bursts.next() {
        let mut peak = i;
        let unlike = likely(i);
        if unlike.is_none() {
            // A swing may have more than one burst; what follows through is quick as well.
            let until = i + signals.samples_in(ONE_SWING_SECS);
            let mut of_swing = vec![i];
            while let Some(next) = bursts.next_if(|&next| next <= until) {
                of_swing.push(next);
            }
            let top = of_swing.iter().map(|&k| speed[k]).fold(0.0, f64::max);
            peak = of_swing
                .into_iter()
                .filter(|&k| speed[k] >= QUICK_SHARE * top)
                .max_by(|&a, &b| judge.probability(a).total_cmp(&judge.probability(b)))
                .unwrap_or(i);
        }
        let mut swing = Swing::at(signals, &speed, peak);
        swing.stance = stance_before(signals, &swing);
        let at = signals.time_at(peak as f64);
        let missed = unlike
            .or_else(|| hands_slow(signals, speed[peak], swing))
            .or_else(|| unseen(signals, peak, context))
            .or_else(|| missed_by(swing, at, signals, context));
        let Some(missed) = missed else {
            return Some(swing);
        };
        let near = missed.is_near(RepKind::Swing);
        refused.push(Refused {
            kind: RepKind::Swing,
            at,
            missed,
            rep: near.then(|| {
                let (peak, stance) = (swing.hand_peak, swing.stance);
                let seen = events::of_swing(signals, peak, stance, None);
                let view = view_of(signals, peak, &seen, stance, context);
                let seen = as_sure_as_seen(seen, view, signals.rate_hz);
                rep(signals, &seen, stance, RepKind::Swing, view, context, now)
            }),
        });
        // What follows a swing is the hands' way back, whichever side was named.
        if missed.reason == NotCountedReason::OtherSide {
            return None;
        }
    }
    None
}

/// Hands that are too slow for a swing at life's pace.
fn hands_slow(signals: &Signals, speed_cm_s: f64, swing: Swing) -> Option<MissedCondition> {
    let least = if swing.from_side {
        LIFE_SPEED
    } else {
        LIFE_SPEED_END_ON
    };
    let limit = least * signals.scale.height_cm;
    MissedCondition::unless(NotCountedReason::HandsSlow, speed_cm_s, limit)
}

/// A body that was not seen well enough about the peak. A recording may begin in mid-swing; landmarks that have just come
/// over from another body show nothing yet.
fn unseen(signals: &Signals, peak: usize, context: &AnalysisContext) -> Option<MissedCondition> {
    let before = signals.samples_in(SHOWN_SECS.0);
    let from = peak.saturating_sub(before);
    let to = (peak + signals.samples_in(SHOWN_SECS.1)).min(signals.len - 1);
    let found = signals.found[from..=to].iter().filter(|f| **f).count();
    let others = match context.another_body_before {
        Some(_) => before.saturating_sub(peak),
        None => 0,
    };
    let share = found as f64 / (others + to - from + 1) as f64;
    MissedCondition::unless(NotCountedReason::Unseen, share, SHOWN_SHARE)
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
    if named == swing.stance.front || setup.view.is_some_and(|v| !v.is_side_on()) {
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
    yaw_from_pelvis(signals, (from, signals.index(gather)), stance)
}

/// How far the front foot gets toward the pitcher in the picture from its lift-off to the plant, centimeters.
fn strode(signals: &Signals, estimates: &EventEstimates, stance: Stance) -> Option<f64> {
    let front = stance.front_of(&signals.feet);
    let at = |sample: f64| front.ankle.x_cm[signals.index(sample)];
    Some(stance.forward() * (at(estimates.plant?.sample) - at(estimates.lift_off?.sample)))
}

/// Signals with the camera's roll taken out.
pub(super) struct Leveled {
    /// The signals.
    pub signals: Signals,
    /// The camera's angle off square, as far as the hitter shows it.
    pub yaw: CameraYaw,
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
    let as_they_are = |yaw| Leveled {
        signals: signals.clone(),
        yaw,
        roll_spread_rad: match roll_deg {
            Some(_) => MEASURED_ROLL_RAD,
            None => UNKNOWN_ROLL_RAD,
        },
    };
    // A hitter whose gather was not seen may be back already, and leans: no plumb line.
    let until = estimates.gather.map(|gather| gather.sample);
    let Some(until) = until.filter(|_| view.is_side_on()) else {
        return as_they_are(CameraYaw::unknown());
    };
    let from = (until - SET_SECS * signals.rate_hz).max(estimates.set.unwrap_or(0.0));
    let (from, until) = (signals.index(from.min(until)), signals.index(until));
    if signals.found[from..=until].iter().any(|f| !f) {
        return as_they_are(CameraYaw::unknown());
    }
    let (set, landed) = ((from, until), estimates.plant.map(|plant| plant.sample));
    let yaw = match view {
        View::BackSide => CameraYaw::from_back(signals, set, landed, stance),
        View::OpenSide | View::Rear | View::Front => {
            CameraYaw::from_chest(signals, set, landed, stance)
        }
    };
    if roll_deg.is_some() {
        return as_they_are(yaw);
    }
    let roll_rad = roll(signals, set, landed, stance.pitcher, yaw.rad);
    Leveled {
        signals: signals.leveled(roll_rad),
        yaw,
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
        yaw: leveled.yaw,
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
        heard: None,
        known_at: now,
    }
}
