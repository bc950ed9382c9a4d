//! A sound that is asked for, and what became of it. Values only.

use std::fmt;
use std::time::{Duration, Instant};

use crate::coach::{CueId, Said};
use crate::pitch::Mark;
use crate::time::CaptureTime;

/// What is to be heard.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Sound {
    /// A tone, with words or without: what happened.
    Cue(CueId),
    /// The same with words that say what to do; where there are none, those that say what happened.
    Instruction(CueId),
    /// Words put together, after a tone.
    Sentence(Vec<Said>),
    /// The same as an answer to somebody who asks: it cuts short what is heard, as a cue does.
    Answer(Vec<Said>),
    /// A paced pitch: its marks in any order, each with its own sound, seconds from the first sample.
    Delivery(Vec<Mark>),
}

impl fmt::Display for Sound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cue(id) | Self::Instruction(id) => write!(f, "cue {id}"),
            Self::Sentence(_) => f.write_str("sentence"),
            Self::Answer(_) => f.write_str("answer"),
            Self::Delivery(_) => f.write_str("delivery"),
        }
    }
}

/// Tells a request from all others of the same output. Later ones are larger.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Ticket(pub(super) u64);

#[cfg(test)]
impl Ticket {
    /// One for tests of other rooms.
    pub(crate) const fn for_tests(number: u64) -> Self {
        Self(number)
    }
}

/// A sound to be played as soon as its turn comes.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct SoundRequest {
    pub ticket: Ticket,
    pub sound: Sound,
    /// When it was decided, for the deadline and the latency on a device.
    pub decided_at: Instant,
    /// Capture time of the decision: its position in a WAV file.
    pub at: CaptureTime,
}

impl SoundRequest {
    pub(super) fn not_played(self, why: NotPlayed) -> Outcome {
        Outcome {
            request: self,
            result: Err(why),
        }
    }
}

/// What became of one request. Exactly one is made for each.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Outcome {
    pub request: SoundRequest,
    pub result: Result<Played, NotPlayed>,
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let SoundRequest { sound, at, .. } = &self.request;
        match &self.result {
            Ok(played) => write!(
                f,
                "{sound} of {at} played after {:.0} ms",
                played.latency_millis
            ),
            Err(why) => write!(f, "{sound} of {at} not played: {why}"),
        }
    }
}

/// A sound that was handed to the device or written to the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Played {
    /// From the decision to the first sample at the device's output, in milliseconds: measured up to
    /// the moment the device's thread takes that sample, estimated from the buffer size after it. What
    /// the converter, the cable and the air add is not in it. In a file it is the wait on the
    /// recording's time line.
    pub latency_millis: f64,
    /// When that first sample was at the output, or will be; `None` in a file. A mark of a delivery is
    /// heard its own `at_secs` later.
    pub heard_at: Option<Instant>,
    /// How long it is heard.
    pub lasts: Duration,
}

/// Why a sound was not played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotPlayed {
    /// There is no sound device, or it was lost.
    NoDevice,
    /// A newer sound came before this one could begin.
    Replaced,
    /// It could not begin within its deadline: [`super::CUE_DEADLINE`] for a cue.
    Stale,
    /// The library has no such cue, phrase or number, or the sentence or delivery cannot be made; a
    /// fault in the program or in a coach's folder.
    Unavailable,
    /// The sound file could not be written.
    NotWritten,
}

impl fmt::Display for NotPlayed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoDevice => "no sound device",
            Self::Replaced => "replaced by a newer cue",
            Self::Stale => "too late to be of use",
            Self::Unavailable => "no such cue",
            Self::NotWritten => "sound file not written",
        })
    }
}
