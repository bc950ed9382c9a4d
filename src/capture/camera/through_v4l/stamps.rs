//! When a frame was taken, and which number it has, from what the driver says.

use std::time::Duration;

use v4l::buffer::{Flags, Metadata};

use crate::time::CaptureTime;

/// A stamp older than this, or in the future, is on another clock.
const OLDEST_STAMP_SECS: f64 = 5.0;

/// The driver's stamp if it is on the monotonic clock, the time of arrival if not.
pub(super) fn stamp_of(about: &Metadata, now: CaptureTime) -> CaptureTime {
    let nanos = i64::try_from(Duration::from(about.timestamp).as_nanos()).unwrap_or(0);
    let stamp = CaptureTime::from_nanos(nanos);
    let monotonic =
        about.flags.bits() & Flags::TIMESTAMP_MASK.bits() == Flags::TIMESTAMP_MONOTONIC.bits();
    let age_secs = now.secs_since(stamp);
    // A millisecond of future allows for the stamp's own rounding.
    if monotonic && nanos > 0 && (-0.001..OLDEST_STAMP_SECS).contains(&age_secs) {
        stamp
    } else {
        now
    }
}

/// Numbers frames by the driver's count, so that lost ones leave a gap.
#[derive(Debug, Default)]
pub(super) struct FrameCounter {
    next: u64,
    last_sequence: Option<u32>,
}

/// A larger step than this is a driver that counts something else.
const LARGEST_STEP: u32 = 10_000;

impl FrameCounter {
    pub(super) fn count(&mut self, sequence: u32) -> u64 {
        let step = match self.last_sequence {
            // The count wraps round; a driver that never counts gives the same number again.
            Some(last) => match sequence.wrapping_sub(last) {
                step @ 1..=LARGEST_STEP => step,
                _ => 1,
            },
            None => 1,
        };
        self.last_sequence = Some(sequence);
        let index = self.next + u64::from(step) - 1;
        self.next = index + 1;
        index
    }

    /// The driver begins anew; how many frames were lost meanwhile is not known.
    pub(super) fn stream_restarted(&mut self) {
        self.last_sequence = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lost_frames_leave_a_gap_in_the_numbers() {
        let mut counter = FrameCounter::default();
        // The driver's own count may start anywhere, and wraps round.
        let counts: Vec<u64> = [u32::MAX - 1, u32::MAX, 0, 3, 4]
            .into_iter()
            .map(|sequence| counter.count(sequence))
            .collect();
        assert_eq!(counts, [0, 1, 2, 5, 6]);
        counter.stream_restarted();
        assert_eq!(counter.count(0), 7);
        assert_eq!(counter.count(2), 9);
    }

    #[test]
    fn a_driver_that_does_not_count_is_counted_for() {
        let mut counter = FrameCounter::default();
        assert_eq!([0, 0, 0].map(|sequence| counter.count(sequence)), [0, 1, 2]);
        let mut counter = FrameCounter::default();
        assert_eq!(
            [5, 4, 900_000].map(|sequence| counter.count(sequence)),
            [0, 1, 2]
        );
    }

    #[test]
    fn a_stamp_on_another_clock_gives_way_to_the_time_of_arrival() {
        let now = CaptureTime::from_secs(1000.0);
        let stamped = |sec: i64, usec: i64, flags: Flags| {
            let about = Metadata {
                timestamp: v4l::Timestamp::new(sec, usec),
                flags,
                ..Metadata::default()
            };
            stamp_of(&about, now)
        };
        assert_eq!(
            stamped(999, 990_000, Flags::TIMESTAMP_MONOTONIC),
            CaptureTime::from_secs(999.99)
        );
        assert_eq!(stamped(999, 990_000, Flags::TIMESTAMP_COPY), now);
        assert_eq!(stamped(999, 990_000, Flags::TIMESTAMP_UNKNOWN), now);
        assert_eq!(stamped(0, 0, Flags::TIMESTAMP_MONOTONIC), now);
        assert_eq!(stamped(1_700_000_000, 0, Flags::TIMESTAMP_MONOTONIC), now);
    }
}
