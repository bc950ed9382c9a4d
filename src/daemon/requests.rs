//! What is asked without touching the page, whatever it is asked by: a sign, a key, Enter at the terminal.
//!
//! In: requests from any thread. Out: the same in order, for the rep stage between two frames.

use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};

use crate::signs::Sign;
use crate::text_enum::text_enum;

/// Requests that may wait; whoever presses more often than this between two frames is not heard more often for it.
const WAITING: usize = 8;

text_enum! {
    /// What somebody asks for.
    pub(crate) enum Request {
        /// To hear the count and the last rep again.
        Again = "again",
        /// That reps are not counted from here on, or that they are again.
        Pause = "pause",
        /// That the next hitter's turn begins.
        NextHitter = "next_hitter",
    }
}

impl From<Sign> for Request {
    fn from(sign: Sign) -> Self {
        match sign {
            Sign::HandUp => Self::Again,
            Sign::HandKeptUp => Self::Pause,
            Sign::HandUpArmOut => Self::NextHitter,
        }
    }
}

/// Where requests are put. Clones lead to the same place.
#[derive(Clone, Debug)]
pub(crate) struct RequestSender(Sender<Request>);

/// Where requests come out.
pub(crate) type RequestReceiver = Receiver<Request>;

/// A way for requests.
pub(crate) fn request_channel() -> (RequestSender, RequestReceiver) {
    let (sender, receiver) = bounded(WAITING);
    (RequestSender(sender), receiver)
}

impl RequestSender {
    /// Asks; never waits.
    pub(crate) fn ask(&self, request: Request) {
        match self.0.try_send(request) {
            Ok(()) | Err(TrySendError::Disconnected(_)) => {}
            Err(TrySendError::Full(_)) => tracing::debug!(%request, "too many requests at once"),
        }
    }
}
