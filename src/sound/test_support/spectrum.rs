//! Where the energy of a sound lies; for tests.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use crate::sound::SAMPLE_RATE_HZ;

/// Energy of each frequency, with the width of one step in Hz.
pub(in crate::sound) fn spectrum(samples: &[f32]) -> (Vec<f32>, f32) {
    let mut bins: Vec<Complex<f32>> = samples.iter().map(|s| Complex::new(*s, 0.0)).collect();
    FftPlanner::new()
        .plan_fft_forward(bins.len())
        .process(&mut bins);
    let step_hz = SAMPLE_RATE_HZ as f32 / bins.len() as f32;
    (
        bins[..bins.len() / 2]
            .iter()
            .map(Complex::norm_sqr)
            .collect(),
        step_hz,
    )
}

/// The share of the energy between two frequencies.
pub(in crate::sound) fn share_between(samples: &[f32], low_hz: f32, high_hz: f32) -> f32 {
    let (energy, step_hz) = spectrum(samples);
    let inside = |i: &usize| (low_hz..=high_hz).contains(&(*i as f32 * step_hz));
    let within: f32 = energy
        .iter()
        .enumerate()
        .filter(|(i, _)| inside(i))
        .map(|(_, e)| e)
        .sum();
    within / energy.iter().sum::<f32>()
}

/// The frequency with the most energy.
pub(in crate::sound) fn strongest_hz(samples: &[f32]) -> f32 {
    let (energy, step_hz) = spectrum(samples);
    let best = (0..energy.len())
        .max_by(|a, b| energy[*a].total_cmp(&energy[*b]))
        .expect("samples");
    best as f32 * step_hz
}
