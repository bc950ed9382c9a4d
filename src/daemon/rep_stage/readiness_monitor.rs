//! Whether the camera has the hitter, from what each frame shows.

use crate::coach::{Readiness, ReadyState, Remark, Sighting};
use crate::daemon::pipeline::PoseSample;
use crate::picture_size::PictureSize;
use crate::pose::{Landmark, PoseFrame};
use crate::rep::Phase;
use crate::time::CaptureTime;

use super::DARK_BELOW;

/// Feet this near to the picture's edge are cut off, a share of its size.
const EDGE: f32 = 0.015;

/// What of a frame is remembered until its pose has been analyzed.
#[derive(Clone, Copy)]
pub(super) struct FrameView {
    has_body: bool,
    feet_inside: bool,
    brightness: f32,
    camera_moved: bool,
}

impl FrameView {
    pub(super) fn of(sample: &PoseSample, camera_moved: bool) -> Self {
        Self {
            has_body: sample.pose.body.is_some(),
            feet_inside: feet_are_inside(&sample.pose, sample.picture),
            brightness: sample.brightness.unwrap_or(255.0),
            camera_moved,
        }
    }
}

/// Follows one hitter's readiness.
pub(super) struct ReadinessMonitor(Readiness);

impl ReadinessMonitor {
    /// One that has seen nothing.
    pub(super) fn new() -> Self {
        Self(Readiness::new(DARK_BELOW))
    }

    pub(super) fn state(&self) -> ReadyState {
        self.0.state()
    }

    /// Takes the next frame; gives what is to be said about it, if anything.
    pub(super) fn step(
        &mut self,
        now: CaptureTime,
        view: FrameView,
        phase: Phase,
    ) -> Option<Remark> {
        let sighting = Sighting {
            body: view.has_body,
            feet_inside: view.feet_inside,
            brightness: view.brightness,
            camera_moved: view.camera_moved,
            phase,
        };
        self.0.step(now, sighting)
    }
}

/// Whether both ankles are well inside the picture.
fn feet_are_inside(pose: &PoseFrame, picture: PictureSize) -> bool {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::{Body, ImagePoint};

    fn pose(ankles: [(f32, f32); 2]) -> PoseFrame {
        let mut body = Body::empty();
        for (landmark, (x_px, y_px)) in [Landmark::LeftAnkle, Landmark::RightAnkle]
            .into_iter()
            .zip(ankles)
        {
            body.image[landmark.index()] = Some(ImagePoint {
                x_px,
                y_px,
                visibility: 0.9,
            });
        }
        PoseFrame::new(0, CaptureTime::default(), Some(body))
    }

    #[test]
    fn feet_at_the_picture_s_edge_are_cut_off() {
        let picture = PictureSize {
            width_px: 1000,
            height_px: 500,
        };
        let inside = |ankles| feet_are_inside(&pose(ankles), picture);
        assert!(inside([(100.0, 400.0), (900.0, 490.0)]));
        assert!(!inside([(10.0, 400.0), (900.0, 490.0)]), "left edge");
        assert!(!inside([(100.0, 400.0), (900.0, 495.0)]), "bottom");
        let nobody = PoseFrame {
            body: None,
            ..pose([(0.0, 0.0); 2])
        };
        assert!(!feet_are_inside(&nobody, picture));
    }
}
