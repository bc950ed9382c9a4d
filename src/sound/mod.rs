//! What the hitter hears: short tones, spoken words, a tone that follows the head, a paced pitch, and
//! the thread that plays them.
//!
//! In: the id of a cue with the moment it was decided ([`PlayRequest`]), a sentence ([`SayRequest`]),
//! a delivery ([`DeliverySound`]), the head's place ([`HeadTone`]). Out: sound on the default output
//! device or in a WAV file, and one [`Outcome`] a request with the latency that was reached.
//! The [`Player`] owns the thread `sound`; [`WavRender`] runs on its caller's thread.
//!
//! All sounds are decoded before the first cue, so that playing one is handing over a pointer.
//! This room decides nothing about swings: which cue, and whether, is decided before it gets here.

mod builtin;
mod delivery;
mod device;
mod device_voice;
mod error;
mod head_tone;
mod latency;
mod library;
mod loudness;
mod outcome;
mod phrase;
mod player;
mod render;
mod reports;
mod schedule;
mod sentence;
mod speaker;
mod speech;
mod tone;
mod voice;
mod worker;

#[cfg(test)]
mod device_tests;
#[cfg(test)]
mod memory_device;
#[cfg(test)]
mod noise_tests;
#[cfg(test)]
mod player_tests;
#[cfg(test)]
mod spectrum;
#[cfg(test)]
mod timing_tests;

pub use builtin::Language;
pub(crate) use delivery::{DeliveryMark, DeliveryMarkKind};
pub(crate) use error::SoundError;
pub(crate) use head_tone::HeadTone;
pub(crate) use latency::measure_latency;
pub use library::CueLibrary;
pub(crate) use outcome::{DELIVERY, Heard, Outcome, Ticket};
pub(crate) use phrase::phrase_words;
pub(crate) use player::{
    DeliverySound, DeviceState, Output, PlayRequest, Player, PlayerHealth, SayRequest,
};
pub(crate) use render::WavRender;
pub use sentence::Said;

use std::time::Duration;

/// Samples a second of every sound in memory, one channel; the rate most devices run at themselves.
pub const SAMPLE_RATE_HZ: u32 = 48_000;

/// The longest a cue may last, tone and words together, so that it is over before the next swing.
pub const MAX_CUE: Duration = Duration::from_millis(1600);

/// The longest recording of a part of a sentence.
pub const MAX_PART: Duration = Duration::from_secs(6);

/// The longest sentence.
pub const MAX_SENTENCE: Duration = Duration::from_secs(15);

/// The latest mark of a delivery.
pub const MAX_DELIVERY: Duration = Duration::from_secs(15);

/// A cue that could not begin within this time of being decided is not played: by then the hitter
/// is thinking about something else. A guess, to be tried in the cage.
pub const CUE_DEADLINE: Duration = Duration::from_secs(1);

/// As [`CUE_DEADLINE`], for a sentence: it may follow the cue of the last swing of a set and a remark
/// after that. A guess.
pub const SENTENCE_DEADLINE: Duration = Duration::from_secs(6);

/// As [`CUE_DEADLINE`], for a delivery: it may follow the last swing's cue. A guess.
pub const DELIVERY_DEADLINE: Duration = Duration::from_secs(3);

/// Samples that `duration` lasts.
fn frames_in(duration: Duration) -> usize {
    (duration.as_secs_f64() * f64::from(SAMPLE_RATE_HZ)).round() as usize
}

/// How long `frames` samples last.
fn duration_of(frames: usize) -> Duration {
    Duration::from_secs_f64(frames as f64 / f64::from(SAMPLE_RATE_HZ))
}
