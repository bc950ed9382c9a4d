//! The lane on which frames go from the capture thread to the pose thread.
//!
//! A live source uses the latest-frame slot: a slow model drops frames and counts them, it never lags.
//! A recording read as fast as it goes uses a short queue in which nothing is dropped.

use std::sync::Arc;
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::capture::{Frame, LatestFrame, TakeOutcome};

/// Frames under way at once when none may be dropped.
const QUEUE: usize = 3;

/// Which frames the pose thread gets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Which {
    /// Every one; the source waits.
    Every,
    /// The newest; the others are counted as dropped.
    Latest,
}

/// The capture thread's end. Dropping it closes the lane.
pub(crate) enum LaneIn {
    /// Of a lane for every frame.
    Every {
        /// Frames to be looked at.
        full: Sender<Frame>,
        /// Buffers that come back.
        empty: Receiver<Frame>,
    },
    /// Of a lane for the latest frame.
    Latest(Arc<LatestFrame>),
}

/// The pose thread's end.
pub(crate) enum LaneOut {
    /// Of a lane for every frame.
    Every {
        /// Frames to be looked at.
        full: Receiver<Frame>,
        /// Buffers that go back.
        empty: Sender<Frame>,
    },
    /// Of a lane for the latest frame.
    Latest(Arc<LatestFrame>),
}

/// Both ends of a new lane.
pub(crate) fn lane(which: Which) -> (LaneIn, LaneOut) {
    match which {
        Which::Every => {
            let (full_in, full_out) = bounded(QUEUE);
            let (empty_in, empty_out) = bounded(QUEUE + 1);
            (
                LaneIn::Every {
                    full: full_in,
                    empty: empty_out,
                },
                LaneOut::Every {
                    full: full_out,
                    empty: empty_in,
                },
            )
        }
        Which::Latest => {
            let slot = Arc::new(LatestFrame::new());
            (LaneIn::Latest(Arc::clone(&slot)), LaneOut::Latest(slot))
        }
    }
}

impl LaneIn {
    /// Hands a frame over and leaves a used buffer in its place; false when the other end is gone.
    pub(crate) fn put(&self, frame: &mut Frame) -> bool {
        match self {
            LaneIn::Every { full, empty } => {
                let buffer = empty.try_recv().unwrap_or_default();
                full.send(std::mem::replace(frame, buffer)).is_ok()
            }
            LaneIn::Latest(slot) => slot.put(frame),
        }
    }

    /// Frames dropped so far.
    pub(crate) fn dropped(&self) -> u64 {
        match self {
            LaneIn::Every { .. } => 0,
            LaneIn::Latest(slot) => slot.dropped(),
        }
    }
}

impl Drop for LaneIn {
    fn drop(&mut self) {
        if let LaneIn::Latest(slot) = self {
            slot.close();
        }
    }
}

impl LaneOut {
    /// Waits for the next frame; false when no more will come.
    pub(crate) fn take(&self, into: &mut Frame) -> bool {
        match self {
            LaneOut::Every { full, empty } => match full.recv() {
                Ok(frame) => {
                    // A buffer that finds no place is simply freed.
                    let _ = empty.try_send(std::mem::replace(into, frame));
                    true
                }
                Err(_) => false,
            },
            LaneOut::Latest(slot) => loop {
                match slot.take(into, Duration::from_secs(1)) {
                    TakeOutcome::Frame => return true,
                    TakeOutcome::Closed => return false,
                    TakeOutcome::Timeout => {}
                }
            },
        }
    }
}

impl Drop for LaneOut {
    fn drop(&mut self) {
        if let LaneOut::Latest(slot) = self {
            slot.close();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbered(index: u64) -> Frame {
        Frame {
            index,
            ..Frame::default()
        }
    }

    #[test]
    fn every_frame_arrives_in_order_where_none_may_be_dropped() {
        let (lane_in, lane_out) = lane(Which::Every);
        let sender = crate::thread::spawn("test", move || {
            (0..50).all(|i| lane_in.put(&mut numbered(i)))
        })
        .unwrap();
        let mut frame = Frame::default();
        let mut seen = Vec::new();
        while lane_out.take(&mut frame) {
            seen.push(frame.index);
        }
        assert!(sender.join().unwrap());
        assert_eq!(seen, (0..50).collect::<Vec<_>>());
    }

    #[test]
    fn the_latest_frame_wins_and_the_others_are_counted() {
        let (lane_in, lane_out) = lane(Which::Latest);
        for i in 0..5 {
            assert!(lane_in.put(&mut numbered(i)));
        }
        assert_eq!(lane_in.dropped(), 4);
        let mut frame = Frame::default();
        assert!(lane_out.take(&mut frame));
        assert_eq!(frame.index, 4);
        drop(lane_in);
        assert!(!lane_out.take(&mut frame));
    }

    #[test]
    fn a_sender_learns_that_the_receiver_is_gone() {
        for which in [Which::Every, Which::Latest] {
            let (lane_in, lane_out) = lane(which);
            drop(lane_out);
            assert!(!lane_in.put(&mut numbered(0)));
        }
    }
}
