//! Where things are along the line to the pitcher, seen by a camera that may stand off square.
//!
//! In: places in the picture, in centimetres at the hitter's feet. Out: places along the line. The pinhole camera's own
//! equation; how far the camera stands away is supposed, for it hardly matters.

/// How far the camera stands from the hitter, centimetres. It is not known; 400 or 560 give nearly the same.
const CAMERA_AWAY_CM: f64 = 480.0;
/// The ears stand this share of their height above the ankles nearer to the plate than the ankles do, in a hitter's
/// stance. Measured on rendered hitters; it fits a trunk inclined by about 25 degrees.
pub(super) const HEAD_NEARER: f64 = 0.15;
/// The same by the trunk's inclination: for an upright trunk, and what the sine of the hinge adds, H. Over all rendered
/// hitters it fits within 0.005 H.
const HEAD_NEAR_BY_HINGE: (f64, f64) = (0.018, 0.2186);

/// The line to the pitcher as the camera sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    /// +1 where the pitcher is to the image's right.
    pub forward: f64,
    /// How far the camera stands off square, radians, positive on the pitcher's side.
    pub yaw_rad: f64,
}

impl Line {
    /// Where something is along the line, centimetres from `middle_cm` (a place in the picture at the feet, such as the
    /// middle of the base). `x_cm` is its place in the picture, `nearer_cm` how much nearer to the camera than the
    /// feet it stands.
    pub(super) fn place(&self, x_cm: f64, nearer_cm: f64, middle_cm: f64) -> f64 {
        let seen = self.forward * (x_cm - middle_cm);
        let (sin, cos) = self.yaw_rad.sin_cos();
        (seen * (CAMERA_AWAY_CM - nearer_cm * cos) + CAMERA_AWAY_CM * nearer_cm * sin)
            / (CAMERA_AWAY_CM * cos + seen * sin)
    }
}

/// How much nearer to the camera than the feet the head is, centimetres: by the hinge where it is known, else by the
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
    fn seen(line: Line, along_cm: f64, nearer_cm: f64) -> f64 {
        let (sin, cos) = line.yaw_rad.sin_cos();
        let depth = CAMERA_AWAY_CM - along_cm * sin - nearer_cm * cos;
        line.forward * CAMERA_AWAY_CM * (along_cm * cos - nearer_cm * sin) / depth
    }

    #[test]
    fn a_place_is_found_again_from_any_side() {
        for forward in [1.0, -1.0] {
            for yaw_deg in [-25.0, 0.0, 10.0, 25.0_f64] {
                let line = Line {
                    forward,
                    yaw_rad: yaw_deg.to_radians(),
                };
                for along in [-60.0, 0.0, 45.0] {
                    for nearer in [0.0, 20.0] {
                        let x = 300.0 + seen(line, along, nearer);
                        let found = line.place(x, nearer, 300.0);
                        assert!((found - along).abs() < 1e-9, "{found} for {along}");
                    }
                }
            }
        }
    }
}
