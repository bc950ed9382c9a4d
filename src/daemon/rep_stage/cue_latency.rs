//! How long after its deciding frame a cue is heard.
//!
//! In: a cue that was handed to the sound stage, and what became of it. Out: the latency for the rep that the cue is about,
//! and the same for the health figures.

use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use crate::capture::CaptureClock;
use crate::sound::{Played, SoundRequest, Ticket};
use crate::status::DurationWindow;
use crate::time::CaptureTime;

/// How long a rep that is about to be logged waits to learn when its cue was heard. The pose queue holds far more than this.
const PATIENCE: Duration = Duration::from_millis(250);

/// A cue on its way to the hitter.
struct PendingCue {
    ticket: Ticket,
    decided_at: Instant,
    /// From the swing's finish to the frame that decided, where the finish was seen.
    after_finish_ms: Option<f64>,
    /// Once it was heard.
    latency_ms: Option<f64>,
}

/// Follows the last cue until its rep is logged.
pub(super) struct CueLatency {
    pending: Option<PendingCue>,
    /// "Now" on the source's clock, once the source has one.
    clock: Arc<OnceLock<CaptureClock>>,
    /// From the capture of the deciding frame to the first sample.
    from_capture: Arc<DurationWindow>,
    /// From the swing's finish to the first sample.
    from_finish: Arc<DurationWindow>,
}

impl CueLatency {
    pub(super) fn new(clock: Arc<OnceLock<CaptureClock>>) -> Self {
        Self {
            pending: None,
            clock,
            from_capture: Arc::default(),
            from_finish: Arc::default(),
        }
    }

    /// Records latencies here.
    pub(super) fn set_windows(
        &mut self,
        from_capture: Arc<DurationWindow>,
        from_finish: Arc<DurationWindow>,
    ) {
        self.from_capture = from_capture;
        self.from_finish = from_finish;
    }

    /// A cue was handed over at `decided_at`; without a ticket nobody will ever hear of it.
    pub(super) fn begin(
        &mut self,
        ticket: Option<Ticket>,
        decided_at: Instant,
        after_finish_ms: Option<f64>,
    ) {
        self.pending = ticket.map(|ticket| PendingCue {
            ticket,
            decided_at,
            after_finish_ms,
            latency_ms: None,
        });
    }

    /// A sound was played. A file on a time line that no clock keeps has no latency to tell.
    pub(super) fn played(&mut self, request: &SoundRequest, played: &Played) {
        let Some(cue) = self
            .pending
            .take_if(|cue| cue.ticket == request.ticket && cue.latency_ms.is_none())
        else {
            return;
        };
        let decided = match (self.clock.get(), played.heard_at) {
            (Some(clock), _) => clock.at(cue.decided_at),
            (None, Some(_)) => request.at,
            (None, None) => return,
        };
        let latency_ms = 1e3 * decided.secs_since(request.at) + played.latency_millis;
        self.from_capture.add_ms(latency_ms);
        if let Some(after_finish_ms) = cue.after_finish_ms {
            self.from_finish.add_ms(after_finish_ms + latency_ms);
        }
        self.pending = Some(PendingCue {
            latency_ms: Some(latency_ms),
            ..cue
        });
    }

    /// A sound will not be heard.
    pub(super) fn not_played(&mut self, ticket: Ticket) {
        self.pending.take_if(|cue| cue.ticket == ticket);
    }

    /// When a sound's first sample was heard, on the source's clock.
    pub(super) fn heard_at(&self, request: &SoundRequest, played: &Played) -> CaptureTime {
        match (played.heard_at, self.clock.get()) {
            (Some(instant), Some(clock)) => clock.at(instant),
            _ => request.at.plus_secs(1e-3 * played.latency_millis),
        }
    }

    /// How much longer it is worth waiting for the cue's report; `None` where it is known, late or not due.
    pub(super) fn wait_left(&self) -> Option<Duration> {
        let cue = self.pending.as_ref()?;
        let left = PATIENCE.saturating_sub(cue.decided_at.elapsed());
        (cue.latency_ms.is_none() && !left.is_zero()).then_some(left)
    }

    /// The latency of the cue, once; `None` where it is not known.
    pub(super) fn take(&mut self) -> Option<f64> {
        self.pending.take()?.latency_ms
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::CueId;
    use crate::sound::Sound;

    fn request(ticket: Ticket) -> SoundRequest {
        SoundRequest {
            ticket,
            sound: Sound::Cue(CueId::InBand),
            decided_at: Instant::now(),
            at: CaptureTime::from_secs(2.0),
        }
    }

    fn played(latency_millis: f64) -> Played {
        Played {
            latency_millis,
            heard_at: Some(Instant::now()),
            lasts: Duration::from_millis(800),
        }
    }

    #[test]
    fn a_report_counts_for_its_own_cue_only_and_once() {
        let windows = [(); 2].map(|()| Arc::new(DurationWindow::default()));
        let mut latency = CueLatency::new(Arc::default());
        latency.set_windows(Arc::clone(&windows[0]), Arc::clone(&windows[1]));
        let [cue, other] = [1, 2].map(Ticket::for_tests);
        latency.begin(Some(cue), Instant::now(), Some(50.0));
        latency.played(&request(other), &played(500.0));
        latency.not_played(other);
        latency.played(&request(cue), &played(30.0));
        assert_eq!(latency.wait_left(), None);
        assert_eq!(windows[0].quantile_ms(0.5), Some(30.0));
        assert_eq!(windows[1].quantile_ms(0.5), Some(80.0));
        assert_eq!(latency.take(), Some(30.0));
        assert_eq!(latency.take(), None);
    }

    #[test]
    fn a_cue_that_is_not_heard_is_not_waited_for() {
        let mut latency = CueLatency::new(Arc::default());
        latency.begin(None, Instant::now(), None);
        assert_eq!(latency.wait_left(), None);
        let cue = Ticket::for_tests(1);
        latency.begin(Some(cue), Instant::now(), None);
        latency.not_played(cue);
        assert_eq!((latency.wait_left(), latency.take()), (None, None));
    }
}
