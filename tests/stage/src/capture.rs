//! One captured human swing as a [`Motion`], and its truth, worked out in metres from the joints.
//!
//! The capture and its terms are described in `tests/data/mocap/README.md`.

use serde_json::Value;

use cagehand::pose::Landmark;

use crate::{Motion, Pose3, Spot};

/// The captured swing.
pub struct Capture {
    fps: f64,
    poses: Vec<Pose3>,
    pub lift_off: f64,
    pub plant: f64,
    pub hand_peak: f64,
}

/// The person's height is not published. Legs of 0.95 m to the hip joint say 1.79 m by the usual proportions, the
/// shoulders' height when stretched, 1.35 m, says 1.65 m; this lies between them.
pub const HEIGHT_M: f64 = 1.72;

impl Capture {
    pub fn load() -> Self {
        let text = std::fs::read_to_string(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../data/mocap/swing.json"
        ))
        .unwrap();
        let value: Value = serde_json::from_str(&text).unwrap();
        let names: Vec<String> = serde_json::from_value(value["joints"].clone()).unwrap();
        let frames: Vec<Vec<Spot>> = serde_json::from_value(value["frames"].clone()).unwrap();
        let event = |name: &str| value["events_s"][name].as_f64().unwrap();
        Self {
            fps: value["fps"].as_f64().unwrap(),
            poses: frames.iter().map(|f| pose(&names, f)).collect(),
            lift_off: event("lift_off"),
            plant: event("plant"),
            hand_peak: event("peak_hand_speed"),
        }
    }

    /// The pose at any moment, by a cubic through the frames around it.
    pub fn at(&self, t: f64) -> Pose3 {
        at(&self.poses, self.fps, t)
    }

    pub fn secs(&self) -> f64 {
        (self.poses.len() - 1) as f64 / self.fps
    }

    /// The swing from `from` seconds to `to` seconds, as it was or in a mirror.
    pub fn motion(&self, from: f64, to: f64, mirrored: bool) -> Motion {
        let (poses, fps) = (self.poses.clone(), self.fps);
        Motion {
            secs: to - from,
            height_m: HEIGHT_M,
            at: Box::new(move |t| {
                let pose = at(&poses, fps, from + t);
                if mirrored { pose.mirrored() } else { pose }
            }),
        }
    }

    /// The mean of a value over a stretch of time.
    pub fn mean(&self, from: f64, to: f64, value: fn(&Pose3) -> f64) -> f64 {
        let steps = 60;
        let sum: f64 = (0..=steps)
            .map(|i| value(&self.at(from + (to - from) * f64::from(i) / f64::from(steps))))
            .sum();
        sum / f64::from(steps + 1)
    }

    /// When this hitter would have met a ball, earliest and latest: so long after the pelvis and the front upper arm turn
    /// fastest as college hitters did, 5 to 95 % of 40 swings off a tee at 500 frames a second (Thompson 2022, Washington
    /// State University, doi 10.7273/000005138). The hands tell less: they keep within 5 % of their highest speed for a
    /// tenth of a second.
    pub fn contact(&self) -> (f64, f64) {
        const AFTER_PELVIS_SECS: (f64, f64) = (0.074, 0.108);
        const AFTER_ARM_SECS: (f64, f64) = (0.040, 0.076);
        let pelvis = self.turns_fastest(|pose| {
            let (back, front) = (pose.at(Landmark::RightHip), pose.at(Landmark::LeftHip));
            [front[0] - back[0], front[2] - back[2]]
        });
        let arm = self.arm_turns_fastest();
        (
            (pelvis.0 + AFTER_PELVIS_SECS.0).min(arm + AFTER_ARM_SECS.0),
            (pelvis.0 + AFTER_PELVIS_SECS.1).max(arm + AFTER_ARM_SECS.1),
        )
    }

    /// When the front upper arm turns fastest in space.
    pub fn arm_turns_fastest(&self) -> f64 {
        let half = 0.5 / self.fps;
        let along = |t: f64| {
            let pose = self.at(t);
            let (a, b) = (
                pose.at(Landmark::LeftShoulder),
                pose.at(Landmark::LeftElbow),
            );
            let arm = [0, 1, 2].map(|k| b[k] - a[k]);
            let length = arm.iter().map(|v| v * v).sum::<f64>().sqrt();
            arm.map(|v| v / length)
        };
        let turned = |t: f64| {
            let (a, b) = (along(t - half), along(t + half));
            (0..3).map(|k| a[k] * b[k]).sum::<f64>().min(1.0).acos()
        };
        self.times()
            .max_by(|&a, &b| turned(a).total_cmp(&turned(b)))
            .unwrap()
    }

    /// When a line in the ground plan turns fastest, and how fast, degrees a second.
    pub fn turns_fastest(&self, line: impl Fn(&Pose3) -> [f64; 2]) -> (f64, f64) {
        let half = 0.5 / self.fps;
        self.times()
            .map(|t| {
                let ([x, z], [u, v]) = (line(&self.at(t - half)), line(&self.at(t + half)));
                let turned = (x * v - z * u).atan2(x * u + z * v);
                (t, (turned / (2.0 * half)).to_degrees().abs())
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap()
    }

    /// The swing's own stretch, in fine steps.
    fn times(&self) -> impl Iterator<Item = f64> {
        let (from, to) = (self.lift_off, self.hand_peak + 0.3);
        (0..=((to - from) * 240.0) as usize).map(move |i| from + i as f64 / 240.0)
    }
}

fn at(poses: &[Pose3], fps: f64, t: f64) -> Pose3 {
    let last = poses.len() - 1;
    let place = (t * fps).clamp(0.0, last as f64);
    let (i, s) = (place.floor() as usize, place.fract());
    let (a, b, c, d) = (
        &poses[i.saturating_sub(1)],
        &poses[i],
        &poses[(i + 1).min(last)],
        &poses[(i + 2).min(last)],
    );
    let mut out = Pose3::new();
    for landmark in Landmark::ALL {
        if b.spots[landmark.index()].is_some() {
            let [p, q, r, v] = [a, b, c, d].map(|pose| pose.at(landmark));
            out.put(
                landmark,
                [0, 1, 2].map(|k| {
                    let (m, n) = (0.5 * (r[k] - p[k]), 0.5 * (v[k] - q[k]));
                    let (s2, s3) = (s * s, s * s * s);
                    (2.0 * s3 - 3.0 * s2 + 1.0) * q[k]
                        + (s3 - 2.0 * s2 + s) * m
                        + (3.0 * s2 - 2.0 * s3) * r[k]
                        + (s3 - s2) * n
                }),
            );
        }
    }
    out
}

/// The capture's joints under the landmarks' names. It has no face: that is put about the head, toward the pitcher.
fn pose(names: &[String], joints: &[Spot]) -> Pose3 {
    use Landmark::*;
    let joint = |name: &str| joints[names.iter().position(|n| n == name).unwrap()];
    let mut pose = Pose3::new();
    for (landmark, name) in [
        (LeftShoulder, "LeftArm"),
        (RightShoulder, "RightArm"),
        (LeftElbow, "LeftForeArm"),
        (RightElbow, "RightForeArm"),
        (LeftWrist, "LeftHand"),
        (RightWrist, "RightHand"),
        (LeftHip, "LeftUpLeg"),
        (RightHip, "RightUpLeg"),
        (LeftKnee, "LeftLeg"),
        (RightKnee, "RightLeg"),
        (LeftAnkle, "LeftFoot"),
        (RightAnkle, "RightFoot"),
        (LeftFootIndex, "LeftToeBase_end"),
        (RightFootIndex, "RightToeBase_end"),
    ] {
        pose.put(landmark, joint(name));
    }
    let (low, top) = (joint("Head"), joint("Head_end"));
    let head = [0, 1, 2].map(|k| 0.5 * (low[k] + top[k]));
    for (landmark, forward, up, side) in [
        (Nose, 0.09, 0.0, 0.0),
        (LeftEye, 0.07, 0.03, -0.03),
        (RightEye, 0.07, 0.03, 0.03),
        (LeftEar, 0.0, 0.0, -0.07),
        (RightEar, 0.0, 0.0, 0.07),
    ] {
        pose.put(landmark, [head[0] + forward, head[1] + up, head[2] + side]);
    }
    pose
}
