//! What became of a request to play: values only, handed back to whoever asked.

use std::fmt;
use std::sync::Arc;
use std::time::Instant;

use crate::time::CaptureTime;

/// The name under which a sentence and a delivery stand in an [`Outcome`], where a cue has its id.
pub(crate) const SENTENCE: &str = "sentence";
/// See [`SENTENCE`].
pub(crate) const DELIVERY: &str = "delivery";

/// One request, told apart from all others of the same player or file. Later ones are larger.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(pub(super) u64);

/// What became of one request. Exactly one is made for each request.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// The cue was handed to the device or written to the file.
    Heard(Heard),
    /// The cue was not played.
    Unheard(Unheard),
}

impl Outcome {
    /// Which request this is about.
    pub fn ticket(&self) -> Ticket {
        match self {
            Self::Heard(heard) => heard.ticket,
            Self::Unheard(unheard) => unheard.ticket,
        }
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Heard(cue) => {
                write!(
                    f,
                    "cue {} of {} played after {:.0} ms",
                    cue.cue_id, cue.at, cue.latency_millis
                )
            }
            Self::Unheard(cue) => write!(
                f,
                "cue {} of {} not played: {}",
                cue.cue_id,
                cue.at,
                cue.why.as_words()
            ),
        }
    }
}

/// A sound that was played.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    /// Which request.
    pub ticket: Ticket,
    /// Which cue; [`SENTENCE`] or [`DELIVERY`] for these.
    pub cue_id: Arc<str>,
    /// The request's own `at`, to find the rep again.
    pub at: CaptureTime,
    /// From the decision to the first sample at the device's output, in milliseconds: measured up to
    /// the moment the device's thread takes that sample, estimated from the buffer size after it. What
    /// the converter, the cable and the air add is not in it. In a file it is the wait on the
    /// recording's time line.
    pub latency_millis: f64,
    /// When that first sample was at the output, or will be; `None` in a file. A mark of a delivery is
    /// heard its own `at_secs` later.
    pub heard_at: Option<Instant>,
}

/// A sound that was not played.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unheard {
    /// Which request.
    pub ticket: Ticket,
    /// Which cue; [`SENTENCE`] or [`DELIVERY`] for these.
    pub cue_id: Arc<str>,
    /// The request's own `at`, to find the rep again.
    pub at: CaptureTime,
    /// Why nothing was heard.
    pub why: UnheardReason,
}

/// Why a cue was not played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UnheardReason {
    /// Sound is switched off.
    Off,
    /// There is no sound device, or it was lost.
    NoDevice,
    /// A newer cue came before this one could begin.
    Replaced,
    /// It could not begin within its deadline: [`super::CUE_DEADLINE`] for a cue.
    Stale,
    /// The library has no such cue, phrase or number, or the sentence or delivery cannot be made; a
    /// fault in the program.
    UnknownCue,
    /// The sound file could not be written.
    NotWritten,
}

impl UnheardReason {
    /// A few plain words for the log, the rep log and the page.
    pub fn as_words(self) -> &'static str {
        match self {
            Self::Off => "sound is off",
            Self::NoDevice => "no sound device",
            Self::Replaced => "replaced by a newer cue",
            Self::Stale => "too late to be of use",
            Self::UnknownCue => "no such cue",
            Self::NotWritten => "sound file not written",
        }
    }
}
