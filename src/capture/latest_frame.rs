//! The latest-frame slot between the capture thread and the pose thread.
//!
//! A newer frame replaces one that was taken a sixtieth of a second before it and is still there, and
//! the loss is counted, so a slow model sees fewer frames but never old ones. At 60 frames a second
//! one waits at most; at 120 two may, at 240 four: there a model has its time on average and not for
//! each frame, and a frame is no older when it is looked at than it would be at 60. Frames are handed
//! over by swapping buffers, which go round; none is allocated per frame.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::Frame;
use crate::time::CaptureTime;

/// What [`LatestFrame::take`] returned with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TakeOutcome {
    /// A frame, newer than every frame taken before.
    Frame,
    /// No frame came in time.
    Timeout,
    /// The slot is closed and empty; no frame will come anymore.
    Closed,
}

#[derive(Debug, Default)]
struct State {
    /// The oldest first.
    waiting: VecDeque<Frame>,
    spare: Vec<Frame>,
    closed: bool,
    dropped: u64,
}

/// No frame waits while one comes that was taken so much later; a little under a sixtieth of a second, so that a camera's
/// jitter at 60 does not make two wait.
const LONGEST_WAIT_SECS: f64 = 0.015;

impl State {
    /// Whether the oldest frame has to go now that one comes that was taken at `now`. Frames without times of their own
    /// replace each other.
    fn oldest_is_too_old(&self, now: CaptureTime) -> bool {
        self.waiting.front().is_some_and(|oldest| {
            let age = now.secs_since(oldest.captured_at);
            !(age > 0.0 && age < LONGEST_WAIT_SECS)
        })
    }
}

/// A slot for the newest frames. Share it by reference or in an `Arc`.
#[derive(Debug, Default)]
pub(crate) struct LatestFrame {
    state: Mutex<State>,
    changed: Condvar,
}

impl LatestFrame {
    /// An empty, open slot.
    pub(crate) fn new() -> Self {
        Self::default()
    }

    /// Stores a frame, replacing those that are too old, and leaves a used buffer in `frame`.
    ///
    /// Never waits for the consumer. Returns false when the slot is closed; `frame` is then left as
    /// it was.
    pub(crate) fn put(&self, frame: &mut Frame) -> bool {
        let mut state = self.state();
        if state.closed {
            return false;
        }
        while state.oldest_is_too_old(frame.captured_at) {
            let old = state.waiting.pop_front();
            state.spare.extend(old);
            state.dropped += 1;
        }
        let buffer = state.spare.pop().unwrap_or_default();
        state.waiting.push_back(std::mem::replace(frame, buffer));
        drop(state);
        self.changed.notify_one();
        true
    }

    /// Takes the oldest frame that waits into `into`, whose old buffer is reused; waits up to `timeout` for one
    /// to come. `into` changes only with [`TakeOutcome::Frame`].
    ///
    /// A frame that was put before the slot was closed can still be taken.
    pub(crate) fn take(&self, into: &mut Frame, timeout: Duration) -> TakeOutcome {
        let deadline = Instant::now().checked_add(timeout);
        let mut state = self.state();
        loop {
            if let Some(frame) = state.waiting.pop_front() {
                let used = std::mem::replace(into, frame);
                state.spare.push(used);
                return TakeOutcome::Frame;
            }
            if state.closed {
                return TakeOutcome::Closed;
            }
            // A timeout too long for the clock means to wait forever; an hour at a time does that.
            let left = deadline.map_or(Duration::from_secs(3600), |deadline| {
                deadline.saturating_duration_since(Instant::now())
            });
            if left.is_zero() {
                return TakeOutcome::Timeout;
            }
            state = self
                .changed
                .wait_timeout(state, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    /// Closes the slot: `put` is refused, and `take` gives [`TakeOutcome::Closed`] once it is empty.
    pub(crate) fn close(&self) {
        self.state().closed = true;
        self.changed.notify_all();
    }

    /// How many frames were replaced before they were taken.
    pub(crate) fn dropped(&self) -> u64 {
        self.state().dropped
    }

    /// No code that can panic runs under the lock, so a poisoned lock still guards a consistent state.
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::thread::spawn;
    use std::collections::HashSet;
    use std::sync::Arc;

    fn frame(index: u64) -> Frame {
        Frame {
            index,
            rgb: vec![index as u8; 12],
            width: 2,
            height: 2,
            ..Frame::default()
        }
    }

    #[test]
    fn the_newest_frame_wins_and_the_loss_is_counted() {
        let slot = LatestFrame::new();
        for index in 0..5 {
            assert!(slot.put(&mut frame(index)));
        }
        let mut got = Frame::default();
        assert_eq!(slot.take(&mut got, Duration::ZERO), TakeOutcome::Frame);
        assert_eq!((got.index, got.rgb[0]), (4, 4));
        assert_eq!(slot.dropped(), 4);
        assert_eq!(slot.take(&mut got, Duration::ZERO), TakeOutcome::Timeout);
        assert_eq!(got.index, 4, "a timeout leaves the caller's frame alone");
    }

    #[test]
    fn of_a_fast_camera_as_many_frames_wait_as_come_in_a_sixtieth_of_a_second() {
        for (fps, most) in [(30.0, 1), (60.0, 1), (90.0, 2), (120.0, 2), (240.0, 4)] {
            let slot = LatestFrame::new();
            for index in 0..50 {
                let mut given = frame(index);
                given.captured_at = CaptureTime::from_secs(index as f64 / fps);
                slot.put(&mut given);
            }
            assert_eq!(slot.dropped(), 50 - most, "{fps}");
            let mut got = Frame::default();
            for index in 50 - most..50 {
                assert_eq!(slot.take(&mut got, Duration::ZERO), TakeOutcome::Frame);
                assert_eq!(got.index, index, "{fps}");
            }
            assert_eq!(slot.take(&mut got, Duration::ZERO), TakeOutcome::Timeout);
        }
    }

    #[test]
    fn a_frame_put_before_closing_is_still_given() {
        let slot = LatestFrame::new();
        slot.put(&mut frame(7));
        slot.close();
        let mut got = Frame::default();
        assert_eq!(slot.take(&mut got, Duration::MAX), TakeOutcome::Frame);
        assert_eq!(slot.take(&mut got, Duration::MAX), TakeOutcome::Closed);
        let mut refused = frame(8);
        assert!(!slot.put(&mut refused));
        assert_eq!(refused.index, 8);
        assert_eq!(slot.dropped(), 0);
    }

    #[test]
    fn buffers_go_round_and_are_never_made_anew() {
        let slot = LatestFrame::new();
        let (mut filling, mut looking) = (Frame::default(), Frame::default());
        let mut seen = HashSet::new();
        for index in 0..50 {
            filling.index = index;
            filling.resized(64, 48)[0] = index as u8;
            seen.insert(filling.rgb.as_ptr() as usize);
            slot.put(&mut filling);
            if index % 3 == 0 {
                assert_eq!(slot.take(&mut looking, Duration::ZERO), TakeOutcome::Frame);
                assert_eq!(looking.rgb[0], index as u8);
            }
        }
        assert!(seen.len() <= 3, "{} buffers were in use", seen.len());
    }

    #[test]
    fn a_waiting_consumer_is_woken_by_a_frame_and_by_closing() {
        // The consumer waits forever, so only being woken lets this test end.
        let slot = Arc::new(LatestFrame::new());
        let consumer = spawn("test", {
            let slot = Arc::clone(&slot);
            move || {
                let mut got = Frame::default();
                let first = slot.take(&mut got, Duration::MAX);
                let second = slot.take(&mut got, Duration::MAX);
                (first, got.index, second)
            }
        })
        .unwrap();
        slot.put(&mut frame(3));
        slot.close();
        assert_eq!(
            consumer.join().unwrap(),
            (TakeOutcome::Frame, 3, TakeOutcome::Closed)
        );
    }

    #[test]
    fn across_threads_every_frame_is_either_taken_in_order_or_counted_as_dropped() {
        const PUT: u64 = 20_000;
        let slot = Arc::new(LatestFrame::new());
        let producer = spawn("test", {
            let slot = Arc::clone(&slot);
            move || {
                let mut filling = Frame::default();
                for index in 0..PUT {
                    filling.index = index;
                    filling.resized(2, 2).fill(index as u8);
                    assert!(slot.put(&mut filling));
                }
                slot.close();
            }
        })
        .unwrap();
        let (mut taken, mut last, mut got) = (0, None, Frame::default());
        loop {
            match slot.take(&mut got, Duration::MAX) {
                TakeOutcome::Frame => {
                    assert!(
                        last.is_none_or(|last| got.index > last),
                        "{} after {last:?}",
                        got.index
                    );
                    assert!(
                        got.rgb.iter().all(|byte| *byte == got.index as u8),
                        "a torn frame"
                    );
                    (taken, last) = (taken + 1, Some(got.index));
                }
                TakeOutcome::Closed => break,
                TakeOutcome::Timeout => panic!("an endless wait timed out"),
            }
        }
        producer.join().unwrap();
        assert_eq!(last, Some(PUT - 1), "the last frame is never lost");
        assert_eq!(taken + slot.dropped(), PUT);
    }
}
