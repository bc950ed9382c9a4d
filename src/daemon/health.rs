//! Figures about the running program: frames, drops, times. Shared by all threads, cheap to write.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Times kept for quantiles: the last minute and a half at 60 frames a second.
const KEPT: usize = 5400;

/// The figures. All counts are since the start.
#[derive(Debug, Default)]
pub struct Health {
    /// Frames that the source gave.
    pub frames: AtomicU64,
    /// Frames that the pose stage never saw, because a newer one had come.
    pub dropped: AtomicU64,
    /// Frames with a body.
    pub bodies: AtomicU64,
    /// How often the camera was opened again.
    pub reopened: AtomicU64,
    /// Time the pose stage took for a frame.
    pub pose: Times,
    /// From a frame's capture to the end of its analysis.
    pub seen: Times,
}

/// A window of durations.
#[derive(Debug, Default)]
pub struct Times(Mutex<VecDeque<f32>>);

impl Times {
    /// Adds one.
    pub fn add(&self, duration: Duration) {
        self.add_ms(duration.as_secs_f64() * 1e3);
    }

    /// Adds one in milliseconds.
    pub fn add_ms(&self, ms: f64) {
        let mut times = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if times.len() == KEPT {
            times.pop_front();
        }
        times.push_back(ms as f32);
    }

    /// The duration in milliseconds below which the share `q` lies; `None` while there is none.
    pub fn quantile_ms(&self, q: f64) -> Option<f64> {
        let times: Vec<f64> = self
            .0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .iter()
            .map(|t| f64::from(*t))
            .collect();
        crate::motion::filter::quantile(&times, q)
    }
}

impl Health {
    /// One line for the terminal and the log.
    pub fn summary(&self) -> String {
        let count = |a: &AtomicU64| a.load(Ordering::Relaxed);
        let (frames, dropped) = (count(&self.frames), count(&self.dropped));
        let share = 100.0 * dropped as f64 / frames.max(1) as f64;
        let pose = match (self.pose.quantile_ms(0.5), self.pose.quantile_ms(0.95)) {
            (Some(p50), Some(p95)) => format!(", pose {p50:.1} ms a frame (p95 {p95:.1})"),
            _ => String::new(),
        };
        let seen = self
            .seen
            .quantile_ms(0.95)
            .map(|p95| format!(", capture to analysis p95 {p95:.0} ms"))
            .unwrap_or_default();
        format!(
            "{frames} frames, {dropped} dropped ({share:.2} %), hitter in {}{pose}{seen}",
            count(&self.bodies)
        )
    }
}
