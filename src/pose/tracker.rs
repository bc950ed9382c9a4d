//! Follows the hitter from frame to frame.
//!
//! In: frames in time order. Out: a [`PoseFrame`] for each. The detector looks only while nobody is
//! followed; after that each frame's crop comes from the landmarks of the frame before.

use super::body::PoseFrame;
use super::detector::{Detection, Detector};
use super::home::{Home, Place};
use super::landmarker::{Landmarker, Landmarks, Stages};
use super::one_euro::{OneEuro, OneEuroTuning, SpeedFrom};
use super::roi::Roi;
use crate::capture::Frame;
use crate::time::CaptureTime;
use cagehand_networks::InferenceError;

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
    home: Option<Home>,
    last_look: Option<CaptureTime>,
    /// Frames in which the detector ran.
    detections: u64,
}

fn place_of(landmarks: &Landmarks) -> Place {
    let (center, rim) = (landmarks.center_px, landmarks.rim_px);
    Place {
        center_px: center,
        side_px: 2.5 * (rim[0] - center[0]).hypot(rim[1] - center[1]),
    }
}

/// The crop of the hitter among the people found: the one at home, or, where there is no home yet, the largest of
/// those that are clearly people. The hitter stands nearest to the camera; coaches and catchers stand behind.
fn choose(people: &[Detection], home: Option<&Home>) -> Option<Roi> {
    let rois = people.iter().filter_map(|p| Some((p, p.roi()?)));
    match home {
        Some(home) => rois
            .filter_map(|(_, roi)| {
                let place = Place {
                    center_px: [roi.center_x_px, roi.center_y_px],
                    side_px: roi.side_px,
                };
                Some((home.distance(place)?, roi))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, roi)| roi),
        None => rois
            .filter(|(person, _)| person.score >= 0.6 * people[0].score)
            .max_by(|a, b| a.1.side_px.total_cmp(&b.1.side_px))
            .map(|(_, roi)| roi),
    }
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
            home: None,
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

    /// Runs the landmark model over the middle of a frame and forgets the answer: for timing it. The square is turned, as
    /// with a hitter who leans: cutting it out then reads across the rows of the frame, which takes longer.
    ///
    /// # Errors
    /// Where the network fails.
    pub fn try_landmarks(&mut self, frame: &Frame) -> Result<(), InferenceError> {
        let roi = Roi {
            center_x_px: frame.width as f32 / 2.0,
            turn_rad: 0.1,
            ..Roi::whole_frame(frame.height, frame.height)
        };
        self.landmarker.locate(frame, &roi).map(drop)
    }

    /// How long the parts of the last look at a crop took.
    pub fn stages(&self) -> Stages {
        self.landmarker.stages()
    }

    fn locate(&mut self, frame: &Frame) -> Result<Option<Landmarks>, InferenceError> {
        let now = frame.captured_at;
        if let Some(following) = &self.following {
            let roi = following.roi;
            if roi.touches(frame.width, frame.height)
                && let Some(landmarks) = self.landmarker.locate(frame, &roi)?
            {
                let place = place_of(&landmarks);
                let home = self.home.get_or_insert_with(|| Home::new(place, now));
                if home.can_be(place, now) {
                    home.seen(place, now);
                    return Ok(Some(landmarks));
                }
            }
            // Lost, or the crop has slipped onto somebody else. The detector looks from the next frame on, as
            // in the published pipeline.
            self.following = None;
            self.last_look = None;
            return Ok(None);
        }
        if self
            .last_look
            .is_some_and(|last| (0.0..LOOK_EVERY_SECS).contains(&now.secs_since(last)))
        {
            return Ok(None);
        }
        self.last_look = Some(now);
        self.detections += 1;
        self.home = self.home.filter(|home| !home.is_forgotten(now));
        let people = self.detector.detect(frame)?;
        let Some(roi) = choose(&people, self.home.as_ref()) else {
            return Ok(None);
        };
        let Some(landmarks) = self.landmarker.locate(frame, &roi)? else {
            return Ok(None);
        };
        let place = place_of(&landmarks);
        match &mut self.home {
            Some(home) if home.distance(place).is_none() => return Ok(None),
            Some(home) => home.found_again(now),
            None => self.home = Some(Home::new(place, now)),
        }
        Ok(Some(landmarks))
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
