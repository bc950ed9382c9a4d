//! Whether the hitter's feet are in the picture.

use crate::picture_size::PictureSize;
use crate::pose::{Landmark, PoseFrame};

/// Feet this near to the picture's edge are cut off, a share of its size.
const EDGE: f32 = 0.015;

/// Whether both ankles are well inside the picture.
pub(super) fn are_inside(pose: &PoseFrame, picture: PictureSize) -> bool {
    let Some(body) = &pose.body else { return false };
    let (width, height) = (picture.width_px as f32, picture.height_px as f32);
    [Landmark::LeftAnkle, Landmark::RightAnkle]
        .into_iter()
        .all(|ankle| {
            body.point(ankle).is_some_and(|p| {
                (EDGE * width..=(1.0 - EDGE) * width).contains(&p.x_px)
                    && (0.0..=(1.0 - EDGE) * height).contains(&p.y_px)
            })
        })
}
