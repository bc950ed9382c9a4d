//! The pose thread: frames in, poses out, and what happens when the model fails.
//!
//! In: frames from the frame channel. Out: one pose a frame to the rep stage; frames for films and screens. A frame on which
//! the model fails is a gap. A model that fails on every frame, or panics, is loaded again after a pause that grows each
//! time; until then frames go on without a body, so that the rest of the program keeps its time.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use crossbeam_channel::Sender;

use crate::capture::{CaptureClock, Frame};
use crate::pose::{BatReader, CameraWatch, InferenceError, Model, PoseFrame, Tracker};
use crate::status::{Health, ModelReason};
use crate::video::FrameTap;

use super::DaemonError;
use super::bat_stage::BatTap;
use super::frame_channel::FrameReceiver;
use super::pipeline::PoseSample;
use super::preview_encoder::PreviewTap;

/// Failures in a row after which a model counts as broken.
const BROKEN_AFTER: u32 = 30;
/// Pauses before a broken model is loaded again: the first, and the longest.
const RELOAD_PAUSE: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(30));

/// Finds the body in a frame.
pub(crate) trait PoseEstimator: Send {
    /// The pose of the next frame.
    ///
    /// # Errors
    /// Where the model fails.
    fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError>;
}

impl PoseEstimator for Tracker {
    fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError> {
        Tracker::next(self, frame)
    }
}

/// A tracker whose frames are read for the bat, too, each before it goes on: for recordings, which wait.
struct WithBat {
    tracker: Tracker,
    bat_reader: BatReader,
}

impl PoseEstimator for WithBat {
    fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError> {
        let mut pose = self.tracker.next(frame)?;
        // The pose is as good without it.
        if let Err(error) = self.bat_reader.read(frame, &mut pose) {
            tracing::error!(%error, frame = frame.index, "the bat network failed on a frame");
        }
        Ok(pose)
    }
}

/// Loads a tracker again.
pub(crate) type LoadTracker =
    Box<dyn FnMut() -> Result<Box<dyn PoseEstimator>, InferenceError> + Send>;

/// The tracker in use, the one that takes over if it does not keep up, and how a broken one is replaced.
pub(crate) struct TrackerSet {
    /// The tracker to start with.
    pub primary: Box<dyn PoseEstimator>,
    /// Faster and less accurate; `None` where the choice is fixed.
    pub fallback: Option<Box<dyn PoseEstimator>>,
    /// Loads the one in use again; `None` where a broken model ends the run.
    pub reload: Option<LoadTracker>,
}

impl TrackerSet {
    /// One model; if it breaks, the run ends with its error.
    pub(crate) fn once(primary: Tracker) -> Self {
        Self {
            primary: Box::new(primary),
            fallback: None,
            reload: None,
        }
    }

    /// As [`Self::once`], and reads the bat in each frame before the frame goes on.
    pub(crate) fn once_with_bat(primary: Tracker, bat_reader: BatReader) -> Self {
        Self {
            primary: Box::new(WithBat {
                tracker: primary,
                bat_reader,
            }),
            fallback: None,
            reload: None,
        }
    }

    /// A model that is loaded again when it breaks. `fallback`, if given, is the lite model.
    pub(crate) fn supervised(primary: Tracker, model: Model, fallback: Option<Tracker>) -> Self {
        Self {
            primary: Box::new(primary),
            fallback: fallback.map(|tracker| Box::new(tracker) as Box<dyn PoseEstimator>),
            reload: Some(Box::new(move || load(model))),
        }
    }
}

/// Holds trackers until the pose thread switches to them.
#[derive(Default)]
pub(crate) struct PendingTrackers(Mutex<Option<TrackerSet>>);

impl PendingTrackers {
    /// Has the pose thread use these from the next frame on.
    pub(crate) fn put(&self, trackers: TrackerSet) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(trackers);
    }

    /// The pending trackers, once; never blocks.
    fn take(&self) -> Option<TrackerSet> {
        self.0.try_lock().ok()?.take()
    }
}

/// Frames in a window over which drops are counted, and the share of them that may be dropped before the fallback takes over.
const WINDOW_FRAMES: u64 = 300;
const MOST_DROPPED: f64 = 0.04;

/// Watches for a model that is too slow: too many of the source's frames never arrive.
#[derive(Default)]
struct DropMonitor {
    /// The first frame of the window.
    from: Option<u64>,
    arrived: u64,
}

impl DropMonitor {
    /// Takes the next frame's index; true once at the end of a window with too many drops.
    fn is_too_slow(&mut self, index: u64) -> bool {
        let from = *self.from.get_or_insert(index);
        self.arrived += 1;
        let given = index.saturating_sub(from) + 1;
        if given < WINDOW_FRAMES {
            return false;
        }
        let dropped = 1.0 - self.arrived as f64 / given as f64;
        *self = Self::default();
        dropped > MOST_DROPPED
    }
}

/// A tracker that is replaced when it breaks; between the two there is none.
struct SupervisedTracker<'a> {
    tracker: Option<Box<dyn PoseEstimator>>,
    reload: Option<LoadTracker>,
    failures: u32,
    pause: Duration,
    reload_at: Option<Instant>,
    health: &'a Health,
}

fn load(model: Model) -> Result<Box<dyn PoseEstimator>, InferenceError> {
    model
        .tracker()
        .map(|tracker| Box::new(tracker) as Box<dyn PoseEstimator>)
}

impl<'a> SupervisedTracker<'a> {
    fn new(
        tracker: Box<dyn PoseEstimator>,
        reload: Option<LoadTracker>,
        health: &'a Health,
    ) -> Self {
        Self {
            tracker: Some(tracker),
            reload,
            failures: 0,
            pause: RELOAD_PAUSE.0,
            reload_at: None,
            health,
        }
    }

    /// Uses the lite model from now on, also when it has to be loaded again.
    fn switch_to_lite(&mut self, lite: Box<dyn PoseEstimator>) {
        self.tracker = Some(lite);
        if self.reload.is_some() {
            self.reload = Some(Box::new(|| load(Model::Lite)));
        }
    }

    /// The pose of a frame; without a body where the model failed or is unloaded.
    fn pose(&mut self, frame: &Frame) -> Result<PoseFrame, DaemonError> {
        self.reload_when_due();
        let nothing = PoseFrame::new(frame.index, frame.captured_at, None);
        let Some(tracker) = &mut self.tracker else {
            return Ok(nothing);
        };
        match catch_unwind(AssertUnwindSafe(|| tracker.next(frame))) {
            Ok(Ok(found)) => {
                self.failures = 0;
                self.pause = RELOAD_PAUSE.0;
                Ok(found)
            }
            Ok(Err(error)) => {
                self.failures += 1;
                tracing::error!(%error, frame = frame.index, "the pose model failed on a frame");
                if self.failures > BROKEN_AFTER {
                    if self.reload.is_none() {
                        return Err(error.into());
                    }
                    self.unload_for_a_pause();
                }
                Ok(nothing)
            }
            Err(_) => {
                tracing::error!(
                    frame = frame.index,
                    "the pose stage failed by a fault of its own"
                );
                if self.reload.is_none() {
                    return Err(DaemonError::Died("pose"));
                }
                self.unload_for_a_pause();
                Ok(nothing)
            }
        }
    }

    fn unload_for_a_pause(&mut self) {
        self.tracker = None;
        self.failures = 0;
        self.reload_at = Some(Instant::now() + self.pause);
        tracing::warn!(
            secs = self.pause.as_secs_f64(),
            "the pose model is loaded again after a pause"
        );
        self.pause = (self.pause * 2).min(RELOAD_PAUSE.1);
    }

    fn reload_when_due(&mut self) {
        let due = self.reload_at.is_some_and(|at| Instant::now() >= at);
        if !due {
            return;
        }
        self.reload_at = None;
        let Some(reload) = &mut self.reload else {
            return;
        };
        match reload() {
            Ok(tracker) => {
                self.health.pose_restarts.fetch_add(1, Ordering::Relaxed);
                self.tracker = Some(tracker);
            }
            Err(error) => {
                tracing::error!(%error, "the pose model cannot be loaded");
                self.unload_for_a_pause();
            }
        }
    }
}

/// Where the pose thread's results go.
pub(super) struct PoseOutputs {
    /// Poses for the rep stage.
    pub poses: Sender<PoseSample>,
    /// Frames for the films, where there may be some.
    pub films: Option<FrameTap>,
    /// Frames for screens, where there may be some.
    pub preview: Option<PreviewTap>,
    /// Frames in which bat and turn are read, where they are.
    pub bat_tap: Option<BatTap>,
}

impl PoseOutputs {
    /// Hands on a frame and its pose; false when the rep stage is gone.
    fn send(&mut self, frame: &mut Frame, pose: PoseFrame) -> bool {
        if let Some(preview) = &mut self.preview {
            preview.offer(frame, &pose);
        }
        if let Some(tap) = &self.bat_tap {
            tap.offer(frame, &pose);
        }
        let sample = PoseSample {
            pose,
            picture: frame.size(),
            brightness: Some(frame.brightness()),
        };
        // Before the pose goes on, so that a rep is never known before its frames.
        if let Some(films) = &self.films {
            films.offer(frame);
        }
        self.poses.send(sample).is_ok()
    }
}

/// Runs until the frame channel closes or the rep stage is gone.
pub(super) fn run_pose_stage(
    trackers: TrackerSet,
    frames: &FrameReceiver,
    outputs: &mut PoseOutputs,
    health: &Health,
    clock: &OnceLock<CaptureClock>,
    pending: &PendingTrackers,
) -> Result<(), DaemonError> {
    let mut fallback = trackers.fallback;
    let mut tracker = SupervisedTracker::new(trackers.primary, trackers.reload, health);
    let mut drops = DropMonitor::default();
    let mut camera = CameraWatch::default();
    let mut frame = Frame::default();
    while frames.recv(&mut frame) {
        if let Some(trackers) = pending.take() {
            fallback = trackers.fallback;
            tracker = SupervisedTracker::new(trackers.primary, trackers.reload, health);
            drops = DropMonitor::default();
        }
        if drops.is_too_slow(frame.index)
            && let Some(lite) = fallback.take()
        {
            tracing::warn!("{}", ModelReason::FullDroppedFrames);
            health.set_model(ModelReason::FullDroppedFrames);
            tracker.switch_to_lite(lite);
        }
        let started = Instant::now();
        let mut pose = tracker.pose(&frame)?;
        pose.camera = camera.step(&frame, pose.body.as_ref());
        health.pose.add(started.elapsed());
        if let Some(clock) = clock.get() {
            health
                .capture_to_analysis
                .add_ms(1e3 * clock.now().secs_since(frame.captured_at));
        }
        health.analyzed.fetch_add(1, Ordering::Relaxed);
        if pose.body.is_some() {
            health.bodies.fetch_add(1, Ordering::Relaxed);
        }
        if !outputs.send(&mut frame, pose) {
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
        let mut drops = DropMonitor::default();
        assert!(!(0..1000).any(|i| drops.is_too_slow(i)));
        let mut drops = DropMonitor::default();
        assert!(
            (0..1000)
                .filter(|i| i % 10 != 3)
                .any(|i| drops.is_too_slow(i))
        );
    }

    #[test]
    fn one_long_gap_is_judged_with_its_stretch_only() {
        let mut drops = DropMonitor::default();
        let frames = (0..100).chain(400..1600);
        assert_eq!(frames.filter(|i| drops.is_too_slow(*i)).count(), 1);
    }

    /// A model that fails on every frame, or panics.
    struct Broken {
        panics: bool,
    }

    impl PoseEstimator for Broken {
        fn next(&mut self, _frame: &Frame) -> Result<PoseFrame, InferenceError> {
            assert!(!self.panics, "a fault on purpose");
            Err(InferenceError::Run {
                network: "test".into(),
                reason: "on purpose".into(),
            })
        }
    }

    struct Working;

    impl PoseEstimator for Working {
        fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError> {
            Ok(PoseFrame::new(
                frame.index,
                frame.captured_at,
                Some(crate::pose::Body::empty()),
            ))
        }
    }

    fn supervised(health: &Health, primary: Broken, reloads: bool) -> SupervisedTracker<'_> {
        let reload: Option<LoadTracker> = reloads
            .then(|| Box::new(|| Ok(Box::new(Working) as Box<dyn PoseEstimator>)) as LoadTracker);
        let mut tracker = SupervisedTracker::new(Box::new(primary), reload, health);
        tracker.pause = Duration::from_millis(20);
        tracker
    }

    #[test]
    fn a_model_that_breaks_is_loaded_again_and_frames_go_on_meanwhile() {
        for panics in [false, true] {
            let health = Health::default();
            let mut tracker = supervised(&health, Broken { panics }, true);
            let frame = Frame::default();
            for _ in 0..=BROKEN_AFTER {
                assert!(tracker.pose(&frame).unwrap().body.is_none());
            }
            assert!(tracker.tracker.is_none(), "it was given up for now");
            std::thread::sleep(Duration::from_millis(30));
            assert!(tracker.pose(&frame).unwrap().body.is_some());
            assert_eq!(health.pose_restarts.load(Ordering::Relaxed), 1);
        }
    }

    #[test]
    fn a_replay_ends_with_the_models_error() {
        let health = Health::default();
        let mut tracker = supervised(&health, Broken { panics: false }, false);
        let frame = Frame::default();
        let ended = (0..2 * BROKEN_AFTER).find_map(|_| tracker.pose(&frame).err());
        assert!(matches!(ended, Some(DaemonError::Pose(_))));
    }
}
