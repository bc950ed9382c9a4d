//! Takes out of a sound what could be foretold from what went before.
//!
//! In: samples. Out: what is new in each sample, by linear prediction (Levinson and Durbin's recursion on the
//! autocorrelation). Hum, rumble and voices are foretold for the most part; a crack is not.

use std::ops::Range;

/// How many samples back the prediction looks.
const ORDER: usize = 16;
/// What keeps the recursion well conditioned: a floor of white noise, as a share of the power.
const FLOOR: f64 = 1e-5;

/// A prediction that was fitted to a stretch.
pub(super) struct Whitening {
    coefficients: [f64; ORDER],
    variance: f64,
}

impl Whitening {
    /// Fits to a stretch; `None` where it is too short.
    pub(super) fn of(samples: &[f64]) -> Option<Self> {
        if samples.len() < 4 * ORDER {
            return None;
        }
        let last = (samples.len() - 1) as f64;
        let windowed: Vec<f64> = samples
            .iter()
            .enumerate()
            .map(|(i, s)| {
                let phase = std::f64::consts::TAU * i as f64 / last;
                s * (0.5 - 0.5 * phase.cos())
            })
            .collect();
        let mut correlation = [0.0; ORDER + 1];
        for (lag, value) in correlation.iter_mut().enumerate() {
            *value = windowed[lag..]
                .iter()
                .zip(&windowed)
                .map(|(a, b)| a * b)
                .sum();
        }
        correlation[0] = correlation[0] * (1.0 + FLOOR) + 1e-12;
        let mut whitening = Self {
            coefficients: levinson(&correlation),
            variance: 0.0,
        };
        let residual = whitening.residual(samples, ORDER..samples.len());
        let sum: f64 = residual.iter().map(|r| r * r).sum();
        whitening.variance = sum / residual.len() as f64 + 1e-14;
        Some(whitening)
    }

    /// Mean square of what is new in the stretch that it was fitted to.
    pub(super) fn variance(&self) -> f64 {
        self.variance
    }

    /// What is new in these samples of a longer stretch.
    pub(super) fn residual(&self, samples: &[f64], range: Range<usize>) -> Vec<f64> {
        range
            .map(|i| {
                let foretold: f64 = self
                    .coefficients
                    .iter()
                    .zip(samples[i.saturating_sub(ORDER)..i].iter().rev())
                    .map(|(c, s)| c * s)
                    .sum();
                samples[i] - foretold
            })
            .collect()
    }
}

fn levinson(correlation: &[f64; ORDER + 1]) -> [f64; ORDER] {
    let mut coefficients = [0.0; ORDER];
    let mut error = correlation[0];
    for i in 0..ORDER {
        let foretold: f64 = (0..i).map(|j| coefficients[j] * correlation[i - j]).sum();
        let reflection = (correlation[i + 1] - foretold) / error;
        let before = coefficients;
        coefficients[i] = reflection;
        for j in 0..i {
            coefficients[j] = before[j] - reflection * before[i - 1 - j];
        }
        error *= 1.0 - reflection * reflection;
    }
    coefficients
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_recursion_made_is_taken_back_to_the_noise_it_was_made_from() {
        let mut random = fastrand::Rng::with_seed(5);
        let noise: Vec<f64> = (0..4000).map(|_| random.f64() - 0.5).collect();
        let mut made: Vec<f64> = Vec::new();
        for (i, n) in noise.iter().enumerate() {
            let back = |by: usize| i.checked_sub(by).map_or(0.0, |at: usize| made[at]);
            made.push(1.6 * back(1) - 0.9 * back(2) + n);
        }
        let whitening = Whitening::of(&made[..3000]).unwrap();
        // Uniform noise of width 1 has a variance of 1/12.
        assert!((whitening.variance() * 12.0 - 1.0).abs() < 0.06);
        let residual = whitening.residual(&made, 3000..4000);
        let off = residual.iter().zip(&noise[3000..]);
        let worst = off.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 0.25, "{worst}");
        assert!(Whitening::of(&made[..20]).is_none());
    }
}
