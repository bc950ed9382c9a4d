//! Follows the hitter from frame to frame.
//!
//! In: frames in time order. Out: a [`PoseFrame`] for each. The detector looks only while nobody is
//! followed; after that each frame's crop comes from the landmarks of the frame before.

use super::body::PoseFrame;
use super::detector::Detector;
use super::inference::InferenceError;
use super::landmarker::{Landmarker, Landmarks};
use super::one_euro::{OneEuro, OneEuroTuning, SpeedFrom};
use super::roi::Roi;
use crate::capture::Frame;
use crate::time::CaptureTime;

/// While nobody is in sight the detector looks this often; looking at every frame would heat the machine
/// for nothing.
const LOOK_EVERY_SECS: f64 = 0.1;

/// The published tuning for the two points that place the crop; speed is in crop sides a second.
const STEADY: OneEuroTuning = OneEuroTuning {
    min_cutoff_hz: 0.01,
    beta: 10.0,
    derivative_cutoff_hz: 1.0,
    speed_from: SpeedFrom::Raw,
};

/// The published Python package counts every frame as this long, whatever the camera's rate. Keeping to it
/// makes the crops agree with the package's, and at 60 frames a second lets them follow more closely.
const STEP_SECS: f64 = 1.0 / 30.0;

/// Detector and landmark model with the memory of where the hitter was.
pub struct Tracker {
    detector: Detector,
    landmarker: Landmarker,
    following: Option<Following>,
    last_look: Option<CaptureTime>,
    /// Frames in which the detector ran.
    detections: u64,
}

/// The crop for the next frame, steadied.
struct Following {
    roi: Roi,
    points: [OneEuro; 4],
}

impl Tracker {
    /// A tracker that follows nobody yet.
    pub fn new(detector: Detector, landmarker: Landmarker) -> Self {
        Self {
            detector,
            landmarker,
            following: None,
            last_look: None,
            detections: 0,
        }
    }

    /// How often the detector has run.
    pub fn detections(&self) -> u64 {
        self.detections
    }

    /// Finds the hitter in the next frame.
    ///
    /// # Errors
    /// Where a network fails; the tracker then starts afresh with the next frame.
    pub fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError> {
        let found = self.locate(frame).inspect_err(|_| self.following = None)?;
        let body = found.map(|landmarks| {
            self.follow(&landmarks);
            landmarks.body
        });
        Ok(PoseFrame {
            index: frame.index,
            captured_at: frame.captured_at,
            body,
        })
    }

    /// Runs the landmark model over the middle of a frame and forgets the answer: for timing it.
    ///
    /// # Errors
    /// Where the network fails.
    pub fn try_landmarks(&mut self, frame: &Frame) -> Result<(), InferenceError> {
        let roi = Roi::whole_frame(frame.height, frame.height);
        self.landmarker.locate(frame, &roi).map(drop)
    }

    fn locate(&mut self, frame: &Frame) -> Result<Option<Landmarks>, InferenceError> {
        if let Some(following) = &self.following {
            let roi = following.roi;
            if roi.touches(frame.width, frame.height)
                && let Some(landmarks) = self.landmarker.locate(frame, &roi)?
            {
                return Ok(Some(landmarks));
            }
            self.following = None;
            // The published pipeline looks again with the next frame, and so does this one.
            self.last_look = None;
            return Ok(None);
        }
        let now = frame.captured_at;
        if self
            .last_look
            .is_some_and(|last| (0.0..LOOK_EVERY_SECS).contains(&now.secs_since(last)))
        {
            return Ok(None);
        }
        self.last_look = Some(now);
        self.detections += 1;
        let people = self.detector.detect(frame)?;
        match people.first().and_then(|p| p.roi()) {
            Some(roi) => self.landmarker.locate(frame, &roi),
            None => Ok(None),
        }
    }

    fn follow(&mut self, landmarks: &Landmarks) {
        let (center, rim) = (landmarks.center_px, landmarks.rim_px);
        let size = 2.0 * (rim[0] - center[0]).hypot(rim[1] - center[1]).max(1.0);
        let mut points = match self.following.take() {
            Some(f) => f.points,
            None => std::array::from_fn(|_| OneEuro::new(STEADY)),
        };
        // The filter's speed is in sides a second, so the points go through it in sides.
        let raw = [center[0], center[1], rim[0], rim[1]];
        let mut steady = [0.0f32; 4];
        for ((s, r), filter) in steady.iter_mut().zip(raw).zip(&mut points) {
            *s = filter.next(f64::from(r), 1.0 / f64::from(size), STEP_SECS) as f32;
        }
        let [cx, cy, rx, ry] = steady;
        self.following = Roi::around([cx, cy], [rx, ry]).map(|roi| Following { roi, points });
    }
}
