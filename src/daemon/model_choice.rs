//! The choice of rate and pose model: the truest pair that keeps up on this machine, found by a short benchmark.
//!
//! In: the rates that a source has. Out: the rate to ask it for, the trackers, and the reason. What "truest" means is in
//! [`rate_rule`](super::rate_rule); what follows once frames are dropped even so, in [`keep_up`](super::keep_up).

use super::DaemonError;
use super::keep_up::KeepUp;
use super::model_benchmark::{BenchmarkLoad, LandmarkTimes, time_landmarks};
use super::pose_stage::TrackerSet;
use super::rate_rule::{load as cost, ranked};
use crate::capture::{CameraRequest, CameraSource, CaptureError, FrameSource};
use crate::pose::{Model, Tracker, default_threads, machine_cores};
use crate::settings::{ModelChoice, Settings};
use crate::status::{ModelReason, RateAndModel, Timed};

/// A model keeps up where a frame takes at most this share of the time between frames.
const KEEPS_UP: f64 = 1.0 / 1.3;
/// One more thread has to save this share of a frame's time, else it is left to the rest of the machine.
const WORTH_A_THREAD: f64 = 0.07;
/// More threads on one network than this were never seen to pay.
const MOST_THREADS: usize = 6;

/// What to run, and why.
pub(crate) struct PairChosen {
    /// The rate to ask the source for.
    pub fps: f64,
    pub trackers: TrackerSet,
    /// The reason, for the terminal and the health figures.
    pub reason: ModelReason,
}

/// The models that may be used, loaded.
struct Trackers {
    full: Option<Tracker>,
    lite: Option<Tracker>,
}

impl Trackers {
    fn of(&mut self, model: Model) -> &mut Option<Tracker> {
        match model {
            Model::Full => &mut self.full,
            Model::Lite => &mut self.lite,
        }
    }
}

/// Chooses among a source's rates and the models that the settings leave. What was not chosen takes over if the machine
/// slows down.
///
/// # Errors
/// Where a model cannot be loaded or run.
pub(crate) fn choose_pair(
    choice: ModelChoice,
    rates: &[f64],
    load: fn(f64) -> BenchmarkLoad,
) -> Result<PairChosen, DaemonError> {
    let pairs = ranked(rates, choice);
    let threads = thread_count(load(pairs[0].fps))?;
    let uses = |model: Model| pairs.iter().any(|pair| pair.model == model);
    let tracker = |model: Model| uses(model).then(|| model.tracker_on(threads)).transpose();
    let mut trackers = Trackers {
        full: tracker(Model::Full)?,
        lite: tracker(Model::Lite)?,
    };
    let (pair, reason) = match (choice, &pairs[..]) {
        (ModelChoice::Fixed(model), [only]) => (*only, ModelReason::Configured(model)),
        _ => truest(&pairs, &mut trackers, load)?,
    };
    let primary = trackers.of(pair.model).take();
    // There is a tracker for each pair.
    let primary = primary.ok_or(DaemonError::Died("pose"))?;
    let other = trackers.full.or(trackers.lite);
    Ok(PairChosen {
        fps: pair.fps,
        trackers: TrackerSet::following(KeepUp::new(pairs, pair), primary, other, threads),
        reason,
    })
}

/// The truest pair that keeps up; where none does, the one that costs least.
fn truest(
    pairs: &[RateAndModel],
    trackers: &mut Trackers,
    load: fn(f64) -> BenchmarkLoad,
) -> Result<(RateAndModel, ModelReason), DaemonError> {
    let mut too_slow: Option<Timed> = None;
    let mut last: Option<Timed> = None;
    // The fastest run of each model so far: a rate that leaves less time is not tried.
    let mut fastest: Vec<(Model, LandmarkTimes)> = Vec::new();
    for pair in pairs {
        let Some(tracker) = trackers.of(pair.model) else {
            continue;
        };
        let free_ms = 1000.0 / pair.fps * KEEPS_UP;
        let known = fastest.iter().find(|(model, _)| *model == pair.model);
        let frame_ms = match known {
            Some((_, times)) if times.fastest_ms > free_ms => times.mean_ms,
            _ => {
                let mut times = time_landmarks(tracker, load(pair.fps), free_ms)?;
                // Whatever else the machine did meanwhile only makes it longer.
                if (free_ms..1.3 * free_ms).contains(&times.mean_ms) {
                    let again = time_landmarks(tracker, load(pair.fps), free_ms)?;
                    times.mean_ms = times.mean_ms.min(again.mean_ms);
                }
                fastest.push((pair.model, times));
                times.mean_ms
            }
        };
        let now = Timed {
            pair: *pair,
            frame_ms,
            free_ms,
        };
        if now.holds() {
            return Ok((*pair, ModelReason::KeepsUp { now, too_slow }));
        }
        too_slow.get_or_insert(now);
        if last.is_none_or(|lightest| cost(*pair) < cost(lightest.pair)) {
            last = Some(now);
        }
    }
    match last {
        Some(now) => Ok((now.pair, ModelReason::KeepsUp { now, too_slow })),
        // There is a tracker for each pair.
        None => Err(DaemonError::Died("pose")),
    }
}

/// How many threads run a network on this machine: one more as long as that pays, beside what else the machine does. One is
/// left to decoding and the rest. With two cores there are two, which give way to the decoder.
fn thread_count(load: BenchmarkLoad) -> Result<usize, DaemonError> {
    let most = machine_cores().saturating_sub(1).min(MOST_THREADS);
    let mut threads = default_threads();
    if most <= threads {
        return Ok(threads);
    }
    let time = |threads| -> Result<f64, DaemonError> {
        let mut tracker = Model::Full.tracker_on(threads)?;
        Ok(time_landmarks(&mut tracker, load, f64::INFINITY)?.mean_ms)
    };
    let mut best_ms = time(threads)?;
    while threads < most {
        let more_ms = time(threads + 1)?;
        if more_ms > (1.0 - WORTH_A_THREAD) * best_ms {
            break;
        }
        (threads, best_ms) = (threads + 1, more_ms);
    }
    tracing::info!(threads, frame_ms = best_ms, "threads that run a network");
    Ok(threads)
}

/// The rates that a source may be asked for: all it has, or the one nearest to what the settings say.
pub(crate) fn wanted_rates(source: &FrameSource, settings: &Settings) -> Vec<f64> {
    let rates = source.rates();
    let Some(wanted) = settings.camera.fps else {
        return rates;
    };
    let off = |fps: &f64| (fps - wanted).abs();
    let nearest = rates
        .iter()
        .copied()
        .min_by(|a, b| off(a).total_cmp(&off(b)));
    nearest.into_iter().collect()
}

/// The source at another rate; a camera is opened anew for that, and `request` keeps the rate for the next time.
///
/// # Errors
/// Where the camera cannot be opened any more.
pub(crate) fn source_at(
    mut source: FrameSource,
    fps: f64,
    request: &mut CameraRequest,
) -> Result<FrameSource, CaptureError> {
    if (source.fps() - fps).abs() < 1.0 {
        return Ok(source);
    }
    if source.set_rate(fps) || !matches!(source, FrameSource::Camera(_)) {
        return Ok(source);
    }
    request.fps = Some(fps);
    // While the old handle lives the camera is busy.
    drop(source);
    Ok(FrameSource::Camera(Box::new(CameraSource::open(request)?)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(rates: &[f64]) -> String {
        let load = |_| BenchmarkLoad::ModelOnly;
        let chosen = choose_pair(ModelChoice::Auto, rates, load).unwrap();
        chosen.reason.to_string()
    }

    #[test]
    fn no_model_holds_a_rate_that_leaves_no_time_and_that_is_said() {
        let words = words(&[10_000.0]);
        assert!(
            words.starts_with("lite model at 10000 frames a second: it takes "),
            "{words}"
        );
        assert!(words.contains("It has no time to spare"), "{words}");
    }

    #[test]
    fn the_rate_that_is_held_with_the_full_model_is_taken_and_the_one_that_is_not_is_named() {
        let pair = |fps| RateAndModel {
            fps,
            model: Model::Full,
        };
        let mut trackers = Trackers {
            full: Some(Model::Full.tracker().unwrap()),
            lite: None,
        };
        let pairs = [10_000.0, 1.5].map(pair);
        let (chosen, reason) = truest(&pairs, &mut trackers, |_| BenchmarkLoad::ModelOnly).unwrap();
        assert_eq!(chosen, pairs[1]);
        let words = reason.to_string();
        assert!(
            words.starts_with("full model at 2 frames a second: it takes "),
            "{words}"
        );
        assert!(
            words.contains(" The full model at 10000 frames a second would take "),
            "{words}"
        );
    }

    #[test]
    fn a_model_and_a_rate_that_are_set_are_used_unasked() {
        let load = |_| BenchmarkLoad::ModelOnly;
        let chosen = choose_pair(ModelChoice::Fixed(Model::Lite), &[10_000.0], load).unwrap();
        assert_eq!(chosen.reason, ModelReason::Configured(Model::Lite));
        assert_eq!(chosen.fps, 10_000.0);
    }
}
