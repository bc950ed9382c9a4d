//! Which cameras there are and what modes they have, as nokhwa lists them.

use std::path::PathBuf;
use std::sync::mpsc::sync_channel;
use std::time::Duration;

use nokhwa::utils::{
    ApiBackend, CameraFormat, CameraIndex, FrameFormat, RequestedFormat, RequestedFormatType,
    Resolution,
};
use nokhwa::{Camera, NokhwaError};

use super::super::request::select;
use super::super::{CameraBackend, CameraInfo, CameraMode, CameraRequest, PixelFormat};
use super::{guarded, open_error};
use crate::capture::CaptureError;
use crate::picture_size::PictureSize;

const USABLE: [FrameFormat; 4] = [
    FrameFormat::MJPEG,
    FrameFormat::YUYV,
    FrameFormat::NV12,
    FrameFormat::RAWRGB,
];
/// nokhwa lists 29.97 frames per second, an interval of 1001/30000 s, as 30000: no camera is that fast.
const MAX_FPS: u32 = 1000;
/// How long the user has to answer when macOS asks whether this program may use the camera.
const PERMISSION_TIMEOUT: Duration = Duration::from_secs(30);

/// Whether the system lets this program use cameras; only macOS asks the user.
fn is_permitted() -> bool {
    if nokhwa::nokhwa_check() {
        return true;
    }
    let (answer, answered) = sync_channel(1);
    nokhwa::nokhwa_initialize(move |granted| {
        // There is no receiver anymore when the answer came too late.
        let _ = answer.try_send(granted);
    });
    answered.recv_timeout(PERMISSION_TIMEOUT).unwrap_or(false)
}

/// What a search for cameras found.
#[derive(Default)]
pub(super) struct Search {
    usable: Vec<CameraInfo>,
    /// Cameras that could not be opened, and why.
    failed: Vec<(CameraInfo, CaptureError)>,
}

impl Search {
    /// Opens every camera for a moment: nokhwa reads modes from an open camera only.
    pub(super) fn run() -> Result<Self, CaptureError> {
        if !is_permitted() {
            return Err(CaptureError::CameraForbidden {
                device: "camera".into(),
            });
        }
        let mut found = guarded(|| nokhwa::query(ApiBackend::Auto))
            .map_err(|reason| open_error("camera list", &reason))?;
        found.sort_by_key(|camera| camera.index().as_index().ok());
        let mut search = Self::default();
        for camera in found {
            let Ok(number) = camera.index().as_index() else {
                continue;
            };
            let mut info = CameraInfo {
                name: camera.human_name(),
                path: node_of(number),
                number,
                modes: Vec::new(),
                backend: CameraBackend::Nokhwa,
            };
            match guarded(|| modes_of(number)) {
                // A node that is not for taking pictures has no modes.
                Ok(modes) if modes.is_empty() => {}
                Ok(modes) => {
                    info.modes = modes;
                    search.usable.push(info);
                }
                Err(reason) => {
                    tracing::debug!(camera = %info.label(), %reason, "a camera cannot be opened");
                    let error = open_error(&info.label(), &reason);
                    search.failed.push((info, error));
                }
            }
        }
        Ok(search)
    }

    pub(super) fn select(self, request: &CameraRequest) -> Result<CameraInfo, CaptureError> {
        select(&self.usable, &request.device).map_err(|error| {
            // One that is there and cannot be opened is not missing.
            self.failed
                .into_iter()
                .find(|(info, _)| select(std::slice::from_ref(info), &request.device).is_ok())
                .map_or(error, |(_, reason)| reason)
        })
    }
}

/// The cameras that are plugged in.
pub(in super::super) fn list() -> Result<Vec<CameraInfo>, CaptureError> {
    let Search { usable, failed } = Search::run()?;
    let refused = failed
        .into_iter()
        .map(|(_, error)| error)
        .find(|error| matches!(error, CaptureError::CameraForbidden { .. }));
    match refused {
        Some(refused) if usable.is_empty() => Err(refused),
        _ => Ok(usable),
    }
}

fn node_of(number: u32) -> Option<PathBuf> {
    cfg!(target_os = "linux").then(|| format!("/dev/video{number}").into())
}

fn modes_of(number: u32) -> Result<Vec<CameraMode>, NokhwaError> {
    let any = RequestedFormat::with_formats(RequestedFormatType::None, &USABLE);
    let formats = Camera::new(CameraIndex::Index(number), any)?.compatible_camera_formats()?;
    Ok(formats.iter().filter_map(mode_of).collect())
}

pub(super) fn mode_of(format: &CameraFormat) -> Option<CameraMode> {
    let pixel_format = match format.format() {
        FrameFormat::MJPEG => PixelFormat::Mjpeg,
        FrameFormat::YUYV => PixelFormat::Yuyv,
        FrameFormat::NV12 => PixelFormat::Nv12,
        FrameFormat::RAWRGB => PixelFormat::Rgb24,
        FrameFormat::GRAY | FrameFormat::RAWBGR => return None,
    };
    (1..=MAX_FPS)
        .contains(&format.frame_rate())
        .then(|| CameraMode {
            size: size_of(format.resolution()),
            fps: f64::from(format.frame_rate()),
            format: pixel_format,
        })
}

pub(super) fn size_of(resolution: Resolution) -> PictureSize {
    PictureSize {
        width_px: resolution.width(),
        height_px: resolution.height(),
    }
}

pub(super) fn format_of(mode: CameraMode) -> CameraFormat {
    let format = match mode.format {
        PixelFormat::Mjpeg => FrameFormat::MJPEG,
        PixelFormat::Yuyv => FrameFormat::YUYV,
        PixelFormat::Nv12 => FrameFormat::NV12,
        PixelFormat::Rgb24 => FrameFormat::RAWRGB,
    };
    CameraFormat::new(
        Resolution::new(mode.size.width_px, mode.size.height_px),
        format,
        mode.fps.round() as u32,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_that_nokhwa_makes_up_is_no_mode() {
        let mode = |fps| {
            mode_of(&CameraFormat::new(
                Resolution::new(640, 480),
                FrameFormat::YUYV,
                fps,
            ))
        };
        assert!(mode(60).is_some_and(|mode| mode.fps == 60.0));
        assert_eq!((mode(30_000), mode(0)), (None, None));
    }
}
