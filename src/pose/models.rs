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

/// Which landmark model to use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Model {
    /// Faster, for a weak machine.
    Lite,
    /// Clearly truer.
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

    /// Loads the detector and this landmark model, with as many threads as serve on this machine.
    ///
    /// # Errors
    /// Where a network cannot be prepared.
    pub fn tracker(self) -> Result<Tracker, InferenceError> {
        self.tracker_on(usual_threads())
    }

    /// Loads the detector and this landmark model; `threads` work on a network.
    ///
    /// # Errors
    /// Where a network cannot be prepared.
    pub fn tracker_on(self, threads: usize) -> Result<Tracker, InferenceError> {
        let pool = &Arc::new(WorkerPool::new(threads, &cores::BUDGET));
        let landmarker = match self {
            Model::Lite => Landmarker::new("pose_landmark_lite", LITE, pool)?.lite(),
            Model::Full => Landmarker::new("pose_landmark_full", FULL, pool)?,
        };
        Ok(Tracker::new(Detector::new(DETECTOR, pool)?, landmarker))
    }
}

/// Threads that work on a network where nobody says how many: two, where the machine has two cores. More were never
/// measured; on a larger machine the other cores are left to decoding, films and the page.
pub(crate) fn usual_threads() -> usize {
    cagehand_networks::machine_cores().min(2)
}
