//! The lines of a pose track.

use serde::{Deserialize, Deserializer, Serialize};

use crate::pose::{CameraMotion, TrunkTurn, TurnAngle, TurnOrigin};

/// A frame.
#[derive(Serialize, Deserialize)]
pub(super) struct FrameLine {
    pub(super) t: f64,
    pub(super) points: Option<Vec<[f32; 3]>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) world: Option<Vec<[f32; 3]>>,
    /// Whether the points are the lite model's.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub(super) lite: bool,
    /// Where the camera points, as `dx_px, dy_px, roll_deg, zoom` against the first frame; null where it moved and this frame
    /// does not show by how much; absent where it has not moved.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "present"
    )]
    pub(super) camera: Option<Option<[f64; 4]>>,
    /// The bat in the hitter's hands, where one was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) bat: Option<BatOnLine>,
    /// How the trunk is turned, where it was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) turn: Option<TurnOnLine>,
}

/// The bat in a line, pixels.
#[derive(Serialize, Deserialize)]
pub(super) struct BatOnLine {
    pub(super) knob: [f32; 2],
    pub(super) tip: [f32; 2],
    /// Probability that it is one.
    pub(super) confidence: f32,
}

/// The trunk's turn in a line: degrees open toward the pitcher, 0 square to the plate.
#[derive(Serialize, Deserialize)]
pub(crate) struct TurnOnLine {
    pelvis_deg: f32,
    shoulders_deg: f32,
    /// One standard deviation of either.
    plus_minus_deg: f32,
}

impl TurnOnLine {
    /// The turn in degrees with one decimal; `None` where it counts from the camera, which is no news to a reader.
    pub(crate) fn of(turn: &TrunkTurn) -> Option<Self> {
        let tenths = |deg: f32| (deg * 10.0).round() / 10.0;
        let [pelvis, shoulders] = [turn.pelvis, turn.shoulders];
        let both = (0.5 * (pelvis.spread_deg.powi(2) + shoulders.spread_deg.powi(2))).sqrt();
        (turn.origin == TurnOrigin::Plate).then(|| Self {
            pelvis_deg: tenths(pelvis.deg),
            shoulders_deg: tenths(shoulders.deg),
            plus_minus_deg: tenths(both),
        })
    }

    /// The turn; `None` where a number is none.
    pub(super) fn turn(&self) -> Option<TrunkTurn> {
        let spread_deg = self.plus_minus_deg;
        let numbers = [self.pelvis_deg, self.shoulders_deg, spread_deg];
        let angle = |deg| TurnAngle { deg, spread_deg };
        numbers.iter().all(|v| v.is_finite()).then(|| TrunkTurn {
            pelvis: angle(self.pelvis_deg),
            shoulders: angle(self.shoulders_deg),
            origin: TurnOrigin::Plate,
        })
    }
}

/// A key that is there, be it null or not.
fn present<'de, D: Deserializer<'de>, T: Deserialize<'de>>(
    deserializer: D,
) -> Result<Option<T>, D::Error> {
    T::deserialize(deserializer).map(Some)
}

pub(super) fn camera_numbers(camera: CameraMotion) -> Option<[f64; 4]> {
    match camera {
        CameraMotion::At(place) => Some([place.dx_px, place.dy_px, place.roll_deg, place.zoom]),
        CameraMotion::Lost => None,
    }
}
