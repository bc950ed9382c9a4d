//! A camera through the Linux kernel's video interface, by the `v4l` crate.
//!
//! Frames are waited for with a timeout and dated by the driver; the driver's count of them shows
//! what was lost. After any failure the stream is set up afresh, as the crate cannot go on with one
//! that failed. The crate panics on some answers it does not know and when a stream cannot be
//! stopped; both are caught here, so that a strange camera is an error and not the end of a thread.

mod driver;
mod modes;
mod stamps;

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

use self::driver::Controls;
pub(super) use self::modes::list;
use self::modes::{codes_of, format_of, interval_of, look_at, number_of, rate_of};
use self::stamps::{FrameCounter, stamp_of};
use super::choice::{best_mode, pick};
use super::controls::{ControlStatus, Keeper};
use super::pixels::{Layout, PixelDecoder};
use super::{CameraDevice, CameraInfo, CameraMode, CameraRequest};
use crate::capture::clock::monotonic_now;
use crate::capture::colour::ColourSpace;
use crate::capture::{CaptureError, Frame};

/// Buffers the driver fills in turn. Fewer lose frames when the thread is held up; more only add
/// memory, as the newest frame is wanted anyway.
const BUFFERS: u32 = 4;
const TIMEOUT: Duration = Duration::from_millis(500);
/// A camera takes a while to wake up.
const FIRST_TIMEOUT: Duration = Duration::from_secs(2);
/// Failures in a row after which the camera is given up.
const FAILURES_ALLOWED: u32 = 5;

/// Codes of errors, from Linux's `errno.h`.
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
    device: Device,
    stream: Option<Stream<'static>>,
    layout: Layout,
    decoder: PixelDecoder,
    counter: FrameCounter,
    controls: Controls,
    keeper: Keeper,
    failures: u32,
    fresh: bool,
}

impl V4lCamera {
    pub(super) fn open(choice: &CameraRequest) -> Result<Self, CaptureError> {
        let mut info = match &choice.device {
            // A node that is named is opened even if the others cannot be looked at.
            CameraDevice::Path(path) => Self::at_path(path)?,
            device => pick(&list()?, device)?,
        };
        let path = info.path.clone().unwrap_or_default();
        let label = info.label();
        let device = Device::with_path(&path).map_err(|error| open_error(&label, &error))?;
        let mode = best_mode(&info.modes, choice).ok_or_else(|| no_usable_mode(&label, &device))?;
        let (layout, mode) = guarded(&label, || set_mode(&device, mode))?;
        info.take_on(mode);
        let controls = Controls::of(&device, &label);
        let wishes = choice.controls.clone();
        let keeper = Keeper::start(&controls.on(&device), wishes, &label, info.fps);
        let mut camera = Self {
            info,
            label,
            device,
            stream: None,
            layout,
            decoder: PixelDecoder::default(),
            counter: FrameCounter::default(),
            controls,
            keeper,
            failures: 0,
            fresh: true,
        };
        camera.start()?;
        Ok(camera)
    }

    fn at_path(path: &Path) -> Result<CameraInfo, CaptureError> {
        let label = path.display().to_string();
        let node = match path.canonicalize() {
            Ok(node) => node,
            // Tell what is there instead.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return pick(&list()?, &CameraDevice::Path(path.into()));
            }
            Err(error) => return Err(open_error(&label, &error)),
        };
        let Some(number) = number_of(&node) else {
            return Err(CaptureError::CameraOpen {
                device: label,
                reason: "this is no video device node such as /dev/video0".into(),
            });
        };
        match look_at(number, &node)? {
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

    pub(super) fn controls(&self) -> ControlStatus {
        self.keeper.now(&self.controls.on(&self.device))
    }

    /// Maps the buffers; the driver starts with the first frame asked for.
    fn start(&mut self) -> Result<(), CaptureError> {
        let mut stream = guarded(&self.label, || {
            Stream::with_buffers(&self.device, Type::VideoCapture, BUFFERS)
        })?;
        stream.set_timeout(FIRST_TIMEOUT);
        self.fresh = true;
        self.counter.stream_restarted();
        self.stream = Some(stream);
        Ok(())
    }

    pub(super) fn next_frame(&mut self, into: &mut Frame) -> Result<(), CaptureError> {
        loop {
            if self.stream.is_none() {
                // A camera that cannot be set up again after a failure is gone, not merely shut.
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

    /// The outer result tells of the stream, the inner one of the frame.
    fn try_next(&mut self, into: &mut Frame) -> io::Result<Result<(), CaptureError>> {
        let Some(stream) = &mut self.stream else {
            return Err(io::Error::other("no stream"));
        };
        let (bytes, about) = stream.next()?;
        let now = monotonic_now();
        into.index = self.counter.count(about.sequence);
        into.captured_at = stamp_of(about, now);
        let bytes = &bytes[..bytes.len().min(about.bytesused as usize)];
        let decoded = if about.flags.contains(Flags::ERROR) {
            Err("the driver marked it as damaged".to_owned())
        } else {
            self.decoder.decode(bytes, &self.layout, into)
        };
        if self.fresh {
            stream.set_timeout(TIMEOUT);
            self.fresh = false;
        }
        self.failures = 0;
        if decoded.is_ok() {
            let driver = self.controls.on(&self.device);
            let brightness = || f64::from(into.brightness());
            self.keeper.picture(&driver, into.captured_at, brightness);
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
                waited: if self.fresh { FIRST_TIMEOUT } else { TIMEOUT },
            };
        }
        self.failures += 1;
        match error.raw_os_error() {
            Some(errno::ENODEV | errno::ENXIO | errno::EBADF) => {
                self.gone("it was unplugged".into())
            }
            // The kernel's documentation of VIDIOC_DQBUF: may be a passing loss of the signal.
            Some(errno::EIO) if self.failures < FAILURES_ALLOWED => CaptureError::BadFrame {
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
            // The crate's own drop stops again, and takes a second stop and a lost device well.
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
        self.keeper.end(&self.controls.on(&self.device));
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
    let code = codes_of(mode.format)
        .iter()
        .map(|code| FourCC::new(code))
        .find(|code| offered.contains(code));
    let code = code.ok_or_else(|| io::Error::other("the format is not offered any more"))?;
    let set = device.set_format(&Format::new(mode.width, mode.height, code))?;
    let format = format_of(set.fourcc).ok_or_else(|| {
        io::Error::other(format!("the driver insists on the format {}", set.fourcc))
    })?;
    // The rate comes after the format, because setting a format may reset it. A driver that has no
    // rates to set is left at its own.
    let wished = interval_of(mode.fps);
    let fps = match device.set_params(&Parameters::new(wished)) {
        Ok(set) => rate_of(set.interval).unwrap_or(mode.fps),
        Err(error) => {
            tracing::debug!(%error, "the frame rate cannot be set");
            device
                .params()
                .ok()
                .and_then(|now| rate_of(now.interval))
                .unwrap_or(mode.fps)
        }
    };
    let layout = Layout {
        format,
        width: set.width as usize,
        height: set.height as usize,
        stride: set.stride as usize,
        colour: colour_of(&set),
    };
    Ok((
        layout,
        CameraMode {
            width: set.width,
            height: set.height,
            fps,
            format,
        },
    ))
}

/// The kernel's defaults: limited range unless told otherwise, BT.601 unless the colours are those
/// of high-definition television (V4L2 documentation, "Defining Colorspaces in V4L2").
fn colour_of(format: &Format) -> ColourSpace {
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
    ColourSpace::from_codes(matrix, full)
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
