//! The lines of a pose track.

use serde::{Deserialize, Deserializer, Serialize};

use crate::pose::CameraMotion;

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
}

/// The bat in a line, pixels.
#[derive(Serialize, Deserialize)]
pub(super) struct BatOnLine {
    pub(super) knob: [f32; 2],
    pub(super) tip: [f32; 2],
    /// Probability that it is one.
    pub(super) confidence: f32,
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
