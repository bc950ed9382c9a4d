//! Finds sharp sounds in what a microphone hears, to the sample.
//!
//! In: interleaved samples of one or two channels at 8 kHz and more, in blocks of any length. Out: [`Onset`]s, counted in
//! frames of samples from the first one. Two stages: the energy in octaves against what it was in the 40 ms before says that
//! something begins; then the samples about it, whitened by what went before, say when, by the cumulative sum of their
//! likelihoods (E. S. Page, *Continuous Inspection Schemes*, Biometrika 41, 1954). Samples are forgotten within a second.

use std::collections::VecDeque;

use super::biquad::Biquad;
use super::whitening::Whitening;

/// One step of the first stage, seconds.
const STEP_SECS: f64 = 0.001;
/// The energy of so many steps is compared with that of so many before them; those nearest to it are left out.
const NOW_STEPS: usize = 3;
const BEFORE_STEPS: usize = 40;
const GAP_STEPS: usize = 1;
/// Lower edges of the octaves, hertz. Below lie rumble and voices.
const OCTAVES_HZ: [f64; 6] = [350.0, 700.0, 1400.0, 2800.0, 5600.0, 11_200.0];
/// The highest octave's upper edge lies below this share of the sampling rate.
const HIGHEST_SHARE: f64 = 0.45;
/// The log likelihood at which something begins: steady noise passes it a few times a minute, and is too quiet to matter.
const LEAST_LIKELIHOOD: f64 = 8.0;
/// A beginning is the likeliest step among those so near, before and after it.
const ALONE_STEPS: usize = 8;
/// The second stage whitens by so much of what went before, and looks so far back and ahead, seconds.
const WHITEN_SECS: f64 = 0.06;
const LOOK_BACK_SECS: f64 = 0.012;
const LOOK_AHEAD_SECS: f64 = 0.008;
/// The level is the highest sample within this long after the onset, seconds.
const LEVEL_SECS: f64 = 0.004;
/// How fast it rises is looked at within this long, seconds: up to this share of the highest energy. What follows so closely
/// may be a little louder.
const RISE_SECS: f64 = 0.03;
const RISEN: f64 = 0.25;
/// Sounds below this are not part of a crack, hertz; the level is measured above.
const CRACK_HZ: f64 = 1000.0;
/// Samples at this or more are cut off by the converter.
const FULL_SCALE: f32 = 0.999;
/// A muted microphone's samples stay below this; the noise of the quietest converter of 16 bits does not.
const SILENT: f32 = 1e-5;
/// How far back the samples are kept, seconds.
const KEPT_SECS: f64 = 0.25;

/// A sharp sound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Onset {
    /// The frame of samples at which it begins, from the first one on.
    pub(super) frame: f64,
    /// How far it stands above what was heard before it, decibels.
    pub(crate) above_db: f64,
    /// Its highest sample above 1 kHz within 4 ms, decibels against full scale.
    pub(crate) level_db: f64,
    /// From its beginning to where it has a fourth of its highest energy, seconds.
    pub(crate) rise_secs: f64,
    /// Which share of its energy lies above 1 kHz, 0 to 1.
    pub(crate) bright: f64,
    /// Some of its samples are cut off.
    pub(crate) clipped: bool,
}

/// One channel: its octaves and what it kept.
struct Channel {
    octaves: Vec<Biquad>,
    crack: Biquad,
    /// Samples as they came, and above [`CRACK_HZ`]; the oldest first.
    raw: VecDeque<f32>,
    high: VecDeque<f32>,
    /// Energy of the step that is under way, by octave.
    filling: Vec<f64>,
}

/// The detector of one stream.
pub(super) struct OnsetDetector {
    rate_hz: f64,
    channels: Vec<Channel>,
    interleaved: usize,
    step_frames: usize,
    kept_frames: usize,
    /// Frames that came so far.
    frames: u64,
    in_step: usize,
    /// Energy by octave of the latest steps, the oldest first; likelihoods of the latest steps.
    steps: VecDeque<Vec<f64>>,
    likelihoods: VecDeque<f64>,
    /// Steps that came so far.
    step: u64,
    /// Since the last [`Self::take_loudness`].
    loudness: Loudness,
    used: usize,
}

/// How loud a stretch was.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Loudness {
    /// Sum of the squares above [`CRACK_HZ`].
    high: f64,
    samples: u64,
    peak: f32,
}

impl Loudness {
    /// Root mean square above 1 kHz, decibels against full scale; `None` where nothing at all was heard.
    pub(super) fn room_db(self) -> Option<f64> {
        (self.samples > 0 && !self.is_silent()).then(|| decibels(self.high / self.samples as f64))
    }

    /// Whether every sample was zero, or nearly: no room is that quiet.
    pub(super) fn is_silent(self) -> bool {
        self.peak < SILENT
    }
}

impl OnsetDetector {
    /// A detector for samples at this rate with so many channels interleaved, of which the first two are listened to.
    pub(super) fn new(rate_hz: f64, channels: usize) -> Self {
        let octaves: Vec<f64> = OCTAVES_HZ
            .into_iter()
            .filter(|low| 2.0 * low < HIGHEST_SHARE * rate_hz)
            .collect();
        let frames_in = |secs: f64| (secs * rate_hz).round() as usize;
        let channel = || Channel {
            octaves: octaves
                .iter()
                .map(|low| Biquad::band_pass(low * std::f64::consts::SQRT_2, 1.4, rate_hz))
                .collect(),
            crack: Biquad::high_pass(CRACK_HZ, rate_hz),
            raw: VecDeque::with_capacity(frames_in(KEPT_SECS) + 1),
            high: VecDeque::with_capacity(frames_in(KEPT_SECS) + 1),
            filling: vec![0.0; octaves.len()],
        };
        Self {
            rate_hz,
            interleaved: channels.max(1),
            channels: (0..channels.clamp(1, 2)).map(|_| channel()).collect(),
            step_frames: frames_in(STEP_SECS).max(1),
            kept_frames: frames_in(KEPT_SECS),
            frames: 0,
            in_step: 0,
            steps: VecDeque::with_capacity(BEFORE_STEPS + 8),
            likelihoods: VecDeque::with_capacity(2 * ALONE_STEPS + 1),
            step: 0,
            loudness: Loudness::default(),
            used: octaves.len(),
        }
    }

    /// Samples a second of each channel.
    pub(super) fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Frames of samples that came so far.
    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    /// How loud it was since this was asked last.
    pub(super) fn take_loudness(&mut self) -> Loudness {
        std::mem::take(&mut self.loudness)
    }

    /// Takes the next samples, whole frames. An onset is known some 40 ms after it.
    pub(super) fn push(&mut self, samples: &[f32]) -> Vec<Onset> {
        let mut found = Vec::new();
        for frame in samples.chunks_exact(self.interleaved) {
            for (channel, sample) in self.channels.iter_mut().zip(frame) {
                // What is no number would stay in the filters.
                let sample = if sample.is_finite() { *sample } else { 0.0 };
                let high = channel.push(sample, self.kept_frames);
                self.loudness.high += f64::from(high * high);
                self.loudness.samples += 1;
                self.loudness.peak = self.loudness.peak.max(sample.abs());
            }
            self.frames += 1;
            self.in_step += 1;
            if self.in_step == self.step_frames {
                self.in_step = 0;
                found.extend(self.end_step());
            }
        }
        found
    }

    fn end_step(&mut self) -> Option<Onset> {
        let mut energy = vec![0.0; self.used];
        for channel in &mut self.channels {
            for (sum, filling) in energy.iter_mut().zip(&mut channel.filling) {
                *sum += std::mem::take(filling);
            }
        }
        self.step += 1;
        self.steps.push_back(energy);
        let all = NOW_STEPS + GAP_STEPS + BEFORE_STEPS;
        if self.steps.len() > all {
            self.steps.pop_front();
        }
        let likelihood = match self.steps.len() == all {
            true => self.likelihood(),
            false => 0.0,
        };
        self.likelihoods.push_back(likelihood);
        // The second stage looks ahead: what began is told once its rise has come.
        let wait = (RISE_SECS / STEP_SECS) as usize + ALONE_STEPS;
        if self.likelihoods.len() <= wait + ALONE_STEPS {
            return None;
        }
        self.likelihoods.pop_front();
        let at = ALONE_STEPS - 1;
        let here = self.likelihoods[at];
        let near = self.likelihoods.range(..=at + ALONE_STEPS);
        let alone = here >= LEAST_LIKELIHOOD
            && near.enumerate().all(|(i, other)| {
                if i < at {
                    *other < here
                } else {
                    *other <= here
                }
            });
        if !alone {
            return None;
        }
        // The steps in which it was found end here.
        let behind = (self.likelihoods.len() - 1 - at) * self.step_frames;
        self.refine(behind)
    }

    /// How much likelier the latest steps are something new than more of what was before.
    fn likelihood(&self) -> f64 {
        let dof = |octave: usize| 2.0 * OCTAVES_HZ[octave] * NOW_STEPS as f64 * STEP_SECS;
        let mean = |from: usize, count: usize, octave: usize| {
            let sum: f64 = self
                .steps
                .range(from..from + count)
                .map(|step| step[octave])
                .sum();
            sum / count as f64
        };
        (0..self.used)
            .map(|octave| {
                let before = mean(0, BEFORE_STEPS, octave) + 1e-12;
                let ratio = mean(BEFORE_STEPS + GAP_STEPS, NOW_STEPS, octave) / before;
                match ratio > 1.0 {
                    true => 0.5 * dof(octave) * (ratio - 1.0 - ratio.ln()),
                    false => 0.0,
                }
            })
            .sum()
    }

    /// The onset in the three steps that ended so many frames ago, on the channel that shows it best.
    fn refine(&self, behind: usize) -> Option<Onset> {
        let frames_in = |secs: f64| (secs * self.rate_hz).round() as usize;
        let found = self
            .channels
            .iter()
            .filter_map(|channel| {
                let end = channel.raw.len().checked_sub(behind)?;
                let from = end.checked_sub(frames_in(LOOK_BACK_SECS))?;
                let to = (end + frames_in(LOOK_AHEAD_SECS)).min(channel.raw.len());
                let before = from.saturating_sub(frames_in(WHITEN_SECS))..from;
                let raw: Vec<f64> = channel.raw.iter().map(|s| f64::from(*s)).collect();
                let whitening = Whitening::of(&raw[before])?;
                let residual = whitening.residual(&raw, from..to);
                let (start, gain) = change(&residual, whitening.variance())?;
                Some((gain, channel, from + start))
            })
            .max_by(|(a, ..), (b, ..)| a.total_cmp(b));
        let (_, channel, start) = found?;
        Some(self.describe(channel, start))
    }

    fn describe(&self, channel: &Channel, start: usize) -> Onset {
        let frames_in = |secs: f64| (secs * self.rate_hz).round() as usize;
        let until = |secs: f64| (start + frames_in(secs)).min(channel.raw.len());
        let peak = |of: &VecDeque<f32>, to: usize| {
            of.range(start..to).fold(0.0_f32, |top, s| top.max(s.abs()))
        };
        let energy = |of: &VecDeque<f32>, from: usize, to: usize| -> f64 {
            let sum: f64 = of.range(from..to).map(|s| f64::from(s * s)).sum();
            sum / (to - from).max(1) as f64
        };
        let to = until(LEVEL_SECS);
        let before = start.saturating_sub(frames_in(0.02));
        let quiet = energy(
            &channel.high,
            before,
            start.saturating_sub(frames_in(0.002)),
        );
        let high = energy(&channel.high, start, to);
        let low_before = energy(&channel.raw, before, start);
        let raw = (energy(&channel.raw, start, to) - low_before).max(high);
        // Loudest over a millisecond.
        let piece = frames_in(STEP_SECS).max(1);
        let pieces: Vec<f64> = (start..until(RISE_SECS).saturating_sub(piece))
            .step_by((piece / 2).max(1))
            .map(|at| energy(&channel.high, at, at + piece))
            .collect();
        let loudest = pieces.iter().copied().fold(0.0, f64::max);
        let risen = pieces.iter().position(|e| *e >= RISEN * loudest);
        let behind = channel.raw.len() - start;
        Onset {
            frame: self.frames as f64 - behind as f64,
            above_db: decibels((high / (quiet + 1e-12)).max(1e-6)),
            level_db: 2.0 * decibels(f64::from(peak(&channel.high, to)) + 1e-9),
            rise_secs: risen.unwrap_or(0) as f64 * (piece / 2).max(1) as f64 / self.rate_hz,
            bright: (high / (raw + 1e-15)).min(1.0),
            clipped: peak(&channel.raw, to) >= FULL_SCALE,
        }
    }
}

impl Channel {
    /// Takes a sample; gives what of it lies above [`CRACK_HZ`].
    fn push(&mut self, sample: f32, kept: usize) -> f32 {
        for (filter, filling) in self.octaves.iter_mut().zip(&mut self.filling) {
            let band = filter.step(f64::from(sample));
            *filling += band * band;
        }
        let high = self.crack.step(f64::from(sample)) as f32;
        for (queue, sample) in [(&mut self.raw, sample), (&mut self.high, high)] {
            if queue.len() == kept {
                queue.pop_front();
            }
            queue.push_back(sample);
        }
        high
    }
}

/// Where white noise of this variance gives way to something louder, and by how much the likelihood gains; `None` where it
/// does not.
fn change(residual: &[f64], variance: f64) -> Option<(usize, f64)> {
    // How loud it is: the loudest stretch of a sixteenth.
    let piece = (residual.len() / 16).max(4);
    let loud = residual
        .windows(piece)
        .map(|w| w.iter().map(|r| r * r).sum::<f64>() / piece as f64)
        .fold(0.0, f64::max);
    let ratio = loud / variance.max(1e-15);
    if ratio <= 1.5 {
        return None;
    }
    // A beginning is not as loud as its top: half of it in decibels is what the change is looked for with.
    let ratio = ratio.sqrt().max(1.5);
    let (mut sum, mut lowest, mut low_at) = (0.0_f64, 0.0, 0);
    let mut best = (0.0, 0);
    for (i, r) in residual.iter().enumerate() {
        sum += 0.5 * (r * r / variance.max(1e-15) * (1.0 - 1.0 / ratio) - ratio.ln());
        if sum < lowest {
            (lowest, low_at) = (sum, i + 1);
        }
        if sum - lowest > best.0 {
            best = (sum - lowest, low_at);
        }
    }
    (best.0 > 0.0).then_some((best.1, best.0))
}

/// Ten times the decimal logarithm of a ratio of powers.
fn decibels(power: f64) -> f64 {
    10.0 * power.max(1e-20).log10()
}

#[cfg(test)]
mod tests;
