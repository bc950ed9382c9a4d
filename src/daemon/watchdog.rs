//! The signs of life: health figures once a second, and systemd's watchdog while work gets done.
//!
//! In: the rep stage's figures. Out: the same in [`Health`], and WATCHDOG to the service manager while frames that come in
//! also come through. Runs on the main thread.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::RepStage;
use crate::status::Health;

/// How often the figures are brought up to date.
const EVERY: Duration = Duration::from_secs(1);

/// Notices when frames are captured and none is analyzed.
pub(super) struct Watchdog {
    health: Arc<Health>,
    due: Instant,
    /// Frames captured and analyzed at the last check.
    last: (u64, u64),
}

impl Watchdog {
    pub(super) fn new(health: Arc<Health>) -> Self {
        Self {
            health,
            due: Instant::now(),
            last: (0, 0),
        }
    }

    /// To be called with every pose; does something once a second.
    pub(super) fn tick(&mut self, stage: &mut RepStage) {
        let now = Instant::now();
        if now < self.due {
            return;
        }
        self.due = now + EVERY;
        self.health.set_stage(stage.figures());
        let count = |a: &AtomicU64| a.load(Ordering::Relaxed);
        let (frames, analyzed) = (count(&self.health.frames), count(&self.health.analyzed));
        // A camera that is away brings no frames, and nothing is amiss here then.
        let stuck = frames > self.last.0 && analyzed == self.last.1;
        self.last = (frames, analyzed);
        if !stuck {
            notify_alive();
        }
    }
}

impl Drop for Watchdog {
    fn drop(&mut self) {
        notify(&[sd_notify::NotifyState::Stopping]);
    }
}

/// Tells the service manager that the program has started: from here on it waits for a camera, or follows one.
pub(crate) fn notify_ready() {
    notify(&[sd_notify::NotifyState::Ready]);
}

/// Tells the service manager that the program lives; for stretches in which no pose comes.
pub(crate) fn notify_alive() {
    notify(&[sd_notify::NotifyState::Watchdog]);
}

/// Does nothing without a service manager.
fn notify(state: &[sd_notify::NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!(%error, "the service manager could not be told");
    }
}
