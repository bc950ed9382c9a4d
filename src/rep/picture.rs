//! Points of one body in the picture, for what is decided frame by frame.

use crate::pose::{Body, Landmark};

/// Standing height over the picture's head-to-ankle height in a hitting stance.
pub(super) const HEIGHT_OF_STANCE: f64 = 1.3;

/// Where a landmark is in the picture, pixels, x and y.
pub(super) fn point_px(body: &Body, landmark: Landmark) -> Option<[f64; 2]> {
    body.point(landmark)
        .map(|p| [f64::from(p.x_px), f64::from(p.y_px)])
}

/// The middle of two points, pixels.
pub(super) fn middle_px(p: [f64; 2], q: [f64; 2]) -> [f64; 2] {
    [0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])]
}
