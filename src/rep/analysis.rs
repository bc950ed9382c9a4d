//! From the signals of a stretch to one rep.
//!
//! In: signals that end a little after the rep. Out: the rep, or nothing where the stretch holds none.

use crate::motion::{Path, Signals, roll, yaw_from_pelvis};
use crate::time::CaptureTime;

use super::burst::OPEN_SIDE_STANCE;
use super::events::{self, Moments};
use super::finder::FinderSettings;
use super::measures::{self, Setting};
use super::pace::Pace;
use super::posture::standing;
use super::style;
use super::swing::Swing;
use super::types::{Bats, Events, PitchTimes, Rep, RepKind, Ruler, View};

/// Cutoff for the hands' speed, hertz: the swing's burst lasts about a fifth of a second.
const HANDS_HZ: f64 = 10.0;
/// Bursts of the hands slower than this are not even judged, heights a second.
const BURST_SPEED: f64 = 1.0;

/// The set position is looked at for this long before the gather.
const SET_SECS: f64 = 0.4;
/// Standard uncertainty of the camera's roll once the plumb line has shown it, and where it has not, radians.
const LEVELLED_ROLL_RAD: f64 = 0.014;
const UNKNOWN_ROLL_RAD: f64 = 0.035;
/// Standard uncertainty of a roll that was told: a pixel or two at each end of the line it was read from, radians.
const TOLD_ROLL_RAD: f64 = 0.009;
/// A pelvis turned off square by less than this in the set is seen from the open side, radians; the angle is not told
/// beyond 35 degrees.
const OPEN_SIDE_YAW_RAD: f64 = 0.609;
/// A front foot that moves away from the pitcher by more than this between set and plant is no stride, H.
const BACKWARD_STRIDE: f64 = 0.08;

/// What is already known when a stretch is judged.
pub(super) struct Verdicts<'a> {
    /// What the operator said.
    pub told: &'a FinderSettings,
    /// How many times slower than life the signals are taken to have been filmed.
    pub pace: Pace,
    /// The pitch that was played last.
    pub pitch: Option<PitchTimes>,
    /// Which way earlier swings went.
    pub forward: Option<f64>,
    /// Nothing before this may become a rep.
    pub not_before: Option<CaptureTime>,
    /// Until then no swing may go against this way: it is the hands' way back.
    pub no_turn_before: Option<(CaptureTime, f64)>,
}

/// A swing that was found.
pub(super) struct FoundSwing {
    /// The rep.
    pub rep: Rep,
    /// When the hands were fastest.
    pub hand_peak: CaptureTime,
    /// +1 where the pitcher is to the image's right.
    pub forward: f64,
}

/// The first burst of the hands around `peak_at` that is a swing.
pub(super) fn swing(
    signals: &Signals,
    peak_at: CaptureTime,
    now: CaptureTime,
    known: &Verdicts,
) -> Option<FoundSwing> {
    let rate = signals.rate_hz;
    let speed = signals.hands.smoothed(HANDS_HZ, rate).speed(rate);
    let from = signals.index(signals.place_of(peak_at) - 0.3 * rate).max(1);
    let floor = BURST_SPEED * signals.scale.height_cm;
    let found = (from..signals.len.saturating_sub(1))
        .filter(|&i| speed[i] > floor && speed[i] >= speed[i - 1] && speed[i] > speed[i + 1])
        .filter(|&i| {
            known
                .not_before
                .is_none_or(|t| signals.time_at(i as f64) >= t)
        })
        .filter_map(|i| {
            Swing::judge(signals, &speed, i, known.pace)
                .ok()
                .map(|s| (i, s))
        })
        .find(|(i, swing)| {
            let turned = known.no_turn_before.is_some_and(|(until, forward)| {
                signals.time_at(*i as f64) < until && swing.forward != forward
            });
            !turned && allowed(known.told, swing.front_is_left)
        })?
        .1;
    let front_is_left = match known.told.bats {
        Some(bats) => bats == Bats::Right,
        None => found.front_is_left,
    };
    let moments = events::of_swing(signals, found.hand_peak, found.forward, front_is_left);
    let view = known.told.view.unwrap_or_else(|| {
        let by_stance = view(signals, found.hand_peak);
        let square = turned_away(signals, &moments, found.forward, front_is_left)
            .is_some_and(|yaw| yaw.abs() < OPEN_SIDE_YAW_RAD);
        // A hitter with a narrow stance shows little of it; where the pelvis faces the camera, so does the chest.
        if square { View::OpenSide } else { by_stance }
    });
    let rep = rep(
        signals,
        &moments,
        found.forward,
        front_is_left,
        RepKind::Swing,
        (known, view),
        now,
    );
    // No hitter strides away from the pitcher by more than a little: those feet were somebody else's.
    if strode(signals, &moments, found.forward, front_is_left)
        .is_some_and(|cm| cm < -BACKWARD_STRIDE * signals.scale.height_cm)
    {
        return None;
    }
    Some(FoundSwing {
        rep,
        hand_peak: signals.time_at(found.hand_peak),
        forward: found.forward,
    })
}

/// How far the pelvis is turned off square to the camera while the hitter is set, radians; `None` without metric
/// landmarks or where the set was not seen.
fn turned_away(
    signals: &Signals,
    moments: &Moments,
    forward: f64,
    front_is_left: bool,
) -> Option<f64> {
    let gather = moments.gather?.place;
    let from = signals.index(gather - SET_SECS * signals.rate_hz);
    yaw_from_pelvis(signals, from, signals.index(gather), forward, front_is_left)
}

/// How far the front foot gets toward the pitcher in the picture from its lift-off to the plant, centimetres.
fn strode(signals: &Signals, moments: &Moments, forward: f64, front_is_left: bool) -> Option<f64> {
    let feet = &signals.feet;
    let front = if front_is_left {
        &feet.left
    } else {
        &feet.right
    };
    let at = |place: f64| front.ankle.x_cm[signals.index(place)];
    Some(forward * (at(moments.plant?.place) - at(moments.lift_off?.place)))
}

/// Whether a swing's feet agree with the side that was told.
fn allowed(told: &FinderSettings, front_is_left: bool) -> bool {
    match told.bats {
        Some(bats) => {
            (bats == Bats::Right) == front_is_left || told.view.is_some_and(|v| v != View::OpenSide)
        }
        None => true,
    }
}

/// The stride that came to rest about `down_at`, if it was a hitter's and no swing followed.
pub(super) fn take(
    signals: &Signals,
    down_at: CaptureTime,
    now: CaptureTime,
    known: &Verdicts,
) -> Option<Rep> {
    let rate = signals.rate_hz;
    let height = signals.scale.height_cm;
    let down = signals.place_of(down_at);
    let steps = |secs: f64| (secs * rate).round() as usize;
    let around = signals.index(down);
    let (left, right) = (&signals.feet.left.ankle, &signals.feet.right.ankle);
    let smooth = |p: &Path| p.smoothed(6.0, rate);
    let (left, right) = (smooth(left), smooth(right));

    // One foot strides, the other stands.
    let from = around.saturating_sub(steps(1.0));
    let range = |p: &Path| {
        let span = |v: &[f64]| {
            let part = &v[from..=around];
            part.iter().copied().fold(f64::MIN, f64::max)
                - part.iter().copied().fold(f64::MAX, f64::min)
        };
        span(&p.x_cm).max(span(&p.y_cm))
    };
    let (went_left, went_right) = (range(&left), range(&right));
    let front_is_left = went_left > went_right;
    let (went, stood) = if front_is_left {
        (went_left, went_right)
    } else {
        (went_right, went_left)
    };
    if went < 0.03 * height || stood > 0.35 * went || stood > 0.03 * height {
        return None;
    }
    let (front, back) = if front_is_left {
        (&left, &right)
    } else {
        (&right, &left)
    };
    let forward = (front.x_cm[around] - back.x_cm[around]).signum();
    if known
        .told
        .bats
        .is_some_and(|bats| (bats == Bats::Right) != front_is_left)
        || known.forward.is_some_and(|way| way != forward)
    {
        return None;
    }
    // Away from the back foot: drawing it back in, as after a swing, is no stride.
    let widened = forward * (front.x_cm[around] - front.x_cm[from]);
    if widened < -0.01 * height {
        return None;
    }
    let hands = signals.hands.smoothed(6.0, rate);
    let quiet_until = around.min(signals.len - 1);
    for i in [from, quiet_until] {
        let behind = forward * (signals.shoulders.x_cm[i] - hands.x_cm[i]);
        let above = hands.y_cm[i] - signals.hips.y_cm[i];
        if behind < 0.02 * height || above < 0.08 * height || !standing(signals, i) {
            return None;
        }
    }
    let hand_speed = hands.speed(rate);
    if hand_speed[from..].iter().any(|v| *v > 1.2 * height) {
        return None;
    }
    let moments = events::of_stride(
        signals,
        down + 0.1 * rate,
        down + 0.2 * rate,
        forward,
        front_is_left,
    );
    let (lift, plant) = (moments.lift_off?, moments.plant?);
    if known
        .not_before
        .is_some_and(|t| signals.time_at(plant.place) < t)
    {
        return None;
    }
    let took = (plant.place - lift.place) / rate;
    // The hitter was set before: a step into the box is not a take.
    let set = moments
        .set
        .is_some_and(|set| moments.gather.is_some_and(|g| g.place - set > 0.15 * rate));
    if !(0.12..1.3).contains(&took) || !set {
        return None;
    }
    let view = known.told.view.unwrap_or_else(|| view(signals, down));
    Some(rep(
        signals,
        &moments,
        forward,
        front_is_left,
        RepKind::Take,
        (known, view),
        now,
    ))
}

/// Where the camera stands, from how wide the stance looks and whether a face shows.
fn view(signals: &Signals, place: f64) -> View {
    let i = signals.index(place);
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

/// The signals with the camera's roll taken out, and its angle off square, as far as the hitter's set position
/// shows them. A roll that was told is out of them already.
pub(super) fn levelled(
    signals: &Signals,
    moments: &Moments,
    forward: f64,
    front_is_left: bool,
    (told, view): (&FinderSettings, View),
) -> (Signals, Option<f64>, f64) {
    let unshown_roll_rad = match told.roll_deg {
        Some(_) => TOLD_ROLL_RAD,
        None => UNKNOWN_ROLL_RAD,
    };
    let rate = signals.rate_hz;
    // A hitter whose gather was not seen may be back already, and leans: no plumb line.
    let until = moments.gather.map(|c| c.place);
    let (Some(until), View::OpenSide) = (until, view) else {
        return (signals.clone(), None, unshown_roll_rad);
    };
    let from = (until - SET_SECS * rate).max(moments.set.unwrap_or(0.0));
    let (from, until) = (signals.index(from.min(until)), signals.index(until));
    if signals.found[from..=until].iter().any(|f| !f) {
        return (signals.clone(), None, unshown_roll_rad);
    }
    let yaw = yaw_from_pelvis(signals, from, until, forward, front_is_left);
    if told.roll_deg.is_some() {
        return (signals.clone(), yaw, TOLD_ROLL_RAD);
    }
    let landed = moments.plant.map(|c| c.place);
    let roll = roll(signals, (from, until), landed, forward, yaw);
    (signals.levelled(roll), yaw, LEVELLED_ROLL_RAD)
}

fn rep(
    signals: &Signals,
    moments: &Moments,
    forward: f64,
    front_is_left: bool,
    kind: RepKind,
    (known, view): (&Verdicts, View),
    now: CaptureTime,
) -> Rep {
    let (level, yaw_rad, roll_spread_rad) =
        levelled(signals, moments, forward, front_is_left, (known.told, view));
    let setting = Setting {
        signals: &level,
        moments,
        forward,
        front_is_left,
        kind,
        view,
        yaw_rad,
        roll_spread_rad,
        pitch: known.pitch,
    };
    let measures = measures::measure(&setting);
    let style = style::style(&setting);
    let time = |place: Option<f64>| place.map(|p| signals.time_at(p));
    Rep {
        kind,
        bats: if front_is_left {
            Bats::Right
        } else {
            Bats::Left
        },
        view,
        fps: signals.rate_hz,
        events: Events {
            set: time(moments.set),
            gather: time(moments.gather.map(|c| c.place)),
            lift_off: time(moments.lift_off.map(|c| c.place)),
            plant: time(moments.plant.map(|c| c.place)),
            heel_rise: time(moments.heel_rise.map(|c| c.place)),
            contact: time(moments.contact.map(|c| c.place)),
            finish: time(moments.finish),
        },
        measures,
        style,
        ruler: Some(Ruler {
            scale: signals.scale,
            roll_deg: known.told.roll_deg,
        }),
        known_at: now,
    }
}
