//! What the pose stage hands on: one body, or none, for each frame.

use super::landmark::{LANDMARK_COUNT, Landmark};
use crate::time::CaptureTime;

/// A landmark in the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImagePoint {
    /// Pixels from the left edge; may lie outside the picture.
    pub x_px: f32,
    /// Pixels from the top edge, growing downward; may lie outside the picture.
    pub y_px: f32,
    /// How likely the landmark is in sight and not hidden, 0 to 1.
    pub visibility: f32,
}

/// A landmark in metres as the model sees it: origin between the hips, x to the image's right,
/// y down, z away from the camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorldPoint {
    /// Metres to the image's right.
    pub x_m: f32,
    /// Metres downward.
    pub y_m: f32,
    /// Metres away from the camera.
    pub z_m: f32,
}

/// One body in one frame. A landmark that the source does not have is `None`.
#[derive(Clone, Debug, PartialEq)]
pub struct Body {
    /// Landmarks in the picture, by [`Landmark::index`].
    pub image: [Option<ImagePoint>; LANDMARK_COUNT],
    /// The model's metric landmarks, where the source gives them.
    pub world: Option<[WorldPoint; LANDMARK_COUNT]>,
    /// Whether the lite model gave them: its landmarks are less true, and what is measured on them is less sure.
    pub lite: bool,
}

impl Body {
    /// A body without any landmark.
    pub fn empty() -> Self {
        Self {
            image: [None; LANDMARK_COUNT],
            world: None,
            lite: false,
        }
    }

    /// The landmark in the picture, if the source has it.
    pub fn point(&self, landmark: Landmark) -> Option<ImagePoint> {
        self.image[landmark.index()]
    }

    /// The landmark in metres, if the source gives metric landmarks.
    pub fn world_point(&self, landmark: Landmark) -> Option<WorldPoint> {
        self.world.as_ref().map(|w| w[landmark.index()])
    }
}

/// The pose stage's answer for one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct PoseFrame {
    /// The frame's index at its source.
    pub index: u64,
    /// When the frame was taken.
    pub captured_at: CaptureTime,
    /// The hitter, or `None` where no body was found.
    pub body: Option<Body>,
}
