//! Reads the bat and the trunk's turn beside the pose stage, which never waits for it.
//!
//! In: copies of frames with their poses, while the rep stage sees a hitter in the stance. Out: readings by frame number,
//! which the rep stage puts to the frames that it holds: a rep is analyzed long after its swing, a frame is read within
//! milliseconds. The thread `bat` gets what cores the others leave; a frame that finds it busy is skipped.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::capture::Frame;
use crate::picture_size::PictureSize;
use crate::pose::{BatAndTurn, BatReader, CameraPlace, InferenceError, PoseFrame};
use crate::rep::Phase;
use crate::status::Health;
use crate::thread::{Lower, give_way, spawn};
use crate::time::CaptureTime;

/// Failures in a row after which no more bats are looked for.
const BROKEN_AFTER: u32 = 30;
/// Frames whose place is remembered: a second at 240 a second.
const PLACES: usize = 240;
/// Bats are wanted until so long after somebody stood in.
const WANTED_AFTER_SECS: f64 = 2.0;

/// Reads bat and turn in a frame whose body is known.
trait ReadBat: Send {
    fn read(&mut self, frame: &Frame, pose: &mut PoseFrame) -> Result<(), InferenceError>;
}

impl ReadBat for BatReader {
    fn read(&mut self, frame: &Frame, pose: &mut PoseFrame) -> Result<(), InferenceError> {
        BatReader::read(self, frame, pose)
    }
}

/// What was read in a frame, as it is in the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
struct FrameReading {
    frame: u64,
    read: BatAndTurn,
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
    found: Receiver<FrameReading>,
    /// When somebody last stood in.
    stood_at: Option<CaptureTime>,
    /// Where the camera was at the latest frames.
    places: VecDeque<(u64, CameraPlace)>,
}

impl BatInbox {
    /// Bats are wanted while somebody stands in, and a moment longer: from behind the back hands seem to sink in mid-swing.
    pub(super) fn follow(&mut self, phase: Phase, now: CaptureTime) {
        if phase != Phase::Away {
            self.stood_at = Some(now);
        }
        let stands = |at: CaptureTime| now.secs_since(at) <= WANTED_AFTER_SECS;
        self.wanted
            .store(self.stood_at.is_some_and(stands), Ordering::Relaxed);
    }

    /// Remembers where the camera was, so that a bat goes where the landmarks of its frame went.
    pub(super) fn note_place(&mut self, frame: u64, place: CameraPlace) {
        if self.places.len() == PLACES {
            self.places.pop_front();
        }
        self.places.push_back((frame, place));
    }

    /// What was read since, by frame, steadied as the landmarks are. What was read in a frame too long ago is dropped. A turn
    /// counts from the ray to the pelvis, which a camera that turns does not move.
    pub(super) fn take(&mut self, picture: PictureSize) -> Vec<(u64, BatAndTurn)> {
        let places = &self.places;
        self.found
            .try_iter()
            .filter_map(|FrameReading { frame, read }| {
                let at = places.binary_search_by_key(&frame, |(of, _)| *of).ok()?;
                let bat = read.bat.map(|bat| bat.steadied(places[at].1, picture));
                Some((frame, BatAndTurn { bat, ..read }))
            })
            .collect()
    }
}

/// The thread's own end.
struct BatStage<R> {
    reader: R,
    full: Receiver<(Frame, PoseFrame)>,
    used: Sender<Frame>,
    found: Sender<FrameReading>,
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
        stood_at: None,
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
        give_way(Lower::AsFarAsCanBe);
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
            let read = BatAndTurn {
                bat: pose.bat,
                turn: pose.turn,
            };
            if read == BatAndTurn::default() {
                continue;
            }
            let found = FrameReading {
                frame: frame_number,
                read,
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
    use crate::pose::{Body, SeenBat, TrunkTurn, TurnAngle, TurnOrigin};

    const PICTURE: PictureSize = PictureSize {
        width_px: 640,
        height_px: 480,
    };

    /// A bat and a turn at the frame's number, in each frame but those that fail.
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
            pose.turn = Some(turn(at));
            Ok(())
        }
    }

    fn turn(deg: f32) -> TrunkTurn {
        let line = TurnAngle {
            deg,
            spread_deg: 5.0,
        };
        TrunkTurn {
            pelvis: line,
            shoulders: line,
            origin: TurnOrigin::Camera,
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
        inbox.follow(Phase::Set, CaptureTime::default());
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
        let [(2, read)] = inbox.take(PICTURE)[..] else {
            panic!("one reading, of frame 2")
        };
        assert_eq!(read.turn, Some(turn(2.0)));
        let bat = read.bat.unwrap();
        let wanted = shifted.to_first([2.0, 100.0], PICTURE);
        assert_eq!(bat.tip_px, wanted.map(|value| value as f32));
        for (secs, wanted) in [(1.0, true), (3.0, false)] {
            inbox.follow(Phase::Away, CaptureTime::from_secs(secs));
            assert_eq!(inbox.wanted.load(Ordering::Relaxed), wanted);
        }
    }

    #[test]
    fn a_network_that_fails_on_every_frame_is_given_up_and_holds_up_nobody() {
        let health = Arc::new(Health::default());
        let (tap, mut inbox, stage) = ends(Numbered { fails: true }, &health);
        inbox.follow(Phase::Set, CaptureTime::default());
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
