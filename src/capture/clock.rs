//! Reads "now" on the clock that a source's frames are stamped with, so that latency can be measured.
//!
//! A camera's frames carry the driver's timestamp, which on Linux is on the system's monotonic clock. A
//! paced clip's frames are stamped on the clip's own clock, which runs from the moment its first frame was due, in real
//! time or at the playback rate that was asked for. [`CaptureClock`] hides the difference: it is an instant, the capture
//! time at that instant, and a rate. It is cheap to copy and works on any thread.

use std::time::{Duration, Instant};

use crate::time::CaptureTime;

/// Converts instants into capture times of one source.
#[derive(Clone, Copy, Debug)]
pub struct CaptureClock {
    anchor: Instant,
    at_anchor: CaptureTime,
    /// Capture seconds per real second.
    rate: f64,
}

impl CaptureClock {
    /// A clock that showed `at_anchor` at the instant `anchor` and runs in real time.
    pub(crate) fn anchored(anchor: Instant, at_anchor: CaptureTime) -> Self {
        Self {
            anchor,
            at_anchor,
            rate: 1.0,
        }
    }

    /// The same clock, `rate` times as fast; it must be above zero.
    #[must_use]
    pub(crate) fn at_rate(self, rate: f64) -> Self {
        Self { rate, ..self }
    }

    /// The real time in which this clock advances by `ahead`; zero where `ahead` is negative.
    pub(crate) fn real_time_for(&self, ahead: CaptureTime) -> Duration {
        Duration::try_from_secs_f64(ahead.secs() / self.rate).unwrap_or(Duration::ZERO)
    }

    /// The clock of live cameras: monotonic, the same for every camera of this process, and not
    /// reset when a camera is opened again.
    pub(crate) fn monotonic() -> Self {
        Self::anchored(Instant::now(), monotonic_now())
    }

    /// The capture time at `instant`.
    pub(crate) fn at(&self, instant: Instant) -> CaptureTime {
        let nanos = match instant.checked_duration_since(self.anchor) {
            Some(after) => saturating_nanos(after),
            None => -saturating_nanos(self.anchor.duration_since(instant)),
        };
        // In real time every nanosecond is kept; a floating-point product would lose some within a day.
        let nanos = if self.rate == 1.0 {
            nanos
        } else {
            (nanos as f64 * self.rate).round() as i64
        };
        self.at_anchor + CaptureTime::from_nanos(nanos)
    }

    /// The capture time now.
    pub(crate) fn now(&self) -> CaptureTime {
        self.at(Instant::now())
    }
}

fn saturating_nanos(duration: Duration) -> i64 {
    i64::try_from(duration.as_nanos()).unwrap_or(i64::MAX)
}

/// The monotonic clock that Linux video drivers stamp frames with.
#[cfg(target_os = "linux")]
pub(super) fn monotonic_now() -> CaptureTime {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    CaptureTime::from_nanos(
        now.tv_sec
            .saturating_mul(1_000_000_000)
            .saturating_add(now.tv_nsec),
    )
}

/// A monotonic clock that starts at the first call; no driver's timestamp is on it.
#[cfg(not(target_os = "linux"))]
pub(super) fn monotonic_now() -> CaptureTime {
    static START: std::sync::OnceLock<Instant> = std::sync::OnceLock::new();
    CaptureTime::from_nanos(saturating_nanos(START.get_or_init(Instant::now).elapsed()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_before_and_after_the_anchor_map_in_real_time() {
        let anchor = Instant::now() + Duration::from_secs(10);
        let clock = CaptureClock::anchored(anchor, CaptureTime::from_secs(5.0));
        assert_eq!(clock.at(anchor), CaptureTime::from_secs(5.0));
        assert_eq!(
            clock.at(anchor + Duration::from_millis(250)),
            CaptureTime::from_secs(5.25)
        );
        assert_eq!(
            clock.at(anchor - Duration::from_millis(250)),
            CaptureTime::from_secs(4.75)
        );
    }

    #[test]
    fn a_clock_at_four_times_the_rate_is_four_times_as_far() {
        let anchor = Instant::now() + Duration::from_secs(10);
        let clock = CaptureClock::anchored(anchor, CaptureTime::from_secs(5.0)).at_rate(4.0);
        assert_eq!(
            clock.at(anchor + Duration::from_millis(250)),
            CaptureTime::from_secs(6.0)
        );
        assert_eq!(
            clock.at(anchor - Duration::from_millis(250)),
            CaptureTime::from_secs(4.0)
        );
        assert_eq!(
            clock.real_time_for(CaptureTime::from_secs(1.0)),
            Duration::from_millis(250)
        );
        assert_eq!(
            clock.real_time_for(CaptureTime::from_secs(-1.0)),
            Duration::ZERO
        );
    }

    #[test]
    fn two_monotonic_clocks_agree() {
        let (first, second) = (CaptureClock::monotonic(), CaptureClock::monotonic());
        let instant = Instant::now();
        let apart_secs = first.at(instant).secs_since(second.at(instant)).abs();
        // The two readings of a pair are taken one after the other; a busy machine may part them.
        assert!(apart_secs < 0.1, "the clocks are {apart_secs} s apart");
    }
}
