//! The pose stage's output: one body, or none, for each frame.

use super::bat::SeenBat;
use super::camera_motion::CameraMotion;
use super::landmark::{LANDMARK_COUNT, Landmark};
use super::trunk_turn::TrunkTurn;
use crate::time::CaptureTime;

/// A landmark in the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImagePoint {
    /// Pixels from the left edge; may lie outside the picture.
    pub x_px: f32,
    /// Pixels from the top edge, growing downward; may lie outside the picture.
    pub y_px: f32,
    /// Probability that the landmark is in sight and not hidden.
    pub visibility: f32,
}

/// A landmark in meters, as the model estimates it: origin between the hips, x to the image's right, y down, z away from
/// the camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorldPoint {
    /// Meters to the image's right.
    pub x_m: f32,
    /// Meters downward.
    pub y_m: f32,
    /// Meters away from the camera.
    pub z_m: f32,
}

/// One body in one frame. A landmark that the source does not have is `None`.
#[derive(Clone, Debug, PartialEq)]
pub struct Body {
    /// Landmarks in the picture, by [`Landmark::index`].
    pub image: [Option<ImagePoint>; LANDMARK_COUNT],
    /// The model's metric landmarks, where the source gives them.
    pub world: Option<[WorldPoint; LANDMARK_COUNT]>,
    /// Whether they are the lite model's, which are less accurate, and with them what is measured on them.
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
}

/// What was read beside the pose of a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BatAndTurn {
    /// The bat in the hitter's hands.
    pub bat: Option<SeenBat>,
    /// How pelvis and shoulder line are turned.
    pub turn: Option<TrunkTurn>,
}

/// The pose stage's output for one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct PoseFrame {
    /// The frame's index at its source.
    pub index: u64,
    /// When the frame was taken.
    pub captured_at: CaptureTime,
    /// The hitter, or `None` where no body was found.
    pub body: Option<Body>,
    /// How the camera has moved since the first frame; `None` where it has not, or nothing tells.
    pub camera: Option<CameraMotion>,
    /// The bat in the hitter's hands; `None` where none is seen, or nobody has looked.
    pub bat: Option<SeenBat>,
    /// How pelvis and shoulder line are turned; `None` where it is not seen, or nobody has looked.
    pub turn: Option<TrunkTurn>,
}

impl PoseFrame {
    /// A frame of a camera that stands still, in which nobody has looked for a bat or a turn.
    pub fn new(index: u64, captured_at: CaptureTime, body: Option<Body>) -> Self {
        Self {
            index,
            captured_at,
            body,
            camera: None,
            bat: None,
            turn: None,
        }
    }
}
