//! Reads the bat beside the pose stage, which never waits for it.
//!
//! In: copies of frames with their poses, while the rep stage sees a hitter in the stance. Out: bats by frame number, which
//! the rep stage puts to the frames that it holds: a rep is analyzed long after its swing, a bat is read within
//! milliseconds. The thread `bat` gets what cores the others leave; a frame that finds it busy is skipped.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::capture::Frame;
use crate::picture_size::PictureSize;
use crate::pose::{BatReader, CameraPlace, InferenceError, PoseFrame, SeenBat};
use crate::rep::Phase;
use crate::status::Health;
use crate::thread::{give_way, spawn};

/// Failures in a row after which no more bats are looked for.
const BROKEN_AFTER: u32 = 30;
/// Frames whose place is remembered: a second at 240 a second.
const PLACES: usize = 240;

/// Reads the bat in a frame whose body is known.
trait ReadBat: Send {
    fn read(&mut self, frame: &Frame, pose: &mut PoseFrame) -> Result<(), InferenceError>;
}

impl ReadBat for BatReader {
    fn read(&mut self, frame: &Frame, pose: &mut PoseFrame) -> Result<(), InferenceError> {
        BatReader::read(self, frame, pose)
    }
}

/// The bat of a frame, as it is in the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
struct FrameBat {
    frame: u64,
    bat: SeenBat,
}

/// The pose thread's end.
pub(super) struct BatTap {
    wanted: Arc<AtomicBool>,
    full: Sender<(Frame, PoseFrame)>,
    empty: Receiver<Frame>,
}

impl BatTap {
    /// Takes a copy of a frame where a bat is wanted and the thread has time. Never waits.
    pub(super) fn offer(&self, frame: &Frame, pose: &PoseFrame) {
        if pose.body.is_none() || !self.wanted.load(Ordering::Relaxed) || self.full.is_full() {
            return;
        }
        let mut copy = self.empty.try_recv().unwrap_or_default();
        (copy.index, copy.captured_at) = (frame.index, frame.captured_at);
        (copy.width, copy.height) = (frame.width, frame.height);
        copy.rgb.clone_from(&frame.rgb);
        // Only this thread sends, so there is room; without a reader there are no bats.
        let _ = self.full.try_send((copy, pose.clone()));
    }
}

/// The rep stage's end.
pub(super) struct BatInbox {
    wanted: Arc<AtomicBool>,
    found: Receiver<FrameBat>,
    /// Where the camera was at the latest frames.
    places: VecDeque<(u64, CameraPlace)>,
}

impl BatInbox {
    /// Bats are wanted while somebody stands in.
    pub(super) fn follow(&mut self, phase: Phase) {
        self.wanted.store(phase != Phase::Away, Ordering::Relaxed);
    }

    /// Remembers where the camera was, so that a bat goes where the landmarks of its frame went.
    pub(super) fn note_place(&mut self, frame: u64, place: CameraPlace) {
        if self.places.len() == PLACES {
            self.places.pop_front();
        }
        self.places.push_back((frame, place));
    }

    /// The bats that were read since, by frame, steadied as the landmarks are. One of a frame too long ago is dropped.
    pub(super) fn take(&mut self, picture: PictureSize) -> Vec<(u64, SeenBat)> {
        let places = &self.places;
        self.found
            .try_iter()
            .filter_map(|FrameBat { frame, bat }| {
                let at = places.binary_search_by_key(&frame, |(of, _)| *of).ok()?;
                Some((frame, bat.steadied(places[at].1, picture)))
            })
            .collect()
    }
}

/// The thread's own end.
struct BatStage<R> {
    reader: R,
    full: Receiver<(Frame, PoseFrame)>,
    used: Sender<Frame>,
    found: Sender<FrameBat>,
    health: Arc<Health>,
}

/// Starts the thread `bat`, which ends with the tap, where bats are wanted. Without the network the daemon is still worth running.
///
/// # Errors
/// Where the system gives no thread.
pub(super) fn start_bats(
    wanted: bool,
    health: &Arc<Health>,
) -> io::Result<(Option<BatTap>, Option<BatInbox>)> {
    if !wanted {
        return Ok((None, None));
    }
    let reader = match BatReader::new() {
        Ok(reader) => reader,
        Err(error) => {
            tracing::error!(%error, "the bat network cannot be loaded; no bats are looked for");
            return Ok((None, None));
        }
    };
    let (tap, inbox, stage) = ends(reader, health);
    spawn("bat", move || stage.run())?;
    Ok((Some(tap), Some(inbox)))
}

/// A tap, an inbox and what is between them, with one frame on its way.
fn ends<R: ReadBat>(reader: R, health: &Arc<Health>) -> (BatTap, BatInbox, BatStage<R>) {
    let (full, to_read) = bounded(1);
    let (used, empty) = bounded(2);
    let (found, inbox) = bounded(PLACES);
    let wanted = Arc::new(AtomicBool::new(false));
    let tap = BatTap {
        wanted: Arc::clone(&wanted),
        full,
        empty,
    };
    let inbox = BatInbox {
        wanted,
        found: inbox,
        places: VecDeque::with_capacity(PLACES),
    };
    let stage = BatStage {
        reader,
        full: to_read,
        used,
        found,
        health: Arc::clone(health),
    };
    (tap, inbox, stage)
}

impl<R: ReadBat> BatStage<R> {
    fn run(mut self) {
        give_way();
        let mut failures = 0;
        while let Ok((frame, mut pose)) = self.full.recv() {
            let started = Instant::now();
            match self.reader.read(&frame, &mut pose) {
                Ok(()) => failures = 0,
                Err(error) => {
                    tracing::error!(%error, frame = frame.index, "the bat network failed on a frame");
                    failures += 1;
                    if failures == BROKEN_AFTER {
                        tracing::error!("no bats are looked for any more");
                        return;
                    }
                }
            }
            self.health.bat.add(started.elapsed());
            let frame_number = frame.index;
            let _ = self.used.try_send(frame);
            let Some(bat) = pose.bat else { continue };
            let found = FrameBat {
                frame: frame_number,
                bat,
            };
            if self.found.send(found).is_err() {
                return;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::Body;
    use crate::time::CaptureTime;

    const PICTURE: PictureSize = PictureSize {
        width_px: 640,
        height_px: 480,
    };

    /// A bat at the frame's number, in each frame but those that fail.
    struct Numbered {
        fails: bool,
    }

    impl ReadBat for Numbered {
        fn read(&mut self, frame: &Frame, pose: &mut PoseFrame) -> Result<(), InferenceError> {
            if self.fails {
                return Err(InferenceError::Run {
                    network: "bat".into(),
                    reason: "on purpose".into(),
                });
            }
            let at = frame.index as f32;
            pose.bat = Some(SeenBat {
                knob_px: [at, 0.0],
                tip_px: [at, 100.0],
                probability: 0.9,
            });
            Ok(())
        }
    }

    fn frame(index: u64) -> (Frame, PoseFrame) {
        let frame = Frame {
            index,
            ..Frame::default()
        };
        let pose = PoseFrame::new(index, CaptureTime::default(), Some(Body::empty()));
        (frame, pose)
    }

    #[test]
    fn bats_are_read_while_somebody_stands_in_and_go_where_their_frames_landmarks_went() {
        let health = Arc::new(Health::default());
        let (tap, mut inbox, stage) = ends(Numbered { fails: false }, &health);
        let offer = |index| {
            let (frame, pose) = frame(index);
            tap.offer(&frame, &pose);
        };
        offer(1);
        assert!(stage.full.is_empty(), "nobody stands in");
        inbox.follow(Phase::Set);
        offer(2);
        // The thread is busy: the pose stage goes on.
        offer(3);
        let (bodiless, _) = frame(4);
        tap.offer(&bodiless, &PoseFrame::new(4, CaptureTime::default(), None));
        assert_eq!(stage.full.len(), 1);
        let shifted = CameraPlace {
            dx_px: 10.0,
            dy_px: -5.0,
            ..CameraPlace::HOME
        };
        for index in 1..=4 {
            inbox.note_place(index, shifted);
        }
        drop(tap);
        stage.run();
        let [(2, bat)] = inbox.take(PICTURE)[..] else {
            panic!("one bat, of frame 2")
        };
        let wanted = shifted.to_first([2.0, 100.0], PICTURE);
        assert_eq!(bat.tip_px, wanted.map(|value| value as f32));
        inbox.follow(Phase::Away);
        assert!(!inbox.wanted.load(Ordering::Relaxed));
    }

    #[test]
    fn a_network_that_fails_on_every_frame_is_given_up_and_holds_up_nobody() {
        let health = Arc::new(Health::default());
        let (tap, mut inbox, stage) = ends(Numbered { fails: true }, &health);
        inbox.follow(Phase::Set);
        let thread = spawn("bat", move || stage.run()).unwrap();
        for index in 0.. {
            let (frame, pose) = frame(index);
            tap.offer(&frame, &pose);
            if thread.is_finished() {
                break;
            }
            std::thread::yield_now();
        }
        thread.join().unwrap();
        let (frame, pose) = frame(1);
        tap.offer(&frame, &pose);
        assert!(inbox.take(PICTURE).is_empty());
    }
}
