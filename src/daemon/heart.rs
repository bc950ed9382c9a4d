//! Shows that the program lives: figures for whoever asks, and a sign to the service manager while work gets done.
//!
//! In: the rep stage's report once a second. Out: the report in [`Health`], and on systemd WATCHDOG while frames that come in also
//! come through. Runs on the main thread.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::{Health, RepStage};

/// How often the figures are brought up to date.
const EVERY: Duration = Duration::from_secs(1);

/// The beating one.
pub(super) struct Heart {
    health: Arc<Health>,
    due: Instant,
    /// Frames captured and analysed at the last beat.
    at_last: (u64, u64),
}

impl Heart {
    pub(super) fn new(health: Arc<Health>) -> Self {
        Self {
            health,
            due: Instant::now(),
            at_last: (0, 0),
        }
    }

    /// To be called with every pose; does something once a second.
    pub(super) fn beat(&mut self, stage: &mut RepStage) {
        let now = Instant::now();
        if now < self.due {
            return;
        }
        self.due = now + EVERY;
        self.health.set_stage(stage.report());
        let count = |a: &std::sync::atomic::AtomicU64| a.load(Ordering::Relaxed);
        let (frames, analysed) = (count(&self.health.frames), count(&self.health.analysed));
        // A camera that is away brings no frames, and nothing is amiss here then.
        let stuck = frames > self.at_last.0 && analysed == self.at_last.1;
        self.at_last = (frames, analysed);
        if !stuck {
            tell(&[sd_notify::NotifyState::Watchdog]);
        }
    }
}

impl Drop for Heart {
    fn drop(&mut self) {
        tell(&[sd_notify::NotifyState::Stopping]);
    }
}

/// Tells the service manager that the program has started: from here on it waits for a camera, or follows one.
pub(crate) fn tell_ready() {
    tell(&[sd_notify::NotifyState::Ready]);
}

/// Tells the service manager that the program lives, where it waits with nothing to do.
pub(crate) fn tell_alive() {
    tell(&[sd_notify::NotifyState::Watchdog]);
}

/// Without a service manager this does nothing.
fn tell(state: &[sd_notify::NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!(%error, "the service manager could not be told");
    }
}
