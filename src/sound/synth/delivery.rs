//! A paced pitch as sound: beats of the wind-up, the release, the ball at the plate.
//!
//! In: the marks of a delivery, in seconds from its start. Out: one run of samples with each sound's first
//! sample at its mark. All three sounds are computed, and differ in length and color: a short wooden knock,
//! a longer hiss that rises, a dull pop.

use std::f32::consts::PI;
use std::sync::Arc;

use super::loudness::{self, MAX_SAMPLE};
use super::raised_cosine;
use crate::pitch::{Mark, MarkKind};
use crate::sound::{MAX_DELIVERY, SAMPLE_RATE_HZ, SoundError};

/// The three sounds, leveled.
#[derive(Clone, Debug)]
pub(in crate::sound) struct DeliverySounds {
    beat: Vec<f32>,
    release: Vec<f32>,
    plate: Vec<f32>,
}

impl DeliverySounds {
    pub(in crate::sound) fn new() -> Result<Self, SoundError> {
        let leveled = |mut samples: Vec<f32>| -> Result<Vec<f32>, SoundError> {
            loudness::level(&mut samples)?;
            Ok(samples)
        };
        Ok(Self {
            beat: leveled(beat())?,
            release: leveled(release())?,
            plate: leveled(plate())?,
        })
    }

    /// The sound of one mark.
    pub(in crate::sound) fn of(&self, kind: MarkKind) -> &[f32] {
        match kind {
            MarkKind::Beat => &self.beat,
            MarkKind::Release => &self.release,
            MarkKind::Plate => &self.plate,
        }
    }

    /// All marks as one run of samples. Sounds that fall together are added and, where that is too
    /// loud, all of it is lowered.
    ///
    /// # Errors
    /// [`SoundError::BadDelivery`] without marks, and where one is before the start, not a number, or
    /// beyond [`MAX_DELIVERY`].
    pub(in crate::sound) fn mix(&self, marks: &[Mark]) -> Result<Arc<[f32]>, SoundError> {
        let most_secs = MAX_DELIVERY.as_secs_f64();
        let wrong = |at_secs: f64| SoundError::BadDelivery { at_secs, most_secs };
        if marks.is_empty() {
            return Err(wrong(0.0));
        }
        let mut samples = Vec::new();
        for mark in marks {
            if !(0.0..=most_secs).contains(&mark.at_secs) {
                return Err(wrong(mark.at_secs));
            }
            let sound = self.of(mark.kind);
            let first = (mark.at_secs * f64::from(SAMPLE_RATE_HZ)).round() as usize;
            if samples.len() < first + sound.len() {
                samples.resize(first + sound.len(), 0.0);
            }
            for (sum, sample) in samples.iter_mut().skip(first).zip(sound) {
                *sum += sample;
            }
        }
        let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
        if peak > MAX_SAMPLE {
            samples.iter_mut().for_each(|s| *s *= MAX_SAMPLE / peak);
        }
        Ok(samples.into())
    }
}

/// A struck bar of wood: three modes that are no multiples of each other, the higher the shorter.
fn beat() -> Vec<f32> {
    const MODES: [(f32, f32, f32); 3] = [
        (620.0, 1.0, 0.070),
        (1680.0, 0.5, 0.035),
        (2640.0, 0.2, 0.02),
    ];
    shaped(0.2, 0.002, 0.06, |secs| {
        MODES
            .iter()
            .map(|(pitch_hz, strength, decay_secs)| {
                strength * (-secs / decay_secs).exp() * (2.0 * PI * pitch_hz * secs).sin()
            })
            .sum()
    })
}

/// A hiss whose pitch rises, as of an arm that whips through.
fn release() -> Vec<f32> {
    const LASTS_SECS: f32 = 0.2;
    let mut hiss = Hiss::new(1);
    shaped(LASTS_SECS, 0.003, 0.05, move |secs| {
        let share = secs / LASTS_SECS;
        hiss.next(1000.0 * 2.2_f32.powf(share), 2.2)
    })
}

/// A ball in a glove: a dull body that falls in pitch, and the leather on top.
fn plate() -> Vec<f32> {
    let mut hiss = Hiss::new(2);
    let mut phase = 0.0_f32;
    shaped(0.16, 0.0015, 0.05, move |secs| {
        phase += 2.0 * PI * (560.0 + 500.0 * (-secs / 0.012).exp()) / SAMPLE_RATE_HZ as f32;
        let body = (-secs / 0.060).exp() * phase.sin();
        let leather = (-secs / 0.022).exp() * hiss.next(1400.0, 1.6);
        0.9 * body + 0.5 * leather
    })
}

/// Samples of `wave` with soft ends and rounded peaks: a bare knock would have all its strength in one
/// peak and so be too quiet beside the tones.
fn shaped(
    lasts_secs: f32,
    attack_secs: f32,
    release_secs: f32,
    mut wave: impl FnMut(f32) -> f32,
) -> Vec<f32> {
    let rate = SAMPLE_RATE_HZ as f32;
    (0..(lasts_secs * rate) as usize)
        .map(|index| {
            let secs = index as f32 / rate;
            let ends = raised_cosine(secs / attack_secs)
                * raised_cosine((lasts_secs - secs) / release_secs);
            ends * (1.3 * wave(secs)).tanh()
        })
        .collect()
}

/// Noise through two band-pass filters in a row; always the same noise.
struct Hiss {
    seed: u32,
    filters: [BandPass; 2],
}

impl Hiss {
    fn new(seed: u32) -> Self {
        Self {
            seed,
            filters: [BandPass::default(); 2],
        }
    }

    /// `narrow`: how many times the band is narrower than its middle.
    fn next(&mut self, middle_hz: f32, narrow: f32) -> f32 {
        self.seed = self
            .seed
            .wrapping_mul(1_664_525)
            .wrapping_add(1_013_904_223);
        let noise = (self.seed >> 8) as f32 / 8_388_608.0 - 1.0;
        let narrowed = self.filters.iter_mut().fold(noise, |sample, filter| {
            filter.next(sample, middle_hz, narrow)
        });
        // About as strong as a sine of 1, whatever the width.
        narrowed * (6.0 * narrow).sqrt()
    }
}

/// A state variable filter in its trapezoidal form, which stays stable while the pitch moves.
#[derive(Clone, Copy, Default)]
struct BandPass {
    band: f32,
    low: f32,
}

impl BandPass {
    fn next(&mut self, sample: f32, middle_hz: f32, narrow: f32) -> f32 {
        let g = (PI * middle_hz / SAMPLE_RATE_HZ as f32).tan();
        let damping = 1.0 / narrow;
        let high = (sample - self.low - (damping + g) * self.band) / (1.0 + g * (g + damping));
        let band = self.band + g * high;
        let low = self.low + g * band;
        self.band = band + g * high;
        self.low = low + g * band;
        damping * band
    }
}
