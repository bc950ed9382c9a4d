//! The pose thread: frames in, poses out, and what happens when the model fails.
//!
//! In: frames from the lane. Out: one pose a frame to the rep stage. A frame on which the model fails is a gap. A model that
//! fails on every frame, or panics, is loaded afresh after a pause that grows with each time; until then frames go on
//! without a body, so that the rest of the program keeps its time.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use crossbeam_channel::Sender;

use crate::capture::{CaptureClock, Frame};
use crate::picture_size::PictureSize;
use crate::pose::{InferenceError, Model, PoseFrame, Tracker};
use crate::video::Tap;

use super::lane::LaneOut;
use super::line::Posed;
use super::picture::PictureTap;
use super::{DaemonError, Health};

/// Failures in a row after which a model is taken for broken.
const BROKEN_AFTER: u32 = 30;
/// Pauses before a broken model is loaded again: the first, and the longest.
const AGAIN_AFTER: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(30));

/// What finds the body in a frame.
pub(crate) trait FindPose: Send {
    /// The pose of the next frame.
    ///
    /// # Errors
    /// Where the model fails.
    fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError>;
}

impl FindPose for Tracker {
    fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError> {
        Tracker::next(self, frame)
    }
}

/// Loads a tracker afresh.
pub(crate) type LoadTracker = Box<dyn FnMut() -> Result<Box<dyn FindPose>, InferenceError> + Send>;

/// The tracker to begin with, the one that takes over where the first does not keep up, and how a broken one is replaced.
pub(crate) struct Trackers {
    /// To begin with.
    pub first: Box<dyn FindPose>,
    /// Quicker and less true; `None` where the choice is fixed.
    pub lighter: Option<Box<dyn FindPose>>,
    /// Loads the one in use afresh; `None` where a broken model ends the run.
    pub again: Option<LoadTracker>,
}

impl Trackers {
    /// One model; a run in which it breaks ends with its error.
    pub(crate) fn once(first: Tracker) -> Self {
        Self {
            first: Box::new(first),
            lighter: None,
            again: None,
        }
    }

    /// A model that is loaded again when it breaks. The one that takes over where the machine is too slow is the lite one.
    pub(crate) fn lasting(first: Tracker, model: Model, lighter: Option<Tracker>) -> Self {
        Self {
            first: Box::new(first),
            lighter: lighter.map(|tracker| Box::new(tracker) as Box<dyn FindPose>),
            again: Some(Box::new(move || {
                model
                    .tracker()
                    .map(|tracker| Box::new(tracker) as Box<dyn FindPose>)
            })),
        }
    }
}

/// Where other trackers wait for the pose thread to take them in use.
#[derive(Default)]
pub(crate) struct NextTrackers(Mutex<Option<Trackers>>);

impl NextTrackers {
    /// Lets these take over from the next frame on.
    pub(crate) fn put(&self, trackers: Trackers) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(trackers);
    }

    /// Those that wait, once; never waits itself.
    fn take(&self) -> Option<Trackers> {
        self.0.try_lock().ok()?.take()
    }
}

/// Frames over which the pace is judged, and the share of them that may be missed before a lighter model takes over.
const PACE_FRAMES: u64 = 300;
const PACE_MISSED: f64 = 0.04;

/// Whether the frames that arrive leave out too many of those that the source gave.
#[derive(Default)]
struct Pace {
    /// The first frame of the stretch that is judged.
    from: Option<u64>,
    arrived: u64,
}

impl Pace {
    /// Takes the next frame's index; true once at the end of a stretch with too many gaps.
    fn is_too_slow(&mut self, index: u64) -> bool {
        let from = *self.from.get_or_insert(index);
        self.arrived += 1;
        let given = index.saturating_sub(from) + 1;
        if given < PACE_FRAMES {
            return false;
        }
        let missed = 1.0 - self.arrived as f64 / given as f64;
        *self = Self::default();
        missed > PACE_MISSED
    }
}

/// A model in use, or the pause until the next try.
struct Finder<'a> {
    tracker: Option<Box<dyn FindPose>>,
    again: Option<LoadTracker>,
    failures: u32,
    pause: Duration,
    load_at: Option<Instant>,
    health: &'a Health,
}

impl Finder<'_> {
    /// The pose of a frame; without a body where the model failed or is away.
    fn pose(&mut self, frame: &Frame) -> Result<PoseFrame, DaemonError> {
        self.load_when_due();
        let nothing = PoseFrame {
            index: frame.index,
            captured_at: frame.captured_at,
            body: None,
        };
        let Some(tracker) = &mut self.tracker else {
            return Ok(nothing);
        };
        match catch_unwind(AssertUnwindSafe(|| tracker.next(frame))) {
            Ok(Ok(found)) => {
                self.failures = 0;
                self.pause = AGAIN_AFTER.0;
                Ok(found)
            }
            Ok(Err(error)) => {
                self.failures += 1;
                tracing::error!(%error, frame = frame.index, "the pose model failed on a frame");
                if self.failures > BROKEN_AFTER {
                    if self.again.is_none() {
                        return Err(error.into());
                    }
                    self.give_up_for_now();
                }
                Ok(nothing)
            }
            Err(_) => {
                tracing::error!(
                    frame = frame.index,
                    "the pose stage failed by a fault of its own"
                );
                if self.again.is_none() {
                    return Err(DaemonError::Died("pose"));
                }
                self.give_up_for_now();
                Ok(nothing)
            }
        }
    }

    fn give_up_for_now(&mut self) {
        self.tracker = None;
        self.failures = 0;
        self.load_at = Some(Instant::now() + self.pause);
        tracing::warn!(
            secs = self.pause.as_secs_f64(),
            "the pose model is loaded again after a pause"
        );
        self.pause = (self.pause * 2).min(AGAIN_AFTER.1);
    }

    fn load_when_due(&mut self) {
        let due = self.load_at.is_some_and(|at| Instant::now() >= at);
        if !due {
            return;
        }
        self.load_at = None;
        let Some(again) = &mut self.again else { return };
        match again() {
            Ok(tracker) => {
                self.health.pose_restarts.fetch_add(1, Ordering::Relaxed);
                self.tracker = Some(tracker);
            }
            Err(error) => {
                tracing::error!(%error, "the pose model cannot be loaded");
                self.give_up_for_now();
            }
        }
    }
}

/// What the pose thread hands on.
pub(super) struct PoseOuts {
    /// Poses for the rep stage.
    pub poses: Sender<Posed>,
    /// Frames for the films, where there may be some.
    pub tap: Option<Tap>,
    /// Frames for screens, where there may be some.
    pub picture: Option<PictureTap>,
}

/// Runs until the lane closes or nobody takes poses any more.
pub(super) fn pose_frames(
    trackers: Trackers,
    lane: &LaneOut,
    outs: &mut PoseOuts,
    health: &Health,
    clock: &OnceLock<CaptureClock>,
    next: &NextTrackers,
) -> Result<(), DaemonError> {
    let mut lighter = trackers.lighter;
    let mut finder = Finder {
        tracker: Some(trackers.first),
        again: trackers.again,
        failures: 0,
        pause: AGAIN_AFTER.0,
        load_at: None,
        health,
    };
    let mut frame = Frame::default();
    let mut pace = Pace::default();
    while lane.take(&mut frame) {
        if let Some(trackers) = next.take() {
            lighter = trackers.lighter;
            finder.tracker = Some(trackers.first);
            finder.again = trackers.again;
            finder.failures = 0;
            finder.load_at = None;
            pace = Pace::default();
        }
        if pace.is_too_slow(frame.index)
            && let Some(light) = lighter.take()
        {
            let words = "lite model: the full one did not keep up with the camera";
            tracing::warn!("{words}");
            health.set_model(words);
            finder.tracker = Some(light);
            if finder.again.is_some() {
                finder.again = Some(Box::new(|| {
                    Model::Lite
                        .tracker()
                        .map(|tracker| Box::new(tracker) as Box<dyn FindPose>)
                }));
            }
        }
        let started = Instant::now();
        let found = finder.pose(&frame)?;
        health.pose.add(started.elapsed());
        if let Some(clock) = clock.get() {
            health
                .seen
                .add_ms(1e3 * clock.now().secs_since(frame.captured_at));
        }
        health.analysed.fetch_add(1, Ordering::Relaxed);
        if found.body.is_some() {
            health.bodies.fetch_add(1, Ordering::Relaxed);
        }
        if let Some(picture) = &mut outs.picture {
            picture.offer(&frame, &found);
        }
        let posed = Posed {
            frame: found,
            picture: PictureSize {
                width_px: frame.width as u32,
                height_px: frame.height as u32,
            },
            brightness: Some(frame.brightness()),
        };
        // Before the pose goes on, so that a rep is never known before its frames.
        if let Some(tap) = &outs.tap {
            tap.offer(&mut frame);
        }
        if outs.poses.send(posed).is_err() {
            break;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_model_that_misses_every_tenth_frame_is_too_slow_and_one_that_misses_none_is_not() {
        let mut pace = Pace::default();
        assert!(!(0..1000).any(|i| pace.is_too_slow(i)));
        let mut pace = Pace::default();
        assert!(
            (0..1000)
                .filter(|i| i % 10 != 3)
                .any(|i| pace.is_too_slow(i))
        );
    }

    #[test]
    fn one_long_gap_is_judged_with_its_stretch_only() {
        let mut pace = Pace::default();
        let frames = (0..100).chain(400..1600);
        assert_eq!(frames.filter(|i| pace.is_too_slow(*i)).count(), 1);
    }

    /// A model that fails as often as it is told to, or panics.
    struct Broken {
        panics: bool,
    }

    impl FindPose for Broken {
        fn next(&mut self, _frame: &Frame) -> Result<PoseFrame, InferenceError> {
            assert!(!self.panics, "a fault on purpose");
            Err(InferenceError::Run {
                network: "test".into(),
                reason: "on purpose".into(),
            })
        }
    }

    struct Sound;

    impl FindPose for Sound {
        fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError> {
            Ok(PoseFrame {
                index: frame.index,
                captured_at: frame.captured_at,
                body: Some(crate::pose::Body::empty()),
            })
        }
    }

    fn finder(health: &Health, first: Broken, lasting: bool) -> Finder<'_> {
        Finder {
            tracker: Some(Box::new(first)),
            again: lasting
                .then(|| Box::new(|| Ok(Box::new(Sound) as Box<dyn FindPose>)) as LoadTracker),
            failures: 0,
            pause: Duration::from_millis(20),
            load_at: None,
            health,
        }
    }

    #[test]
    fn a_model_that_breaks_is_loaded_again_and_frames_go_on_meanwhile() {
        for panics in [false, true] {
            let health = Health::default();
            let mut finder = finder(&health, Broken { panics }, true);
            let frame = Frame::default();
            for _ in 0..=BROKEN_AFTER {
                assert!(finder.pose(&frame).unwrap().body.is_none());
            }
            assert!(finder.tracker.is_none(), "it was given up for now");
            std::thread::sleep(Duration::from_millis(30));
            assert!(finder.pose(&frame).unwrap().body.is_some());
            assert_eq!(health.pose_restarts.load(Ordering::Relaxed), 1);
        }
    }

    #[test]
    fn a_replay_ends_with_the_models_error() {
        let health = Health::default();
        let mut finder = finder(&health, Broken { panics: false }, false);
        let frame = Frame::default();
        let ended = (0..2 * BROKEN_AFTER).find_map(|_| finder.pose(&frame).err());
        assert!(matches!(ended, Some(DaemonError::Pose(_))));
    }
}
