//! Where things are along the line to the pitcher, seen by a camera that may stand off square.
//!
//! In: x coordinates in the picture, in centimeters at the hitter's feet. Out: centimeters along the line. The equation is
//! the pinhole camera's; the camera's distance is assumed, for it hardly matters.

use crate::motion::Direction;

/// How far the camera stands from the hitter, centimeters. It is not known; 400 or 560 give nearly the same.
pub(super) const CAMERA_AWAY_CM: f64 = 480.0;
/// The ears stand this share of their height above the ankles nearer to the plate than the ankles do, in a hitter's
/// stance. Measured on rendered hitters; it fits a trunk inclined by about 25 degrees.
const HEAD_NEARER: f64 = 0.15;
/// The same by the trunk's inclination: for an upright trunk, and what the sine of the hinge adds, H. Over all rendered
/// hitters it fits within 0.005 H.
const HEAD_NEAR_BY_HINGE: (f64, f64) = (0.018, 0.2186);

/// How the camera sees the line to the pitcher.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Projection {
    /// Where the pitcher is.
    pub pitcher: Direction,
    /// How far the camera stands off square, radians, positive on the pitcher's side.
    pub yaw_rad: f64,
}

impl Projection {
    /// Where something is along the line, centimeters toward the pitcher from `middle_cm`, the middle of the base in the
    /// picture. `x_cm` is where the picture shows it, `nearer_cm` how much nearer to the camera than the feet it stands, negative
    /// where it stands farther off.
    pub(super) fn along_cm(&self, x_cm: f64, nearer_cm: f64, middle_cm: f64) -> f64 {
        let seen = self.pitcher.sign() * (x_cm - middle_cm);
        let (sin, cos) = self.yaw_rad.sin_cos();
        (seen * (CAMERA_AWAY_CM - nearer_cm * cos) + CAMERA_AWAY_CM * nearer_cm * sin)
            / (CAMERA_AWAY_CM * cos + seen * sin)
    }
}

/// How much nearer to the plate than the feet the head is, centimeters: by the hinge where it is known, else by the
/// head's height above the ankles.
pub(super) fn head_nearer_cm(hinge_deg: Option<f64>, rise_cm: f64, height_cm: f64) -> f64 {
    let (upright, bent) = HEAD_NEAR_BY_HINGE;
    match hinge_deg {
        Some(deg) => (upright + bent * deg.to_radians().sin()) * height_cm,
        None => HEAD_NEARER * rise_cm,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a camera `CAMERA_AWAY_CM` away, turned by the yaw about the middle, sees of a spot, scaled to the feet's depth.
    fn seen(line: Projection, along_cm: f64, nearer_cm: f64) -> f64 {
        let (sin, cos) = line.yaw_rad.sin_cos();
        let depth = CAMERA_AWAY_CM - along_cm * sin - nearer_cm * cos;
        line.pitcher.sign() * CAMERA_AWAY_CM * (along_cm * cos - nearer_cm * sin) / depth
    }

    #[test]
    fn a_position_is_found_again_from_any_side() {
        for pitcher in [Direction::Right, Direction::Left] {
            for yaw_deg in [-25.0, 0.0, 10.0, 25.0_f64] {
                let line = Projection {
                    pitcher,
                    yaw_rad: yaw_deg.to_radians(),
                };
                for along in [-60.0, 0.0, 45.0] {
                    for nearer in [0.0, 20.0] {
                        let x = 300.0 + seen(line, along, nearer);
                        let found = line.along_cm(x, nearer, 300.0);
                        assert!((found - along).abs() < 1e-9, "{found} for {along}");
                    }
                }
            }
        }
    }
}
