//! The rotated square around the body that is the landmark model's input.
//!
//! Spaces: `image` is the frame in pixels; `roi` runs from 0 to 1 along the square's own sides.

use std::f32::consts::{FRAC_PI_2, PI};

/// Side of the square over the diameter of the body's circle (published with the model's pipeline).
const SCALE: f32 = 1.25;

/// A square in the image, rotated about its center (a region of interest).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Roi {
    /// Center, pixels from the left.
    pub center_x_px: f32,
    /// Center, pixels from the top.
    pub center_y_px: f32,
    /// Length of a side, pixels.
    pub side_px: f32,
    /// Rotation of the square, radians; 0 for a body that stands upright in the image.
    pub rotation_rad: f32,
}

impl Roi {
    /// The square around a body: `center` between the hips, `rim` on the circle around the whole body, toward the head.
    /// `None` where the two points coincide or are NaN.
    pub(crate) fn around(center: [f32; 2], rim: [f32; 2]) -> Option<Self> {
        let (dx, dy) = (rim[0] - center[0], rim[1] - center[1]);
        let radius = dx.hypot(dy);
        if !(radius.is_finite() && radius > 1.0 && center.iter().all(|c| c.is_finite())) {
            return None;
        }
        let angle = FRAC_PI_2 - (-dy).atan2(dx);
        Some(Self {
            center_x_px: center[0],
            center_y_px: center[1],
            side_px: 2.0 * radius * SCALE,
            rotation_rad: angle - 2.0 * PI * ((angle + PI) / (2.0 * PI)).floor(),
        })
    }

    /// The upright square that holds the whole frame: the detector's input.
    pub(crate) fn whole_frame(width_px: usize, height_px: usize) -> Self {
        Self {
            center_x_px: width_px as f32 / 2.0,
            center_y_px: height_px as f32 / 2.0,
            side_px: width_px.max(height_px) as f32,
            rotation_rad: 0.0,
        }
    }

    /// A point of the square in the image.
    pub(crate) fn image_from_roi(&self, u: f32, v: f32) -> [f32; 2] {
        let (sin, cos) = self.rotation_rad.sin_cos();
        let (x, y) = ((u - 0.5) * self.side_px, (v - 0.5) * self.side_px);
        [
            self.center_x_px + cos * x - sin * y,
            self.center_y_px + sin * x + cos * y,
        ]
    }

    /// Whether any of the square lies within a frame of this size.
    pub(crate) fn touches(&self, width_px: usize, height_px: usize) -> bool {
        let reach = 0.5 * self.side_px;
        self.center_x_px > -reach
            && self.center_y_px > -reach
            && self.center_x_px < width_px as f32 + reach
            && self.center_y_px < height_px as f32 + reach
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_upright_body_gives_an_upright_square() {
        let roi = Roi::around([100.0, 200.0], [100.0, 100.0]).unwrap();
        assert!(roi.rotation_rad.abs() < 1e-6);
        assert!((roi.side_px - 250.0).abs() < 1e-3);
        let corner = roi.image_from_roi(0.0, 1.0);
        assert!((corner[0] + 25.0).abs() < 1e-3 && (corner[1] - 325.0).abs() < 1e-3);
    }

    #[test]
    fn a_body_that_lies_with_its_head_to_the_right_turns_the_square_a_quarter() {
        let roi = Roi::around([0.0, 0.0], [10.0, 0.0]).unwrap();
        assert!((roi.rotation_rad - FRAC_PI_2).abs() < 1e-6);
        // The top of the square then points to the image's right.
        let top = roi.image_from_roi(0.5, 0.0);
        assert!((top[0] - 12.5).abs() < 1e-4 && top[1].abs() < 1e-4);
    }

    #[test]
    fn no_square_comes_of_no_body() {
        assert_eq!(Roi::around([5.0, 5.0], [5.0, 5.0]), None);
        assert_eq!(Roi::around([5.0, f32::NAN], [5.0, 50.0]), None);
    }
}
