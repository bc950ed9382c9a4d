//! What the operator has said about the hitter and the camera.

use crate::motion::{BodySeries, Scale};

use super::types::{Bats, View};

/// What the operator has said about the hitter and the camera; what was not said is read from the poses.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HitterSetup {
    /// Standing height in centimeters.
    pub height_cm: Option<f64>,
    /// Centimeters a pixel where the hitter stands, if a known length was measured in the picture.
    pub cm_per_px: Option<f64>,
    /// The camera's roll, if it was measured; degrees, positive where the picture shows a level line falling to the right.
    pub roll_deg: Option<f64>,
    /// The side of the plate.
    pub bats: Option<Bats>,
    /// Where the camera stands.
    pub view: Option<View>,
    /// Whether frames are known to come at life's pace, as a camera's do: else a recording may be in slow motion.
    pub life_pace: bool,
}

impl HitterSetup {
    /// The scale by what was measured, else by the body; `None` where the body is too incomplete to measure.
    pub(super) fn scale(&self, body: &BodySeries) -> Option<Scale> {
        match self.cm_per_px {
            Some(known) => Some(Scale::from_known_length(known, self.height_cm)),
            None => Scale::from_body(body, self.height_cm),
        }
    }
}
