//! Which cameras there are and what modes they have, as the kernel lists them.

use std::path::{Path, PathBuf};

use v4l::frameinterval::FrameIntervalEnum;
use v4l::framesize::FrameSizeEnum;
use v4l::video::Capture;
use v4l::{Device, FourCC, Fraction};

use super::super::{CameraBackend, CameraInfo, CameraMode, PixelFormat};
use super::{guarded, open_error};
use crate::capture::CaptureError;
use crate::picture_size::PictureSize;

/// The cameras that are plugged in and have a usable mode.
pub(in super::super) fn list() -> Result<Vec<CameraInfo>, CaptureError> {
    let mut nodes: Vec<(u32, PathBuf)> = v4l::context::enum_devices()
        .iter()
        .filter_map(|node| Some((number_of(node.path())?, node.path().to_path_buf())))
        .collect();
    nodes.sort_unstable();
    let mut cameras = Vec::new();
    let mut refused = None;
    for (number, path) in nodes {
        match probe_node(number, &path) {
            Ok(camera) => cameras.extend(camera),
            Err(error @ CaptureError::CameraForbidden { .. }) => refused = Some(error),
            // The node vanished or belongs to something else; the others still count.
            Err(error) => {
                tracing::debug!(path = %path.display(), %error, "a video node is left out of the list")
            }
        }
    }
    match refused {
        Some(refused) if cameras.is_empty() => Err(refused),
        _ => Ok(cameras),
    }
}

/// The camera at a node; `None` if the node gives no pictures in a usable format.
pub(super) fn probe_node(number: u32, path: &Path) -> Result<Option<CameraInfo>, CaptureError> {
    let name = name_of(number);
    let label = path.display().to_string();
    let device = Device::with_path(path).map_err(|error| open_error(&label, &error))?;
    let modes = guarded(&label, || Ok(modes_of(&device)))?;
    Ok((!modes.is_empty()).then(|| CameraInfo {
        name,
        path: Some(path.to_path_buf()),
        number,
        modes,
        backend: CameraBackend::V4l,
    }))
}

pub(super) fn number_of(path: &Path) -> Option<u32> {
    path.file_name()?
        .to_str()?
        .strip_prefix("video")?
        .parse()
        .ok()
}

/// The kernel cuts off long names at a byte, so the text may end in half a character.
fn name_of(number: u32) -> String {
    let bytes =
        std::fs::read(format!("/sys/class/video4linux/video{number}/name")).unwrap_or_default();
    let name = String::from_utf8_lossy(&bytes).trim().to_owned();
    if name.is_empty() {
        "unnamed camera".into()
    } else {
        name
    }
}

/// Sizes to list where a camera takes any size within limits, width and height.
const COMMON_SIZES: [(u32, u32); 6] = [
    (640, 480),
    (800, 600),
    (960, 540),
    (1024, 768),
    (1280, 720),
    (1920, 1080),
];
/// Rates to list where a camera takes any rate within limits.
const COMMON_RATES: [f64; 6] = [15.0, 25.0, 30.0, 50.0, 60.0, 120.0];

fn modes_of(device: &Device) -> Vec<CameraMode> {
    let mut modes = Vec::new();
    for description in device.enum_formats().unwrap_or_default() {
        let Some(format) = format_of(description.fourcc) else {
            continue;
        };
        let sizes = match device.enum_framesizes(description.fourcc) {
            Ok(sizes) => sizes
                .into_iter()
                .flat_map(|size| sizes_in(size.size))
                .collect(),
            // Some drivers do not list sizes; the current one works.
            Err(_) => device
                .format()
                .map(|current| vec![(current.width, current.height)])
                .unwrap_or_default(),
        };
        for (width, height) in sizes {
            let rates: Vec<f64> =
                match device.enum_frameintervals(description.fourcc, width, height) {
                    Ok(intervals) => intervals
                        .into_iter()
                        .flat_map(|interval| rates_in(&interval.interval))
                        .collect(),
                    Err(_) => device
                        .params()
                        .ok()
                        .and_then(|current| rate_of(current.interval))
                        .into_iter()
                        .collect(),
                };
            let size = PictureSize {
                width_px: width,
                height_px: height,
            };
            modes.extend(
                rates
                    .into_iter()
                    .map(|fps| CameraMode { size, fps, format }),
            );
        }
    }
    modes
}

pub(super) fn format_of(fourcc: FourCC) -> Option<PixelFormat> {
    match &fourcc.repr {
        b"MJPG" | b"JPEG" => Some(PixelFormat::Mjpeg),
        b"YUYV" => Some(PixelFormat::Yuyv),
        b"NV12" => Some(PixelFormat::Nv12),
        b"RGB3" => Some(PixelFormat::Rgb24),
        _ => None,
    }
}

pub(super) fn fourccs_of(format: PixelFormat) -> &'static [&'static [u8; 4]] {
    match format {
        PixelFormat::Mjpeg => &[b"MJPG", b"JPEG"],
        PixelFormat::Yuyv => &[b"YUYV"],
        PixelFormat::Nv12 => &[b"NV12"],
        PixelFormat::Rgb24 => &[b"RGB3"],
    }
}

fn sizes_in(size: FrameSizeEnum) -> Vec<(u32, u32)> {
    match size {
        FrameSizeEnum::Discrete(size) => vec![(size.width, size.height)],
        FrameSizeEnum::Stepwise(range) => {
            let fits = |value: u32, min: u32, max: u32, step: u32| {
                (min..=max).contains(&value) && (value - min).is_multiple_of(step.max(1))
            };
            let common = COMMON_SIZES.into_iter().filter(|(width, height)| {
                fits(*width, range.min_width, range.max_width, range.step_width)
                    && fits(
                        *height,
                        range.min_height,
                        range.max_height,
                        range.step_height,
                    )
            });
            common
                .chain([(range.max_width, range.max_height)])
                .collect()
        }
    }
}

fn rates_in(interval: &FrameIntervalEnum) -> Vec<f64> {
    match interval {
        FrameIntervalEnum::Discrete(interval) => rate_of(*interval).into_iter().collect(),
        FrameIntervalEnum::Stepwise(range) => {
            // The shortest interval is the fastest rate.
            let (fastest, slowest) = (rate_of(range.min), rate_of(range.max));
            let within = |rate: &f64| {
                slowest.is_none_or(|slowest| *rate >= slowest)
                    && fastest.is_some_and(|fastest| *rate <= fastest)
            };
            COMMON_RATES
                .into_iter()
                .filter(within)
                .chain(fastest)
                .collect()
        }
    }
}

pub(super) fn rate_of(interval: Fraction) -> Option<f64> {
    (interval.numerator > 0 && interval.denominator > 0)
        .then(|| f64::from(interval.denominator) / f64::from(interval.numerator))
}

/// The interval of a rate, as cameras write it: whole rates exactly, 29.97 and its kin over 1001.
pub(super) fn interval_of(fps: f64) -> Fraction {
    let whole = fps.round();
    if (fps - whole).abs() < 0.005 {
        return Fraction::new(1, whole as u32);
    }
    let over_1001 = (fps * 1.001).round();
    if (over_1001 / 1.001 - fps).abs() < 0.005 {
        return Fraction::new(1001, over_1001 as u32 * 1000);
    }
    Fraction::new(1000, (fps * 1000.0).round() as u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_and_intervals_match_in_both_directions() {
        for (fps, numerator, denominator) in [
            (60.0, 1, 60),
            (30_000.0 / 1001.0, 1001, 30_000),
            (60_000.0 / 1001.0, 1001, 60_000),
            (7.5, 1000, 7500),
        ] {
            let interval = interval_of(fps);
            assert_eq!(
                (interval.numerator, interval.denominator),
                (numerator, denominator),
                "{fps}"
            );
            assert!((rate_of(interval).unwrap() - fps).abs() < 1e-9);
        }
        assert_eq!(rate_of(Fraction::new(0, 30)), None);
    }

    #[test]
    fn a_range_of_sizes_gives_the_common_ones_inside_it() {
        let range = v4l::framesize::Stepwise {
            min_width: 16,
            max_width: 1280,
            step_width: 16,
            min_height: 16,
            max_height: 960,
            step_height: 8,
        };
        // 540 lines are not a whole number of steps.
        assert_eq!(
            sizes_in(FrameSizeEnum::Stepwise(range)),
            [
                (640, 480),
                (800, 600),
                (1024, 768),
                (1280, 720),
                (1280, 960)
            ]
        );
        let range = v4l::frameinterval::Stepwise {
            min: Fraction::new(1, 75),
            max: Fraction::new(1, 20),
            step: Fraction::new(1, 1),
        };
        assert_eq!(
            rates_in(&FrameIntervalEnum::Stepwise(range)),
            [25.0, 30.0, 50.0, 60.0, 75.0]
        );
    }
}
