//! A soft tone that follows the head while the rep runs, sample by sample.
//!
//! In: the head's forward travel as a share of its band. Out: samples without steps: pitch and color
//! glide, the level fades. Part of the mixer, so it does no input or output, takes no lock and allocates
//! nothing.

use std::f32::consts::TAU;
use std::time::Duration;

use super::raised_cosine;
use crate::sound::output::CUT_FADE;
use crate::sound::{SAMPLE_RATE_HZ, samples_in};

/// The pitch at set, at the band's edge, and twice as far. Between them it rises in equal musical steps.
const PITCHES_HZ: [f32; 3] = [500.0, 1000.0, 1500.0];

/// The tone turns sharp beyond the first and soft again below the second, so that a head at the edge
/// does not make it flutter.
const SHARP_ABOVE: f32 = 1.0;
const SOFT_BELOW: f32 = 0.95;

/// Time constants of the glides: too short to be noticed as lag, long enough that a step makes no click.
const PITCH_GLIDE_SECS: f32 = 0.005;
const COLOR_GLIDE_SECS: f32 = 0.004;

/// How long the tone takes to come and to go.
const FADE: Duration = Duration::from_millis(20);

/// Strength of the pitch and of its double, soft and sharp. Soft stays well below a cue; sharp is
/// nearer to it.
const SOFT: [f32; 2] = [0.080, 0.010];
const SHARP: [f32; 2] = [0.120, 0.160];

/// The sharp tone comes in pulses: pulses per second, the share of the time they are on, and how long they
/// take to rise and fall.
const PULSES_HZ: f32 = 14.0;
const PULSE_ON: f32 = 0.55;
const PULSE_EDGE_SECS: f32 = 0.008;

/// The tone, on or off.
#[derive(Debug, Default)]
pub(in crate::sound) struct HeadToneVoice {
    wanted: Option<f32>,
    ducked: bool,
    /// 0 silent, 1 fully there.
    level: f32,
    octaves: f32,
    sharp: bool,
    sharpness: f32,
    phase: f32,
    pulse: f32,
}

impl HeadToneVoice {
    /// Follows the head, or fades out: 0 is where the head was at set, 1 the band's edge, more is beyond it.
    /// What is below 0 or above 2 sounds like these; what is no number counts as off.
    pub(in crate::sound) fn set(&mut self, share: Option<f32>) {
        let share = share.filter(|share| share.is_finite());
        self.wanted = share;
        if let Some(share) = share {
            let was_sharp = self.sharp && !self.is_silent();
            self.sharp = share > if was_sharp { SOFT_BELOW } else { SHARP_ABOVE };
            if self.sharp && !was_sharp {
                self.pulse = 0.0;
            }
            if self.is_silent() {
                self.octaves = octaves(share);
                self.sharpness = f32::from(u8::from(self.sharp));
            }
        }
    }

    /// Makes room for a cue, within [`CUT_FADE`], or comes back.
    pub(in crate::sound) fn duck(&mut self, ducked: bool) {
        self.ducked = ducked;
    }

    /// Nothing of it is heard.
    pub(in crate::sound) fn is_silent(&self) -> bool {
        self.level <= 0.0
    }

    /// Silent, and not only until a cue has ended.
    pub(in crate::sound) fn is_off(&self) -> bool {
        self.is_silent() && self.wanted.is_none()
    }

    /// The next sample.
    pub(in crate::sound) fn next(&mut self) -> f32 {
        let rate = SAMPLE_RATE_HZ as f32;
        match (self.wanted, self.ducked) {
            (Some(_), false) => self.level = (self.level + 1.0 / samples_in(FADE) as f32).min(1.0),
            (_, true) => self.level -= 1.0 / samples_in(CUT_FADE) as f32,
            (None, false) => self.level -= 1.0 / samples_in(FADE) as f32,
        }
        if self.level <= 0.0 {
            self.level = 0.0;
            return 0.0;
        }
        let glide = |from: f32, to: f32, secs: f32| from + (to - from) / (secs * rate);
        if let Some(share) = self.wanted {
            self.octaves = glide(self.octaves, octaves(share), PITCH_GLIDE_SECS);
        }
        let sharp = f32::from(u8::from(self.sharp));
        self.sharpness = glide(self.sharpness, sharp, COLOR_GLIDE_SECS);
        self.phase = (self.phase + PITCHES_HZ[0] * self.octaves.exp2() / rate).fract();
        self.pulse = (self.pulse + PULSES_HZ / rate).fract();
        let [one, two] = [1.0, 2.0].map(|times| (TAU * times * self.phase).sin());
        let soft = SOFT[0] * one + SOFT[1] * two;
        let pulsed = pulse(self.pulse) * (SHARP[0] * one + SHARP[1] * two);
        raised_cosine(self.level) * (soft + self.sharpness * (pulsed - soft))
    }
}

/// Octaves above the pitch at set.
fn octaves(share: f32) -> f32 {
    let [set, edge, far] = PITCHES_HZ;
    let (within, beyond) = (share.clamp(0.0, 1.0), (share - 1.0).clamp(0.0, 1.0));
    within * (edge / set).log2() + beyond * (far / edge).log2()
}

/// Loudness within a pulse, 0 to 1.
fn pulse(phase: f32) -> f32 {
    let edge = PULSE_EDGE_SECS * PULSES_HZ;
    raised_cosine(phase / edge) * raised_cosine((PULSE_ON - phase) / edge)
}

#[cfg(test)]
mod tests {
    use super::super::{TARGET_LUFS, loudest_momentary};
    use super::*;
    use crate::sound::test_support::spectrum::{share_between, strongest_hz};

    /// What is heard of a head that moves as `share` says, from the tone's start.
    fn heard(secs: f32, share: impl Fn(f32) -> Option<f32>) -> Vec<f32> {
        let mut voice = HeadToneVoice::default();
        (0..(secs * SAMPLE_RATE_HZ as f32) as usize)
            .map(|index| {
                // The travel changes with the frames of a camera, 60 a second.
                if index % 800 == 0 {
                    voice.set(share(index as f32 / SAMPLE_RATE_HZ as f32));
                }
                voice.next()
            })
            .collect()
    }

    #[test]
    fn the_pitch_rises_from_500_to_1500_hz_with_the_head() {
        for (share, pitch_hz) in [(0.0, 500.0), (0.5, 707.1), (1.0, 1000.0), (-3.0, 500.0)] {
            let pitch = strongest_hz(&heard(1.0, |_| Some(share))[4800..]);
            assert!((pitch / pitch_hz - 1.0).abs() < 0.005, "{share}: {pitch}");
        }
        let far = heard(1.0, |_| Some(2.0));
        let within = share_between(&far[4800..], 1400.0, 1600.0)
            + share_between(&far[4800..], 2900.0, 3100.0);
        assert!(
            within > 0.95,
            "twice the band is 1500 Hz and its double: {within}"
        );
    }

    #[test]
    fn beyond_the_band_it_is_sharp_and_pulses() {
        let (soft, sharp) = (heard(1.0, |_| Some(0.99)), heard(1.0, |_| Some(1.01)));
        let double = |samples: &[f32]| share_between(&samples[4800..], 1900.0, 2100.0);
        assert!(
            double(&soft) < 0.03 && double(&sharp) > 0.5,
            "the color changes"
        );
        let quiet = |samples: &[f32]| {
            let pieces = samples[4800..].chunks_exact(96);
            let all = pieces.len();
            let low = pieces.filter(|p| p.iter().all(|s| s.abs() < 0.01)).count();
            low as f32 / all as f32
        };
        assert!(
            quiet(&soft) == 0.0 && quiet(&sharp) > 0.25,
            "{}",
            quiet(&sharp)
        );
    }

    #[test]
    fn a_head_at_the_edge_does_not_make_it_flutter() {
        let mut voice = HeadToneVoice::default();
        let turns = (0..60)
            .map(|frame| {
                voice.set(Some(if frame % 2 == 0 { 1.01 } else { 0.97 }));
                (0..800).for_each(|_| {
                    voice.next();
                });
                voice.sharp
            })
            .filter(|sharp| !sharp)
            .count();
        assert_eq!(turns, 0);
    }

    /// A step of the wave would show as energy far above the tone's own three kilohertz.
    #[test]
    fn nothing_clicks_whatever_the_head_does() {
        let jumps = heard(1.8, |secs| match (secs * 10.0) as u32 % 5 {
            0 => Some(0.1),
            1 => Some(1.8),
            2 => None,
            3 => Some(0.7),
            _ => Some(1.2),
        });
        let above = share_between(&jumps, 6000.0, 24_000.0);
        assert!(above < 1e-5, "{above} of the energy is above 6 kHz");
        let largest_step = jumps
            .windows(2)
            .map(|pair| (pair[1] - pair[0]).abs())
            .fold(0.0, f32::max);
        let steepest = TAU * (1500.0 * SHARP[0] + 3000.0 * SHARP[1]) / SAMPLE_RATE_HZ as f32;
        assert!(largest_step < steepest, "{largest_step} against {steepest}");
        let within = share_between(&jumps, 480.0, 3050.0);
        assert!(
            within > 0.97,
            "{within} of the energy is where hearing is keen"
        );
    }

    #[test]
    fn a_change_is_heard_within_15_ms() {
        let mut voice = HeadToneVoice::default();
        voice.set(Some(0.0));
        (0..4800).for_each(|_| {
            voice.next();
        });
        voice.set(Some(1.0));
        (0..720).for_each(|_| {
            voice.next();
        });
        assert!(voice.octaves > 0.9, "{} of an octave", voice.octaves);
        voice.set(None);
        (0..=samples_in(FADE)).for_each(|_| {
            voice.next();
        });
        assert!(voice.is_off());
    }

    #[test]
    fn it_makes_room_for_a_cue_and_comes_back() {
        let mut voice = HeadToneVoice::default();
        voice.set(Some(0.5));
        (0..4800).for_each(|_| {
            voice.next();
        });
        voice.duck(true);
        (0..=samples_in(CUT_FADE)).for_each(|_| {
            voice.next();
        });
        assert!(voice.is_silent() && !voice.is_off());
        voice.duck(false);
        (0..4800).for_each(|_| {
            voice.next();
        });
        assert!(!voice.is_silent());
    }

    #[test]
    fn it_is_softer_than_a_cue_and_what_is_out_is_louder_than_what_is_in() {
        let loudness = |share| loudest_momentary(&heard(1.0, |_| Some(share))).expect("a reading");
        let (set, edge, out) = (loudness(0.0), loudness(1.0), loudness(1.2));
        println!("head tone: {set:.1} LUFS at set, {edge:.1} at the edge, {out:.1} beyond");
        assert!((set - edge).abs() < 1.5, "{set} and {edge}");
        assert!(edge < TARGET_LUFS - 8.0 && out > edge + 2.0 && out < TARGET_LUFS - 3.0);
    }
}
