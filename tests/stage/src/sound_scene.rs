//! What a microphone beside a cage hears, made from known parts at known times.
//!
//! In: sounds with the moment at which they are made and how far away. Out: samples. A bat on a ball is a contact of 0.7 ms
//! (about 1 ms: R. Cross, *Am. J. Phys.* 67, 1999; 0.6 to 0.7 at game speed, from memory) that throws off broad-band noise
//! and, with aluminum, rings near 1700 and 2260 Hz (W. Cook and S. Atcherson, *Scientific World Journal* 2014, 702723; D.
//! Russell, *Acoustics Today* 13(4), 2017, has 2200). How fast the crack dies away is not published: 3 ms is a guess, as are
//! the sounds of doors, voices, nets and dropped balls. Rooms answer with exponentially fading echoes.

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use std::f64::consts::{PI, TAU};

/// Meters a second at 20 degrees.
pub const SPEED_OF_SOUND: f64 = 343.0;

/// What makes a sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SoundOf {
    /// A wooden bat on a ball.
    Wood,
    /// A composite bat on a ball.
    Composite,
    /// An aluminum bat on a ball.
    Aluminum,
    /// A ball on a net or a padded screen.
    Net,
    /// A ball on a wall.
    Wall,
    /// A ball that is dropped on turf.
    DroppedBall,
    /// A door that is slammed.
    Door,
    /// A voice that shouts.
    Shout,
    /// Two hands.
    Clap,
}

/// What is heard all the time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Noise {
    /// As strong in each octave.
    Pink,
    /// As strong at each frequency.
    White,
    /// Voices of many people, and a fan.
    Hall,
}

/// A scene under construction.
pub struct SoundScene {
    rate_hz: f64,
    reverberation_secs: f64,
    samples: Vec<f64>,
    random: StdRng,
}

impl SoundScene {
    /// Silence of this length in a room whose echoes fade by 60 dB in `reverberation_secs`; 0 is outdoors.
    pub fn new(rate_hz: f64, secs: f64, reverberation_secs: f64, seed: u64) -> Self {
        Self {
            rate_hz,
            reverberation_secs,
            samples: vec![0.0; (secs * rate_hz) as usize],
            random: StdRng::seed_from_u64(seed),
        }
    }

    /// A sound made at `secs`, so many meters away; `strength` is its highest sample at one meter.
    pub fn add(&mut self, of: SoundOf, secs: f64, meters: f64, strength: f64) -> &mut Self {
        // What reaches the microphone begins between samples.
        let arrives = (secs + meters / SPEED_OF_SOUND) * self.rate_hz;
        let first = arrives.ceil();
        let late = (first - arrives) / self.rate_hz;
        let dry = wave(of, self.rate_hz, late, &mut self.random);
        let top = dry.iter().fold(0.0_f64, |top, s| top.max(s.abs()));
        let scale = strength / top;
        self.mix(&dry, first as usize, scale / meters.max(0.3));
        self.echo(&dry, first as usize, scale);
        self
    }

    /// Sparse echoes, 800 a second, as strong together as the direct sound is from three meters.
    fn echo(&mut self, dry: &[f64], first: usize, scale: f64) {
        if self.reverberation_secs <= 0.0 {
            return;
        }
        let decay = self.reverberation_secs / 6.9;
        let (mut at, density) = (0.004, 800.0);
        let strength = scale / 3.0 * (2.0 / (decay * density)).sqrt();
        while at < 0.6 * self.reverberation_secs {
            at += self.random.random_range(0.2..1.8) / density;
            let sign = if self.random.random_bool(0.5) {
                1.0
            } else {
                -1.0
            };
            let delay = (at * self.rate_hz) as usize;
            self.mix(dry, first + delay, sign * strength * (-at / decay).exp());
        }
    }

    fn mix(&mut self, wave: &[f64], first: usize, gain: f64) {
        let heard = self.samples.iter_mut().skip(first);
        heard.zip(wave).for_each(|(sum, s)| *sum += gain * s);
    }

    /// Noise of this strength throughout, root mean square.
    pub fn noise(&mut self, noise: Noise, rms: f64) -> &mut Self {
        let len = self.samples.len();
        let made = match noise {
            Noise::White => white(len, &mut self.random),
            Noise::Pink => pink(len, &mut self.random),
            Noise::Hall => hall(len, self.rate_hz, &mut self.random),
        };
        let power = made.iter().map(|s| s * s).sum::<f64>() / len as f64;
        let gain = rms / power.sqrt();
        self.mix(&made, 0, gain);
        self
    }

    /// Samples that came from elsewhere, mono at the scene's rate, so strong.
    pub fn play(&mut self, samples: &[f32], secs: f64, gain: f64) -> &mut Self {
        let wave: Vec<f64> = samples.iter().map(|s| f64::from(*s)).collect();
        self.mix(&wave, (secs * self.rate_hz).round() as usize, gain);
        self
    }

    /// What one channel hears, cut off at full scale as a converter does.
    pub fn mono(&self) -> Vec<f32> {
        self.samples
            .iter()
            .map(|s| s.clamp(-1.0, 1.0) as f32)
            .collect()
    }

    /// Two channels, interleaved: the second hears it 0.2 ms later, 3 dB more quietly and upside down.
    pub fn stereo(&self) -> Vec<f32> {
        let late = (0.0002 * self.rate_hz).round() as usize;
        (0..self.samples.len())
            .flat_map(|i| {
                let second = i
                    .checked_sub(late)
                    .map_or(0.0, |at| -0.7 * self.samples[at]);
                [self.samples[i], second].map(|s| s.clamp(-1.0, 1.0) as f32)
            })
            .collect()
    }
}

/// Root mean square that noise has where the first 10 ms of a sound of this strength at one meter stand `db` above it.
pub fn noise_rms(of: SoundOf, strength: f64, meters: f64, db: f64) -> f64 {
    let rate = 48_000.0;
    let dry = wave(of, rate, 0.0, &mut StdRng::seed_from_u64(1));
    let top = dry.iter().fold(0.0_f64, |top, s| top.max(s.abs()));
    let head = &dry[..(0.01 * rate) as usize];
    let power = head.iter().map(|s| s * s).sum::<f64>() / head.len() as f64;
    power.sqrt() * strength / top / meters.max(0.3) * 10.0_f64.powf(-db / 20.0)
}

/// A sound that began `late` seconds before its first sample.
fn wave(of: SoundOf, rate_hz: f64, late: f64, random: &mut StdRng) -> Vec<f64> {
    let lasts = match of {
        SoundOf::Shout => 0.5,
        SoundOf::Door => 0.3,
        SoundOf::Aluminum => 0.25,
        _ => 0.08,
    };
    let mut smooth = OnePole::default();
    (0..(lasts * rate_hz) as usize)
        .map(|i| {
            let t = i as f64 / rate_hz + late;
            let hiss = random.random_range(-1.0..1.0);
            match of {
                SoundOf::Wood => bat(t, hiss, 0.003, &[(170.0, 0.25, 0.02), (550.0, 0.3, 0.01)]),
                SoundOf::Composite => bat(t, hiss, 0.004, &[(900.0, 0.3, 0.012)]),
                SoundOf::Aluminum => {
                    bat(t, hiss, 0.003, &[(1700.0, 0.4, 0.05), (2260.0, 0.45, 0.04)])
                }
                SoundOf::Clap => hiss * (-t / 0.002).exp() * (1.0 - (-t / 0.0002).exp()),
                SoundOf::Wall => {
                    0.4 * hiss * (-t / 0.003).exp() + (-t / 0.01).exp() * (TAU * 320.0 * t).sin()
                }
                SoundOf::Net => {
                    smooth.step(hiss, 900.0, rate_hz) * (t / 0.012) * (1.0 - t / 0.012).exp()
                }
                SoundOf::DroppedBall => {
                    smooth.step(hiss, 400.0, rate_hz) * (-t / 0.006).exp()
                        + 0.6
                            * (1.0 - (-t / 0.003).exp())
                            * (-t / 0.012).exp()
                            * (TAU * 140.0 * t).sin()
                }
                SoundOf::Door => {
                    let swell = 1.0 - (-t / 0.006).exp();
                    swell * (-t / 0.05).exp() * (TAU * 90.0 * t).sin()
                        + 2.0 * swell * smooth.step(hiss, 500.0, rate_hz) * (-t / 0.02).exp()
                }
                SoundOf::Shout => {
                    let swell = (t / 0.06).min(1.0) * ((0.5 - t) / 0.1).clamp(0.0, 1.0);
                    let voice: f64 = (1..18)
                        .map(|k| {
                            let hz = 220.0 * f64::from(k);
                            let strong = 1.0 / (1.0 + ((hz - 800.0) / 600.0).powi(2));
                            strong * (TAU * hz * t + f64::from(k * k)).sin()
                        })
                        .sum();
                    swell * voice
                }
            }
        })
        .collect()
}

/// A contact of 0.7 ms, what it throws off and what rings.
fn bat(t: f64, hiss: f64, crack_secs: f64, modes: &[(f64, f64, f64)]) -> f64 {
    const CONTACT_SECS: f64 = 0.0007;
    let push = if t < CONTACT_SECS {
        (PI * t / CONTACT_SECS).sin()
    } else {
        0.0
    };
    let crack = hiss * (1.0 - (-t / 0.00015).exp()) * (-t / crack_secs).exp();
    let rings: f64 = modes
        .iter()
        .map(|(hz, strength, secs)| {
            strength * (1.0 - (-t / 0.0003).exp()) * (-t / secs).exp() * (TAU * hz * t).sin()
        })
        .sum();
    0.6 * push + crack + rings
}

fn white(len: usize, random: &mut StdRng) -> Vec<f64> {
    (0..len).map(|_| random.random_range(-1.0..1.0)).collect()
}

/// Six one-pole filters an octave and a half apart, each as strong: falls by 3 dB an octave, nearly.
fn pink(len: usize, random: &mut StdRng) -> Vec<f64> {
    let mut held = [0.0_f64; 14];
    // The sum of values that change half as often each (R. F. Voss's way).
    (0..len)
        .map(|i| {
            let change = (i.trailing_zeros() as usize).min(held.len() - 1);
            held[change] = random.random_range(-1.0..1.0);
            held.iter().sum::<f64>() + random.random_range(-1.0..1.0)
        })
        .collect()
}

fn hall(len: usize, rate_hz: f64, random: &mut StdRng) -> Vec<f64> {
    let mut sum = pink(len, random);
    for _ in 0..12 {
        let pitch = random.random_range(110.0..260.0);
        let (beat, phase) = (random.random_range(2.0..5.0), random.random_range(0.0..TAU));
        for (i, s) in sum.iter_mut().enumerate() {
            let t = i as f64 / rate_hz;
            let swell = (0.5 + 0.5 * (TAU * beat * t + phase).sin()).powi(2);
            let wobble = pitch * (1.0 + 0.02 * (TAU * 0.7 * t + phase).sin());
            let voice: f64 = (1..8)
                .map(|k| (TAU * wobble * f64::from(k) * t).sin() / f64::from(k))
                .sum();
            *s += 0.7 * swell * voice;
        }
    }
    sum
}

/// A low pass of first order.
#[derive(Default)]
struct OnePole(f64);

impl OnePole {
    fn step(&mut self, x: f64, edge_hz: f64, rate_hz: f64) -> f64 {
        self.0 += (1.0 - (-TAU * edge_hz / rate_hz).exp()) * (x - self.0);
        // About as strong as what came in.
        self.0 * (rate_hz / (3.0 * edge_hz)).sqrt()
    }
}
