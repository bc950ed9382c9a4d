//! One swing of a bundled recording as a pose track, with its truth, and the same with other rates and points.

use serde_json::Value;

use cagehand::pose::track::TrackReader;
use cagehand::pose::{ImagePoint, Landmark, PoseFrame, WorldPoint};
use cagehand::time::CaptureTime;

use super::super::program::project;
use cagehand_stage::Points;

/// The hitter's height in the recording's truth.
pub(crate) const HEIGHT_CM: f64 = 183.0;
/// The track starts this long after the recording.
const START_SECS: f64 = 10.9;

/// A swing from the stance to after the finish; all times in seconds on the track's clock.
pub(crate) struct Recorded {
    pub frames: Vec<PoseFrame>,
    pub gather: f64,
    pub lift_off: f64,
    pub plant: f64,
    pub contact: f64,
}

impl Recorded {
    pub(crate) fn load() -> Self {
        let path = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
        let mut reader = TrackReader::open(&path).unwrap();
        let mut frames = Vec::new();
        while let Some(frame) = reader.next_frame().unwrap() {
            frames.push(frame);
        }
        let text = std::fs::read_to_string(project("recordings/right_60fps.truth.json")).unwrap();
        let truth: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(
            (100.0 * truth["hitter_height_m"].as_f64().unwrap()).round(),
            HEIGHT_CM
        );
        let swing = truth["segments"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|s| s["segment"] == "rep")
            .nth(1)
            .unwrap();
        let at = |name: &str| swing["events"][name].as_f64().unwrap() - START_SECS;
        Self {
            frames,
            gather: at("gather"),
            lift_off: at("lift"),
            plant: at("plant"),
            contact: at("contact"),
        }
    }

    /// The frames between two moments.
    pub(crate) fn between(&self, from: f64, to: f64) -> Vec<PoseFrame> {
        self.frames
            .iter()
            .filter(|f| (from..=to).contains(&f.captured_at.secs()))
            .cloned()
            .collect()
    }
}

/// The same poses at another frame rate, filled in by straight lines.
pub(crate) fn at_rate(frames: &[PoseFrame], fps: f64) -> Vec<PoseFrame> {
    let times: Vec<f64> = frames.iter().map(|f| f.captured_at.secs()).collect();
    let (first, last) = (times[0], times[times.len() - 1]);
    (0..=((last - first) * fps).floor() as u64)
        .map(|index| {
            let t = first + index as f64 / fps;
            let after = times.partition_point(|x| *x < t).clamp(1, times.len() - 1);
            let share = (t - times[after - 1]) / (times[after] - times[after - 1]);
            PoseFrame::new(
                index,
                CaptureTime::from_secs(t),
                Some(mixed(&frames[after - 1], &frames[after], share as f32)),
            )
        })
        .collect()
}

fn mixed(a: &PoseFrame, b: &PoseFrame, share: f32) -> cagehand::pose::Body {
    let (a, b) = (a.body.as_ref().unwrap(), b.body.as_ref().unwrap());
    let mix = |p: f32, q: f32| p + (q - p) * share;
    let mut body = a.clone();
    for (k, point) in body.image.iter_mut().enumerate() {
        if let (Some(p), Some(q)) = (a.image[k], b.image[k]) {
            *point = Some(ImagePoint {
                x_px: mix(p.x_px, q.x_px),
                y_px: mix(p.y_px, q.y_px),
                visibility: mix(p.visibility, q.visibility),
            });
        }
    }
    if let (Some(to), Some(p), Some(q)) = (&mut body.world, &a.world, &b.world) {
        for (k, point) in to.iter_mut().enumerate() {
            *point = WorldPoint {
                x_m: mix(p[k].x_m, q[k].x_m),
                y_m: mix(p[k].y_m, q[k].y_m),
                z_m: mix(p[k].z_m, q[k].z_m),
            };
        }
    }
    body
}

/// The same poses with fewer points and without metric landmarks.
pub(crate) fn with_points(frames: &[PoseFrame], points: Points) -> Vec<PoseFrame> {
    let mut frames = frames.to_vec();
    for body in frames.iter_mut().filter_map(|f| f.body.as_mut()) {
        body.world = None;
        for landmark in Landmark::ALL {
            if !points.carries(landmark) {
                body.image[landmark.index()] = None;
            }
        }
    }
    frames
}
