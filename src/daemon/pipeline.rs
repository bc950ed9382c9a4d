//! The pipeline from frames to reps: starts the capture and pose threads, feeds the rep stage, ends them in order.

use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;
use std::time::Duration;

use crossbeam_channel::{Receiver, RecvTimeoutError, bounded};

use crate::capture::{CaptureClock, CaptureError};
use crate::picture_size::PictureSize;
use crate::pose::PoseFrame;

use super::bat_stage::BatTap;
use super::capture_loop::RateWish;
use super::frame_channel::{FramePolicy, FrameSender, frame_channel};
use super::pose_stage::{PendingTrackers, PoseOutputs, TrackerSet, run_pose_stage};
use super::preview_encoder::PreviewTap;
use super::watchdog::Watchdog;
use super::{DaemonError, RepStage};
use crate::status::Health;
use crate::thread::spawn;

/// Poses that may wait for the rep stage: four seconds at 60 frames a second, one at 240. An analysis takes a few milliseconds and
/// waiting for a cue's report up to a quarter second, so only a stage in trouble fills this.
const POSES: usize = 240;

/// A pose on its way to the rep stage.
pub struct PoseSample {
    /// The pose.
    pub pose: PoseFrame,
    /// The size of the picture it was found in.
    pub picture: PictureSize,
    /// Mean brightness of that picture, 0 to 255; `None` for a track.
    pub brightness: Option<f32>,
}

/// What the pose thread starts with, and where replacements are left for it.
pub(crate) struct PoseSetup {
    /// The models to start with.
    pub trackers: TrackerSet,
    /// Models that replace them while the pipeline runs.
    pub pending: Arc<PendingTrackers>,
    /// Where the pose thread leaves the rate that it wishes for.
    pub rate: Arc<RateWish>,
    /// Takes frames for screens, where there may be any.
    pub preview: Option<PreviewTap>,
    /// Takes frames in which bat and turn are read beside the poses.
    pub bat_tap: Option<BatTap>,
}

impl From<TrackerSet> for PoseSetup {
    /// The models that a run starts with are those it ends with.
    fn from(trackers: TrackerSet) -> Self {
        Self {
            trackers,
            pending: Arc::default(),
            rate: Arc::default(),
            preview: None,
            bat_tap: None,
        }
    }
}

/// Runs a source to its end. `capture` runs on its own thread and sends frames until the source ends, fails, or a stop is
/// requested. `clock` gives "now" on the source's clock, once the source has one.
///
/// # Errors
/// The first error of any stage. Everything that was found until then has reached the rep stage.
pub(crate) fn run_pipeline(
    policy: FramePolicy,
    setup: impl Into<PoseSetup>,
    health: &Arc<Health>,
    clock: &Arc<OnceLock<CaptureClock>>,
    stage: &mut RepStage,
    capture: impl FnOnce(&FrameSender) -> Result<(), CaptureError> + Send + 'static,
) -> Result<(), DaemonError> {
    let (frame_tx, frame_rx) = frame_channel(policy);
    let (pose_tx, pose_rx) = bounded(POSES);
    let capture_thread = spawn("capture", move || capture(&frame_tx))?;
    let PoseSetup {
        trackers,
        pending,
        rate,
        preview,
        bat_tap,
    } = setup.into();
    let mut outputs = PoseOutputs {
        poses: pose_tx,
        films: stage.film_tap(),
        preview,
        bat_tap,
    };
    let pose_thread = spawn("pose", {
        let (health, clock) = (Arc::clone(health), Arc::clone(clock));
        move || {
            run_pose_stage(
                trackers,
                &frame_rx,
                &mut outputs,
                &health,
                &clock,
                &pending,
                &rate,
            )
        }
    })?;

    let mut watchdog = Watchdog::new(Arc::clone(health));
    let staged = run_rep_stage(stage, &pose_rx, &mut watchdog);
    // Without a receiver the pose thread ends, and with it the capture thread.
    drop(pose_rx);
    let posed = join(pose_thread, "pose");
    let captured = join(capture_thread, "capture");
    staged?;
    posed??;
    captured??;
    Ok(())
}

fn run_rep_stage(
    stage: &mut RepStage,
    poses: &Receiver<PoseSample>,
    watchdog: &mut Watchdog,
) -> Result<(), DaemonError> {
    loop {
        // A second without a pose does not mean that the pipeline is stuck: the camera may be away.
        match poses.recv_timeout(Duration::from_secs(1)) {
            Ok(sample) => stage.step(sample)?,
            Err(RecvTimeoutError::Timeout) => stage.idle()?,
            Err(RecvTimeoutError::Disconnected) => return Ok(()),
        }
        watchdog.tick(stage);
    }
}

fn join<T>(thread: JoinHandle<T>, name: &'static str) -> Result<T, DaemonError> {
    thread.join().map_err(|_| DaemonError::Died(name))
}
