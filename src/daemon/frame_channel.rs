//! The channel from the capture thread to the pose thread. Buffers go back and forth; no frame is copied.
//!
//! A live source uses the latest-frame slot: a slow model drops frames and counts them, it never lags.
//! A recording that is read as fast as possible uses a short queue in which nothing is dropped.

use std::sync::Arc;
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::capture::{Frame, LatestFrame, TakeOutcome};

/// Frames under way at once when none may be dropped.
const QUEUE: usize = 3;

/// Which frames reach the pose thread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FramePolicy {
    /// Every one; the source waits.
    Every,
    /// The newest; those that are too old when they could be looked at are counted as dropped.
    Latest,
}

/// The capture thread's end. Dropping it closes the channel.
pub(crate) enum FrameSender {
    /// A queue.
    Every {
        /// Frames on their way.
        full: Sender<Frame>,
        /// Used buffers on their way back.
        empty: Receiver<Frame>,
    },
    /// A slot.
    Latest(Arc<LatestFrame>),
}

/// The pose thread's end. Dropping it closes the channel.
pub(crate) enum FrameReceiver {
    /// A queue.
    Every {
        /// Frames on their way.
        full: Receiver<Frame>,
        /// Used buffers on their way back.
        empty: Sender<Frame>,
    },
    /// A slot.
    Latest(Arc<LatestFrame>),
}

/// Both ends of a new channel.
pub(crate) fn frame_channel(policy: FramePolicy) -> (FrameSender, FrameReceiver) {
    match policy {
        FramePolicy::Every => {
            let (full_in, full_out) = bounded(QUEUE);
            let (empty_in, empty_out) = bounded(QUEUE + 1);
            (
                FrameSender::Every {
                    full: full_in,
                    empty: empty_out,
                },
                FrameReceiver::Every {
                    full: full_out,
                    empty: empty_in,
                },
            )
        }
        FramePolicy::Latest => {
            let slot = Arc::new(LatestFrame::new());
            (
                FrameSender::Latest(Arc::clone(&slot)),
                FrameReceiver::Latest(slot),
            )
        }
    }
}

impl FrameSender {
    /// Hands a frame over and leaves a used buffer in its place; false when the receiver is gone.
    pub(crate) fn send(&self, frame: &mut Frame) -> bool {
        match self {
            FrameSender::Every { full, empty } => {
                let buffer = empty.try_recv().unwrap_or_default();
                full.send(std::mem::replace(frame, buffer)).is_ok()
            }
            FrameSender::Latest(slot) => slot.put(frame),
        }
    }

    /// Frames dropped so far.
    pub(crate) fn dropped(&self) -> u64 {
        match self {
            FrameSender::Every { .. } => 0,
            FrameSender::Latest(slot) => slot.dropped(),
        }
    }
}

impl Drop for FrameSender {
    fn drop(&mut self) {
        if let FrameSender::Latest(slot) = self {
            slot.close();
        }
    }
}

impl FrameReceiver {
    /// Waits for the next frame; false when no more will come.
    pub(crate) fn recv(&self, into: &mut Frame) -> bool {
        match self {
            FrameReceiver::Every { full, empty } => match full.recv() {
                Ok(frame) => {
                    // A buffer that finds no place is simply freed.
                    let _ = empty.try_send(std::mem::replace(into, frame));
                    true
                }
                Err(_) => false,
            },
            FrameReceiver::Latest(slot) => loop {
                match slot.take(into, Duration::from_secs(1)) {
                    TakeOutcome::Frame => return true,
                    TakeOutcome::Closed => return false,
                    TakeOutcome::Timeout => {}
                }
            },
        }
    }
}

impl Drop for FrameReceiver {
    fn drop(&mut self) {
        if let FrameReceiver::Latest(slot) = self {
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
        let (sender, receiver) = frame_channel(FramePolicy::Every);
        let sending = crate::thread::spawn("test", move || {
            (0..50).all(|i| sender.send(&mut numbered(i)))
        })
        .unwrap();
        let mut frame = Frame::default();
        let mut seen = Vec::new();
        while receiver.recv(&mut frame) {
            seen.push(frame.index);
        }
        assert!(sending.join().unwrap());
        assert_eq!(seen, (0..50).collect::<Vec<_>>());
    }

    #[test]
    fn the_latest_frame_wins_and_the_others_are_counted() {
        let (sender, receiver) = frame_channel(FramePolicy::Latest);
        for i in 0..5 {
            assert!(sender.send(&mut numbered(i)));
        }
        assert_eq!(sender.dropped(), 4);
        let mut frame = Frame::default();
        assert!(receiver.recv(&mut frame));
        assert_eq!(frame.index, 4);
        drop(sender);
        assert!(!receiver.recv(&mut frame));
    }

    #[test]
    fn a_sender_learns_that_the_receiver_is_gone() {
        for policy in [FramePolicy::Every, FramePolicy::Latest] {
            let (sender, receiver) = frame_channel(policy);
            drop(receiver);
            assert!(!sender.send(&mut numbered(0)));
        }
    }
}
