//! What the hitter hears: short tones, spoken words, a tone that follows the head, a paced pitch.
//!
//! In: a [`Sound`] to play with the capture time of its decision, and how far the head has traveled.
//! Out: audio on the default output device or in a WAV file, and one [`Outcome`] per sound with the
//! latency that was reached. [`SoundOutput`] is the one owner the rest of the program talks to.
//!
//! The types that a sound passes on its way, in order:
//!
//! 1. [`SoundRequest`]: the sound, when it was decided, and a ticket. Comes back in the [`Outcome`].
//! 2. `Playback`: the request with its samples and its priority, while the queue holds it.
//! 3. `Voice`: the samples as they are heard, scaled, with the fade that cuts them short.
//! 4. `Mixer`: one voice at a time and the head tone, summed to one stream of samples.
//! 5. `MixerStream` on the way to a device, `WavFile` on the way to a file.
//!
//! `library` turns recordings and sentences into samples, `own_cues` keeps those that coaches record at the page,
//! `cue_sources` says what goes over what, `synth` computes the tones, `output` plays.
//! All recordings are decoded before the first cue, so that playing one only hands over a pointer.
//! This room decides nothing about swings: which cue, and whether, is decided before it gets here.

mod cue_sources;
mod error;
mod library;
mod output;
mod own_cues;
mod request;
mod synth;
#[cfg(test)]
mod test_support;

pub(crate) use cue_sources::CueSources;
pub(crate) use error::SoundError;
pub use library::{CueLibrary, Language};
pub(crate) use library::{instruction_id, phrase_words};
pub use output::SoundOutput;
pub(crate) use output::{Output, OutputState, measure_latency};
pub(crate) use own_cues::{OwnCue, OwnCues};
pub use request::NotPlayed;
pub(crate) use request::{Outcome, Played, Sound, SoundRequest, Ticket};

use std::time::Duration;

/// Samples per second of every sound in memory, one channel; the rate most devices run at themselves.
pub(crate) const SAMPLE_RATE_HZ: u32 = 48_000;

/// The longest a cue may last, tone and words together, so that it is over before the next swing.
const MAX_CUE: Duration = Duration::from_millis(1600);

/// The longest recording of a part of a sentence.
const MAX_PART: Duration = Duration::from_secs(6);

/// The longest sentence.
const MAX_SENTENCE: Duration = Duration::from_secs(15);

/// The latest mark of a delivery.
const MAX_DELIVERY: Duration = Duration::from_secs(15);

/// A cue that could not begin within this time of being decided is not played: by then the hitter
/// is thinking about something else. A guess, to be tried in the cage.
const CUE_DEADLINE: Duration = Duration::from_secs(1);

/// As [`CUE_DEADLINE`], for a sentence: it may follow the cue of the last swing of a set and a remark
/// after that. A guess.
const SENTENCE_DEADLINE: Duration = Duration::from_secs(6);

/// As [`CUE_DEADLINE`], for a delivery: it may follow the last swing's cue. A guess.
const DELIVERY_DEADLINE: Duration = Duration::from_secs(3);

/// Samples in `duration`.
fn samples_in(duration: Duration) -> usize {
    (duration.as_secs_f64() * f64::from(SAMPLE_RATE_HZ)).round() as usize
}

/// How long `samples` samples last.
fn duration_of(samples: usize) -> Duration {
    Duration::from_secs_f64(samples as f64 / f64::from(SAMPLE_RATE_HZ))
}
