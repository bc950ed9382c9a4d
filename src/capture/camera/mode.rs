//! The modes a camera can run in, and which of them is best. Pure.
//!
//! A swing is over in a tenth of a second, so the frame rate comes before the number of pixels: 60
//! frames per second at 640x480 show more than 30 at full HD. Whether more than 60 pays, the machine
//! has to say: it is asked once the camera is open. About 1280x720 is what the pose model can make use of when the
//! whole hitter is in the picture.

use std::fmt;

use super::CameraRequest;
use crate::picture_size::PictureSize;

/// How pictures travel from the camera.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum PixelFormat {
    /// One JPEG per frame.
    Mjpeg,
    /// Packed 4:2:2.
    Yuyv,
    /// 4:2:0, a plane of luma and one of chroma.
    Nv12,
    /// 24-bit RGB.
    Rgb24,
}

impl PixelFormat {
    /// Bytes per pixel on the bus; compressed formats count as zero.
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

/// One mode of a camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CameraMode {
    /// Size of its pictures.
    pub size: PictureSize,
    /// Frames per second that the camera promises; dim light or a slow bus may give fewer.
    pub fps: f64,
    /// How pictures travel.
    pub format: PixelFormat,
}

/// Enough for the events of a swing (common practice, no source).
const PREFERRED_FPS: f64 = 60.0;
const PREFERRED_SIZE: PictureSize = PictureSize {
    width_px: 1280,
    height_px: 720,
};
/// In smaller pictures the feet are too few pixels (common practice, no source).
const MIN_SIZE: PictureSize = PictureSize {
    width_px: 640,
    height_px: 480,
};
/// What a USB 2 camera can send in bytes per second: three 1024-byte packets in each of 8000
/// microframes (USB 2.0 specification, section 5.6.4).
const USB2_BYTES_PER_SEC: f64 = 3.0 * 1024.0 * 8000.0;
/// 59.94 is as good as 60, and 29.97 as 30.
const SAME_RATE_SHARE: f64 = 0.01;

/// The mode that meets the request best and suits fast motion best; `None` if there are no modes.
///
/// A request that the camera cannot meet is met as nearly as it can. Where nothing is requested: modes
/// of at least 640x480 before smaller ones; then the frame rate, up to 60; then the size nearest to
/// 1280x720; then the rate nearest to 60; then uncompressed pictures where USB 2 can carry them, and
/// MJPEG where it cannot.
pub(super) fn best_mode(modes: &[CameraMode], request: &CameraRequest) -> Option<CameraMode> {
    let better = |a: &&CameraMode, b: &&CameraMode| {
        let (a, b) = (cost(a, request), cost(b, request));
        a.iter()
            .zip(&b)
            .map(|(a, b)| a.total_cmp(b))
            .find(|order| order.is_ne())
            .unwrap_or(std::cmp::Ordering::Equal)
    };
    modes.iter().min_by(better).copied()
}

/// The rates of the modes that have the size of `now`, and its own, the fastest first. Rates that round to the same whole
/// frames are one.
pub(super) fn rates(modes: &[CameraMode], now: CameraMode) -> Vec<f64> {
    let same_size = modes.iter().filter(|mode| mode.size == now.size);
    let mut rates: Vec<f64> = same_size.map(|mode| mode.fps).chain([now.fps]).collect();
    rates.sort_by(|a, b| b.total_cmp(a));
    rates.dedup_by_key(|fps| fps.round());
    rates
}

/// The drawbacks of a mode, the most important first; smaller is better.
fn cost(mode: &CameraMode, request: &CameraRequest) -> [f64; 7] {
    let requested_fps = request.fps.unwrap_or(PREFERRED_FPS);
    let off_requested_size = request
        .size
        .map_or(0.0, |size| size_distance(mode.size, size));
    let too_small = request.size.is_none()
        && (mode.size.width_px < MIN_SIZE.width_px || mode.size.height_px < MIN_SIZE.height_px);
    let too_slow = (requested_fps * (1.0 - SAME_RATE_SHARE) - mode.fps).max(0.0);
    let bytes_per_sec = f64::from(mode.size.width_px)
        * f64::from(mode.size.height_px)
        * mode.format.bytes_per_pixel()
        * mode.fps;
    let too_much_for_usb2 = bytes_per_sec > USB2_BYTES_PER_SEC;
    [
        off_requested_size,
        f64::from(u8::from(too_small)),
        // Rates are compared in whole frames, so that 29.97 and 30 are equal.
        too_slow.round(),
        size_distance(mode.size, PREFERRED_SIZE),
        (mode.fps - requested_fps).abs().round(),
        f64::from(u8::from(too_much_for_usb2)),
        // Of two that fit, the uncompressed one needs no decoding and has no artifacts.
        f64::from(u8::from(mode.format == PixelFormat::Mjpeg)),
    ]
}

/// How unlike two sizes are: zero for the same, one for twice the width at the same height.
fn size_distance(a: PictureSize, b: PictureSize) -> f64 {
    let octaves = |a: u32, b: u32| (f64::from(a.max(1)) / f64::from(b.max(1))).log2().abs();
    octaves(a.width_px, b.width_px) + octaves(a.height_px, b.height_px)
}

#[cfg(test)]
mod tests {
    use super::PixelFormat::{Mjpeg, Nv12, Yuyv};
    use super::*;

    fn size(width_px: u32, height_px: u32) -> PictureSize {
        PictureSize {
            width_px,
            height_px,
        }
    }

    fn mode(width_px: u32, height_px: u32, fps: f64, format: PixelFormat) -> CameraMode {
        CameraMode {
            size: size(width_px, height_px),
            fps,
            format,
        }
    }
    fn check(modes: &[CameraMode], request: &CameraRequest, best: CameraMode) {
        assert_eq!(best_mode(modes, request), Some(best));
        let backwards: Vec<CameraMode> = modes.iter().rev().copied().collect();
        assert_eq!(
            best_mode(&backwards, request),
            Some(best),
            "the camera's own order does not matter"
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
    fn uncompressed_pictures_where_the_bus_carries_them_and_jpeg_where_not() {
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
    fn a_cameras_rates_are_those_of_its_size() {
        let modes = [
            mode(1280, 720, 60.0, Mjpeg),
            mode(1280, 720, 10.0, Yuyv),
            mode(1280, 720, 119.88, Mjpeg),
            mode(1280, 720, 120.0, Nv12),
            mode(640, 480, 240.0, Mjpeg),
        ];
        assert_eq!(rates(&modes, modes[0]), [120.0, 60.0, 10.0]);
        let unlisted = mode(320, 240, 25.0, Mjpeg);
        assert_eq!(rates(&modes, unlisted), [25.0]);
    }

    #[test]
    fn a_request_comes_first_and_is_met_as_nearly_as_can_be() {
        let modes = [
            mode(1280, 720, 60.0, Mjpeg),
            mode(1920, 1080, 30.0, Mjpeg),
            mode(640, 480, 120.0, Mjpeg),
            mode(1920, 1080, 15.0, Mjpeg),
        ];
        let request = |size, fps| CameraRequest { size, fps, ..any() };
        check(&modes, &request(Some(size(1920, 1080)), None), modes[1]);
        check(&modes, &request(None, Some(120.0)), modes[2]);
        check(&modes, &request(None, Some(30.0)), modes[0]);
        check(
            &modes,
            &request(Some(size(1900, 1000)), Some(15.0)),
            modes[3],
        );
        check(&modes, &request(Some(size(600, 480)), None), modes[2]);
    }
}
