//! A stick figure: from where its pelvis, feet and hands are to all of its landmarks.
//!
//! In: a [`Posture`] in shares of standing height. Out: a [`Pose3`] in metres. Knees and elbows follow from the
//! lengths of the limbs. The proportions are those in common use for drawing people, no source.

use cagehand::pose::Landmark;

use crate::{Pose3, Spot};

const HIP_WIDTH: f64 = 0.1;
const SHOULDER_WIDTH: f64 = 0.22;
const TRUNK: f64 = 0.29;
const NECK_AND_HEAD: f64 = 0.12;
const THIGH: f64 = 0.245;
const SHANK: f64 = 0.246;
const UPPER_ARM: f64 = 0.186;
const FOREARM: f64 = 0.146;
/// Height of the ankle above the ground.
pub const ANKLE: f64 = 0.04;
/// Height of the hips of somebody who stands at ease.
pub const HIPS: f64 = 0.52;

/// A posture in shares of standing height, except for the angles. The first of a pair is the person's left.
#[derive(Clone, Copy, Debug)]
pub struct Posture {
    /// Middle of the hips.
    pub pelvis: Spot,
    /// Which way the pelvis faces: 0 is +z, 90 is +x.
    pub facing_deg: f64,
    /// How far the trunk bends that way.
    pub lean_deg: f64,
    /// How far the trunk bends to the person's left.
    pub side_deg: f64,
    /// How far the shoulders are turned to the person's left of the pelvis.
    pub twist_deg: f64,
    /// The ankles.
    pub feet: [Spot; 2],
    /// The wrists.
    pub hands: [Spot; 2],
}

/// Left, up and front of somebody who faces that way.
pub fn axes(facing_deg: f64) -> [Spot; 3] {
    let (sin, cos) = facing_deg.to_radians().sin_cos();
    [[cos, 0.0, -sin], [0.0, 1.0, 0.0], [sin, 0.0, cos]]
}

pub fn sum(a: Spot, b: Spot) -> Spot {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

pub fn scaled(a: Spot, by: f64) -> Spot {
    a.map(|v| v * by)
}

fn difference(a: Spot, b: Spot) -> Spot {
    sum(a, scaled(b, -1.0))
}

fn dot(a: Spot, b: Spot) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cross(a: Spot, b: Spot) -> Spot {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

fn unit(a: Spot) -> Spot {
    scaled(a, 1.0 / dot(a, a).sqrt().max(1e-9))
}

impl Posture {
    /// Standing at ease at a place on the ground, facing that way, feet this far apart, arms hanging.
    pub fn standing(x: f64, z: f64, facing_deg: f64, stance: f64) -> Self {
        let mut posture = Self {
            pelvis: [x, HIPS, z],
            facing_deg,
            lean_deg: 0.0,
            side_deg: 0.0,
            twist_deg: 0.0,
            feet: [[0.0; 3]; 2],
            hands: [[0.0; 3]; 2],
        };
        posture.feet = [0.5, -0.5].map(|side| posture.beside(side * stance, ANKLE, 0.0));
        posture.hang();
        posture
    }

    /// A spot at this height, so far to the left and to the front of the pelvis.
    pub fn beside(&self, left: f64, height: f64, front: f64) -> Spot {
        let [l, _, f] = axes(self.facing_deg);
        let spot = sum(self.pelvis, sum(scaled(l, left), scaled(f, front)));
        [spot[0], height, spot[2]]
    }

    /// Lets both arms hang.
    pub fn hang(&mut self) {
        self.hands = [0.13, -0.13].map(|left| self.reach(left, -0.32, 0.03));
    }

    /// Left, up along the trunk, and front of the shoulders.
    fn chest(&self) -> [Spot; 3] {
        let [left, up, front] = axes(self.facing_deg);
        let (lean, side) = (self.lean_deg.to_radians(), self.side_deg.to_radians());
        let trunk = unit(sum(
            scaled(up, lean.cos() * side.cos()),
            sum(scaled(front, lean.sin()), scaled(left, side.sin())),
        ));
        let turned = axes(self.facing_deg + self.twist_deg)[0];
        let across = unit(difference(turned, scaled(trunk, dot(turned, trunk))));
        [across, trunk, cross(across, trunk)]
    }

    /// The middle of the shoulders.
    pub fn shoulders(&self) -> Spot {
        sum(self.pelvis, scaled(self.chest()[1], TRUNK))
    }

    /// A spot as seen from the middle of the shoulders: to the chest's left, up the trunk, to its front.
    pub fn reach(&self, left: f64, up: f64, front: f64) -> Spot {
        let [l, u, f] = self.chest();
        sum(
            self.shoulders(),
            sum(scaled(l, left), sum(scaled(u, up), scaled(f, front))),
        )
    }

    /// All landmarks of somebody this tall, metres.
    pub fn pose(&self, height_m: f64) -> Pose3 {
        use Landmark::*;
        let mut pose = Pose3::new();
        let mut put = |l: Landmark, spot: Spot| pose.put(l, scaled(spot, height_m));
        let [left, up, front] = self.chest();
        let [across, _, ahead] = axes(self.facing_deg);

        let head = sum(self.shoulders(), scaled(up, NECK_AND_HEAD));
        for (landmark, l, u, f) in [
            (Nose, 0.0, 0.0, 0.055),
            (LeftEye, 0.02, 0.02, 0.045),
            (RightEye, -0.02, 0.02, 0.045),
            (LeftEar, 0.04, 0.0, 0.0),
            (RightEar, -0.04, 0.0, 0.0),
        ] {
            let offset = sum(scaled(left, l), sum(scaled(up, u), scaled(front, f)));
            put(landmark, sum(head, offset));
        }
        for (side, hip, knee, ankle, heel, toe) in [
            (0, LeftHip, LeftKnee, LeftAnkle, LeftHeel, LeftFootIndex),
            (
                1,
                RightHip,
                RightKnee,
                RightAnkle,
                RightHeel,
                RightFootIndex,
            ),
        ] {
            let sign = if side == 0 { 1.0 } else { -1.0 };
            let from = sum(self.pelvis, scaled(across, 0.5 * sign * HIP_WIDTH));
            let outward = sum(ahead, scaled(across, 0.3 * sign));
            let (bend, end) = limb(from, self.feet[side], [THIGH, SHANK], outward);
            put(hip, from);
            put(knee, bend);
            put(ankle, end);
            put(heel, sum(end, sum(scaled(ahead, -0.03), [0.0, -0.03, 0.0])));
            put(toe, sum(end, sum(scaled(ahead, 0.1), [0.0, -0.03, 0.0])));
        }
        for (side, shoulder, elbow, wrist) in [
            (0, LeftShoulder, LeftElbow, LeftWrist),
            (1, RightShoulder, RightElbow, RightWrist),
        ] {
            let sign = if side == 0 { 1.0 } else { -1.0 };
            let from = sum(self.shoulders(), scaled(left, 0.5 * sign * SHOULDER_WIDTH));
            let down_and_out = sum(
                scaled(up, -1.0),
                sum(scaled(left, 0.4 * sign), scaled(front, -0.3)),
            );
            let (bend, end) = limb(from, self.hands[side], [UPPER_ARM, FOREARM], down_and_out);
            put(shoulder, from);
            put(elbow, bend);
            put(wrist, end);
        }
        pose
    }
}

/// Middle joint and end of a limb of two bones that reaches for `to` and bends toward `pole`.
fn limb(from: Spot, to: Spot, [a, b]: [f64; 2], pole: Spot) -> (Spot, Spot) {
    let way = difference(to, from);
    let (most, least) = (0.999 * (a + b), 1.05 * (a - b).abs());
    let gap = dot(way, way).sqrt().clamp(least.max(0.02), most);
    let along = unit(way);
    let end = sum(from, scaled(along, gap));
    let share = (a * a - b * b + gap * gap) / (2.0 * gap);
    let off = (a * a - share * share).max(0.0).sqrt();
    let aside = unit(difference(pole, scaled(along, dot(pole, along))));
    let bend = sum(from, sum(scaled(along, share), scaled(aside, off)));
    (bend, end)
}

/// A value that goes smoothly through `keys` of time and value, resting at each.
pub fn ease(keys: &[(f64, f64)], t: f64) -> f64 {
    let after = keys.iter().position(|k| k.0 > t);
    match after {
        Some(0) => keys[0].1,
        None => keys[keys.len() - 1].1,
        Some(i) => {
            let ((t0, v0), (t1, v1)) = (keys[i - 1], keys[i]);
            let s = (t - t0) / (t1 - t0);
            v0 + (v1 - v0) * s * s * (3.0 - 2.0 * s)
        }
    }
}
