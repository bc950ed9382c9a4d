//! Which camera, and which of its modes. Pure; opens nothing.
//!
//! A swing is over in a tenth of a second, so the frame rate comes before the number of pixels: 60
//! frames a second at 640x480 tell more than 30 at full HD. Above 60 the gain is small against the
//! light and the computing it costs. About 1280x720 is what the pose model can make use of when the
//! whole hitter is in the picture.

use std::convert::Infallible;
use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

use super::{CameraInfo, LiveControls};
use crate::capture::CaptureError;

/// Which camera is meant.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) enum CameraDevice {
    /// The first that has a usable mode.
    #[default]
    Auto,
    /// The system's number.
    Number(u32),
    /// A device node, or a link to one such as those in `/dev/v4l/by-id`.
    Path(PathBuf),
    /// Part of the name, in any case.
    Name(String),
}

impl FromStr for CameraDevice {
    type Err = Infallible;

    /// `auto`, a number, a path or a name; there is no wrong text.
    fn from_str(text: &str) -> Result<Self, Infallible> {
        let text = text.trim();
        Ok(match text.parse() {
            Ok(number) => Self::Number(number),
            Err(_) if text.is_empty() || text.eq_ignore_ascii_case("auto") => Self::Auto,
            Err(_) if text.contains('/') => Self::Path(text.into()),
            Err(_) => Self::Name(text.into()),
        })
    }
}

impl fmt::Display for CameraDevice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Auto => f.write_str("auto"),
            Self::Number(number) => number.fmt(f),
            Self::Path(path) => path.display().fmt(f),
            Self::Name(name) => name.fmt(f),
        }
    }
}

/// What reaches the camera.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Backend {
    /// The best for this system: `v4l` on Linux, nokhwa elsewhere.
    #[default]
    Native,
    /// nokhwa, on any system.
    Nokhwa,
}

/// A camera and what is wished of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct CameraRequest {
    /// Which camera.
    pub device: CameraDevice,
    /// Pixels; none leaves it to the policy.
    pub width: Option<u32>,
    /// Pixels; none leaves it to the policy.
    pub height: Option<u32>,
    /// Frames a second; none leaves it to the policy.
    pub fps: Option<f64>,
    /// What reaches the camera.
    pub backend: Backend,
    /// Exposure, gain, mains and focus; followed while the camera runs.
    pub controls: LiveControls,
}

/// How pictures travel from the camera.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum PixelFormat {
    /// One JPEG a frame.
    Mjpeg,
    /// 4:2:2, packed.
    Yuyv,
    /// 4:2:0, a plane of brightness and one of colour.
    Nv12,
    /// 24-bit RGB.
    Rgb24,
}

impl PixelFormat {
    /// Bytes a pixel on the bus; compressed formats count as nothing.
    fn bytes_per_pixel(self) -> f64 {
        match self {
            Self::Mjpeg => 0.0,
            Self::Nv12 => 1.5,
            Self::Yuyv => 2.0,
            Self::Rgb24 => 3.0,
        }
    }
}

impl fmt::Display for PixelFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Mjpeg => "MJPEG",
            Self::Yuyv => "YUYV",
            Self::Nv12 => "NV12",
            Self::Rgb24 => "RGB",
        })
    }
}

/// One way a camera can run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CameraMode {
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// Frames a second.
    pub fps: f64,
    /// How pictures travel.
    pub format: PixelFormat,
}

impl fmt::Display for CameraMode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}x{} {:.4} fps {}",
            self.width, self.height, self.fps, self.format
        )
    }
}

/// Enough for the events of a swing (common practice, no source).
const WANTED_FPS: f64 = 60.0;
const WANTED_WIDTH: u32 = 1280;
const WANTED_HEIGHT: u32 = 720;
/// Below this the feet are too few pixels (common practice, no source).
const LEAST_WIDTH: u32 = 640;
const LEAST_HEIGHT: u32 = 480;
/// What a USB 2 camera can send in bytes a second: three 1024-byte packets in each of 8000
/// microframes (USB 2.0 specification, section 5.6.4).
const USB2_BYTES_PER_SEC: f64 = 3.0 * 1024.0 * 8000.0;
/// 59.94 is as good as 60, and 29.97 as 30.
const SAME_RATE_SHARE: f64 = 0.01;

/// The best of the modes for fast motion within the wishes; none if there are no modes.
///
/// Wishes that the camera cannot fulfil are met as nearly as it can. Without wishes: modes of at
/// least 640x480 before smaller ones; then the frame rate, up to 60; then the size nearest to
/// 1280x720; then the rate nearest to 60; then plain pictures where USB 2 can carry them, and MJPEG
/// where it cannot.
pub(super) fn best_mode(modes: &[CameraMode], choice: &CameraRequest) -> Option<CameraMode> {
    let better = |a: &&CameraMode, b: &&CameraMode| {
        let (a, b) = (cost(a, choice), cost(b, choice));
        a.iter()
            .zip(&b)
            .map(|(a, b)| a.total_cmp(b))
            .find(|order| order.is_ne())
            .unwrap_or(std::cmp::Ordering::Equal)
    };
    modes.iter().min_by(better).copied()
}

/// What speaks against a mode, the weightiest first; smaller is better.
fn cost(mode: &CameraMode, choice: &CameraRequest) -> [f64; 7] {
    let size_was_wished = choice.width.is_some() || choice.height.is_some();
    let wished_fps = choice.fps.unwrap_or(WANTED_FPS);
    let wished_size = (
        choice.width.unwrap_or(mode.width),
        choice.height.unwrap_or(mode.height),
    );
    let off_wished_size = if size_was_wished {
        size_distance((mode.width, mode.height), wished_size)
    } else {
        0.0
    };
    let too_small = !size_was_wished && (mode.width < LEAST_WIDTH || mode.height < LEAST_HEIGHT);
    let too_slow = (wished_fps * (1.0 - SAME_RATE_SHARE) - mode.fps).max(0.0);
    let off_wanted_size = size_distance((mode.width, mode.height), (WANTED_WIDTH, WANTED_HEIGHT));
    let bytes_per_sec =
        f64::from(mode.width) * f64::from(mode.height) * mode.format.bytes_per_pixel() * mode.fps;
    let too_much_for_usb2 = bytes_per_sec > USB2_BYTES_PER_SEC;
    [
        off_wished_size,
        f64::from(u8::from(too_small)),
        // A rate is compared in whole frames, so that 29.97 and 30 are equals.
        too_slow.round(),
        off_wanted_size,
        (mode.fps - wished_fps).abs().round(),
        f64::from(u8::from(too_much_for_usb2)),
        // Of two that fit, the plain one needs no decoding and has no artefacts.
        f64::from(u8::from(mode.format == PixelFormat::Mjpeg)),
    ]
}

/// How unlike two sizes are: zero for the same, one for twice the width at the same height.
fn size_distance(a: (u32, u32), b: (u32, u32)) -> f64 {
    let octaves = |a: u32, b: u32| (f64::from(a.max(1)) / f64::from(b.max(1))).log2().abs();
    octaves(a.0, b.0) + octaves(a.1, b.1)
}

/// The camera that is meant, from those found, in their order.
pub(super) fn pick(
    found: &[CameraInfo],
    device: &CameraDevice,
) -> Result<CameraInfo, CaptureError> {
    let picked = match device {
        CameraDevice::Auto => found.first(),
        CameraDevice::Number(number) => found.iter().find(|camera| camera.number == *number),
        CameraDevice::Path(path) => {
            // A link keeps its name when the node behind it changes its number.
            let target = path.canonicalize().unwrap_or_else(|_| path.clone());
            found.iter().find(|camera| {
                camera
                    .path
                    .as_ref()
                    .is_some_and(|node| *node == target || node == path)
            })
        }
        CameraDevice::Name(name) => {
            let name = name.to_lowercase();
            found
                .iter()
                .find(|camera| camera.name.to_lowercase().contains(&name))
        }
    };
    match (picked, found) {
        (Some(camera), _) => Ok(camera.clone()),
        (None, []) => Err(CaptureError::NoCamera),
        (None, _) => Err(CaptureError::NoSuchCamera {
            wanted: device.to_string(),
            found: found
                .iter()
                .map(CameraInfo::label)
                .collect::<Vec<_>>()
                .join(", "),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use PixelFormat::{Mjpeg, Nv12, Yuyv};

    fn mode(width: u32, height: u32, fps: f64, format: PixelFormat) -> CameraMode {
        CameraMode {
            width,
            height,
            fps,
            format,
        }
    }

    fn check(modes: &[CameraMode], choice: &CameraRequest, best: CameraMode) {
        assert_eq!(best_mode(modes, choice), Some(best));
        let backwards: Vec<CameraMode> = modes.iter().rev().copied().collect();
        assert_eq!(
            best_mode(&backwards, choice),
            Some(best),
            "the camera's own order decides nothing"
        );
    }

    fn any() -> CameraRequest {
        CameraRequest::default()
    }

    #[test]
    fn sixty_frames_come_before_pixels() {
        check(
            &[
                mode(1920, 1080, 30.0, Mjpeg),
                mode(1280, 720, 30.0, Mjpeg),
                mode(640, 480, 60.0, Mjpeg),
                mode(320, 240, 120.0, Mjpeg),
            ],
            &any(),
            mode(640, 480, 60.0, Mjpeg),
        );
        check(
            &[
                mode(1920, 1080, 60.0, Mjpeg),
                mode(1280, 720, 60.0, Mjpeg),
                mode(640, 480, 120.0, Mjpeg),
                mode(1280, 720, 120.0, Mjpeg),
            ],
            &any(),
            mode(1280, 720, 60.0, Mjpeg),
        );
        // 59.94 counts as 60.
        check(
            &[mode(640, 480, 60.0, Mjpeg), mode(1280, 720, 59.94, Mjpeg)],
            &any(),
            mode(1280, 720, 59.94, Mjpeg),
        );
    }

    #[test]
    fn a_slow_camera_gives_its_fastest_mode_near_720_lines() {
        check(
            &[
                mode(1920, 1080, 30.0, Mjpeg),
                mode(1280, 720, 29.97, Mjpeg),
                mode(1280, 720, 10.0, Yuyv),
                mode(640, 480, 30.0, Yuyv),
            ],
            &any(),
            mode(1280, 720, 29.97, Mjpeg),
        );
        check(
            &[mode(1280, 720, 30.0, Mjpeg), mode(800, 600, 50.0, Mjpeg)],
            &any(),
            mode(800, 600, 50.0, Mjpeg),
        );
    }

    #[test]
    fn small_pictures_are_the_last_resort() {
        check(
            &[mode(320, 240, 60.0, Yuyv), mode(640, 480, 25.0, Yuyv)],
            &any(),
            mode(640, 480, 25.0, Yuyv),
        );
        check(
            &[mode(320, 240, 30.0, Yuyv), mode(160, 120, 30.0, Yuyv)],
            &any(),
            mode(320, 240, 30.0, Yuyv),
        );
        assert_eq!(best_mode(&[], &any()), None);
    }

    #[test]
    fn plain_pictures_where_the_bus_carries_them_and_jpeg_where_not() {
        let both = |width, height, fps| {
            [
                mode(width, height, fps, Mjpeg),
                mode(width, height, fps, Yuyv),
                mode(width, height, fps, Nv12),
            ]
        };
        check(&both(1280, 720, 60.0), &any(), mode(1280, 720, 60.0, Mjpeg));
        // 640x480 in YUYV at 30 is 18.4 MB/s and fits into USB 2; at 60 it does not.
        check(
            &both(640, 480, 30.0)[..2],
            &any(),
            mode(640, 480, 30.0, Yuyv),
        );
        check(
            &both(640, 480, 60.0)[..2],
            &any(),
            mode(640, 480, 60.0, Mjpeg),
        );
    }

    #[test]
    fn wishes_come_first_and_are_met_as_nearly_as_can_be() {
        let modes = [
            mode(1280, 720, 60.0, Mjpeg),
            mode(1920, 1080, 30.0, Mjpeg),
            mode(640, 480, 120.0, Mjpeg),
            mode(1920, 1080, 15.0, Mjpeg),
        ];
        let wish = |width, height, fps| CameraRequest {
            width,
            height,
            fps,
            ..any()
        };
        check(&modes, &wish(Some(1920), Some(1080), None), modes[1]);
        check(&modes, &wish(None, None, Some(120.0)), modes[2]);
        check(&modes, &wish(None, None, Some(30.0)), modes[0]);
        check(&modes, &wish(Some(1900), Some(1000), Some(15.0)), modes[3]);
        check(&modes, &wish(None, Some(480), None), modes[2]);
    }

    #[test]
    fn devices_are_told_apart_by_their_writing() {
        for (text, device) in [
            ("auto", CameraDevice::Auto),
            ("", CameraDevice::Auto),
            ("2", CameraDevice::Number(2)),
            ("/dev/video0", CameraDevice::Path("/dev/video0".into())),
            ("Logi", CameraDevice::Name("Logi".into())),
        ] {
            assert_eq!(text.parse(), Ok(device), "{text}");
        }
    }

    #[test]
    fn a_camera_is_picked_by_number_path_or_part_of_its_name() {
        let camera = |number: u32, name: &str| CameraInfo {
            name: name.into(),
            path: Some(format!("/dev/no-such-video{number}").into()),
            number,
            width: 640,
            height: 480,
            fps: 30.0,
            format: Mjpeg,
            modes: Vec::new(),
            backend: "v4l",
        };
        let found = [camera(0, "Laptop Camera"), camera(2, "USB HD Webcam")];
        let picked = |text: &str| pick(&found, &text.parse().unwrap()).map(|camera| camera.number);
        assert_eq!(picked("auto").unwrap(), 0);
        assert_eq!(picked("2").unwrap(), 2);
        assert_eq!(picked("/dev/no-such-video2").unwrap(), 2);
        assert_eq!(picked("webcam").unwrap(), 2);
        let error = picked("1").unwrap_err().to_string();
        assert!(
            error.contains("\"1\"")
                && error.contains("Laptop Camera")
                && error.contains("/dev/no-such-video2"),
            "{error}"
        );
        assert!(matches!(
            pick(&[], &CameraDevice::Auto),
            Err(CaptureError::NoCamera)
        ));
    }
}
