//! The microphone: sharp sounds as they come.
//!
//! In: what a microphone or a WAV file hears. Out: [`Piece`]s of a tenth of a second: the sharp sounds in it and how loud the
//! room was. Samples are kept for a quarter second, for the beginnings of sounds, and none leaves this room. Which sound is
//! a bat on a ball is not said here, but where the swing is known.

mod biquad;
mod device;
mod listener;
mod onset;
mod sample_clock;
mod wav;
mod whitening;

use std::path::PathBuf;
use std::time::Instant;

pub(crate) use device::{MicrophoneChoice, microphones};
pub(crate) use listener::{Listener, MicrophoneState};
pub(crate) use onset::Onset;
pub(crate) use wav::sounds_of_wav;

/// What was heard in a stretch; `T` is the kind of time.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Piece<T = Instant> {
    /// From here.
    pub from: T,
    /// To here.
    pub to: T,
    /// How loud it was above 1 kHz, root mean square, decibels against full scale; `None` where nothing at all was heard.
    pub room_db: Option<f64>,
    /// The sharp sounds that began in it or shortly before, with when they began.
    pub onsets: Vec<(T, Onset)>,
}

/// Why nothing is heard.
#[derive(Debug, thiserror::Error)]
pub enum HearingError {
    /// No microphone, or none of that name.
    #[error("no microphone{}", named(.name))]
    NoMicrophone {
        /// What was asked for; empty for the system's own choice.
        name: String,
    },
    /// It gives nothing that can be read.
    #[error("the microphone {name} cannot be used: {source}")]
    Open {
        /// Its name.
        name: String,
        /// What the sound system says.
        source: rodio::cpal::Error,
    },
    /// It gives samples of a kind that is not read.
    #[error("the microphone {name} gives samples as {format}, which are not read")]
    Format {
        /// Its name.
        name: String,
        /// The kind.
        format: String,
    },
    /// The file is no WAV, or cannot be read.
    #[error("{path}: not a sound that can be read: {source}")]
    Wav {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        source: hound::Error,
    },
    /// The system gives no thread.
    #[error("no thread for the microphone: {0}")]
    SpawnThread(std::io::Error),
}

fn named(name: &str) -> String {
    match name.is_empty() {
        true => " is plugged in".to_owned(),
        false => format!(" is called \"{name}\""),
    }
}
