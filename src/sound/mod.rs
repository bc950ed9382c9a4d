//! What the hitter hears: short tones, spoken words, and the thread that plays them.
//!
//! In: the id of a cue with the moment it was decided ([`PlayRequest`]). Out: sound on the default
//! output device or in a WAV file, and one [`Outcome`] a request with the latency that was reached.
//! The [`Player`] owns the thread `sound`; [`WavRender`] runs on its caller's thread.
//!
//! All sounds are decoded before the first cue, so that playing one is handing over a pointer.
//! This room decides nothing about swings: which cue, and whether, is decided before it gets here.

mod builtin;
mod device;
mod error;
mod library;
mod loudness;
mod outcome;
mod phrase;
mod player;
mod render;
mod schedule;
mod speaker;
mod speech;
mod tone;
mod voice;
mod worker;

#[cfg(test)]
mod device_tests;
#[cfg(test)]
mod player_tests;

pub use error::SoundError;
pub use library::{CueLibrary, IN_BAND};
pub use outcome::{Heard, Outcome, Unheard, UnheardReason};
pub use phrase::{Phrase, PhraseTone};
pub use player::{DeviceState, Output, PlayRequest, Player, PlayerHealth};
pub use render::WavRender;

use std::time::Duration;

/// Samples a second of every sound in memory, one channel; the rate most devices run at themselves.
pub const SAMPLE_RATE_HZ: u32 = 48_000;

/// The longest a cue may last, tone and words together, so that it is over before the next swing.
pub const MAX_CUE: Duration = Duration::from_millis(1600);

/// A cue that could not begin within this time of being decided is not played: by then the hitter
/// is thinking about something else. A guess, to be tried in the cage.
pub const CUE_DEADLINE: Duration = Duration::from_secs(1);

/// Samples that `duration` lasts.
fn frames_in(duration: Duration) -> usize {
    (duration.as_secs_f64() * f64::from(SAMPLE_RATE_HZ)).round() as usize
}

/// How long `frames` samples last.
fn duration_of(frames: usize) -> Duration {
    Duration::from_secs_f64(frames as f64 / f64::from(SAMPLE_RATE_HZ))
}
