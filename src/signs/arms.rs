//! How the arms of one body are held, from its landmarks in the picture.
//!
//! All lengths are in trunks, from the middle of the hips to the middle of the shoulders, which is 0.288 of standing height (Drillis
//! and Contini, 1966, from memory); arms are held against the picture's plumb line, the camera's roll taken out.

use crate::pose::{Body, Landmark};

/// An arm counts as seen where each of its landmarks is at least this sure.
const SEEN: f32 = 0.5;
/// A trunk that is shorter in the picture tells nothing about arms, pixels.
const SHORTEST_TRUNK_PX: f64 = 12.0;
/// Nobody who asks for something bends further than this, degrees from upright.
const MOST_BEND_DEG: f64 = 28.0;
/// A straight arm's wrist is 1.15 trunks from its shoulder (0.332 of height, the same source); one that is bent a little, or points
/// somewhat toward the camera or away, looks shorter.
const SHORTEST_ARM: f64 = 0.7;
/// An arm that points up leans this far at most, degrees.
const MOST_LEAN_UP_DEG: f64 = 38.0;
/// How far over the nose its wrist is at least, and its elbow over its shoulder.
const WRIST_OVER_NOSE: f64 = 0.25;
const ELBOW_OVER_SHOULDER: f64 = 0.2;
/// An arm that hangs leans this far at most, degrees, and its wrist is no higher over the hips than this.
const MOST_LEAN_DOWN_DEG: f64 = 42.0;
const WRIST_OVER_HIPS: f64 = 0.35;
/// An arm that is held out is this far from level at most, degrees.
const MOST_OFF_LEVEL_DEG: f64 = 36.0;
/// Shoulders that are further apart than this tell which side is an arm's own.
const SHOULDERS_APART: f64 = 0.25;

/// How the two arms are held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shape {
    /// One up, the other hanging.
    Up,
    /// One up, the other straight out to its own side.
    UpAndOut,
}

/// The arms of one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Arms {
    /// What they make, if anything.
    pub shape: Option<Shape>,
    /// The higher wrist and the lower one against the middle of the hips: to the picture's right and up.
    pub wrists: [[f64; 2]; 2],
    /// Whether both wrists are below their shoulders.
    pub lowered: bool,
}

/// A shoulder, an elbow and a wrist: to the picture's right and up.
struct Arm {
    shoulder: [f64; 2],
    elbow: [f64; 2],
    wrist: [f64; 2],
    seen: bool,
}

impl Arms {
    /// Reads a body's arms; `None` where trunk or wrists are not there. `roll_rad` is the camera's, positive where the picture shows
    /// a level line falling to the right.
    pub(super) fn of(body: &Body, roll_rad: f64) -> Option<Self> {
        use Landmark::{
            LeftElbow, LeftHip, LeftShoulder, LeftWrist, Nose, RightElbow, RightHip, RightShoulder,
            RightWrist,
        };
        let (sin, cos) = roll_rad.sin_cos();
        let at = |landmark: Landmark| {
            let point = body.point(landmark)?;
            let (x, y) = (f64::from(point.x_px), f64::from(point.y_px));
            Some([x * cos + y * sin, x * sin - y * cos])
        };
        let middle = |a: [f64; 2], b: [f64; 2]| [0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])];
        let hips = middle(at(LeftHip)?, at(RightHip)?);
        let shoulders = middle(at(LeftShoulder)?, at(RightShoulder)?);
        let (across, up) = (shoulders[0] - hips[0], shoulders[1] - hips[1]);
        let trunk = across.hypot(up);
        if trunk < SHORTEST_TRUNK_PX || !trunk.is_finite() {
            return None;
        }
        let scaled = |landmark| {
            let [x, y]: [f64; 2] = at(landmark)?;
            Some([(x - hips[0]) / trunk, (y - hips[1]) / trunk])
        };
        let arm = |landmarks: [Landmark; 3]| {
            Some(Arm {
                shoulder: scaled(landmarks[0])?,
                elbow: scaled(landmarks[1])?,
                wrist: scaled(landmarks[2])?,
                seen: landmarks
                    .into_iter()
                    .all(|landmark| body.point(landmark).is_some_and(|p| p.visibility >= SEEN)),
            })
        };
        let left = arm([LeftShoulder, LeftElbow, LeftWrist])?;
        let right = arm([RightShoulder, RightElbow, RightWrist])?;
        let nose = scaled(Nose)?;
        let (high, low) = match left.wrist[1] >= right.wrist[1] {
            true => (left, right),
            false => (right, left),
        };
        let upright = across.atan2(up).abs() <= MOST_BEND_DEG.to_radians();
        let shape = (upright && high.seen && low.seen && high.points_up(nose))
            .then(|| match (low.hangs(), low.is_held_out(&high)) {
                (true, _) => Some(Shape::Up),
                (_, true) => Some(Shape::UpAndOut),
                _ => None,
            })
            .flatten();
        Some(Self {
            shape,
            wrists: [high.wrist, low.wrist],
            lowered: high.wrist[1] < high.shoulder[1] && low.wrist[1] < low.shoulder[1],
        })
    }
}

impl Arm {
    /// From shoulder to wrist: degrees from straight up, 0 to 180, and length.
    fn held(&self) -> (f64, f64) {
        let (x, y) = (
            self.wrist[0] - self.shoulder[0],
            self.wrist[1] - self.shoulder[1],
        );
        (x.abs().atan2(y).to_degrees(), x.hypot(y))
    }

    fn points_up(&self, nose: [f64; 2]) -> bool {
        let (lean_deg, length) = self.held();
        lean_deg <= MOST_LEAN_UP_DEG
            && length >= SHORTEST_ARM
            && self.wrist[1] >= nose[1] + WRIST_OVER_NOSE
            && self.elbow[1] >= self.shoulder[1] + ELBOW_OVER_SHOULDER
    }

    fn hangs(&self) -> bool {
        let (from_up_deg, _) = self.held();
        from_up_deg >= 180.0 - MOST_LEAN_DOWN_DEG && self.wrist[1] <= WRIST_OVER_HIPS
    }

    fn is_held_out(&self, other: &Self) -> bool {
        let (from_up_deg, length) = self.held();
        let own_side = self.shoulder[0] - other.shoulder[0];
        let to_own_side = own_side * (self.wrist[0] - self.shoulder[0]) > 0.0;
        (from_up_deg - 90.0).abs() <= MOST_OFF_LEVEL_DEG
            && length >= SHORTEST_ARM
            && (to_own_side || own_side.abs() < SHOULDERS_APART)
    }
}
