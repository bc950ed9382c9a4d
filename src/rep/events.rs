//! When things happen in a swing or a stride, read from fitted signals.
//!
//! In: signals of a stretch that holds the whole rep. Out: [`EventEstimates`]. The order of work is backward from the
//! hands: contact, then the landing of the front foot, its lift-off, and the gather before it.

mod contact;
mod landing;
mod landing_model;

use crate::motion::filter::Butterworth;
use crate::motion::{Foot, Path, Signals, Stance};
use crate::stats::quantile;

pub(super) use self::contact::HANDS_FASTEST_BEFORE_SECS;
use self::contact::contact;
use self::landing::{landing, paths};
use self::landing_model::LandingView;
use super::change_point::{Onset, starts_to_move};
use super::estimates::{EventEstimate, EventEstimates};

/// A front foot slower than this all the time does not stride; H a second.
const STRIDE_SPEED: f64 = 0.16;
/// The foot is on its way while faster than this share of its highest speed.
const MOVING_SHARE: f64 = 0.25;
/// The landing belongs to the last burst that reaches this share of the highest speed.
const MAIN_BURST: f64 = 0.6;
/// A foot that touches down for less than this belongs to one stride: a toe tap.
const TAP_SECS: f64 = 0.25;
/// A foot may still come down this long after the hands are fastest, seconds.
const LANDS_AFTER_PEAK_SECS: f64 = 0.05;
/// A heel peels off before the foot leaves: the lift begins this much before the landmarks show it, and is uncertain by so
/// much besides its fit. The mean of the rendered hitters of two generators and the captured one.
const LIFT_HIDDEN_SECS: f64 = 0.013;
const LIFT_SPREAD_SECS: f64 = 0.035;
/// What a tap's burst reaches at least, as a share of the stride's highest speed.
const TAP_BURST: f64 = 0.33;
/// Half of the running median that takes jumps out of the front foot's landmarks, seconds: jumps last for two or three
/// frames at 60 a second.
const SNAP_SECS: f64 = 0.05;
/// The heel's height on the ground is this quantile of its heights before the stride, and it is up by this much, H.
const GROUND_SHARE: f64 = 0.4;
const HEEL_UP: f64 = 0.015;
/// A burst may dip below the limit for this long without ending.
const DIP_SECS: f64 = 0.04;
/// A take's foot lands at the latest this long after it was seen to rest, and is looked at for this long, seconds.
const LANDS_WITHIN_SECS: f64 = 0.1;
const TAKE_LOOK_SECS: f64 = 0.2;
/// How long before the plant a stride may begin.
const STRIDE_SECS: f64 = 1.4;
/// How long before lift-off the weight may start back.
const GATHER_SECS: f64 = 1.3;

/// Least rearward travel of the body's middle that counts as a gather, H, and its least mean speed, H a second.
const GATHER_TRAVEL: f64 = 0.005;
const GATHER_SPEED: f64 = 0.012;
/// The body rests where in this long before it came from no farther ahead than this share of its travel.
const STILL_SECS: f64 = 0.15;
const STILL_SHARE: f64 = 0.08;
/// A smooth start shows this much after it, and varies by so much. Measured on rendered hitters of two generators.
const GATHER_HIDDEN_SECS: f64 = 0.015;
const GATHER_SPREAD_SECS: f64 = 0.04;
/// How far the mean of the body's landmarks drifts at rest, one standard deviation, H.
const DRIFT: f64 = 0.0023;
/// A load in which the weight does not go back begins this much before the foot leaves, and how sure that is.
const HURRIED_SECS: f64 = 0.1;
const HURRIED_SPREAD_SECS: f64 = 0.08;

/// Cutoffs of the zero-phase low pass for each use, hertz.
const FOOT_HZ: f64 = 9.0;
const BODY_HZ: f64 = 5.0;

/// Events of a swing whose hands are fastest at `hand_peak`; `heard` is contact where it was heard.
pub(super) fn of_swing(
    signals: &Signals,
    hand_peak: f64,
    stance: Stance,
    heard: Option<EventEstimate>,
) -> EventEstimates {
    let rate = signals.rate_hz;
    let contact = heard.unwrap_or_else(|| contact(signals, hand_peak, stance));
    let look_to = hand_peak + LANDS_AFTER_PEAK_SECS * rate;
    let mut estimates = of_stride(signals, hand_peak, look_to, stance);
    estimates.plant = estimates.plant.map(|first| {
        let view = landing_view(signals, stance, first, contact.sample);
        view.map_or(first, |view| view.corrected(first))
    });
    estimates.contact = (contact.sample < signals.len as f64).then_some(contact);
    estimates.finish = finish(signals, contact.sample);
    if let Some(plant) = estimates.plant {
        estimates.heel_rise = heel_rise(signals, plant.sample, contact.sample, stance);
    }
    estimates
}

/// What the landing model sees of a swing whose foot's fall shows the landing `first`.
fn landing_view(
    signals: &Signals,
    stance: Stance,
    first: EventEstimate,
    contact: f64,
) -> Option<LandingView> {
    let front = without_snaps(stance.front_of(&signals.feet), signals.rate_hz);
    LandingView::of(signals, &front, stance, (first.sample, contact))
}

/// What the landing model reads these many seconds from the landing that the fall of a swing's foot shows: the sample and
/// the values.
pub(super) fn landing_values(
    signals: &Signals,
    hand_peak: f64,
    stance: Stance,
    shifts_secs: &[f64],
) -> Vec<(f64, Vec<f64>)> {
    let rate = signals.rate_hz;
    let contact = contact(signals, hand_peak, stance).sample;
    let look_to = hand_peak + LANDS_AFTER_PEAK_SECS * rate;
    let first = of_stride(signals, hand_peak, look_to, stance).plant;
    let view = first.and_then(|first| {
        let view = landing_view(signals, stance, first, contact)?;
        Some((first.sample, view))
    });
    view.map_or_else(Vec::new, |(first, view)| {
        let samples = shifts_secs.iter().map(|secs| first + secs * rate);
        samples
            .map(|sample| (sample, view.values(sample).to_vec()))
            .collect()
    })
}

/// Events of a take whose foot was seen to rest at the sample `down`.
///
/// Live speeds are rough, so the foot may land a little after; nothing comes later that could be taken for the landing.
pub(super) fn of_take(signals: &Signals, down: f64, stance: Stance) -> EventEstimates {
    let rate = signals.rate_hz;
    let (latest, look_to) = (
        down + LANDS_WITHIN_SECS * rate,
        down + TAKE_LOOK_SECS * rate,
    );
    of_stride(signals, latest, look_to, stance)
}

/// Events of a stride whose foot is down at the latest at `latest`; the fit may look on to `look_to`.
fn of_stride(signals: &Signals, latest: f64, look_to: f64, stance: Stance) -> EventEstimates {
    let mut estimates = EventEstimates::default();
    // The bat that crosses the front shin draws the foot's landmarks along for a few frames.
    let front = &without_snaps(stance.front_of(&signals.feet), signals.rate_hz);
    let Some(stride) = Stride::find(signals, front, latest) else {
        return estimates;
    };
    let look_to = signals.index(look_to);
    estimates.plant = landing(signals, front, stride.down, look_to);
    if let Some(up) = stride.up {
        let rate = signals.rate_hz;
        let steps = |secs: f64| signals.samples_in(secs);
        estimates.lift_off = starts_to_move(
            &paths(front),
            up.saturating_sub(steps(0.12)),
            up + steps(0.05),
            steps(0.15),
            steps(0.10),
            Onset::Abrupt,
        )
        .map(|fit| EventEstimate {
            sample: (fit.sample - LIFT_HIDDEN_SECS * rate).max(0.0),
            sigma: fit.sigma.hypot(LIFT_SPREAD_SECS * rate),
        });
        if let (Some(lift), Some(plant)) = (estimates.lift_off, estimates.plant) {
            estimates.gather = gather(signals, lift.sample, plant.sample, stance);
            estimates.set = estimates.gather.and_then(|g| set(signals, g.sample));
        }
    }
    estimates
}

/// The stretch in which the front foot is on its way.
struct Stride {
    /// Where it starts; `None` where the recording begins in mid-stride.
    up: Option<usize>,
    /// Where it has slowed down.
    down: usize,
}

impl Stride {
    fn find(signals: &Signals, foot: &Foot, latest: f64) -> Option<Self> {
        let rate = signals.rate_hz;
        let steps = |secs: f64| signals.samples_in(secs);
        let speed = foot_speed(foot, rate);
        let last = signals.index(latest);
        let first = last.saturating_sub(steps(STRIDE_SECS));
        let top = speed[first..=last].iter().copied().fold(0.0, f64::max);
        if top < STRIDE_SPEED * signals.scale.height_cm {
            return None;
        }
        // A still foot jitters too: what is slower than its quiet level times three is not motion.
        let quiet = quantile(&speed[first..=last], 0.2).unwrap_or(0.0);
        let limit = (MOVING_SHARE * top).max(3.0 * quiet).min(0.6 * top);
        // After landing the foot turns on the spot as the hips open; only a burst nearly as fast as the
        // fastest one is the stride.
        let main = (first..=last)
            .rev()
            .find(|&i| speed[i] >= MAIN_BURST * top)?;
        let moving = (main..=last).take_while(|&i| speed[i] >= limit).last()?;
        let down = (moving..=last).find(|&i| speed[i] < limit).unwrap_or(last);
        // Back to where it starts. A burst before it belongs to the same stride where the foot only touched down
        // between the two; jitter of a resting foot never gets as fast as a foot that taps.
        let mut up = moving;
        let mut fastest = speed[moving];
        let mut rested = 0;
        for i in (first..moving).rev() {
            fastest = fastest.max(speed[i]);
            if speed[i] < limit {
                rested += 1;
                fastest = 0.0;
            } else if rested <= steps(DIP_SECS) || fastest >= TAP_BURST * top {
                (up, rested) = (i, 0);
            } else {
                rested += 1;
            }
            if rested > steps(TAP_SECS) {
                break;
            }
        }
        // A foot that taps keeps its heel up: it left the ground where the heel did.
        if let Some(heel) = &foot.heel {
            let height = Butterworth::low_pass(FOOT_HZ, rate).zero_phase(&heel.y_cm);
            let ground = quantile(&height[first..=moving], GROUND_SHARE).unwrap_or(height[moving]);
            let raised = HEEL_UP * signals.scale.height_cm;
            // Where it was up shortly before, it only touched down in between.
            while let Some(i) = (up.saturating_sub(steps(TAP_SECS)).max(first)..=up)
                .rev()
                .find(|&i| i > first && height[i] - ground > raised)
            {
                up = i - 1;
            }
        }
        // A stride whose landing is hidden does not count; where its start is hidden, the start stays open.
        let seen = |range: std::ops::RangeInclusive<usize>| signals.found[range].iter().all(|f| *f);
        if !seen(moving.saturating_sub(steps(0.05))..=down) {
            return None;
        }
        Some(Self {
            up: (up > first && seen(up..=moving)).then_some(up),
            down,
        })
    }
}

/// The foot without jumps of its landmarks that last for a few frames: a running median.
fn without_snaps(foot: &Foot, rate_hz: f64) -> Foot {
    let half = (SNAP_SECS * rate_hz).round() as usize;
    let median = |values: &[f64]| -> Vec<f64> {
        (0..values.len())
            .map(|i| {
                // Even on both sides, so that a foot that moves steadily is not delayed at the ends.
                let reach = half.min(i).min(values.len() - 1 - i);
                quantile(&values[i - reach..=i + reach], 0.5).unwrap_or(values[i])
            })
            .collect()
    };
    let path = |p: &Path| Path {
        x_cm: median(&p.x_cm),
        y_cm: median(&p.y_cm),
        visibility: p.visibility.clone(),
    };
    Foot {
        ankle: path(&foot.ankle),
        heel: foot.heel.as_ref().map(path),
        toe: foot.toe.as_ref().map(path),
    }
}

/// Mean speed of the foot's landmarks, smoothed, centimeters a second.
fn foot_speed(foot: &Foot, rate_hz: f64) -> Vec<f64> {
    let ankle = foot.ankle.smoothed(FOOT_HZ, rate_hz).speed(rate_hz);
    match &foot.heel {
        None => ankle,
        Some(heel) => {
            let heel = heel.smoothed(FOOT_HZ, rate_hz).speed(rate_hz);
            ankle
                .iter()
                .zip(&heel)
                .map(|(a, b)| 0.5 * (a + b))
                .collect()
        }
    }
}

/// The weight starts back: hips, shoulders, head and hands leave their rest together.
fn gather(
    signals: &Signals,
    lift_sample: f64,
    plant: f64,
    stance: Stance,
) -> Option<EventEstimate> {
    let rate = signals.rate_hz;
    let steps = |secs: f64| signals.samples_in(secs);
    let body = body_along(signals, stance.forward());
    let (lift, plant) = (signals.index(lift_sample), signals.index(plant));
    let from = lift.saturating_sub(steps(0.35));
    let rearmost = (from..=plant).min_by(|&a, &b| body[a].total_cmp(&body[b]))?;
    let earliest = rearmost.saturating_sub(steps(GATHER_SECS));
    let height = signals.scale.height_cm;
    // Backward from the rearmost point as long as the body still comes from farther ahead. What it did before it last
    // came to rest, a walk into the box or a sway, is not looked at.
    let rest = steps(STILL_SECS);
    let start = (earliest + rest..rearmost).rev().find(|&i| {
        let depth = body[i] - body[rearmost];
        let farthest = body[i - rest..i].iter().copied().fold(f64::MIN, f64::max);
        depth > GATHER_TRAVEL * height && farthest - body[i] < STILL_SHARE * depth
    });
    let begins_in_load = start.is_none() && earliest == 0;
    let start = start.filter(|&i| {
        let secs = (rearmost - i) as f64 / rate;
        rearmost > from && body[i] - body[rearmost] > GATHER_SPEED * height * secs
    });
    let Some(start) = start else {
        // The weight does not go back before the foot leaves, or hardly: the load is hurried, and begins little before
        // the lift. Where the recording begins in mid-load, nothing is known.
        return (!begins_in_load).then_some(EventEstimate {
            sample: (lift_sample - HURRIED_SECS * rate).max(0.0),
            sigma: HURRIED_SPREAD_SECS * rate,
        });
    };
    // A gather begins and ends without speed: a parabola and a cubic from the rest to the rearmost point.
    let latest = (start + steps(0.15)).min(rearmost.saturating_sub(steps(0.05)));
    let fit = starts_to_move(
        &[&body],
        start.saturating_sub(steps(0.2)),
        latest,
        steps(0.3),
        rearmost - latest,
        Onset::Smooth,
    )?;
    // The fit alone is too sure of itself: how far the landmarks drift while the hitter stands still is not in its
    // residuals. The less the body goes back, and the slower, the later it stands out from drift.
    let depth = body[start] - body[rearmost];
    let top_speed = 1.5 * depth / (rearmost - start) as f64;
    Some(EventEstimate {
        sample: (fit.sample - GATHER_HIDDEN_SECS * rate).clamp(0.0, lift_sample),
        sigma: fit
            .sigma
            .hypot(GATHER_SPREAD_SECS * rate)
            .hypot(DRIFT * height / top_speed),
    })
}

/// Mean position of hips, shoulders, head and hands toward the pitcher, low pass, centimeters.
fn body_along(signals: &Signals, forward: f64) -> Vec<f64> {
    let low = Butterworth::low_pass(BODY_HZ, signals.rate_hz);
    let parts = [
        (&signals.hips, 1.0),
        (&signals.shoulders, 1.0),
        (&signals.head, 0.7),
        (&signals.hands, 0.5),
    ];
    let total: f64 = parts.iter().map(|(_, weight)| weight).sum();
    let mean: Vec<f64> = (0..signals.len)
        .map(|i| {
            parts
                .iter()
                .map(|(p, weight)| weight * p.x_cm[i])
                .sum::<f64>()
                * forward
                / total
        })
        .collect();
    low.zero_phase(&mean)
}

/// The hitter came to rest: the last time before the gather that hands or ankles were on the move.
fn set(signals: &Signals, gather: f64) -> Option<f64> {
    let rate = signals.rate_hz;
    let height = signals.scale.height_cm;
    let slow = |p: &Path, limit: f64| -> Vec<bool> {
        p.smoothed(3.0, rate)
            .speed(rate)
            .iter()
            .map(|v| *v < limit * height)
            .collect()
    };
    let still = [
        slow(&signals.hips, 0.05),
        slow(&signals.feet.left.ankle, 0.05),
        slow(&signals.feet.right.ankle, 0.05),
        slow(&signals.hands, 0.12),
    ];
    let before = signals.index(gather - 0.1 * rate);
    let moving = (0..=before).rev().find(|&i| still.iter().any(|s| !s[i]));
    match moving {
        Some(i) if i < before => Some(i as f64 + 1.0),
        Some(_) => None,
        // Still since before the stretch began: the hitter was set at least then.
        None => Some(0.0),
    }
}

/// The back heel leaves the ground, somewhere around plant and contact.
fn heel_rise(signals: &Signals, plant: f64, contact: f64, stance: Stance) -> Option<EventEstimate> {
    let heel = stance.back_of(&signals.feet).heel.as_ref()?;
    let rate = signals.rate_hz;
    let steps = |secs: f64| signals.samples_in(secs);
    let from = signals.index(plant - 0.15 * rate);
    let to = signals.index(contact);
    let rest = quantile(&heel.y_cm[from.saturating_sub(steps(0.2))..=from], 0.5)?;
    let y = Butterworth::low_pass(FOOT_HZ, rate).zero_phase(&heel.y_cm);
    let up = (from..=to).find(|&i| y[i] - rest > HEEL_UP * signals.scale.height_cm)?;
    starts_to_move(
        &[&heel.y_cm],
        up.saturating_sub(steps(0.1)),
        up,
        steps(0.15),
        steps(0.04),
        Onset::Abrupt,
    )
}

/// The hands come to rest after the swing.
fn finish(signals: &Signals, contact: f64) -> Option<f64> {
    let rate = signals.rate_hz;
    let speed = signals.hands.smoothed(6.0, rate).speed(rate);
    let from = signals.index(contact + 0.15 * rate);
    let limit = 0.35 * signals.scale.height_cm;
    let hold = (0.05 * rate).round() as usize;
    (from..signals.len.saturating_sub(hold))
        .find(|&i| speed[i..=i + hold].iter().all(|v| *v < limit))
        .map(|i| i as f64)
}
