//! When a frame was taken and what number it has, from the driver's metadata.

use std::time::Duration;

use v4l::buffer::{Flags, Metadata};

use crate::time::CaptureTime;

/// A timestamp older than this, or in the future, is on another clock.
const MAX_STAMP_AGE_SECS: f64 = 5.0;

/// The driver's timestamp if it is on the monotonic clock, the time of arrival if not.
pub(super) fn stamp_of(metadata: &Metadata, now: CaptureTime) -> CaptureTime {
    let nanos = i64::try_from(Duration::from(metadata.timestamp).as_nanos()).unwrap_or(0);
    let stamp = CaptureTime::from_nanos(nanos);
    let monotonic =
        metadata.flags.bits() & Flags::TIMESTAMP_MASK.bits() == Flags::TIMESTAMP_MONOTONIC.bits();
    let age_secs = now.secs_since(stamp);
    // A millisecond into the future allows for the timestamp's own rounding.
    if monotonic && nanos > 0 && (-0.001..MAX_STAMP_AGE_SECS).contains(&age_secs) {
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

/// A larger step than this means that the driver counts something else.
const MAX_STEP: u32 = 10_000;

impl FrameCounter {
    pub(super) fn count(&mut self, sequence: u32) -> u64 {
        let step = match self.last_sequence {
            // The count wraps around; a driver that does not count repeats the same number.
            Some(last) => match sequence.wrapping_sub(last) {
                step @ 1..=MAX_STEP => step,
                _ => 1,
            },
            None => 1,
        };
        self.last_sequence = Some(sequence);
        let index = self.next + u64::from(step) - 1;
        self.next = index + 1;
        index
    }

    /// The driver's count starts over; how many frames were lost in between is not known.
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
        // The driver's own count may start anywhere, and wraps around.
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
    fn a_timestamp_on_another_clock_is_replaced_by_the_time_of_arrival() {
        let now = CaptureTime::from_secs(1000.0);
        let stamped = |sec: i64, usec: i64, flags: Flags| {
            let metadata = Metadata {
                timestamp: v4l::Timestamp::new(sec, usec),
                flags,
                ..Metadata::default()
            };
            stamp_of(&metadata, now)
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
