//! The networks that ship inside the program.

use super::detector::Detector;
use super::inference::InferenceError;
use super::landmarker::Landmarker;
use super::tracker::Tracker;

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

    /// Loads the detector and this landmark model.
    ///
    /// # Errors
    /// Where a network cannot be prepared.
    pub fn tracker(self) -> Result<Tracker, InferenceError> {
        let landmarker = match self {
            Model::Lite => Landmarker::new("pose_landmark_lite", LITE)?.lite(),
            Model::Full => Landmarker::new("pose_landmark_full", FULL)?,
        };
        Ok(Tracker::new(Detector::new(DETECTOR)?, landmarker))
    }
}
