//! The networks that ship inside the program.

use super::detector::Detector;
use super::landmarker::Landmarker;
use super::tracker::Tracker;
use crate::cores;
use cagehand_networks::InferenceError;
use cagehand_networks::WorkerPool;
use std::sync::Arc;

const DETECTOR: &[u8] = include_bytes!("../../models/pose_detection.onnx");
const LITE: &[u8] = include_bytes!("../../models/pose_landmark_lite.onnx");
const FULL: &[u8] = include_bytes!("../../models/pose_landmark_full.onnx");

/// A landmark model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Model {
    /// Faster, for a weak machine.
    Lite,
    /// Clearly more accurate.
    Full,
}

impl Model {
    /// The word used in settings and on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Model::Lite => "lite",
            Model::Full => "full",
        }
    }

    /// Loads the detector and this landmark model, with the default number of threads on this machine.
    ///
    /// # Errors
    /// Where a network cannot be prepared.
    pub fn tracker(self) -> Result<Tracker, InferenceError> {
        self.tracker_on(default_threads())
    }

    /// Loads the detector and this landmark model; `threads` run a network.
    ///
    /// # Errors
    /// Where a network cannot be prepared.
    pub(crate) fn tracker_on(self, threads: usize) -> Result<Tracker, InferenceError> {
        let pool = &Arc::new(WorkerPool::new(threads, &cores::BUDGET));
        let landmarker = match self {
            Model::Lite => Landmarker::new("pose_landmark_lite", LITE, pool)?.lite(),
            Model::Full => Landmarker::new("pose_landmark_full", FULL, pool)?,
        };
        Ok(Tracker::new(Detector::new(DETECTOR, pool)?, landmarker))
    }
}

/// The number of threads that run a network where nothing was measured: two, where the machine has two cores. `watch` finds
/// out at its start whether more pay.
pub(crate) fn default_threads() -> usize {
    cagehand_networks::machine_cores().min(2)
}
