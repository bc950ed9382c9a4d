//! Everything that can go wrong while sounds are loaded, played or written.

use std::io;
use std::path::PathBuf;

use rodio::DeviceSinkError;
use rodio::decoder::DecoderError;

use super::NotPlayed;

/// Why a sound could not be loaded, played or written.
#[derive(Debug, thiserror::Error)]
pub enum SoundError {
    /// The list of phrases could not be read.
    #[error(
        "cannot read the list of phrases {path}: {source}; put a phrases.toml there or remove the folder from the settings"
    )]
    ReadPhrases {
        /// The list.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The list of phrases cannot be parsed.
    #[error("{path} is not a list of phrases: {source}")]
    ParsePhrases {
        /// The list.
        path: PathBuf,
        /// Where and why.
        source: Box<toml::de::Error>,
    },
    /// The list names a cue the program never plays.
    #[error("{path} has words for `{id}`, which is no cue; the cues are {known}")]
    UnknownCue {
        /// The list.
        path: PathBuf,
        /// The unknown id.
        id: String,
        /// Every id that may stand there, separated by commas.
        known: String,
    },
    /// The list names the same cue twice.
    #[error("{path} has two entries for `{id}`; keep one")]
    RepeatedCue {
        /// The list.
        path: PathBuf,
        /// The id that came twice.
        id: String,
    },
    /// A sound file could not be read.
    #[error("cannot read the sound {path}: {source}")]
    ReadSound {
        /// The sound file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A recording, or the list of them, could not be kept.
    #[error("cannot keep {path}: {source}; check who owns its folder and the space on the disk")]
    KeepSound {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A sound file is neither a WAV nor a FLAC file that can be decoded.
    #[error("cannot decode {path}: {source}; save it as a WAV or FLAC file")]
    DecodeSound {
        /// The sound file.
        path: PathBuf,
        /// What the decoder said.
        source: DecoderError,
    },
    /// A sound file holds nothing that can be heard.
    #[error("{path} is silent; record it again")]
    SilentSound {
        /// The sound file.
        path: PathBuf,
    },
    /// The words take longer than a cue, or a part of a sentence, may last.
    #[error(
        "{path} lasts {millis} ms without the silence at its ends; there is room for {most_millis} ms of words"
    )]
    LongSound {
        /// The sound file.
        path: PathBuf,
        /// How long the words last.
        millis: u128,
        /// How long they may last.
        most_millis: u128,
    },
    /// A cue was asked for that the library does not hold; a fault in the program.
    #[error("there is no cue `{id}`")]
    NoSuchCue {
        /// The unknown id.
        id: String,
    },
    /// A sentence was asked for that has no recording; a fault in the program or in a coach's folder.
    #[error("cannot say `{what}`: no phrase of this id, or no number above 999, is recorded")]
    CannotSay {
        /// The id of the phrase, or the number.
        what: String,
    },
    /// A sentence would last too long.
    #[error("a sentence of {secs:.1} s is longer than {most_secs:.0} s; say less")]
    LongSentence {
        /// How long it would last, in seconds.
        secs: f64,
        /// How long it may last, in seconds.
        most_secs: f64,
    },
    /// A delivery has no marks or one outside its time; a fault in the program.
    #[error("a delivery cannot have a mark at {at_secs} s; marks lie from 0 to {most_secs:.0} s")]
    BadDelivery {
        /// The mark, in seconds.
        at_secs: f64,
        /// The latest a mark may be, in seconds.
        most_secs: f64,
    },
    /// Nothing was heard when latency was to be measured.
    #[error(
        "no cue was heard: {0}; plug in a speaker or choose a default output in the system's sound settings"
    )]
    NothingHeard(NotPlayed),
    /// The loudness of a sound could not be measured; a fault in the program.
    #[error("cannot measure loudness: {0}")]
    Loudness(#[from] ebur128::Error),
    /// The thread that plays could not be started.
    #[error("cannot start the sound thread: {0}")]
    SpawnThread(io::Error),
    /// The default output device could not be opened.
    #[error("cannot open the default sound device: {}", with_cause(.0))]
    OpenDevice(DeviceSinkError),
    /// The WAV file could not be created.
    #[error("cannot create {path}: {source}; check that the folder exists and may be written to")]
    CreateWav {
        /// The WAV file.
        path: PathBuf,
        /// What went wrong.
        source: hound::Error,
    },
    /// The WAV file could not be written to the end.
    #[error("cannot write {path}: {source}; check the space on the disk")]
    WriteWav {
        /// The WAV file.
        path: PathBuf,
        /// What went wrong.
        source: hound::Error,
    },
    /// The recording is longer than a WAV file can be.
    #[error(
        "{path} would last until {secs:.0} s of the recording, longer than a WAV file can; check its time stamps"
    )]
    LongWav {
        /// The WAV file.
        path: PathBuf,
        /// The time that was asked for, in seconds from the file's start.
        secs: f64,
    },
}

/// The message of a device error with what lies behind it, because the outer one is general.
fn with_cause(error: &DeviceSinkError) -> String {
    match std::error::Error::source(error) {
        Some(cause) => format!("{error} ({cause})"),
        None => error.to_string(),
    }
}
