//! Standard filters for finished stretches of signal.
//!
//! The zero-phase low pass here is for reps that are over: it needs the samples after a time as
//! well as those before it. Anything live must use a causal filter instead.

use std::f64::consts::{PI, SQRT_2};

/// Second-order Butterworth low pass as one direct-form section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Butterworth {
    b: [f64; 3],
    a: [f64; 2],
    /// By how many samples a signal is continued at its ends.
    pad: usize,
}

/// A signal is continued by nine samples at each end, as in SciPy, and at rates above this by as much time as they are at it.
const PAD_SAMPLES: f64 = 9.0;
const PAD_RATE_HZ: f64 = 60.0;

impl Butterworth {
    /// Designed by the bilinear transform with the cutoff pre-warped.
    ///
    /// `cutoff_hz` is brought below 0.45 of `rate_hz`, where the design is still sound; a slow
    /// camera therefore gets the mildest filter that its rate allows.
    pub(crate) fn low_pass(cutoff_hz: f64, rate_hz: f64) -> Self {
        let cutoff = cutoff_hz.clamp(1e-6 * rate_hz, 0.45 * rate_hz);
        let w = (PI * cutoff / rate_hz).tan();
        let norm = 1.0 + SQRT_2 * w + w * w;
        let b0 = w * w / norm;
        Self {
            b: [b0, 2.0 * b0, b0],
            a: [
                2.0 * (w * w - 1.0) / norm,
                (1.0 - SQRT_2 * w + w * w) / norm,
            ],
            pad: (PAD_SAMPLES * (rate_hz / PAD_RATE_HZ).max(1.0)).round() as usize,
        }
    }

    /// One causal pass that starts as if the signal had always stood at `steady`.
    fn run(&self, steady: f64, signal: impl Iterator<Item = f64>) -> Vec<f64> {
        let Self {
            b: [b0, b1, b2],
            a: [a1, a2],
            ..
        } = *self;
        // Transposed direct form; the states that hold a constant input at a constant output.
        let mut z1 = steady * (1.0 - b0);
        let mut z2 = steady * (b2 - a2);
        signal
            .map(|x| {
                let y = b0 * x + z1;
                z1 = b1 * x - a1 * y + z2;
                z2 = b2 * x - a2 * y;
                y
            })
            .collect()
    }

    /// Forward and backward, so that nothing is delayed; the ends are continued by odd reflection.
    ///
    /// Gives a signal of the same length. Fewer than two samples come back as they are.
    pub(crate) fn zero_phase(&self, signal: &[f64]) -> Vec<f64> {
        let n = signal.len();
        if n < 2 {
            return signal.to_vec();
        }
        let pad = self.pad.min(n - 1);
        let (first, last) = (signal[0], signal[n - 1]);
        let before = (1..=pad).rev().map(|i| 2.0 * first - signal[i]);
        let after = (1..=pad).map(|i| 2.0 * last - signal[n - 1 - i]);
        let padded: Vec<f64> = before.chain(signal.iter().copied()).chain(after).collect();
        let mut forward = self.run(padded[0], padded.iter().copied());
        forward.reverse();
        let mut both = self.run(forward[0], forward.iter().copied());
        both.reverse();
        both[pad..pad + n].to_vec()
    }
}

/// The value at a fractional sample index, on a straight line between its neighbors; kept inside the signal.
pub(crate) fn value_at(signal: &[f64], sample: f64) -> f64 {
    let last = signal.len() - 1;
    let sample = sample.clamp(0.0, last as f64);
    let (i, share) = (sample.floor() as usize, sample.fract());
    signal[i] * (1.0 - share) + signal[(i + 1).min(last)] * share
}

/// The change per sample around a fractional sample index.
pub(crate) fn slope_at(signal: &[f64], sample: f64) -> f64 {
    0.5 * (value_at(signal, sample + 1.0) - value_at(signal, sample - 1.0))
}

/// The mean over the samples `from..=to`.
pub(crate) fn mean_over(signal: &[f64], (from, to): (usize, usize)) -> f64 {
    signal[from..=to].iter().sum::<f64>() / (to - from + 1) as f64
}

/// The highest value less the lowest one in the samples `from..=to`.
pub(crate) fn range_over(signal: &[f64], (from, to): (usize, usize)) -> f64 {
    let part = &signal[from..=to];
    part.iter().copied().fold(f64::MIN, f64::max) - part.iter().copied().fold(f64::MAX, f64::min)
}

/// First derivative by central differences, one-sided at the ends; units of the signal a second.
pub(crate) fn derivative(signal: &[f64], rate_hz: f64) -> Vec<f64> {
    let n = signal.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            if a == b {
                0.0
            } else {
                (signal[b] - signal[a]) * rate_hz / (b - a) as f64
            }
        })
        .collect()
}

/// Jumps up to this long are taken out, whatever the rate; of a slower camera's frames, single ones.
const JUMP_SECS: f64 = 1.0 / 60.0;

/// Replaces each frame's value by the middle one of itself and its neighbors: takes out jumps that are no longer than
/// [`JUMP_SECS`] or a frame. Toward the ends there are fewer neighbors, on both sides alike.
pub(crate) fn without_jumps(signal: &[f64], frame_rate_hz: f64) -> Vec<f64> {
    let half = ((JUMP_SECS * frame_rate_hz).round() as usize).max(1);
    let mut window = Vec::with_capacity(2 * half + 1);
    (0..signal.len())
        .map(|i| {
            let half = half.min(i).min(signal.len() - 1 - i);
            window.clear();
            window.extend_from_slice(&signal[i - half..=i + half]);
            window.sort_unstable_by(f64::total_cmp);
            window[half]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Output of SciPy 1.17.1: `filtfilt(*butter(2, 6, fs=60), x)` with
    /// `x = [((i * 37) % 17) / 17 + 0.02 * i for i in range(40)]`.
    const SCIPY_FILTFILT: [f64; 40] = [
        -1.031769770e-03,
        2.019423897e-01,
        3.824239241e-01,
        5.191443117e-01,
        5.965488473e-01,
        6.167060855e-01,
        6.091016572e-01,
        6.150424784e-01,
        6.538691710e-01,
        7.107621465e-01,
        7.548284052e-01,
        7.664422400e-01,
        7.548317776e-01,
        7.457762862e-01,
        7.498943786e-01,
        7.538640333e-01,
        7.444986898e-01,
        7.328375779e-01,
        7.453832946e-01,
        7.923351553e-01,
        8.550365094e-01,
        9.029669116e-01,
        9.200255822e-01,
        9.211256169e-01,
        9.384297077e-01,
        9.868337653e-01,
        1.050160873e+00,
        1.097678674e+00,
        1.110291156e+00,
        1.097469761e+00,
        1.084753101e+00,
        1.082269960e+00,
        1.076648197e+00,
        1.056259489e+00,
        1.036863835e+00,
        1.054374965e+00,
        1.133627904e+00,
        1.273659950e+00,
        1.457445809e+00,
        1.663352654e+00,
    ];

    #[test]
    fn coefficients_are_the_textbook_ones() {
        // Winter, Biomechanics and Motor Control of Human Movement: 6 Hz at 60 Hz, one pass.
        let Butterworth {
            b: [b0, b1, b2],
            a: [a1, a2],
            pad: _,
        } = Butterworth::low_pass(6.0, 60.0);
        for (ours, book) in [
            (b0, 0.06746),
            (b1, 0.13491),
            (b2, 0.06746),
            (-a1, 1.14298),
            (-a2, -0.41280),
        ] {
            assert!((ours - book).abs() < 5e-6, "{ours} {book}");
        }
    }

    #[test]
    fn zero_phase_pass_agrees_with_scipy() {
        let x: Vec<f64> = (0..40)
            .map(|i| f64::from((i * 37) % 17) / 17.0 + 0.02 * f64::from(i))
            .collect();
        let ours = Butterworth::low_pass(6.0, 60.0).zero_phase(&x);
        for (i, (a, b)) in ours.iter().zip(SCIPY_FILTFILT).enumerate() {
            assert!((a - b).abs() < 2e-9, "sample {i}: {a} {b}");
        }
    }

    #[test]
    fn a_constant_passes_unchanged_however_short() {
        for n in 0..12 {
            let y = Butterworth::low_pass(8.0, 30.0).zero_phase(&vec![3.5; n]);
            assert_eq!(y.len(), n);
            assert!(y.iter().all(|v| (v - 3.5).abs() < 1e-12));
        }
    }

    #[test]
    fn a_jump_of_a_sixtieth_of_a_second_is_taken_out_at_any_rate() {
        assert_eq!(
            without_jumps(&[1.0, 2.0, 90.0, 4.0, 5.0], 60.0),
            [1.0, 2.0, 4.0, 5.0, 5.0]
        );
        for (rate_hz, frames) in [(15.0, 1), (30.0, 1), (60.0, 1), (120.0, 2), (240.0, 4)] {
            let mut still = vec![7.0; 40];
            still[20..20 + frames].fill(90.0);
            assert_eq!(without_jumps(&still, rate_hz), [7.0; 40], "{rate_hz}");
            still[20 + frames] = 90.0;
            assert_eq!(
                without_jumps(&still, rate_hz),
                still,
                "{rate_hz}: longer, so it is no jump"
            );
        }
    }

    #[test]
    fn the_ends_are_continued_by_as_much_time_at_every_high_rate() {
        // The same motion, sampled twice and four times as often, is the same after the filter, at its ends too.
        let at = |rate_hz: f64| {
            let signal: Vec<f64> = (0..=rate_hz as usize)
                .map(|i| (3.0 * i as f64 / rate_hz).sin())
                .collect();
            Butterworth::low_pass(3.0, rate_hz).zero_phase(&signal)
        };
        let slow = at(60.0);
        for times in [2, 4] {
            let quick = at(60.0 * times as f64);
            for (i, value) in slow.iter().enumerate() {
                assert!(
                    (value - quick[i * times]).abs() < 0.003,
                    "{times}, {i}: {value}, {}",
                    quick[i * times]
                );
            }
        }
    }

    #[test]
    fn the_derivative_of_a_ramp_is_its_slope() {
        let ramp: Vec<f64> = (0..6).map(|i| f64::from(i) * 0.5).collect();
        assert!(
            derivative(&ramp, 60.0)
                .iter()
                .all(|d| (d - 30.0).abs() < 1e-9)
        );
    }
}
