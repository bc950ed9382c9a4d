//! The line from frames to reps: starts the threads, feeds the rep stage, ends in order.

use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;
use std::time::Duration;

use crossbeam_channel::{Receiver, RecvTimeoutError, bounded};

use crate::capture::{CaptureClock, CaptureError};
use crate::picture_size::PictureSize;
use crate::pose::PoseFrame;

use super::heart::Heart;
use super::lane::{LaneIn, Which, lane};
use super::picture::PictureTap;
use super::posing::{NextTrackers, PoseOuts, Trackers, pose_frames};
use super::{DaemonError, Health, RepStage};
use crate::thread::spawn;

/// Poses that may wait for the rep stage: four seconds at 60 frames a second. An analysis takes a few milliseconds and
/// a cue's report up to a quarter second; only a stage in trouble fills this.
const POSES: usize = 240;

/// A pose on its way to the rep stage.
pub struct Posed {
    /// The pose.
    pub frame: PoseFrame,
    /// The size of the picture it was found in.
    pub picture: PictureSize,
    /// Mean brightness of that picture, 0 to 255; `None` for a track.
    pub brightness: Option<f32>,
}

/// What a run begins with, and where what comes later waits.
pub(crate) struct Posing {
    /// To begin with.
    pub trackers: Trackers,
    /// Where others wait.
    pub next: Arc<NextTrackers>,
    /// Who takes frames for screens, where there may be any.
    pub picture: Option<PictureTap>,
}

impl From<Trackers> for Posing {
    /// No others will come.
    fn from(trackers: Trackers) -> Self {
        Self {
            trackers,
            next: Arc::default(),
            picture: None,
        }
    }
}

/// Runs a source to its end: `capture` runs on its own thread and puts frames into the lane until it is done or was
/// asked to stop. `clock` tells "now" on the source's clock once the source has one.
///
/// # Errors
/// The first error of any stage. The stage has been handed everything that was found until then.
pub(crate) fn run_line(
    which: Which,
    posing: impl Into<Posing>,
    health: &Arc<Health>,
    clock: &Arc<OnceLock<CaptureClock>>,
    stage: &mut RepStage,
    capture: impl FnOnce(&LaneIn) -> Result<(), CaptureError> + Send + 'static,
) -> Result<(), DaemonError> {
    let (lane_in, lane_out) = lane(which);
    let (poses_in, poses_out) = bounded(POSES);
    let capturing = spawn("capture", move || capture(&lane_in))?;
    let (figures, clock) = (Arc::clone(health), Arc::clone(clock));
    let Posing {
        trackers,
        next,
        picture,
    } = posing.into();
    let tap = stage.film_tap();
    let posing = spawn("pose", move || {
        let mut outs = PoseOuts {
            poses: poses_in,
            tap,
            picture,
        };
        pose_frames(trackers, &lane_out, &mut outs, &figures, &clock, &next)
    })?;

    let mut heart = Heart::new(Arc::clone(health));
    let staged = feed(stage, &poses_out, &mut heart);
    // Without a receiver the pose thread ends, and with it the capture thread.
    drop(poses_out);
    let posed = join(posing, "pose");
    let captured = join(capturing, "capture");
    staged?;
    posed??;
    captured??;
    Ok(())
}

fn feed(
    stage: &mut RepStage,
    poses: &Receiver<Posed>,
    heart: &mut Heart,
) -> Result<(), DaemonError> {
    loop {
        // A second without a pose is no reason to look dead: the camera may be away.
        match poses.recv_timeout(Duration::from_secs(1)) {
            Ok(posed) => stage.take(posed)?,
            Err(RecvTimeoutError::Timeout) => stage.idle()?,
            Err(RecvTimeoutError::Disconnected) => return Ok(()),
        }
        heart.beat(stage);
    }
}

fn join<T>(thread: JoinHandle<T>, name: &'static str) -> Result<T, DaemonError> {
    thread.join().map_err(|_| DaemonError::Died(name))
}
