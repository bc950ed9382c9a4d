//! How the hitter's pelvis and shoulder line are turned about the vertical, which the landmarks do not show.
//!
//! In: the six numbers of a network, or a line of a pose track. Out: a [`TrunkTurn`]. Whatever network gives the numbers, they
//! become a reading in [`TrunkTurn::from_outputs`] alone.

/// Numbers of a network's output `turn`.
pub(super) const TURN_OUTPUTS: usize = 6;
/// A spread outside of these is a network's slip, degrees: no reading is surer, and one less sure says nothing.
const SPREAD_DEG: std::ops::RangeInclusive<f32> = 1.0..=60.0;

/// How one line of the trunk is turned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TurnAngle {
    /// Degrees from -180 to 180; what they count from is told beside it.
    pub deg: f32,
    /// One standard deviation, degrees.
    pub spread_deg: f32,
}

/// What a turn counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TurnOrigin {
    /// The camera: the line from the right joint to the left one points to the picture's right at 0 degrees and away from the
    /// camera, along the ray to the pelvis, at 90. So networks see it.
    Camera,
    /// The plate: 0 square to it, positive open toward the pitcher. So pose tracks tell it.
    Plate,
}

/// How the trunk is turned in one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrunkTurn {
    /// The line through the hip joints.
    pub pelvis: TurnAngle,
    /// The line through the shoulder joints.
    pub shoulders: TurnAngle,
    /// What both count from.
    pub origin: TurnOrigin,
}

impl TrunkTurn {
    /// A network's reading: cosine and sine of the pelvis' turn, of the shoulder line's, then the logarithm of each one's
    /// spread in degrees. `None` where a number is none or there are not six.
    pub(super) fn from_outputs(outputs: &[f32]) -> Option<Self> {
        let &[
            pelvis_cos,
            pelvis_sin,
            shoulders_cos,
            shoulders_sin,
            pelvis_log,
            shoulders_log,
        ] = outputs
        else {
            return None;
        };
        let angle = |cos: f32, sin: f32, log_spread: f32| TurnAngle {
            deg: sin.atan2(cos).to_degrees(),
            spread_deg: log_spread
                .exp()
                .clamp(*SPREAD_DEG.start(), *SPREAD_DEG.end()),
        };
        outputs.iter().all(|v| v.is_finite()).then(|| Self {
            pelvis: angle(pelvis_cos, pelvis_sin, pelvis_log),
            shoulders: angle(shoulders_cos, shoulders_sin, shoulders_log),
            origin: TurnOrigin::Camera,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn six_numbers_are_two_angles_with_their_spreads() {
        let (sin, cos) = 30f32.to_radians().sin_cos();
        // The length of a vector tells nothing of its direction.
        let outputs = [0.5 * cos, 0.5 * sin, 0.0, -2.0, 4f32.ln(), 1e3];
        let turn = TrunkTurn::from_outputs(&outputs).unwrap();
        assert!(
            (turn.pelvis.deg - 30.0).abs() < 1e-3 && (turn.pelvis.spread_deg - 4.0).abs() < 1e-3
        );
        assert_eq!(
            (turn.shoulders.deg, turn.shoulders.spread_deg),
            (-90.0, 60.0)
        );
        assert_eq!(turn.origin, TurnOrigin::Camera);
        assert_eq!(TrunkTurn::from_outputs(&outputs[1..]), None);
        assert_eq!(
            TrunkTurn::from_outputs(&[f32::NAN, 0.0, 1.0, 0.0, 1.0, 1.0]),
            None
        );
    }
}
