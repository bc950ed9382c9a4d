//! A hitter of sticks with known angles and times, for tests of measures: signals as a model would give them.
//!
//! In: a [`Figure`]'s numbers. Out: its [`Signals`] and [`EventEstimates`]. The picture is a straight projection but for the
//! ground, on which the camera looks down; the metric landmarks have their depth shrunk as the model shrinks it.

use crate::motion::{BodySeries, CameraYaw, Direction, Scale, Side, Signals, Stance};
use crate::pose::{Body, ImagePoint, LANDMARK_COUNT, Landmark, PoseFrame, WorldPoint};
use crate::time::CaptureTime;

use super::angles::{GROUND_SLOPE, TRUNK_DEPTH, TRUNK_OF_HEIGHT};
use super::context::MeasureContext;
use super::estimates::{EventEstimate, EventEstimates};
use super::types::{RepKind, View};

const RATE_HZ: f64 = 60.0;
const PLANT_SECS: f64 = 1.0;
const HEIGHT_CM: f64 = 180.0;
const CM_PER_PX: f64 = 0.5;
/// Each part moves with a Gaussian course of speed of this width, seconds.
const MOVE_SECS: f64 = 0.035;

/// A hitter who bats right, seen from the open side.
pub(super) const BATS_RIGHT: Stance = Stance {
    front: Side::Left,
    pitcher: Direction::Right,
};
/// The same for one who bats left.
pub(super) const BATS_LEFT: Stance = Stance {
    front: Side::Right,
    pitcher: Direction::Left,
};

/// The hitter who bats right, seen from behind the back.
pub(super) const BATS_RIGHT_FROM_BEHIND: Stance = Stance {
    front: Side::Left,
    pitcher: Direction::Left,
};

/// What the hitter of sticks does. Degrees, centimeters, seconds after plant.
#[derive(Clone, Debug)]
pub(super) struct Figure {
    pub stance: Stance,
    pub view: View,
    pub yaw_deg: f64,
    pub hinge_deg: f64,
    pub hinge_at_contact_deg: f64,
    pub open_deg: f64,
    pub foot_length_cm: f64,
    pub head_ahead_cm: f64,
    /// Heel, knee, hips, hands.
    pub fire_secs: [f64; 4],
    pub contact_secs: f64,
    /// When the whole body moves off.
    pub leaves_secs: f64,
    pub visibility: f64,
    pub metric: bool,
}

impl Default for Figure {
    fn default() -> Self {
        Self {
            stance: BATS_RIGHT,
            view: View::OpenSide,
            yaw_deg: 0.0,
            hinge_deg: 24.0,
            hinge_at_contact_deg: 24.0,
            open_deg: 35.0,
            foot_length_cm: 22.0,
            head_ahead_cm: 0.0,
            fire_secs: [0.0, 0.03, 0.06, 0.09],
            contact_secs: 0.18,
            leaves_secs: 99.0,
            visibility: 0.9,
            metric: true,
        }
    }
}

impl Figure {
    const FINISH_AFTER_CONTACT_SECS: f64 = 0.45;
    const LENGTH_SECS: f64 = 3.0;

    /// The frames until so long after plant, as the pose stage gives them.
    pub(super) fn frames_until(&self, after_plant: f64) -> Vec<PoseFrame> {
        (0..((PLANT_SECS + after_plant) * RATE_HZ) as u64)
            .map(|index| {
                let secs = index as f64 / RATE_HZ;
                PoseFrame::new(
                    index,
                    CaptureTime::from_secs(secs),
                    Some(self.body(secs - PLANT_SECS)),
                )
            })
            .collect()
    }

    /// The signals and where the events lie in them.
    pub(super) fn build(&self) -> (Signals, EventEstimates) {
        let frames = self.frames_until(Self::LENGTH_SECS - PLANT_SECS);
        let body = BodySeries::from_frames(&frames, RATE_HZ).unwrap();
        let scale = Scale {
            cm_per_px: CM_PER_PX,
            height_cm: HEIGHT_CM,
            spread: 0.0,
        };
        let at = |secs: f64| EventEstimate {
            sample: secs * RATE_HZ,
            sigma: 0.1,
        };
        let contact = PLANT_SECS + self.contact_secs;
        let estimates = EventEstimates {
            plant: Some(at(PLANT_SECS)),
            contact: Some(at(contact)),
            finish: Some(at(contact + Self::FINISH_AFTER_CONTACT_SECS).sample),
            ..EventEstimates::default()
        };
        (Signals::new(&body, scale, 0.0).unwrap(), estimates)
    }

    /// A swing of this figure.
    pub(super) fn context<'a>(
        &self,
        signals: &'a Signals,
        estimates: &'a EventEstimates,
    ) -> MeasureContext<'a> {
        MeasureContext {
            signals,
            estimates,
            stance: self.stance,
            kind: RepKind::Swing,
            view: self.view,
            yaw: CameraYaw {
                rad: Some(self.yaw_deg.to_radians()),
                spread_rad: 0.1,
            },
            roll_spread_rad: 0.01,
            pitch: None,
        }
    }

    /// From the finish until the body moves off.
    pub(super) fn held_secs(&self) -> f64 {
        self.leaves_secs - self.contact_secs - Self::FINISH_AFTER_CONTACT_SECS
    }

    fn body(&self, after_plant: f64) -> Body {
        let moved = |part: usize| {
            // Half of the highest speed comes 1.1774 widths before the middle of the movement.
            let middle = self.fire_secs[part] + 1.1774 * MOVE_SECS;
            smooth_step((after_plant - middle) / MOVE_SECS)
        };
        let share = ((after_plant - 0.05) / (self.contact_secs - 0.1)).clamp(0.0, 1.0);
        let hinge =
            (self.hinge_deg + share * (self.hinge_at_contact_deg - self.hinge_deg)).to_radians();
        let away = HEIGHT_CM * (after_plant - self.leaves_secs).max(0.0);
        let trunk = TRUNK_OF_HEIGHT * HEIGHT_CM;
        let open = self.open_deg.to_radians();
        let hips = moved(2);

        let mut body = Body::empty();
        let mut world = [WorldPoint {
            x_m: 0.0,
            y_m: 0.0,
            z_m: 0.0,
        }; LANDMARK_COUNT];
        for landmark in Landmark::ALL {
            let name = landmark.name();
            let is_front = name.contains("left") == (self.stance.front == Side::Left);
            let side = if is_front { 1.0 } else { -1.0 };
            let part = name
                .trim_start_matches("left_")
                .trim_start_matches("right_");
            // Toward the pitcher, up, toward the plate.
            let [along, up, plate] = match part {
                "shoulder" => [side * 18.0, 95.0 + trunk * hinge.cos(), trunk * hinge.sin()],
                "hip" => [side * 12.0 * hips.cos(), 95.0, -side * 12.0 * hips.sin()],
                "wrist" => [60.0 * moved(3) - 25.0, 120.0, 20.0],
                "knee" if is_front => [35.0, 50.0, 0.0],
                "knee" => [15.0 * moved(1) - 35.0, 50.0, 0.0],
                "ankle" => [side * 40.0, 8.0, 0.0],
                "heel" if is_front => [40.0, 4.0, -5.0],
                "heel" => [-40.0, 4.0 + 10.0 * moved(0), -5.0],
                "foot_index" if is_front => [
                    40.0 + self.foot_length_cm * open.sin(),
                    4.0,
                    self.foot_length_cm * open.cos() - 5.0,
                ],
                "foot_index" => [-40.0, 4.0, 15.0],
                _ => [
                    self.head_ahead_cm,
                    95.0 + 1.45 * trunk * hinge.cos(),
                    1.45 * trunk * hinge.sin(),
                ],
            };
            let plate = self.view.near_to_plate() * plate;
            let (sin, cos) = self.yaw_deg.to_radians().sin_cos();
            let (across, near) = (
                (along + away) * cos - plate * sin,
                (along + away) * sin + plate * cos,
            );
            let on_ground = matches!(part, "heel" | "foot_index");
            let sunk = if on_ground { near / GROUND_SLOPE } else { 0.0 };
            body.image[landmark.index()] = Some(ImagePoint {
                x_px: (600.0 + self.stance.forward() * across / CM_PER_PX) as f32,
                y_px: (600.0 - (up - sunk) / CM_PER_PX) as f32,
                visibility: self.visibility as f32,
            });
            let shrunk = if part == "hip" {
                near
            } else {
                near / TRUNK_DEPTH
            };
            world[landmark.index()] = WorldPoint {
                x_m: (self.stance.forward() * across / 100.0) as f32,
                y_m: (-up / 100.0) as f32,
                z_m: (-shrunk / 100.0) as f32,
            };
        }
        body.world = self.metric.then_some(world);
        body
    }
}

/// From 0 to 1 much like the integral of a Gaussian of width 1.
fn smooth_step(x: f64) -> f64 {
    1.0 / (1.0 + (-0.07056 * x.powi(3) - 1.5976 * x).exp())
}
