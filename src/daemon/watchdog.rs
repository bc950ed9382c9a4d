//! The signs of life: health figures once a second, and systemd's watchdog while work gets done.
//!
//! In: the rep stage's figures and the counts of what the other threads did. Out: the figures in [`Health`], and WATCHDOG to the
//! service manager while the capture thread does something, be it waiting for a camera, and frames that come in also come
//! through. Runs on the main thread, which alone tells the service manager once the pipeline runs.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::RepStage;
use crate::status::Health;

/// How often the figures are brought up to date.
const EVERY: Duration = Duration::from_secs(1);

/// The capture thread says something at least every two seconds, and while a camera is opened at least every ten.
const CAPTURE_HANGS_AFTER: Duration = Duration::from_secs(15);

/// Notices when frames are captured and none is analyzed, and when the capture thread hangs.
pub(super) struct Watchdog {
    health: Arc<Health>,
    due: Instant,
    /// Frames captured and analyzed at the last check.
    last: (u64, u64),
    capture: CaptureBeat,
}

/// When the capture thread did something last.
struct CaptureBeat {
    beats: u64,
    since: Instant,
    told: bool,
}

impl CaptureBeat {
    fn new(now: Instant) -> Self {
        Self {
            beats: 0,
            since: now,
            told: false,
        }
    }

    fn hangs(&mut self, beats: u64, now: Instant) -> bool {
        if beats != self.beats {
            *self = Self {
                beats,
                ..Self::new(now)
            };
        }
        let silent = now.duration_since(self.since);
        let hangs = silent >= CAPTURE_HANGS_AFTER;
        if hangs && !std::mem::replace(&mut self.told, true) {
            tracing::error!(
                secs = silent.as_secs(),
                "the thread that reads the camera hangs; only a restart helps, which systemd does"
            );
        }
        hangs
    }
}

impl Watchdog {
    pub(super) fn new(health: Arc<Health>) -> Self {
        Self {
            health,
            due: Instant::now(),
            last: (0, 0),
            capture: CaptureBeat::new(Instant::now()),
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
        let hangs = self.capture.hangs(count(&self.health.capture_beats), now);
        if !stuck && !hangs {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_capture_thread_that_says_nothing_hangs_and_one_that_waits_does_not() {
        let start = Instant::now();
        let mut beat = CaptureBeat::new(start);
        let at = |secs| start + Duration::from_secs(secs);
        // It waits for a camera for an hour: a try a second.
        assert!((1..3600).all(|secs| !beat.hangs(secs, at(secs))));
        let hung = (3600..3700).find(|&secs| beat.hangs(3599, at(secs)));
        assert_eq!(hung, Some(3599 + 15));
        assert!(!beat.hangs(3600, at(3701)), "it goes on");
    }
}
