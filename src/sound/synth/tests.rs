//! The tones in the noise of a cage: a matched filter, which has nothing to do with how they are made,
//! must tell each from all others.
//!
//! The noise is made: pink, as ventilation and a busy hall are, and now and then the crack of a bat, a
//! burst of a few milliseconds that is far louder than anything else. It stands for no cage that was
//! recorded; levels are against the tone's own root mean square.

use std::f32::consts::TAU;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::{DeliverySounds, HeadToneVoice, Tone, level, loudest_momentary, tone_samples};
use crate::pitch::MarkKind;
use crate::sound::SAMPLE_RATE_HZ;
use crate::sound::test_support::spectrum::share_between;

/// Samples of one trial, a power of two: 1.4 s.
const TRIAL: usize = 65_536;

/// The tone is this much weaker than the pink noise, each over its whole band.
const SNR_DB: f32 = -12.0;
/// The crack's peak over the tone's root mean square.
const CRACK_DB: f32 = 26.0;
const CRACKS: usize = 3;

fn head_tone(share: f32) -> Vec<f32> {
    let mut voice = HeadToneVoice::default();
    voice.set(Some(share));
    (0..SAMPLE_RATE_HZ as usize * 3 / 10)
        .map(|_| voice.next())
        .collect()
}

/// Everything that is heard without words.
fn all() -> Vec<(&'static str, Vec<f32>)> {
    let delivery = DeliverySounds::new().expect("sounds");
    let leveled = |tone| {
        let mut samples = tone_samples(tone);
        level(&mut samples).expect("a level");
        samples
    };
    vec![
        ("in band", leveled(Tone::InBand)),
        ("out", leveled(Tone::Out)),
        ("notice", leveled(Tone::Notice)),
        ("beat", delivery.of(MarkKind::Beat).to_vec()),
        ("release", delivery.of(MarkKind::Release).to_vec()),
        ("plate", delivery.of(MarkKind::Plate).to_vec()),
        ("head within", head_tone(0.5)),
        ("head beyond", head_tone(1.3)),
    ]
}

struct Random(u64);

impl Random {
    fn below(&mut self, below: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (self.0 >> 33) as usize % below
    }

    /// Nearly normal, with a spread of 1.
    fn normal(&mut self) -> f32 {
        let sum: f32 = (0..12)
            .map(|_| self.below(1 << 20) as f32 / (1 << 20) as f32)
            .sum();
        sum - 6.0
    }
}

fn rms(samples: &[f32]) -> f32 {
    (samples.iter().map(|s| s * s).sum::<f32>() / samples.len() as f32).sqrt()
}

fn decibel(db: f32) -> f32 {
    10_f32.powf(db / 20.0)
}

/// Forward and inverse transforms of one trial.
struct Spectra {
    forward: std::sync::Arc<dyn Fft<f32>>,
    inverse: std::sync::Arc<dyn Fft<f32>>,
}

impl Spectra {
    fn new() -> Self {
        let mut planner = FftPlanner::new();
        Self {
            forward: planner.plan_fft_forward(TRIAL),
            inverse: planner.plan_fft_inverse(TRIAL),
        }
    }

    fn of(&self, samples: &[f32]) -> Vec<Complex<f32>> {
        let mut bins: Vec<Complex<f32>> = samples.iter().map(|s| Complex::new(*s, 0.0)).collect();
        bins.resize(TRIAL, Complex::default());
        self.forward.process(&mut bins);
        bins
    }

    fn back(&self, mut bins: Vec<Complex<f32>>) -> Vec<f32> {
        self.inverse.process(&mut bins);
        bins.iter().map(|bin| bin.re / TRIAL as f32).collect()
    }

    /// Pink noise with a root mean square of 1.
    fn pink(&self, random: &mut Random) -> Vec<f32> {
        let white: Vec<f32> = (0..TRIAL).map(|_| random.normal()).collect();
        let mut bins = self.of(&white);
        for (index, bin) in bins.iter_mut().enumerate() {
            *bin /= (index.min(TRIAL - index).max(20) as f32).sqrt();
        }
        let noise = self.back(bins);
        let level = rms(&noise);
        noise.into_iter().map(|s| s / level).collect()
    }

    /// How strongly the template shows anywhere in what is heard, both weighted so that the noise is
    /// as strong in every frequency: the best that can be done against noise of a known spectrum.
    fn match_of(&self, heard: &[Complex<f32>], template: &[Complex<f32>]) -> f32 {
        let whiten = |index: usize| index.min(TRIAL - index).max(20) as f32;
        let energy: f32 = template
            .iter()
            .enumerate()
            .map(|(index, bin)| bin.norm_sqr() * whiten(index))
            .sum();
        let product: Vec<Complex<f32>> = heard
            .iter()
            .zip(template)
            .enumerate()
            .map(|(index, (h, t))| h * t.conj() * whiten(index))
            .collect();
        let peak = self
            .back(product)
            .iter()
            .fold(0.0_f32, |peak, s| peak.max(s.abs()));
        peak / energy.sqrt()
    }
}

/// A bat meets a ball: a burst of noise that is gone in a few milliseconds, over a short ring.
fn crack(random: &mut Random, peak: f32) -> Vec<f32> {
    (0..SAMPLE_RATE_HZ / 50)
        .map(|index| {
            let secs = index as f32 / SAMPLE_RATE_HZ as f32;
            let burst = random.normal() / 3.0 * (-secs / 0.0015).exp();
            let ring = 0.4 * (-secs / 0.005).exp() * (TAU * 1700.0 * secs).sin();
            peak * (burst + ring)
        })
        .collect()
}

/// In how many of `trials` each tone was recognized.
fn recognized(snr_db: f32, trials: usize) -> Vec<(&'static str, usize)> {
    let (spectra, mut random, tones) = (Spectra::new(), Random(7), all());
    let templates: Vec<_> = tones
        .iter()
        .map(|(_, samples)| spectra.of(samples))
        .collect();
    let mut right: Vec<(&str, usize)> = tones.iter().map(|(name, _)| (*name, 0)).collect();
    for (index, (name, samples)) in tones.iter().enumerate() {
        let signal = rms(samples);
        for _ in 0..trials {
            let noise_level = signal / decibel(snr_db);
            let mut heard: Vec<f32> = spectra
                .pink(&mut random)
                .into_iter()
                .map(|s| s * noise_level)
                .collect();
            for _ in 0..CRACKS {
                let crack = crack(&mut random, signal * decibel(CRACK_DB));
                let from = random.below(TRIAL - crack.len());
                heard[from..]
                    .iter_mut()
                    .zip(crack)
                    .for_each(|(h, c)| *h += c);
            }
            let from = random.below(TRIAL - samples.len());
            heard[from..]
                .iter_mut()
                .zip(samples)
                .for_each(|(h, s)| *h += s);
            // A loudspeaker and a microphone clip; the ear's own limit is no better.
            let most = 8.0 * noise_level;
            heard.iter_mut().for_each(|h| *h = h.clamp(-most, most));
            let heard = spectra.of(&heard);
            let best = (0..templates.len())
                .max_by(|a, b| {
                    let of = |i: &usize| spectra.match_of(&heard, &templates[*i]);
                    of(a).total_cmp(&of(b))
                })
                .expect("there are tones");
            right[index].1 += usize::from(tones[best].0 == *name);
        }
    }
    right
}

#[test]
fn every_tone_stands_out_from_all_others_in_the_noise_of_a_cage() {
    let trials = 12;
    let right = recognized(SNR_DB, trials);
    println!("{SNR_DB} dB: {right:?} of {trials}");
    for (name, times) in right {
        assert_eq!(times, trials, "{name}");
    }
}

/// The other way round: the test above is able to fail.
#[test]
fn deep_in_the_noise_tones_are_mistaken_for_each_other() {
    let right: usize = recognized(-40.0, 4).iter().map(|(_, times)| times).sum();
    assert!(right < 20, "{right} of 32 cannot be");
}

#[test]
fn no_two_tones_are_alike() {
    let (spectra, tones) = (Spectra::new(), all());
    let bins: Vec<_> = tones
        .iter()
        .map(|(_, samples)| spectra.of(samples))
        .collect();
    for (one, (name, samples)) in tones.iter().enumerate() {
        for other in (0..tones.len()).filter(|other| *other != one) {
            let own: f32 = samples.iter().map(|s| s * s).sum();
            let others: f32 = tones[other].1.iter().map(|s| s * s).sum();
            let product = bins[one]
                .iter()
                .zip(&bins[other])
                .map(|(a, b)| a * b.conj());
            let likeness = spectra
                .back(product.collect())
                .iter()
                .fold(0.0_f32, |most, s| most.max(s.abs()))
                / (own * others).sqrt();
            assert!(likeness < 0.5, "{name} and {}: {likeness}", tones[other].0);
        }
    }
}

#[test]
fn all_tones_have_their_energy_where_hearing_is_keen_and_none_clicks() {
    for (name, samples) in all() {
        let within = share_between(&samples, 500.0, 3000.0);
        let above = share_between(&samples, 6000.0, 24_000.0);
        let loudness = loudest_momentary(&samples).expect("a reading");
        println!(
            "{name}: {within:.3} within 500 to 3000 Hz, {above:.1e} above 6 kHz, {loudness:.2} LUFS"
        );
        assert!(
            within > 0.9,
            "{name} has only {within:.3} within 500 to 3000 Hz"
        );
        assert!(above < 2e-3, "{name} crackles: {above}");
        let edge = 3;
        let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
        let ends = samples[..edge]
            .iter()
            .chain(&samples[samples.len() - edge..]);
        let largest = ends.fold(0.0_f32, |largest, s| largest.max(s.abs()));
        // The head tone is cut here in its middle; its own ends are tested with it.
        if !name.starts_with("head") {
            assert!(
                largest < 0.01 * peak,
                "{name} begins or ends with {largest}"
            );
        }
    }
}
