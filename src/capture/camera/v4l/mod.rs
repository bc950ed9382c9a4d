//! A camera through the Linux kernel's video interface, by the `v4l` crate.
//!
//! Frames are waited for with a timeout and carry the driver's timestamp; the driver's count of them
//! shows what was lost. After any failure the stream is set up again, as the crate cannot continue one
//! that failed. The crate panics on some answers it does not know and when a stream cannot be stopped;
//! both are caught here, so that a strange camera is an error and not the end of a thread.

mod controls;
mod discovery;
mod timestamps;

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::time::Duration;

use v4l::buffer::{Flags, Type};
use v4l::format::{Colorspace, Quantization};
use v4l::io::mmap::Stream;
use v4l::io::traits::{CaptureStream, Stream as _};
use v4l::video::Capture;
use v4l::video::capture::Parameters;
use v4l::{Device, Format, FourCC};

use self::controls::DeviceControls;
pub(super) use self::discovery::list;
use self::discovery::{format_of, fourccs_of, interval_of, number_of, probe_node, rate_of};
use self::timestamps::{FrameCounter, stamp_of};
use super::controls::{ControlLoop, ControlStatus};
use super::mode::best_mode;
use super::pixel_decoder::{Layout, PixelDecoder};
use super::request::{DeviceSelector, select};
use super::{CameraInfo, CameraMode, CameraRequest, FIRST_FRAME_TIMEOUT, FRAME_TIMEOUT};
use crate::capture::clock::monotonic_now;
use crate::capture::color::ColorSpace;
use crate::capture::{CaptureError, Frame};
use crate::picture_size::PictureSize;

/// Buffers that the driver fills in turn. Fewer lose frames when the thread is held up; more only add
/// memory, as the newest frame is wanted anyway.
const BUFFERS: u32 = 4;
/// How often a rate is sent to a camera that did not hear it, and the time between.
const RATE_TRIES: u32 = 4;
const RATE_PAUSE: Duration = Duration::from_millis(100);
/// Failures in a row after which the camera is given up.
const MAX_FAILURES: u32 = 5;

/// Error numbers of Linux's `errno.h`.
mod errno {
    pub(super) const EIO: i32 = 5;
    pub(super) const ENXIO: i32 = 6;
    pub(super) const EBADF: i32 = 9;
    pub(super) const EBUSY: i32 = 16;
    pub(super) const ENODEV: i32 = 19;
}

/// An open camera.
pub(super) struct V4lCamera {
    info: CameraInfo,
    label: String,
    mode: CameraMode,
    device: Device,
    /// `None` after a failure, until the next frame is asked for.
    stream: Option<Stream<'static>>,
    layout: Layout,
    decoder: PixelDecoder,
    counter: FrameCounter,
    controls: DeviceControls,
    control_loop: ControlLoop,
    /// In a row.
    failures: u32,
    /// Whether the stream has yet to give its first frame.
    awaits_first_frame: bool,
}

impl V4lCamera {
    pub(super) fn open(request: &CameraRequest) -> Result<Self, CaptureError> {
        let info = match &request.device {
            // A node that is named is opened even if the others cannot be.
            DeviceSelector::Path(path) => Self::at_path(path)?,
            device => select(&list()?, device)?,
        };
        let path = info.path.clone().unwrap_or_default();
        let label = info.label();
        let device = Device::with_path(&path).map_err(|error| open_error(&label, &error))?;
        let mode =
            best_mode(&info.modes, request).ok_or_else(|| no_usable_mode(&label, &device))?;
        let (layout, mode) = guarded(&label, || set_mode(&device, mode))?;
        let controls = DeviceControls::of(&device, &label);
        let control_loop = ControlLoop::start(
            &controls.driver(&device),
            request.controls.clone(),
            &label,
            mode.fps,
        );
        let mut camera = Self {
            info,
            label,
            mode,
            device,
            stream: None,
            layout,
            decoder: PixelDecoder::default(),
            counter: FrameCounter::default(),
            controls,
            control_loop,
            failures: 0,
            awaits_first_frame: true,
        };
        camera.start()?;
        Ok(camera)
    }

    fn at_path(path: &Path) -> Result<CameraInfo, CaptureError> {
        let label = path.display().to_string();
        let node = match path.canonicalize() {
            Ok(node) => node,
            // The error then names the cameras that are there.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return select(&list()?, &DeviceSelector::Path(path.into()));
            }
            Err(error) => return Err(open_error(&label, &error)),
        };
        let Some(number) = number_of(&node) else {
            return Err(CaptureError::CameraOpen {
                device: label,
                reason: "this is no video device node such as /dev/video0".into(),
            });
        };
        match probe_node(number, &node)? {
            Some(info) => Ok(info),
            None => Err(no_usable_mode(
                &label,
                &Device::with_path(&node).map_err(|error| open_error(&label, &error))?,
            )),
        }
    }

    pub(super) fn info(&self) -> &CameraInfo {
        &self.info
    }

    pub(super) fn mode(&self) -> CameraMode {
        self.mode
    }

    pub(super) fn controls(&self) -> ControlStatus {
        self.control_loop
            .status(&self.controls.driver(&self.device))
    }

    /// Maps the buffers; the driver starts with the first frame asked for.
    fn start(&mut self) -> Result<(), CaptureError> {
        let mut stream = guarded(&self.label, || {
            Stream::with_buffers(&self.device, Type::VideoCapture, BUFFERS)
        })?;
        stream.set_timeout(FIRST_FRAME_TIMEOUT);
        self.awaits_first_frame = true;
        self.counter.stream_restarted();
        self.stream = Some(stream);
        Ok(())
    }

    pub(super) fn next_frame(&mut self, into: &mut Frame) -> Result<(), CaptureError> {
        loop {
            if self.stream.is_none() {
                // A camera whose stream cannot be set up again after a failure is gone.
                self.start().map_err(|error| self.gone(error.to_string()))?;
            }
            match self.try_next(into) {
                Ok(result) => return result,
                // A signal to the process woke the wait; nothing is wrong with the camera.
                Err(error) if error.kind() == io::ErrorKind::Interrupted => self.stop(),
                Err(error) => {
                    self.stop();
                    return Err(self.failed(&error));
                }
            }
        }
    }

    /// The outer error is the stream's, the inner one the frame's.
    fn try_next(&mut self, into: &mut Frame) -> io::Result<Result<(), CaptureError>> {
        let Some(stream) = &mut self.stream else {
            return Err(io::Error::other("no stream"));
        };
        let (bytes, metadata) = stream.next()?;
        let now = monotonic_now();
        into.index = self.counter.count(metadata.sequence);
        into.captured_at = stamp_of(metadata, now);
        let bytes = &bytes[..bytes.len().min(metadata.bytesused as usize)];
        let decoded = if metadata.flags.contains(Flags::ERROR) {
            Err("the driver marked it as damaged".to_owned())
        } else {
            self.decoder.decode(bytes, &self.layout, into)
        };
        if self.awaits_first_frame {
            stream.set_timeout(FRAME_TIMEOUT);
            self.awaits_first_frame = false;
        }
        self.failures = 0;
        if decoded.is_ok() {
            let driver = self.controls.driver(&self.device);
            let brightness = || f64::from(into.brightness());
            self.control_loop
                .on_frame(&driver, into.captured_at, brightness);
        }
        Ok(decoded.map_err(|reason| CaptureError::BadFrame {
            device: self.label.clone(),
            reason,
        }))
    }

    fn failed(&mut self, error: &io::Error) -> CaptureError {
        let device = self.label.clone();
        if error.kind() == io::ErrorKind::TimedOut {
            return CaptureError::CameraTimeout {
                device,
                waited: if self.awaits_first_frame {
                    FIRST_FRAME_TIMEOUT
                } else {
                    FRAME_TIMEOUT
                },
            };
        }
        self.failures += 1;
        match error.raw_os_error() {
            Some(errno::ENODEV | errno::ENXIO | errno::EBADF) => {
                self.gone("it was unplugged".into())
            }
            // The kernel's documentation of VIDIOC_DQBUF: may be a temporary loss of the signal.
            Some(errno::EIO) if self.failures < MAX_FAILURES => CaptureError::BadFrame {
                device,
                reason: "the driver lost the signal".into(),
            },
            _ => self.gone(error.to_string()),
        }
    }

    fn gone(&self, reason: String) -> CaptureError {
        CaptureError::CameraGone {
            device: self.label.clone(),
            reason,
        }
    }

    /// Ends the stream so that dropping it cannot panic.
    fn stop(&mut self) {
        let Some(mut stream) = self.stream.take() else {
            return;
        };
        match stream.stop() {
            // The crate's own drop stops it again, and accepts a second stop and a lost device.
            Ok(()) => drop(stream),
            Err(error) if error.raw_os_error() == Some(errno::ENODEV) => drop(stream),
            Err(error) => {
                tracing::warn!(camera = %self.label, %error, "the stream could not be stopped; its buffers stay in use until this program ends");
                std::mem::forget(stream);
            }
        }
    }
}

impl Drop for V4lCamera {
    fn drop(&mut self) {
        self.control_loop
            .restore(&self.controls.driver(&self.device));
        self.stop();
    }
}

/// Sets the mode and reads back what the driver made of it.
fn set_mode(device: &Device, mode: CameraMode) -> io::Result<(Layout, CameraMode)> {
    let offered: Vec<FourCC> = device
        .enum_formats()?
        .into_iter()
        .map(|description| description.fourcc)
        .collect();
    let fourcc = fourccs_of(mode.format)
        .iter()
        .map(|fourcc| FourCC::new(fourcc))
        .find(|fourcc| offered.contains(fourcc));
    let fourcc = fourcc.ok_or_else(|| io::Error::other("the format is not offered any more"))?;
    let set = device.set_format(&Format::new(
        mode.size.width_px,
        mode.size.height_px,
        fourcc,
    ))?;
    let format = format_of(set.fourcc).ok_or_else(|| {
        io::Error::other(format!("the driver insists on the format {}", set.fourcc))
    })?;
    // The rate comes after the format, because setting a format may reset it.
    let fps = set_rate(device, mode.fps);
    let size = PictureSize {
        width_px: set.width,
        height_px: set.height,
    };
    let layout = Layout {
        format,
        size,
        stride: set.stride as usize,
        color: color_of(&set),
    };
    Ok((layout, CameraMode { size, fps, format }))
}

/// Sets the frame rate; gives the one that the camera then has. A driver that has no rates to set is left at its own; a bus that
/// loses the request gets it again.
fn set_rate(device: &Device, fps: f64) -> f64 {
    let mut tries = 0;
    loop {
        tries += 1;
        let error = match device.set_params(&Parameters::new(interval_of(fps))) {
            Ok(set) => return rate_of(set.interval).unwrap_or(fps),
            Err(error) => error,
        };
        let lost = error.raw_os_error() == Some(errno::EIO);
        if lost && tries < RATE_TRIES {
            std::thread::sleep(RATE_PAUSE);
            continue;
        }
        match lost {
            true => tracing::warn!(%error, fps, "the camera did not take the frame rate"),
            false => tracing::debug!(%error, "the frame rate cannot be set"),
        }
        let now = device.params().ok().and_then(|now| rate_of(now.interval));
        return now.unwrap_or(fps);
    }
}

/// The kernel's defaults: limited range unless stated otherwise, BT.601 unless the colors are those
/// of high-definition television (V4L2 documentation, "Defining Colorspaces in V4L2").
fn color_of(format: &Format) -> ColorSpace {
    let matrix = match format.colorspace {
        Colorspace::Rec709 | Colorspace::DCIP3 => Some(1),
        Colorspace::SMPTE240M => Some(7),
        Colorspace::Rec2020 => Some(9),
        _ => None,
    };
    let full = match format.quantization {
        Quantization::FullRange => true,
        Quantization::LimitedRange => false,
        Quantization::Default => matches!(format.colorspace, Colorspace::JPEG),
    };
    ColorSpace::from_codes(matrix, full)
}

fn no_usable_mode(label: &str, device: &Device) -> CaptureError {
    let offered = guarded(label, || device.enum_formats()).unwrap_or_default();
    let names: Vec<String> = offered
        .iter()
        .map(|description| description.fourcc.to_string())
        .collect();
    CaptureError::NoUsableMode {
        device: label.into(),
        offered: if names.is_empty() {
            "none".into()
        } else {
            names.join(", ")
        },
    }
}

/// Runs a call into the crate; its panics and its errors become errors of opening.
fn guarded<T>(label: &str, call: impl FnOnce() -> io::Result<T>) -> Result<T, CaptureError> {
    match catch_unwind(AssertUnwindSafe(call)) {
        Ok(result) => result.map_err(|error| open_error(label, &error)),
        Err(_) => Err(CaptureError::CameraOpen {
            device: label.into(),
            reason: "its driver gave an answer that is not understood".into(),
        }),
    }
}

fn open_error(label: &str, error: &io::Error) -> CaptureError {
    let device = label.to_owned();
    match (error.kind(), error.raw_os_error()) {
        (io::ErrorKind::PermissionDenied, _) => CaptureError::CameraForbidden { device },
        (_, Some(errno::EBUSY)) => CaptureError::CameraBusy { device },
        (_, Some(errno::ENODEV | errno::ENXIO)) | (io::ErrorKind::NotFound, _) => {
            CaptureError::CameraGone {
                device,
                reason: "it was unplugged".into(),
            }
        }
        _ => CaptureError::CameraOpen {
            device,
            reason: error.to_string(),
        },
    }
}
