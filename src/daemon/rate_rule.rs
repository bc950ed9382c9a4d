//! Which pair of rate and pose model is the truest, and which is lighter than another. Pure.
//!
//! The order is that of their errors on hitters whose truth is known (docs/camera.md has the figures): lengths, above all
//! head travel, want the full model whatever the rate; the times of events want the rate once the model is the same.

use crate::pose::Model;
use crate::settings::ModelChoice;
use crate::status::RateAndModel;

/// From here on a swing's events are timed to a frame or two; slower rates are for machines that hold no other.
const ENOUGH_FPS: f64 = 48.0;
/// No slower rate is chosen while there is a faster one: a swing's events lie a tenth of a second apart.
const LEAST_FPS: f64 = 24.0;
/// The fastest rate that anything is gained from, with room for a camera that counts 250.
const MOST_FPS: f64 = 250.0;
/// Frames a second where a source does not say.
const USUAL_FPS: f64 = 60.0;
/// What a frame costs in milliseconds of one core: decoding a 720p Motion-JPEG, and each model with its crop; measured with
/// AVX-512. Only their ratios count.
const DECODE_MS: f64 = 3.6;
const FULL_MS: f64 = 8.5;
const LITE_MS: f64 = 4.8;
/// A pair is lighter than another where it costs at most this share.
const LIGHTER: f64 = 0.85;

/// The pairs that are worth running, the truest first: the full model before the lite one, a faster rate before a slower
/// one; rates under 48 a second last, the lite model there before the full one at a yet slower rate. Never empty.
pub(super) fn ranked(rates: &[f64], choice: ModelChoice) -> Vec<RateAndModel> {
    let models = match choice {
        ModelChoice::Auto => &[Model::Full, Model::Lite][..],
        ModelChoice::Fixed(Model::Full) => &[Model::Full],
        ModelChoice::Fixed(Model::Lite) => &[Model::Lite],
    };
    let mut rates: Vec<f64> = rates.iter().copied().filter(|fps| *fps > 1.0).collect();
    rates.sort_by(|a, b| b.total_cmp(a));
    if rates.is_empty() {
        rates.push(USUAL_FPS);
    }
    let useful = |fps: &f64| (LEAST_FPS..=MOST_FPS).contains(fps);
    match rates.iter().any(useful) {
        true => rates.retain(useful),
        // The one that is nearest to being useful.
        false => {
            let too_fast = rates.iter().copied().rfind(|fps| *fps > MOST_FPS);
            rates = vec![too_fast.unwrap_or(rates[0])];
        }
    }
    let (fast, slow): (Vec<f64>, Vec<f64>) = rates.iter().partition(|fps| **fps >= ENOUGH_FPS);
    let pairs = |rates: &[f64]| -> Vec<RateAndModel> {
        models
            .iter()
            .flat_map(|model| {
                rates.iter().map(|fps| RateAndModel {
                    fps: *fps,
                    model: *model,
                })
            })
            .collect()
    };
    [pairs(&fast), pairs(&slow)].concat()
}

/// What a second of frames costs, milliseconds of one core.
pub(super) fn load(pair: RateAndModel) -> f64 {
    let model_ms = match pair.model {
        Model::Full => FULL_MS,
        Model::Lite => LITE_MS,
    };
    pair.fps * (DECODE_MS + model_ms)
}

/// The truest of `pairs` that costs clearly less than `than`.
pub(super) fn next_lighter(pairs: &[RateAndModel], than: RateAndModel) -> Option<RateAndModel> {
    let lighter = |pair: &&RateAndModel| load(**pair) <= LIGHTER * load(than);
    pairs.iter().find(lighter).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(pairs: &[RateAndModel]) -> Vec<String> {
        let text = |pair: &RateAndModel| format!("{} {:.0}", pair.model.name(), pair.fps);
        pairs.iter().map(text).collect()
    }

    #[test]
    fn the_full_model_comes_before_the_rate_and_slow_rates_come_last() {
        let pairs = ranked(&[30.0, 60.0, 120.0, 240.0, 15.0], ModelChoice::Auto);
        assert_eq!(
            texts(&pairs),
            [
                "full 240", "full 120", "full 60", "lite 240", "lite 120", "lite 60", "full 30",
                "lite 30"
            ]
        );
        let pairs = ranked(&[60.0, 120.0], ModelChoice::Fixed(Model::Lite));
        assert_eq!(texts(&pairs), ["lite 120", "lite 60"]);
    }

    #[test]
    fn odd_sources_have_a_pair_too() {
        for (rates, fps) in [
            (&[][..], 60.0),
            (&[0.0], 60.0),
            (&[10.0, 15.0], 15.0),
            (&[1000.0, 500.0], 500.0),
            (&[500.0, 100.0, 5.0], 100.0),
        ] {
            let pairs = ranked(rates, ModelChoice::Fixed(Model::Full));
            let model = Model::Full;
            assert_eq!(pairs, [RateAndModel { fps, model }]);
        }
    }

    #[test]
    fn what_does_not_keep_up_gives_way_to_the_truest_that_costs_clearly_less() {
        let pairs = ranked(&[240.0, 120.0, 90.0, 60.0, 30.0], ModelChoice::Auto);
        let mut now = pairs[0];
        let mut steps = Vec::new();
        while let Some(next) = next_lighter(&pairs, now) {
            steps.push(next);
            now = next;
        }
        assert_eq!(
            texts(&steps),
            [
                "full 120", "full 90", "full 60", "lite 60", "full 30", "lite 30"
            ]
        );
        let one = ranked(&[60.0], ModelChoice::Fixed(Model::Full));
        assert_eq!(next_lighter(&one, one[0]), None);
    }
}
