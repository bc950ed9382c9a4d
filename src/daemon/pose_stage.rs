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
use crate::status::Health;
use crate::video::FrameTap;

use super::DaemonError;
use super::bat_stage::BatTap;
use super::capture_loop::RateWish;
use super::frame_channel::FrameReceiver;
use super::keep_up::{Change, KeepUp};
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

/// Loads the tracker of a model again.
pub(crate) type LoadTracker =
    Box<dyn FnMut(Model) -> Result<Box<dyn PoseEstimator>, InferenceError> + Send>;

/// How a tracker that breaks is replaced.
pub(crate) struct Reload {
    /// The model in use.
    model: Model,
    load: LoadTracker,
}

/// The tracker in use, the one of the other model, when to change them, and how a broken one is replaced.
pub(crate) struct TrackerSet {
    /// The tracker to start with.
    pub primary: Box<dyn PoseEstimator>,
    /// The other model's; `None` where the choice is fixed.
    other: Option<Box<dyn PoseEstimator>>,
    /// `None` where a broken model ends the run.
    reload: Option<Reload>,
    /// Whether the machine keeps up; `None` where frames wait.
    keep_up: Option<KeepUp>,
}

impl TrackerSet {
    /// One model; if it breaks, the run ends with its error.
    pub(crate) fn once(primary: Tracker) -> Self {
        Self::once_of(Box::new(primary))
    }

    /// As [`Self::once`], and reads the bat in each frame before the frame goes on.
    pub(crate) fn once_with_bat(tracker: Tracker, bat_reader: BatReader) -> Self {
        Self::once_of(Box::new(WithBat {
            tracker,
            bat_reader,
        }))
    }

    fn once_of(primary: Box<dyn PoseEstimator>) -> Self {
        Self {
            primary,
            other: None,
            reload: None,
            keep_up: None,
        }
    }

    /// A model that is loaded again, with so many threads, when it breaks, and that gives way to another one or to another
    /// rate when the machine does not keep up. `other` is the other model's, where the settings leave it.
    pub(super) fn following(
        keep_up: KeepUp,
        primary: Tracker,
        other: Option<Tracker>,
        threads: usize,
    ) -> Self {
        let boxed = |tracker| Box::new(tracker) as Box<dyn PoseEstimator>;
        Self {
            primary: boxed(primary),
            other: other.map(boxed),
            reload: Some(Reload {
                model: keep_up.now().model,
                load: Box::new(move |model| model.tracker_on(threads).map(boxed)),
            }),
            keep_up: Some(keep_up),
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

/// A tracker that is replaced when it breaks; between the two there is none.
struct SupervisedTracker<'a> {
    tracker: Option<Box<dyn PoseEstimator>>,
    other: Option<Box<dyn PoseEstimator>>,
    reload: Option<Reload>,
    keep_up: Option<KeepUp>,
    failures: u32,
    pause: Duration,
    reload_at: Option<Instant>,
    health: &'a Health,
}

impl<'a> SupervisedTracker<'a> {
    fn new(set: TrackerSet, health: &'a Health) -> Self {
        Self {
            tracker: Some(set.primary),
            other: set.other,
            reload: set.reload,
            keep_up: set.keep_up,
            failures: 0,
            pause: RELOAD_PAUSE.0,
            reload_at: None,
            health,
        }
    }

    /// Counts a frame that arrived, and changes to another rate or model where the machine calls for it.
    fn follow(&mut self, frame: &Frame, has_body: bool, rate: &RateWish) {
        let Some(keep_up) = &mut self.keep_up else {
            return;
        };
        if let Some(Change { to, reason }) = keep_up.step(frame.index, frame.captured_at, has_body)
        {
            tracing::warn!("{reason}");
            self.health.set_model(reason);
            self.switch_to(to.model);
            rate.put(to.fps);
        }
    }

    /// Uses this model from now on, also when it has to be loaded again.
    fn switch_to(&mut self, model: Model) {
        let Some(reload) = self.reload.as_mut().filter(|reload| reload.model != model) else {
            return;
        };
        reload.model = model;
        let other = self.other.take();
        self.other = std::mem::replace(&mut self.tracker, other);
        // One that had been unloaded is loaded at the next frame.
        self.reload_at = self.tracker.is_none().then(Instant::now);
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
        match (reload.load)(reload.model) {
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
    rate: &RateWish,
) -> Result<(), DaemonError> {
    let mut tracker = SupervisedTracker::new(trackers, health);
    let mut camera = CameraWatch::default();
    let mut frame = Frame::default();
    while frames.recv(&mut frame) {
        if let Some(trackers) = pending.take() {
            if let Some(keep_up) = &trackers.keep_up {
                rate.put(keep_up.now().fps);
            }
            tracker = SupervisedTracker::new(trackers, health);
        }
        let started = Instant::now();
        let mut pose = tracker.pose(&frame)?;
        pose.camera = camera.step(&frame, pose.body.as_ref());
        tracker.follow(&frame, pose.body.is_some(), rate);
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
    use crate::daemon::rate_rule::ranked;
    use crate::settings::ModelChoice;
    use crate::time::CaptureTime;

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
        let mut set = TrackerSet::once_of(Box::new(primary));
        set.reload = reloads.then(|| Reload {
            model: Model::Full,
            load: Box::new(|_| Ok(Box::new(Working) as Box<dyn PoseEstimator>)),
        });
        let mut tracker = SupervisedTracker::new(set, health);
        tracker.pause = Duration::from_millis(20);
        tracker
    }

    #[test]
    fn a_machine_that_drops_frames_goes_on_with_the_other_model_or_another_rate_and_that_is_said() {
        let health = Health::default();
        let pairs = ranked(&[120.0, 60.0], ModelChoice::Auto);
        let keep_up = KeepUp::new(pairs.clone(), pairs[0]);
        let mut set = TrackerSet::once_of(Box::new(Broken { panics: false }));
        set.other = Some(Box::new(Working));
        set.reload = Some(Reload {
            model: Model::Full,
            load: Box::new(|_| Ok(Box::new(Working) as Box<dyn PoseEstimator>)),
        });
        set.keep_up = Some(keep_up);
        let mut tracker = SupervisedTracker::new(set, &health);
        let rate = RateWish::default();
        let mut wishes = Vec::new();
        // Every second frame arrives, whatever is done.
        for index in (0..120 * 20).step_by(2) {
            let frame = Frame {
                index,
                captured_at: CaptureTime::from_secs(index as f64 / 120.0),
                ..Frame::default()
            };
            let found = tracker.pose(&frame).unwrap().body.is_some();
            tracker.follow(&frame, found, &rate);
            wishes.extend(rate.take());
        }
        assert_eq!(wishes, [60.0, 60.0], "the rate goes first, then the model");
        let frame = Frame::default();
        assert!(
            tracker.pose(&frame).unwrap().body.is_some(),
            "it is the other one"
        );
        let said = health.model().unwrap().to_string();
        assert!(
            said.starts_with("lite model at 60 frames a second: the full model at 60 frames a second did not keep up"),
            "{said}"
        );
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
