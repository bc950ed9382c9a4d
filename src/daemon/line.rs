//! The line from frames to reps: starts the threads, feeds the rep stage, ends in order.

use std::sync::atomic::Ordering;
use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;
use std::time::Instant;

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::capture::{CaptureClock, CaptureError, Frame};
use crate::journal::PictureSize;
use crate::pose::{PoseFrame, Tracker};

use super::lane::{LaneIn, LaneOut, Which, lane};
use super::thread::spawn;
use super::{DaemonError, Health, RepStage};

/// Poses that may wait for the rep stage: four seconds at 60 frames a second. An analysis takes a few milliseconds and
/// a cue's report up to a quarter second; only a stage in trouble fills this.
const POSES: usize = 240;

/// Frames over which the pace is judged, and the share of them that may be missed before a lighter model takes over.
const PACE_FRAMES: u64 = 300;
const PACE_MISSED: f64 = 0.04;

/// The tracker to begin with, and the one that takes over where the first does not keep up.
pub struct Trackers {
    /// To begin with.
    pub first: Tracker,
    /// Quicker and less true; `None` where the choice is fixed.
    pub lighter: Option<Tracker>,
}

impl From<Tracker> for Trackers {
    fn from(first: Tracker) -> Self {
        Self {
            first,
            lighter: None,
        }
    }
}

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

/// A pose on its way to the rep stage.
pub struct Posed {
    /// The pose.
    pub frame: PoseFrame,
    /// The size of the picture it was found in.
    pub picture: PictureSize,
    /// Mean brightness of that picture, 0 to 255; `None` for a track.
    pub brightness: Option<f32>,
}

/// Runs a source to its end: `capture` runs on its own thread and puts frames into the lane until it is done or was
/// asked to stop. `clock` tells "now" on the source's clock once the source has one.
///
/// # Errors
/// The first error of any stage. The stage has been handed everything that was found until then.
pub fn run_line(
    which: Which,
    trackers: Trackers,
    health: &Arc<Health>,
    clock: &Arc<OnceLock<CaptureClock>>,
    stage: &mut RepStage,
    capture: impl FnOnce(&LaneIn) -> Result<(), CaptureError> + Send + 'static,
) -> Result<(), DaemonError> {
    let (lane_in, lane_out) = lane(which);
    let (poses_in, poses_out) = bounded(POSES);
    let capturing = spawn("capture", move || capture(&lane_in))?;
    let (figures, clock) = (Arc::clone(health), Arc::clone(clock));
    let posing = spawn("pose", move || {
        pose_frames(trackers, &lane_out, &poses_in, &figures, &clock)
    })?;

    let staged = feed(stage, &poses_out);
    // Without a receiver the pose thread ends, and with it the capture thread.
    drop(poses_out);
    let posed = join(posing, "pose");
    let captured = join(capturing, "capture");
    staged?;
    posed??;
    captured??;
    Ok(())
}

fn feed(stage: &mut RepStage, poses: &Receiver<Posed>) -> Result<(), DaemonError> {
    for posed in poses {
        stage.take(posed)?;
    }
    Ok(())
}

fn pose_frames(
    trackers: Trackers,
    lane: &LaneOut,
    poses: &Sender<Posed>,
    health: &Health,
    clock: &OnceLock<CaptureClock>,
) -> Result<(), DaemonError> {
    let Trackers {
        first: mut tracker,
        mut lighter,
    } = trackers;
    let mut frame = Frame::default();
    let mut failures = 0u32;
    let mut pace = Pace::default();
    while lane.take(&mut frame) {
        if pace.is_too_slow(frame.index)
            && let Some(light) = lighter.take()
        {
            tracing::warn!(
                "the pose model does not keep up with the camera; the lite model takes over"
            );
            tracker = light;
        }
        let started = Instant::now();
        let found = match tracker.next(&frame) {
            Ok(found) => {
                failures = 0;
                found
            }
            Err(error) => {
                // One bad frame is a gap; a model that fails on every frame is a fault.
                failures += 1;
                if failures > 30 {
                    return Err(error.into());
                }
                tracing::error!(%error, frame = frame.index, "the pose model failed on a frame");
                PoseFrame {
                    index: frame.index,
                    captured_at: frame.captured_at,
                    body: None,
                }
            }
        };
        health.pose.add(started.elapsed());
        if let Some(clock) = clock.get() {
            health
                .seen
                .add_ms(1e3 * clock.now().secs_since(frame.captured_at));
        }
        if found.body.is_some() {
            health.bodies.fetch_add(1, Ordering::Relaxed);
        }
        let picture = PictureSize {
            width_px: frame.width as u32,
            height_px: frame.height as u32,
        };
        if poses
            .send(Posed {
                frame: found,
                picture,
                brightness: Some(frame.brightness()),
            })
            .is_err()
        {
            break;
        }
    }
    Ok(())
}

fn join<T>(thread: JoinHandle<T>, name: &'static str) -> Result<T, DaemonError> {
    thread.join().map_err(|_| DaemonError::Died(name))
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
}
