//! How the camera has moved since the first picture, and landmarks brought back to where they would be had it not.

use super::body::{Body, PoseFrame};
use crate::picture_size::PictureSize;

/// Where the camera points, against the first picture: what brings a point of this picture to its place in the first one.
/// The picture is turned and enlarged about its middle and then shifted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CameraPlace {
    /// Pixels to the right.
    pub dx_px: f64,
    /// Pixels downward.
    pub dy_px: f64,
    /// Degrees, clockwise as seen.
    pub roll_deg: f64,
    /// Above 1 where things look smaller now than in the first picture.
    pub zoom: f64,
}

/// What a frame shows of the camera itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CameraMotion {
    /// It points there; never [`CameraPlace::HOME`]. A camera that stands still has exactly one place.
    At(CameraPlace),
    /// It moved, and by how much this frame does not show.
    Lost,
}

impl CameraPlace {
    /// As in the first picture.
    pub const HOME: Self = Self {
        dx_px: 0.0,
        dy_px: 0.0,
        roll_deg: 0.0,
        zoom: 1.0,
    };

    /// Whether a picture can have moved so; what a damaged track says may be anything.
    pub(crate) fn is_sane(self) -> bool {
        let near = [self.dx_px, self.dy_px].iter().all(|px| px.abs() <= 1e6);
        near && self.roll_deg.abs() <= 360.0 && (0.01..=100.0).contains(&self.zoom)
    }

    /// To the steps that pose tracks are written in, so that a track gives the same reps as the recording did.
    pub(crate) fn rounded(self) -> Self {
        let round = |value: f64, steps: f64| {
            let rounded = (value * steps).round() / steps;
            // No negative zero: it would be written as one.
            if rounded == 0.0 { 0.0 } else { rounded }
        };
        Self {
            dx_px: round(self.dx_px, 100.0),
            dy_px: round(self.dy_px, 100.0),
            roll_deg: round(self.roll_deg, 1e4),
            zoom: round(self.zoom, 1e6),
        }
    }

    /// Where a point of this picture is in the first one; both in pixels from the top left corner.
    pub(crate) fn to_first(self, [x, y]: [f64; 2], picture: PictureSize) -> [f64; 2] {
        let middle = picture_middle(picture);
        let (sin, cos) = self.roll_deg.to_radians().sin_cos();
        let (x, y) = (x - middle[0], y - middle[1]);
        [
            middle[0] + self.zoom * (cos * x - sin * y) + self.dx_px,
            middle[1] + self.zoom * (sin * x + cos * y) + self.dy_px,
        ]
    }
}

/// Shifts steadied frames to where the first of them lies in its own picture, so that a rep of a camera that was moved is
/// drawn where it was filmed. Differences between the frames stay as they are.
pub(crate) fn shift_into_picture(frames: &mut [PoseFrame]) {
    let Some(CameraMotion::At(place)) = frames.first().and_then(|frame| frame.camera) else {
        return;
    };
    let (dx, dy) = (place.dx_px as f32, place.dy_px as f32);
    for frame in frames {
        let points = frame.body.iter_mut().flat_map(|body| &mut body.image);
        for point in points.flatten() {
            point.x_px -= dx;
            point.y_px -= dy;
        }
        frame.bat = frame.bat.map(|bat| bat.moved(|[x, y]| [x - dx, y - dy]));
    }
}

fn picture_middle(picture: PictureSize) -> [f64; 2] {
    [
        f64::from(picture.width_px) / 2.0,
        f64::from(picture.height_px) / 2.0,
    ]
}

/// Brings the landmarks of one frame after the other to where they would be in the first picture.
#[derive(Clone, Copy, Debug)]
pub struct Steadier {
    last: CameraPlace,
}

impl Default for Steadier {
    /// For a camera that has not moved yet.
    fn default() -> Self {
        Self {
            last: CameraPlace::HOME,
        }
    }
}

impl Steadier {
    /// Steadies a frame. One that is lost goes where the camera pointed last: its landmarks serve to follow the hitter, and
    /// what is measured on them is refused.
    pub fn steady(&mut self, frame: &mut PoseFrame, picture: PictureSize) {
        match frame.camera {
            None => self.last = CameraPlace::HOME,
            Some(CameraMotion::At(place)) => self.last = place,
            Some(CameraMotion::Lost) => {}
        }
        if self.last == CameraPlace::HOME {
            return;
        }
        if let Some(body) = &mut frame.body {
            moved(body, self.last, picture);
        }
        frame.bat = frame.bat.map(|bat| bat.steadied(self.last, picture));
    }

    /// Where the camera was at the frame that was steadied last.
    pub(crate) fn place(&self) -> CameraPlace {
        self.last
    }
}

fn moved(body: &mut Body, place: CameraPlace, picture: PictureSize) {
    for point in body.image.iter_mut().flatten() {
        let [x, y] = place.to_first([point.x_px.into(), point.y_px.into()], picture);
        (point.x_px, point.y_px) = (x as f32, y as f32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::{ImagePoint, SeenBat};
    use crate::time::CaptureTime;

    const PICTURE: PictureSize = PictureSize {
        width_px: 640,
        height_px: 480,
    };

    fn frame(camera: Option<CameraMotion>, x_px: f32, y_px: f32) -> PoseFrame {
        let mut body = Body::empty();
        body.image[0] = Some(ImagePoint {
            x_px,
            y_px,
            visibility: 1.0,
        });
        PoseFrame {
            camera,
            ..PoseFrame::new(0, CaptureTime::default(), Some(body))
        }
    }

    fn at(frame: &PoseFrame) -> [f32; 2] {
        let point = frame.body.as_ref().unwrap().image[0].unwrap();
        [point.x_px, point.y_px]
    }

    /// The frame with a bat whose tip lies where its landmark does.
    fn with_bat(frame: PoseFrame) -> PoseFrame {
        let bat = SeenBat {
            knob_px: [0.0, 0.0],
            tip_px: at(&frame),
            probability: 0.75,
        };
        PoseFrame {
            bat: Some(bat),
            ..frame
        }
    }

    fn turned() -> Option<CameraMotion> {
        Some(CameraMotion::At(CameraPlace {
            dx_px: 10.0,
            dy_px: -4.0,
            roll_deg: 90.0,
            zoom: 2.0,
        }))
    }

    #[test]
    fn landmarks_go_where_they_were_before_the_camera_moved() {
        let mut steadier = Steadier::default();
        let steadied = |steadier: &mut Steadier, camera, x, y| {
            let mut frame = with_bat(frame(camera, x, y));
            steadier.steady(&mut frame, PICTURE);
            assert_eq!(
                frame.bat.unwrap().tip_px,
                at(&frame),
                "the bat goes with them"
            );
            at(&frame)
        };
        assert_eq!(steadied(&mut steadier, None, 330.0, 241.0), [330.0, 241.0]);
        // Ten to the right of the middle: twice as far below it, then shifted.
        let [x, y] = steadied(&mut steadier, turned(), 330.0, 240.0);
        assert!(
            (x - 330.0).abs() < 1e-3 && (y - 256.0).abs() < 1e-3,
            "{x} {y}"
        );
        let lost = steadied(&mut steadier, Some(CameraMotion::Lost), 330.0, 240.0);
        assert_eq!(lost, [x, y], "as the camera pointed last");
        assert_eq!(steadied(&mut steadier, None, 330.0, 241.0), [330.0, 241.0]);
    }

    #[test]
    fn what_a_damaged_track_says_is_no_place() {
        let zoomed = |zoom| CameraPlace {
            zoom,
            ..CameraPlace::HOME
        };
        assert!(CameraPlace::HOME.is_sane() && zoomed(0.5).is_sane());
        assert!(!zoomed(0.0).is_sane() && !zoomed(f64::NAN).is_sane());
    }

    #[test]
    fn a_rep_is_drawn_where_its_first_picture_shows_it() {
        let mut frames = [frame(turned(), 50.0, 60.0), frame(None, 70.0, 60.0)].map(with_bat);
        shift_into_picture(&mut frames);
        assert_eq!(frames[0].bat.unwrap().tip_px, at(&frames[0]));
        assert_eq!(frames[1].bat.unwrap().knob_px, [-10.0, 4.0]);
        assert_eq!(
            [at(&frames[0]), at(&frames[1])],
            [[40.0, 64.0], [60.0, 64.0]]
        );
        let mut still = [frame(None, 50.0, 60.0)];
        shift_into_picture(&mut still);
        assert_eq!(at(&still[0]), [50.0, 60.0]);
    }
}
