//! A camera through nokhwa, which works on Linux, Windows and macOS.
//!
//! Only listing, the choice of the mode and the raw bytes are nokhwa's; pictures are decoded by this
//! program. nokhwa's stamps are wall-clock time; each is turned back at once into the monotonic
//! clock of [`CaptureClock`](crate::capture::CaptureClock). On Linux a camera that hangs blocks the
//! thread (see the parent module), and after an error the camera must be opened again.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::time::{Duration, SystemTime};

use nokhwa::utils::{
    ApiBackend, CameraFormat, CameraIndex, FrameFormat, RequestedFormat, RequestedFormatType,
    Resolution,
};
use nokhwa::{Camera, NokhwaError};

use super::choice::{best_mode, pick};
use super::pixels::{Layout, PixelDecoder};
use super::{CameraInfo, CameraMode, CameraRequest, PixelFormat};
use crate::capture::clock::monotonic_now;
use crate::capture::colour::ColourSpace;
use crate::capture::{CaptureError, Frame};
use crate::time::CaptureTime;

const USABLE: [FrameFormat; 4] = [
    FrameFormat::MJPEG,
    FrameFormat::YUYV,
    FrameFormat::NV12,
    FrameFormat::RAWRGB,
];
/// A stamp older than this, or in the future, was made wrong by a change of the wall clock.
const OLDEST_STAMP: Duration = Duration::from_secs(5);

/// How long the user has to answer when macOS asks whether this program may use the camera.
const PERMISSION_WAIT: Duration = Duration::from_secs(30);

/// Whether the system lets this program use cameras; only macOS asks the user.
fn is_permitted() -> bool {
    if nokhwa::nokhwa_check() {
        return true;
    }
    let (answer, answered) = std::sync::mpsc::sync_channel(1);
    nokhwa::nokhwa_initialize(move |granted| {
        // Nobody listens any more when the answer came too late.
        let _ = answer.try_send(granted);
    });
    answered.recv_timeout(PERMISSION_WAIT).unwrap_or(false)
}

/// The cameras there are.
pub(super) fn list() -> Result<Vec<CameraInfo>, CaptureError> {
    if !is_permitted() {
        return Err(CaptureError::CameraForbidden {
            device: "camera".into(),
        });
    }
    let found = guarded("camera list", || nokhwa::query(ApiBackend::Auto))?;
    let mut cameras: Vec<CameraInfo> = found
        .iter()
        .filter_map(|camera| {
            let number = camera.index().as_index().ok()?;
            let info = CameraInfo {
                name: camera.human_name(),
                path: node_of(number),
                number,
                width: 0,
                height: 0,
                fps: 0.0,
                format: PixelFormat::Mjpeg,
                modes: Vec::new(),
                backend: "nokhwa",
            };
            with_modes(info)
        })
        .collect();
    cameras.sort_by_key(|camera| camera.number);
    Ok(cameras)
}

/// Modes can only be read from an open camera; one that cannot be opened is left out.
fn with_modes(mut info: CameraInfo) -> Option<CameraInfo> {
    match open_any(&info.label(), info.number)
        .and_then(|mut camera| modes_of(&info.label(), &mut camera))
    {
        Ok(modes) => {
            let mode = best_mode(&modes, &CameraRequest::default())?;
            info.modes = modes;
            info.take_on(mode);
            Some(info)
        }
        Err(error) => {
            tracing::debug!(%error, "a camera is left out of the list");
            None
        }
    }
}

fn node_of(number: u32) -> Option<PathBuf> {
    cfg!(target_os = "linux").then(|| format!("/dev/video{number}").into())
}

fn open_any(label: &str, number: u32) -> Result<Camera, CaptureError> {
    guarded(label, || {
        Camera::new(
            CameraIndex::Index(number),
            RequestedFormat::with_formats(RequestedFormatType::None, &USABLE),
        )
    })
}

fn modes_of(label: &str, camera: &mut Camera) -> Result<Vec<CameraMode>, CaptureError> {
    let formats = guarded(label, || camera.compatible_camera_formats())?;
    Ok(formats.iter().filter_map(mode_of).collect())
}

fn mode_of(format: &CameraFormat) -> Option<CameraMode> {
    let pixel_format = match format.format() {
        FrameFormat::MJPEG => PixelFormat::Mjpeg,
        FrameFormat::YUYV => PixelFormat::Yuyv,
        FrameFormat::NV12 => PixelFormat::Nv12,
        FrameFormat::RAWRGB => PixelFormat::Rgb24,
        FrameFormat::GRAY | FrameFormat::RAWBGR => return None,
    };
    Some(CameraMode {
        width: format.width(),
        height: format.height(),
        fps: f64::from(format.frame_rate()),
        format: pixel_format,
    })
}

fn format_of(mode: CameraMode) -> CameraFormat {
    let format = match mode.format {
        PixelFormat::Mjpeg => FrameFormat::MJPEG,
        PixelFormat::Yuyv => FrameFormat::YUYV,
        PixelFormat::Nv12 => FrameFormat::NV12,
        PixelFormat::Rgb24 => FrameFormat::RAWRGB,
    };
    CameraFormat::new(
        Resolution::new(mode.width, mode.height),
        format,
        mode.fps.round() as u32,
    )
}

/// An open camera.
pub(super) struct NokhwaCamera {
    info: CameraInfo,
    label: String,
    /// None only while being dropped.
    camera: Option<Camera>,
    decoder: PixelDecoder,
    next_index: u64,
}

impl NokhwaCamera {
    pub(super) fn open(choice: &CameraRequest) -> Result<Self, CaptureError> {
        let mut info = pick(&list()?, &choice.device)?;
        let label = info.label();
        let mode = best_mode(&info.modes, choice).ok_or_else(|| CaptureError::NoUsableMode {
            device: label.clone(),
            offered: "none".into(),
        })?;
        let open = || {
            let format = format_of(mode);
            guarded(&label, || {
                let wanted = [format.format()];
                let request =
                    RequestedFormat::with_formats(RequestedFormatType::Exact(format), &wanted);
                let mut camera = Camera::new(CameraIndex::Index(info.number), request)?;
                camera.open_stream()?;
                Ok(camera)
            })
        };
        // The first attempt may be refused because the camera's old rate is compared with the new
        // one before the format is set; the second then finds the new format in place.
        let camera = open().or_else(|_| open())?;
        if let Some(mode) = mode_of(&camera.camera_format()) {
            info.take_on(mode);
        }
        Ok(Self {
            info,
            label,
            camera: Some(camera),
            decoder: PixelDecoder::default(),
            next_index: 0,
        })
    }

    pub(super) fn info(&self) -> &CameraInfo {
        &self.info
    }

    pub(super) fn next_frame(&mut self, into: &mut Frame) -> Result<(), CaptureError> {
        let gone = |reason: String| CaptureError::CameraGone {
            device: self.label.clone(),
            reason,
        };
        let Some(camera) = &mut self.camera else {
            return Err(gone("it is shut".into()));
        };
        let buffer = catch_unwind(AssertUnwindSafe(|| camera.frame()))
            .map_err(|_| gone("nokhwa panicked".into()))?
            .map_err(|error| gone(error.to_string()))?;
        into.index = self.next_index;
        self.next_index += 1;
        into.captured_at = stamp_of(
            buffer.capture_timestamp(),
            monotonic_now(),
            SystemTime::now(),
        );
        let bad = |reason: String| CaptureError::BadFrame {
            device: self.label.clone(),
            reason,
        };
        let layout = Layout {
            format: self.info.format,
            width: buffer.resolution().width() as usize,
            height: buffer.resolution().height() as usize,
            stride: 0,
            colour: ColourSpace::default(),
        };
        self.decoder
            .decode(buffer.buffer(), &layout, into)
            .map_err(bad)
    }
}

impl Drop for NokhwaCamera {
    fn drop(&mut self) {
        // On Linux a stream that cannot be stopped panics when it is dropped.
        let camera = self.camera.take();
        if catch_unwind(AssertUnwindSafe(|| drop(camera))).is_err() {
            tracing::warn!(camera = %self.label, "the camera could not be shut properly");
        }
    }
}

/// A wall-clock stamp on the monotonic clock; the time of arrival where there is none or it cannot
/// be right.
fn stamp_of(stamp: Option<Duration>, now: CaptureTime, wall_now: SystemTime) -> CaptureTime {
    let age = stamp.and_then(|stamp| wall_now.duration_since(SystemTime::UNIX_EPOCH + stamp).ok());
    match age {
        Some(age) if age < OLDEST_STAMP => now.plus_secs(-age.as_secs_f64()),
        _ => now,
    }
}

/// Runs a call into nokhwa; its panics and its errors become errors of opening.
fn guarded<T>(
    label: &str,
    call: impl FnOnce() -> Result<T, NokhwaError>,
) -> Result<T, CaptureError> {
    let device = label.to_owned();
    match catch_unwind(AssertUnwindSafe(call)) {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(open_error(device, &error.to_string())),
        Err(_) => Err(CaptureError::CameraOpen {
            device,
            reason: "nokhwa did not understand the driver's answer".into(),
        }),
    }
}

/// nokhwa hands on the system's reason only as text; on Linux the text holds the number.
fn open_error(device: String, text: &str) -> CaptureError {
    let has = |code: &str| text.contains(&format!("os error {code})"));
    if has("13") {
        CaptureError::CameraForbidden { device }
    } else if has("16") {
        CaptureError::CameraBusy { device }
    } else if has("19") || has("2") {
        CaptureError::CameraGone {
            device,
            reason: "it was unplugged".into(),
        }
    } else {
        CaptureError::CameraOpen {
            device,
            reason: text.to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wall_clock_stamps_come_back_to_the_monotonic_clock() {
        let now = CaptureTime::from_secs(50.0);
        let wall_now = SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000);
        let at = |secs: f64| stamp_of(Some(Duration::from_secs_f64(secs)), now, wall_now);
        assert!((at(999_999.98).secs() - 49.98).abs() < 1e-6);
        // The clock was set between the frame and now.
        assert_eq!(at(1_000_010.0), now);
        assert_eq!(at(996_400.0), now);
        assert_eq!(stamp_of(None, now, wall_now), now);
    }

    #[test]
    fn the_systems_reason_is_found_in_the_text() {
        let kind = |text: &str| open_error("camera".into(), text);
        assert!(matches!(
            kind("Could not open device 0: V4L2 Error: Device or resource busy (os error 16)"),
            CaptureError::CameraBusy { .. }
        ));
        assert!(matches!(
            kind("Permission denied (os error 13)"),
            CaptureError::CameraForbidden { .. }
        ));
        assert!(matches!(
            kind("No such file or directory (os error 2)"),
            CaptureError::CameraGone { .. }
        ));
        assert!(matches!(
            kind("Invalid argument (os error 22)"),
            CaptureError::CameraOpen { .. }
        ));
    }
}
