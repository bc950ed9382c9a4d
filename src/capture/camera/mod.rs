//! Frames from a camera.
//!
//! [`CameraSource`] is one type over two libraries that reach a camera:
//!
//! - `v4l`, the default on Linux, talks to the kernel directly.
//! - nokhwa works on every system and is the default elsewhere. It is not the default on Linux because
//!   of what its Linux side (0.10.11 with bindings 0.1.4) does not pass on; `docs/upstream.md` has the
//!   details. It waits for a frame without a timeout; it drops the driver's sequence number, so lost
//!   frames cannot be counted; it gives the whole buffer instead of the bytes used and ignores the
//!   driver's error flag, so an MJPEG frame cut short on the bus is filled up with an older one; and it
//!   turns the driver's monotonic timestamp into wall-clock time.
//!
//! Either way the pixel formats are decoded here, to the same [`Frame`]. One camera is driven by one
//! thread. Exposure, gain, focus and the like are set through `v4l` only; through nokhwa the camera
//! keeps its own.

mod controls;
mod huffman_tables;
mod mode;
mod nokhwa;
mod pixel_decoder;
mod request;
#[cfg(target_os = "linux")]
mod v4l;

use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

pub(crate) use self::controls::{
    BLUR_LIMIT_CM, CameraControls, ControlStatus, EXPOSURE_LIMIT_MS, ExposureController,
    ExposureRequest, FocusRequest, FocusStatus, GainRequest, LiveControls, PowerLine, blur_cm,
};
pub(crate) use self::mode::{CameraMode, PixelFormat};
pub use self::pixel_decoder::MjpegDecoder;
pub(crate) use self::request::{CameraBackend, CameraRequest};
use super::{CaptureError, Frame};

/// How long to wait for a frame.
const FRAME_TIMEOUT: Duration = Duration::from_millis(500);
/// How long to wait for the first frame: a camera takes a while to wake up.
const FIRST_FRAME_TIMEOUT: Duration = Duration::from_secs(2);

/// A camera that is plugged in.
#[derive(Clone, Debug)]
pub(crate) struct CameraInfo {
    /// The name the camera reports.
    pub name: String,
    /// The device node, on systems that have them.
    pub path: Option<PathBuf>,
    /// The system's number for it; may change when it is plugged in again.
    pub number: u32,
    /// The modes that can be used.
    pub modes: Vec<CameraMode>,
    /// The library that found it.
    pub backend: CameraBackend,
}

impl CameraInfo {
    /// Name and place, as messages show it.
    pub(crate) fn label(&self) -> String {
        match &self.path {
            Some(path) => format!("{} ({})", path.display(), self.name),
            None => format!("camera {} ({})", self.number, self.name),
        }
    }
}

/// An open camera.
pub(crate) struct CameraSource {
    inner: Inner,
}

enum Inner {
    #[cfg(target_os = "linux")]
    V4l(Box<v4l::V4lCamera>),
    Nokhwa(Box<nokhwa::NokhwaCamera>),
}

impl CameraSource {
    /// The cameras that are plugged in and have a usable mode, by number. An empty list is no error.
    ///
    /// # Errors
    ///
    /// [`CaptureError::CameraForbidden`] if there are cameras but none may be opened.
    pub(crate) fn list(backend: CameraBackend) -> Result<Vec<CameraInfo>, CaptureError> {
        match backend {
            #[cfg(target_os = "linux")]
            CameraBackend::V4l => v4l::list(),
            // Elsewhere this is the only one that the settings let through.
            _ => nokhwa::list(),
        }
    }

    /// Finds the camera, chooses the mode that suits the request and fast motion best, and starts it.
    ///
    /// The mode may differ from the request; see [`Self::mode`].
    ///
    /// # Errors
    ///
    /// Says which camera is missing, busy or refused, and what to do.
    pub(crate) fn open(request: &CameraRequest) -> Result<Self, CaptureError> {
        let inner = match request.backend {
            #[cfg(target_os = "linux")]
            CameraBackend::V4l => Inner::V4l(Box::new(v4l::V4lCamera::open(request)?)),
            _ => Inner::Nokhwa(Box::new(nokhwa::NokhwaCamera::open(request)?)),
        };
        Ok(Self { inner })
    }

    /// The camera.
    pub(crate) fn info(&self) -> &CameraInfo {
        match &self.inner {
            #[cfg(target_os = "linux")]
            Inner::V4l(camera) => camera.info(),
            Inner::Nokhwa(camera) => camera.info(),
        }
    }

    /// The mode it runs in.
    pub(crate) fn mode(&self) -> CameraMode {
        match &self.inner {
            #[cfg(target_os = "linux")]
            Inner::V4l(camera) => camera.mode(),
            Inner::Nokhwa(camera) => camera.mode(),
        }
    }

    /// The rates that it lists for the size that it runs in, the fastest first.
    pub(crate) fn rates(&self) -> Vec<f64> {
        mode::rates(&self.info().modes, self.mode())
    }

    /// What the camera made of the requested controls; `None` where this backend sets none.
    pub(crate) fn controls(&self) -> Option<ControlStatus> {
        match &self.inner {
            #[cfg(target_os = "linux")]
            Inner::V4l(camera) => Some(camera.controls()),
            Inner::Nokhwa(_) => None,
        }
    }

    /// Waits for the next frame and decodes it into a reused buffer.
    ///
    /// `Frame::index` follows the driver's count, so a gap in it is frames lost before they reached
    /// this program; through nokhwa such a loss cannot be seen.
    ///
    /// # Errors
    ///
    /// [`CaptureError::CameraTimeout`] after half a second without a frame (two seconds for the first
    /// after a start) and [`CaptureError::BadFrame`]: call again. [`CaptureError::CameraGone`]: drop the
    /// source and open the camera again.
    pub(crate) fn next_frame(&mut self, into: &mut Frame) -> Result<(), CaptureError> {
        match &mut self.inner {
            #[cfg(target_os = "linux")]
            Inner::V4l(camera) => camera.next_frame(into),
            Inner::Nokhwa(camera) => camera.next_frame(into),
        }
    }
}

impl fmt::Debug for CameraSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("CameraSource")
            .field("info", self.info())
            .field("mode", &self.mode())
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::request::DeviceSelector;
    use super::*;

    #[test]
    fn a_camera_can_be_handed_to_the_capture_thread() {
        fn sendable<T: Send>() {}
        sendable::<CameraSource>();
    }

    #[test]
    fn a_camera_that_is_not_there_is_named_with_those_that_are() {
        for &backend in CameraBackend::AVAILABLE {
            let device = DeviceSelector::Name("no such camera at all".into());
            let error = CameraSource::open(&CameraRequest {
                device,
                backend,
                ..CameraRequest::default()
            })
            .unwrap_err();
            match &error {
                CaptureError::NoSuchCamera { wanted, .. } => {
                    assert_eq!(wanted, "no such camera at all")
                }
                CaptureError::NoCamera | CaptureError::CameraForbidden { .. } => {}
                other => panic!("{backend:?}: {other:?}"),
            }
        }
    }
}
