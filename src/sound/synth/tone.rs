//! The tones of cues, computed sample by sample.
//!
//! They differ in rhythm first (one long rise, three short knocks, one single note), then in pitch, so
//! that even a hitter who hears pitch badly, or a poor speaker, will do.
//! Every tone has its energy between 500 and 3000 Hz, where hearing is keen and small speakers work.

use std::f32::consts::PI;

use super::raised_cosine;
use crate::sound::SAMPLE_RATE_HZ;

/// How long a note takes to swell: short enough to be heard at once, long enough not to click.
const ATTACK_SECS: f32 = 0.004;

/// What is played in front of words, or alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::sound) enum Tone {
    /// The swing was in band: two joined notes, a fifth upwards.
    InBand,
    /// Something was out: three knocks, the last one lower. Words follow.
    Out,
    /// A remark about the setup: one soft note. Words follow.
    Notice,
}

/// One note of a tone.
struct Note {
    starts_secs: f32,
    lasts_secs: f32,
    /// The part of `lasts_secs` in which the note dies away.
    release_secs: f32,
    pitch_hz: f32,
    /// Strength of the pitch itself and of its second and third multiple.
    partials: [f32; 3],
}

/// The in-band rise rings: few multiples, a long release.
const RISE: &[Note] = &[
    Note {
        starts_secs: 0.0,
        lasts_secs: 0.11,
        release_secs: 0.035,
        pitch_hz: 880.0,
        partials: [1.0, 0.25, 0.0],
    },
    Note {
        starts_secs: 0.09,
        lasts_secs: 0.26,
        release_secs: 0.18,
        pitch_hz: 1318.5,
        partials: [1.0, 0.2, 0.0],
    },
];

/// The knocks are reedy: strong multiples put energy into the octaves around 1 and 2 kHz at once,
/// which is what makes a signal stand out of noise.
const KNOCKS: &[Note] = &[
    Note {
        starts_secs: 0.0,
        lasts_secs: 0.045,
        release_secs: 0.015,
        pitch_hz: 932.3,
        partials: [0.8, 0.7, 0.45],
    },
    Note {
        starts_secs: 0.07,
        lasts_secs: 0.045,
        release_secs: 0.015,
        pitch_hz: 932.3,
        partials: [0.8, 0.7, 0.45],
    },
    Note {
        starts_secs: 0.14,
        lasts_secs: 0.08,
        release_secs: 0.04,
        pitch_hz: 698.5,
        partials: [0.8, 0.7, 0.45],
    },
];

const SINGLE: &[Note] = &[Note {
    starts_secs: 0.0,
    lasts_secs: 0.16,
    release_secs: 0.12,
    pitch_hz: 659.3,
    partials: [1.0, 0.3, 0.0],
}];

/// The tone as samples at [`SAMPLE_RATE_HZ`], its loudest sample at 1; the caller sets the level.
pub(in crate::sound) fn samples(tone: Tone) -> Vec<f32> {
    let notes = match tone {
        Tone::InBand => RISE,
        Tone::Out => KNOCKS,
        Tone::Notice => SINGLE,
    };
    let rate = SAMPLE_RATE_HZ as f32;
    let lasts_secs = notes
        .iter()
        .map(|n| n.starts_secs + n.lasts_secs)
        .fold(0.0, f32::max);
    let mut samples = vec![0.0_f32; (lasts_secs * rate).round() as usize];
    for note in notes {
        let first = (note.starts_secs * rate).round() as usize;
        for (index, sample) in samples.iter_mut().skip(first).enumerate() {
            *sample += note.at(index as f32 / rate);
        }
    }
    let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
    if peak > 0.0 {
        samples.iter_mut().for_each(|s| *s /= peak);
    }
    samples
}

impl Note {
    /// Value at `secs` after the note's own start.
    fn at(&self, secs: f32) -> f32 {
        let left_secs = self.lasts_secs - secs;
        if left_secs <= 0.0 {
            return 0.0;
        }
        let level =
            raised_cosine(secs / ATTACK_SECS) * raised_cosine(left_secs / self.release_secs);
        let wave: f32 = self
            .partials
            .iter()
            .zip(1_u8..)
            .map(|(strength, times)| {
                strength * (2.0 * PI * self.pitch_hz * f32::from(times) * secs).sin()
            })
            .sum();
        level * wave
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sound::test_support::spectrum::{share_between, strongest_hz};

    const ALL: [Tone; 3] = [Tone::InBand, Tone::Out, Tone::Notice];

    /// Starts and ends of what is louder than a tenth of the peak, in ms; gaps under 10 ms do not count.
    fn beats(samples: &[f32]) -> Vec<(f32, f32)> {
        let mut beats: Vec<(f32, f32)> = Vec::new();
        for (index, _) in samples.iter().enumerate().filter(|(_, s)| s.abs() > 0.1) {
            let millis = index as f32 * 1e3 / SAMPLE_RATE_HZ as f32;
            match beats.last_mut() {
                Some((_, end)) if millis - *end < 10.0 => *end = millis,
                _ => beats.push((millis, millis)),
            }
        }
        beats
    }

    /// The band that ISO 7731 recommends for signals, 500 to 2500 Hz, is quoted from memory in our
    /// sources; its octaves around 1 and 2 kHz are confirmed. A small speaker carries both.
    #[test]
    fn the_energy_lies_where_hearing_is_keen() {
        for tone in ALL {
            let share = share_between(&samples(tone), 500.0, 3000.0);
            assert!(
                share > 0.95,
                "{tone:?} has only {share:.3} of its energy from 500 to 3000 Hz"
            );
        }
    }

    #[test]
    fn the_knocks_reach_two_octaves() {
        let knocks = samples(Tone::Out);
        for (low_hz, high_hz) in [(707.0, 1414.0), (1414.0, 2828.0)] {
            let share = share_between(&knocks, low_hz, high_hz);
            assert!(
                share > 0.15,
                "only {share:.3} from {low_hz} to {high_hz} Hz"
            );
        }
    }

    #[test]
    fn no_tone_clicks() {
        for tone in ALL {
            let samples = samples(tone);
            let edge = SAMPLE_RATE_HZ as usize / 4000;
            for sample in samples[..edge]
                .iter()
                .chain(&samples[samples.len() - edge..])
            {
                assert!(
                    sample.abs() < 0.02,
                    "{tone:?} begins or ends with a step of {sample}"
                );
            }
            let above = share_between(&samples, 6000.0, 24_000.0);
            assert!(
                above < 1e-4,
                "{tone:?} crackles: {above} of the energy above 6 kHz"
            );
        }
    }

    #[test]
    fn a_tone_is_audible_within_5_ms() {
        for tone in ALL {
            let first = samples(tone)
                .iter()
                .position(|s| s.abs() > 0.1)
                .expect("a sound");
            assert!(
                first < SAMPLE_RATE_HZ as usize * 5 / 1000,
                "{tone:?} begins after {first} samples"
            );
        }
    }

    #[test]
    fn rhythm_alone_tells_the_tones_apart() {
        let count = |tone| beats(&samples(tone)).len();
        assert_eq!(
            (count(Tone::InBand), count(Tone::Out), count(Tone::Notice)),
            (1, 3, 1)
        );
        let lasts = |tone| beats(&samples(tone))[0].1;
        assert!(lasts(Tone::InBand) > 1.8 * lasts(Tone::Notice));
        assert!(lasts(Tone::Notice) > 1.8 * lasts(Tone::Out));
    }

    #[test]
    fn in_band_rises_by_a_fifth_and_out_falls() {
        let rise = samples(Tone::InBand);
        let rate = SAMPLE_RATE_HZ as usize;
        let ratio =
            strongest_hz(&rise[rate * 120 / 1000..]) / strongest_hz(&rise[..rate * 85 / 1000]);
        assert!((ratio - 1.5).abs() < 0.05, "the in-band step is {ratio}");
        let knocks = samples(Tone::Out);
        let within = |share: &[f32]| share_between(share, 640.0, 760.0);
        assert!(within(&knocks[rate * 140 / 1000..]) > 3.0 * within(&knocks[..rate * 60 / 1000]));
    }
}
