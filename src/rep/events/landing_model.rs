//! A second look at a swing's landing: a small linear model that learned from hitters with known truth how far the heel's
//! landing lies from any moment near it.
//!
//! In: signals about the landing that the fall of the foot shows, and contact. Out: the plant, corrected.
//! The landmarks often come to rest with the toe and do not show the heel's roll; what knee, hips, trunk and hands do
//! meanwhile shows how far the landing is. `models/landing` makes the weights and says what they were judged on.

use std::sync::LazyLock;

use serde::Deserialize;

use crate::motion::filter::{Butterworth, value_at};
use crate::motion::{Foot, Path, Signals, Stance};
use crate::rep::estimates::EventEstimate;
use crate::rep::swing::SIDE_ON_STANCE;

/// Cutoff of the zero-phase low pass for every path, hertz.
const SMOOTH_HZ: f64 = 8.0;
/// The moments whose places the model reads against the place at the moment asked about, seconds.
const MOMENTS_SECS: [f64; 8] = [-0.2, -0.16, -0.12, -0.08, -0.04, 0.04, 0.08, 0.12];
/// Front heel, toe and ankle, hips, shoulders, head, hands, front knee, back heel: some along the line to the pitcher, some
/// up.
const PATHS: usize = 11;
/// The first reading and contact, from the moment asked about.
const TIMES: usize = 2;
/// How many values the model reads.
const LEN: usize = PATHS * MOMENTS_SECS.len() + TIMES;
/// Places are in hundredths of standing height and times in thirtieths of a second, and none counts beyond this: a landmark
/// that goes farther was lost.
const PLACE_UNITS: f64 = 100.0;
const TIMES_HZ: f64 = 30.0;
const FARTHEST: f64 = 25.0;
/// The model is asked twice, the second time at its first answer; neither step is longer than this, nor both together than
/// the second, seconds.
const ROUNDS: usize = 2;
const STEP_SECS: f64 = 0.06;
const REACH_SECS: f64 = 0.1;
/// How far the answer is off, one standard deviation: this much, seconds, and this share of what it corrected the first
/// reading by. By hitters that it had not learned from.
const SPREAD_SECS: f64 = 0.013;
const SPREAD_OF_CORRECTION: f64 = 0.45;

/// The weights, where the shipped file is whole; a test says that it is.
static MODEL: LazyLock<Option<Model>> =
    LazyLock::new(|| Model::read(include_str!("../../../models/landing.json")));

/// What the file holds; whatever else it says is for people.
#[derive(Deserialize)]
struct Model {
    format: String,
    version: u32,
    offset: f64,
    weights: Vec<f64>,
}

impl Model {
    fn read(file: &str) -> Option<Self> {
        serde_json::from_str(file).ok().filter(|model: &Self| {
            model.format == "landing-model" && model.version == 1 && model.weights.len() == LEN
        })
    }

    /// How far the landing lies from the moment that the values belong to, seconds.
    fn landing_from(&self, values: &[f64; LEN]) -> f64 {
        let pairs = self.weights.iter().zip(values);
        self.offset + pairs.map(|(weight, value)| weight * value).sum::<f64>()
    }
}

/// What the model sees of one swing.
pub(super) struct LandingView {
    rate_hz: f64,
    /// Smoothed, in hundredths of standing height.
    paths: [Vec<f64>; PATHS],
    /// Samples of the first reading and contact.
    times: [f64; TIMES],
}

impl LandingView {
    /// `None` where the source has no heels or toes, or the feet are seen along the line to the pitcher.
    pub(super) fn of(
        signals: &Signals,
        front: &Foot,
        stance: Stance,
        (first, contact): (f64, f64),
    ) -> Option<Self> {
        let (heel, toe) = (front.heel.as_ref()?, front.toe.as_ref()?);
        let back = stance.back_of(&signals.feet);
        let back_heel = back.heel.as_ref()?;
        let knee = stance.front_of(&signals.knee);
        let height = signals.scale.height_cm;
        let apart = (value_at(&front.ankle.x_cm, first) - value_at(&back.ankle.x_cm, first)).abs();
        if apart < SIDE_ON_STANCE * height {
            return None;
        }
        let low = Butterworth::low_pass(SMOOTH_HZ, signals.rate_hz);
        let scaled = |values: &[f64], factor: f64| -> Vec<f64> {
            let smooth = low.zero_phase(values);
            smooth.iter().map(|v| v * factor).collect()
        };
        let up = |path: &Path| scaled(&path.y_cm, PLACE_UNITS / height);
        let along = |path: &Path| scaled(&path.x_cm, stance.forward() * PLACE_UNITS / height);
        Some(Self {
            rate_hz: signals.rate_hz,
            paths: [
                up(heel),
                up(toe),
                up(&front.ankle),
                along(&signals.hips),
                up(&signals.hips),
                along(&signals.shoulders),
                along(&signals.head),
                along(&signals.hands),
                up(&signals.hands),
                along(knee),
                up(back_heel),
            ],
            times: [first, contact],
        })
    }

    /// What the model reads about a moment.
    pub(super) fn values(&self, sample: f64) -> [f64; LEN] {
        let mut values = [0.0; LEN];
        let places = self.paths.iter().flat_map(|path| {
            let here = value_at(path, sample);
            MOMENTS_SECS
                .iter()
                .map(move |secs| value_at(path, sample + secs * self.rate_hz) - here)
        });
        let times = self
            .times
            .iter()
            .map(|time| (time - sample) / self.rate_hz * TIMES_HZ);
        for (value, read) in values.iter_mut().zip(places.chain(times)) {
            *value = read.clamp(-FARTHEST, FARTHEST);
        }
        values
    }

    /// The landing that the fall of the foot shows, corrected.
    pub(super) fn corrected(&self, first: EventEstimate) -> EventEstimate {
        let Some(model) = MODEL.as_ref() else {
            return first;
        };
        let rate = self.rate_hz;
        let reach = REACH_SECS * rate;
        let mut sample = first.sample;
        for _ in 0..ROUNDS {
            let step = model.landing_from(&self.values(sample));
            sample += step.clamp(-STEP_SECS, STEP_SECS) * rate;
        }
        let sample = sample.clamp(first.sample - reach, first.sample + reach);
        let corrected_by = sample - first.sample;
        EventEstimate {
            sample,
            sigma: (SPREAD_SECS * rate).hypot(SPREAD_OF_CORRECTION * corrected_by),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_model_reads_what_there_is_to_see() {
        assert!(MODEL.is_some());
        assert!(Model::read("{}").is_none());
    }
}
