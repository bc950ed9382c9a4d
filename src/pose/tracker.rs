//! Follows the hitter from frame to frame.
//!
//! In: frames in time order. Out: a [`PoseFrame`] for each. The detector finds whom to track; after that each frame's crop
//! comes from the landmarks of the frame before, and the detector only looks now and then whether somebody else is the
//! hitter.

use super::body::PoseFrame;
use super::detector::{Detection, Detector};
use super::hitter_choice::{Errand, HitterChoice, MOST_PEOPLE, Sight};
use super::hitter_gate::{BodyBox, HitterGate};
use super::landmarker::{Landmarker, Landmarks, StageTimes};
use super::one_euro::{OneEuro, OneEuroTuning, SpeedFrom};
use super::roi::Roi;
use crate::capture::Frame;
use crate::time::CaptureTime;
use cagehand_networks::InferenceError;

/// While nobody is tracked the detector runs this often; to run it on every frame would heat the machine for nothing.
const DETECT_EVERY_SECS: f64 = 0.1;

/// Whom the detector gives less than this share of the best one's probability may be no person.
const CLEAR_SHARE: f32 = 0.6;

/// The published tuning for the two points that place the crop; speed is in crop sides a second.
const CROP_SMOOTHING: OneEuroTuning = OneEuroTuning {
    min_cutoff_hz: 0.01,
    beta: 10.0,
    derivative_cutoff_hz: 1.0,
    speed_from: SpeedFrom::Raw,
};

/// The published Python package takes every frame to be this long, whatever the camera's rate. The same value here makes
/// the crops agree with the package's, and lets them follow more closely at 60 frames a second.
const SMOOTHING_STEP_SECS: f64 = 1.0 / 30.0;

/// Detector and landmark model, with the crop that follows the hitter from frame to frame.
pub struct Tracker {
    detector: Detector,
    landmarker: Landmarker,
    tracked: Option<TrackedCrop>,
    gate: Option<HitterGate>,
    choice: HitterChoice,
    last_detection: Option<CaptureTime>,
}

/// The crop of whoever is nearest to where the hitter was.
fn nearest(people: &[Detection], gate: &HitterGate) -> Option<Roi> {
    people
        .iter()
        .filter_map(Detection::roi)
        .filter_map(|roi| Some((gate.distance_sides(BodyBox::of_roi(&roi))?, roi)))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, roi)| roi)
}

/// The crops of those who are clearly people, the largest first.
fn clear_people(people: &[Detection]) -> Vec<Roi> {
    let mut rois: Vec<Roi> = people
        .iter()
        .filter(|person| person.score >= CLEAR_SHARE * people[0].score)
        .filter_map(Detection::roi)
        .collect();
    rois.sort_by(|a, b| b.side_px.total_cmp(&a.side_px));
    rois
}

/// The crop for the next frame, and the filters that smooth it.
struct TrackedCrop {
    roi: Roi,
    points: [OneEuro; 4],
}

impl Tracker {
    /// A tracker that tracks nobody yet.
    pub(crate) fn new(detector: Detector, landmarker: Landmarker) -> Self {
        Self {
            detector,
            landmarker,
            tracked: None,
            gate: None,
            choice: HitterChoice::default(),
            last_detection: None,
        }
    }

    /// Finds the hitter in the next frame.
    ///
    /// # Errors
    /// Where a network fails; the tracker then starts anew with the next frame.
    pub fn next(&mut self, frame: &Frame) -> Result<PoseFrame, InferenceError> {
        let found = self.locate(frame).inspect_err(|_| self.tracked = None)?;
        let body = found.map(|landmarks| {
            self.follow(&landmarks);
            landmarks.body
        });
        Ok(PoseFrame::new(frame.index, frame.captured_at, body))
    }

    /// Runs the landmark model on the middle of a frame and drops the result: for timing it. The crop is rotated, as for a
    /// hitter who leans: sampling it then reads across the rows of the frame, which takes longer.
    ///
    /// # Errors
    /// Where the network fails.
    pub(crate) fn run_landmarker(&mut self, frame: &Frame) -> Result<(), InferenceError> {
        let roi = Roi {
            center_x_px: frame.width as f32 / 2.0,
            rotation_rad: 0.1,
            ..Roi::whole_frame(frame.height, frame.height)
        };
        self.landmarker.locate(frame, &roi).map(drop)
    }

    /// How long the parts of the last run of the landmark model took.
    pub(crate) fn stage_times(&self) -> StageTimes {
        self.landmarker.stage_times()
    }

    fn locate(&mut self, frame: &Frame) -> Result<Option<Landmarks>, InferenceError> {
        let now = frame.captured_at;
        if let Some(tracked) = &self.tracked {
            let roi = tracked.roi;
            if roi.touches(frame.width, frame.height)
                && let Some(landmarks) = self.landmarker.locate(frame, &roi)?
            {
                let body = BodyBox::of(&landmarks);
                let gate = self.gate.get_or_insert_with(|| HitterGate::new(body, now));
                if gate.accepts(body, now) {
                    gate.update(body, now);
                    return self.look_around(frame, landmarks).map(Some);
                }
            }
            // Lost, or the crop has slipped onto somebody else. The detector runs from the next frame on, as in the
            // published pipeline.
            self.tracked = None;
            self.last_detection = None;
            return Ok(None);
        }
        if self
            .last_detection
            .is_some_and(|last| (0.0..DETECT_EVERY_SECS).contains(&now.secs_since(last)))
        {
            return Ok(None);
        }
        self.last_detection = Some(now);
        self.gate = self.gate.filter(|gate| !gate.has_expired(now));
        let people = self.detector.detect(frame)?;
        let Some(mut gate) = self.gate else {
            let Some(landmarks) = self.likeliest(frame, &people)? else {
                return Ok(None);
            };
            self.begin_with(&landmarks, now);
            return Ok(Some(landmarks));
        };
        let Some(roi) = nearest(&people, &gate) else {
            return Ok(None);
        };
        let Some(landmarks) = self.landmarker.locate(frame, &roi)? else {
            return Ok(None);
        };
        if gate.distance_sides(BodyBox::of(&landmarks)).is_none() {
            return Ok(None);
        }
        gate.reacquired(now);
        self.gate = Some(gate);
        Ok(Some(landmarks))
    }

    /// Of all people, the one who is likeliest to be the hitter by what a single frame shows.
    fn likeliest(
        &mut self,
        frame: &Frame,
        people: &[Detection],
    ) -> Result<Option<Landmarks>, InferenceError> {
        let mut best: Option<(Sight, Landmarks)> = None;
        for roi in clear_people(people).into_iter().take(MOST_PEOPLE) {
            let Some(landmarks) = self.landmarker.locate(frame, &roi)? else {
                continue;
            };
            let sight = Sight::of(&landmarks, frame.width);
            if best.as_ref().is_none_or(|(b, _)| sight.lead_over(b) > 0.0) {
                best = Some((sight, landmarks));
            }
        }
        Ok(best.map(|(_, landmarks)| landmarks))
    }

    /// Looks now and then whether somebody else is the hitter; gives the landmarks of the one to follow.
    fn look_around(
        &mut self,
        frame: &Frame,
        followed: Landmarks,
    ) -> Result<Landmarks, InferenceError> {
        let now = frame.captured_at;
        match self.choice.errand(now) {
            None => {}
            Some(Errand::Look) => {
                let people = self.detector.detect(frame)?;
                let sight = Sight::of(&followed, frame.width);
                self.choice
                    .looked(clear_people(&people).into_iter(), sight, now);
            }
            Some(Errand::Examine(roi)) => {
                if let Some(other) = self.landmarker.locate(frame, &roi)?
                    && self.choice.examined(Sight::of(&other, frame.width), now)
                {
                    self.tracked = None;
                    self.begin_with(&other, now);
                    return Ok(other);
                }
            }
        }
        Ok(followed)
    }

    /// Takes this body for the hitter's, whoever was it before.
    fn begin_with(&mut self, landmarks: &Landmarks, now: CaptureTime) {
        self.gate = Some(HitterGate::new(BodyBox::of(landmarks), now));
        self.choice = HitterChoice::default();
    }

    fn follow(&mut self, landmarks: &Landmarks) {
        let (center, rim) = (landmarks.center_px, landmarks.rim_px);
        let size = 2.0 * (rim[0] - center[0]).hypot(rim[1] - center[1]).max(1.0);
        let mut points = match self.tracked.take() {
            Some(f) => f.points,
            None => std::array::from_fn(|_| OneEuro::new(CROP_SMOOTHING)),
        };
        // The filter's speed is in sides a second, so the points go through it in sides.
        let raw = [center[0], center[1], rim[0], rim[1]];
        let mut smoothed = [0.0f32; 4];
        for ((s, r), filter) in smoothed.iter_mut().zip(raw).zip(&mut points) {
            *s = filter.next(f64::from(r), 1.0 / f64::from(size), SMOOTHING_STEP_SECS) as f32;
        }
        let [cx, cy, rx, ry] = smoothed;
        self.tracked = Roi::around([cx, cy], [rx, ry]).map(|roi| TrackedCrop { roi, points });
    }
}
