//! Frames from a camera.
//!
//! [`CameraSource`] is one type over two ways to reach a camera:
//!
//! - On Linux the default talks to the kernel through the `v4l` crate. nokhwa, which works on every
//!   system, is not the default here because of what its Linux side (0.10.11 with bindings 0.1.4)
//!   does not hand over: it waits for a frame without a timeout, so a camera that hangs while
//!   plugged in blocks its thread for good; it drops the driver's sequence number, so lost frames
//!   cannot be counted; it gives the whole buffer instead of the bytes used, so an MJPEG frame cut
//!   short on the bus is filled up with an older one and cannot be told from a good one; it ignores
//!   the driver's error flag; and it turns the driver's monotonic stamp into wall-clock time, so
//!   that setting the clock moves frames.
//! - Elsewhere, and on Linux when asked for, nokhwa.
//!
//! Either way the picture formats are decoded here, to the same [`Frame`]. One camera is driven by
//! one thread. Exposure, gain, focus and the like are set through the kernel only; through nokhwa
//! they are left as the camera has them.

mod choice;
mod controls;
mod fallback_tables;
mod pixels;
mod through_nokhwa;
#[cfg(target_os = "linux")]
mod through_v4l;

use std::fmt;
use std::path::PathBuf;

pub(crate) use self::choice::{Backend, CameraDevice, CameraMode, CameraRequest, PixelFormat};
pub(crate) use self::controls::{
    BLUR_LIMIT_CM, CameraControls, ControlStatus, EXPOSURE_LIMIT_MS, ExposureController,
    ExposureRequest, FocusRequest, FocusStatus, GainRequest, LiveControls, PowerLine, blur_cm,
};
pub use self::pixels::MjpegDecoder;
use super::{CaptureError, Frame};

/// A camera and the mode it runs in, or, in a list, the mode it would be opened in.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct CameraInfo {
    /// As the camera calls itself.
    pub name: String,
    /// The device node, where the system has them.
    pub path: Option<PathBuf>,
    /// The system's number for it; may change when it is plugged in again.
    pub number: u32,
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// Frames a second that the camera promises; dim light or a slow bus may give fewer.
    pub fps: f64,
    /// How pictures travel from the camera.
    pub format: PixelFormat,
    /// Every mode that could be used.
    pub modes: Vec<CameraMode>,
    /// What reaches the camera: "v4l" or "nokhwa".
    pub backend: &'static str,
}

impl CameraInfo {
    /// Name and place, as messages show it.
    pub(crate) fn label(&self) -> String {
        match &self.path {
            Some(path) => format!("{} ({})", path.display(), self.name),
            None => format!("camera {} ({})", self.number, self.name),
        }
    }

    fn take_on(&mut self, mode: CameraMode) {
        (self.width, self.height, self.fps, self.format) =
            (mode.width, mode.height, mode.fps, mode.format);
    }
}

/// An open camera.
pub(crate) struct CameraSource {
    inner: Inner,
}

enum Inner {
    #[cfg(target_os = "linux")]
    V4l(Box<through_v4l::V4lCamera>),
    Nokhwa(Box<through_nokhwa::NokhwaCamera>),
}

impl CameraSource {
    /// The cameras that are plugged in and have a usable mode, by number. An empty list is no error.
    ///
    /// # Errors
    ///
    /// [`CaptureError::CameraForbidden`] if there are cameras but none may be looked at.
    pub(crate) fn list() -> Result<Vec<CameraInfo>, CaptureError> {
        Self::list_through(Backend::Native)
    }

    /// As [`Self::list`], through the backend named.
    ///
    /// # Errors
    ///
    /// As [`Self::list`].
    pub(crate) fn list_through(backend: Backend) -> Result<Vec<CameraInfo>, CaptureError> {
        match backend {
            #[cfg(target_os = "linux")]
            Backend::Native => through_v4l::list(),
            _ => through_nokhwa::list(),
        }
    }

    /// Finds the camera, chooses its best mode for fast motion within the wishes, and starts it.
    ///
    /// The mode may differ from the wishes; [`Self::info`] tells it.
    ///
    /// # Errors
    ///
    /// Says which camera is missing, busy or refused, and what to do.
    pub(crate) fn open(choice: &CameraRequest) -> Result<Self, CaptureError> {
        let inner = match choice.backend {
            #[cfg(target_os = "linux")]
            Backend::Native => Inner::V4l(Box::new(through_v4l::V4lCamera::open(choice)?)),
            _ => Inner::Nokhwa(Box::new(through_nokhwa::NokhwaCamera::open(choice)?)),
        };
        Ok(Self { inner })
    }

    /// The camera and the mode it runs in.
    pub(crate) fn info(&self) -> &CameraInfo {
        match &self.inner {
            #[cfg(target_os = "linux")]
            Inner::V4l(camera) => camera.info(),
            Inner::Nokhwa(camera) => camera.info(),
        }
    }

    /// What became of the wishes about exposure, gain, mains and focus; `None` where this backend
    /// leaves the camera as it is.
    pub(crate) fn controls(&self) -> Option<ControlStatus> {
        match &self.inner {
            #[cfg(target_os = "linux")]
            Inner::V4l(camera) => Some(camera.controls()),
            Inner::Nokhwa(_) => None,
        }
    }

    /// Waits for the next frame and decodes it into a buffer used again.
    ///
    /// `Frame::index` counts what the driver counted, so a gap in it is frames lost before they
    /// reached this program; through nokhwa such a loss cannot be seen.
    ///
    /// # Errors
    ///
    /// [`CaptureError::CameraTimeout`] after half a second without a frame (two seconds for the
    /// first after a start) and [`CaptureError::BadFrame`]: call again. [`CaptureError::CameraGone`]: drop the
    /// source and open the camera again. Through nokhwa there is no timeout on Linux.
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
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_camera_can_be_handed_to_the_capture_thread() {
        fn sendable<T: Send>() {}
        sendable::<CameraSource>();
    }

    #[test]
    fn a_camera_that_is_not_there_is_named_with_those_that_are() {
        for backend in [Backend::Native, Backend::Nokhwa] {
            let device = CameraDevice::Name("no such camera at all".into());
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
