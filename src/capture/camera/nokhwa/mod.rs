//! A camera through the crate `nokhwa`, which works on Linux, Windows and macOS.
//!
//! nokhwa lists cameras and modes and gives raw bytes; pictures are decoded by this program. nokhwa waits
//! for a frame without a timeout, so every call that concerns an open camera runs on a thread of its own,
//! `nokhwa-camera`, and this side waits for that thread with one. On Linux the thread asks nokhwa only for
//! frames that are ready, but for the first, so that it can be ended. One that hangs is left behind, and the
//! camera stays in use until it comes back to life or the program ends.
//! nokhwa's timestamps are wall-clock time; each is converted at once to the monotonic clock of
//! [`CaptureClock`](crate::capture::CaptureClock). After an error the camera must be opened again.

mod discovery;
mod leftovers;
mod readiness;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

use nokhwa::utils::{CameraFormat, CameraIndex, RequestedFormat, RequestedFormatType};
use nokhwa::{Buffer, Camera, NokhwaError};

pub(super) use self::discovery::list;
use self::discovery::{Search, format_of, mode_of, size_of};
use self::leftovers::Leftovers;
use self::readiness::Readiness;
use super::mode::best_mode;
use super::pixel_decoder::{Layout, PixelDecoder};
use super::request::CameraRequest;
use super::{
    CameraControls, CameraInfo, CameraMode, FIRST_FRAME_TIMEOUT, FRAME_TIMEOUT, LiveControls,
    PixelFormat,
};
use crate::capture::clock::monotonic_now;
use crate::capture::color::ColorSpace;
use crate::capture::{CaptureError, Frame};
use crate::thread;
use crate::time::CaptureTime;

/// A timestamp older than this, or in the future, was shifted by a change of the wall clock.
const MAX_STAMP_AGE: Duration = Duration::from_secs(5);
/// How long a camera may take to open; a slow one takes about three seconds.
const OPEN_TIMEOUT: Duration = Duration::from_secs(10);
/// How long to wait for the thread to let go of the camera.
const CLOSE_TIMEOUT: Duration = Duration::from_secs(2);
const CLOSE_POLL: Duration = Duration::from_millis(5);
/// How often the thread that waits for a frame looks whether one is still wanted.
const WANTED_POLL: Duration = Duration::from_millis(100);

const NO_CONTROLS: &str = "through nokhwa its exposure, gain, mains and focus cannot be set; they stay as the camera has them";

/// An open camera.
pub(super) struct NokhwaCamera {
    info: CameraInfo,
    label: String,
    mode: CameraMode,
    /// `None` only while being dropped.
    pictures: Option<Receiver<Result<Picture, String>>>,
    thread: Option<JoinHandle<()>>,
    closing: Arc<AtomicBool>,
    decoder: PixelDecoder,
    leftovers: Leftovers,
    next_index: u64,
    last_at: Option<CaptureTime>,
    controls: LiveControls,
    controls_version: u64,
}

/// What came from the camera, and when it was taken.
struct Picture {
    buffer: Buffer,
    captured_at: CaptureTime,
    /// When it reached this program.
    arrived_at: CaptureTime,
}

impl NokhwaCamera {
    pub(super) fn open(request: &CameraRequest) -> Result<Self, CaptureError> {
        let info = Search::run()?.select(request)?;
        let label = info.label();
        let mode = best_mode(&info.modes, request).ok_or_else(|| CaptureError::NoUsableMode {
            device: label.clone(),
            offered: "none".into(),
        })?;
        let open_failed = |reason: &str| open_error(&label, reason);
        let (opened, opening) = sync_channel(1);
        // One picture waits here while the one before it is decoded; the driver's own buffers hold the rest.
        let (sender, pictures) = sync_channel(1);
        let number = info.number;
        let closing = Arc::new(AtomicBool::new(false));
        let told = closing.clone();
        let thread = thread::spawn("nokhwa-camera", move || {
            serve(number, format_of(mode), &opened, &sender, &told);
        })
        .map_err(|error| open_failed(&error.to_string()))?;
        let mode = match opening.recv_timeout(OPEN_TIMEOUT) {
            Ok(Ok(format)) => mode_of(&format).unwrap_or(mode),
            Ok(Err(reason)) => return Err(open_failed(&reason)),
            Err(_) => return Err(open_failed("it did not open in time")),
        };
        let camera = Self {
            label: label.clone(),
            info,
            mode,
            pictures: Some(pictures),
            thread: Some(thread),
            closing,
            decoder: PixelDecoder::default(),
            leftovers: Leftovers::default(),
            next_index: 0,
            last_at: None,
            controls_version: request.controls.version(),
            controls: request.controls.clone(),
        };
        camera.report_controls();
        Ok(camera)
    }

    pub(super) fn info(&self) -> &CameraInfo {
        &self.info
    }

    pub(super) fn mode(&self) -> CameraMode {
        self.mode
    }

    pub(super) fn next_frame(&mut self, into: &mut Frame) -> Result<(), CaptureError> {
        let version = self.controls.version();
        if version != self.controls_version {
            self.controls_version = version;
            self.report_controls();
        }
        let device = || self.label.clone();
        let gone = |reason: String| CaptureError::CameraGone {
            device: device(),
            reason,
        };
        let Some(pictures) = &self.pictures else {
            return Err(gone("it is closed".into()));
        };
        let waited = match self.last_at {
            None => FIRST_FRAME_TIMEOUT,
            Some(_) => FRAME_TIMEOUT,
        };
        let picture = match pictures.recv_timeout(waited) {
            Ok(picture) => picture.map_err(gone)?,
            Err(RecvTimeoutError::Timeout) => {
                return Err(CaptureError::CameraTimeout {
                    device: device(),
                    waited,
                });
            }
            Err(RecvTimeoutError::Disconnected) => {
                return Err(gone("the thread that reads it has ended".into()));
            }
        };
        into.index = self.next_index;
        self.next_index += 1;
        into.captured_at = rising(picture.captured_at, picture.arrived_at, self.last_at);
        self.last_at = Some(into.captured_at);
        let size = size_of(picture.buffer.resolution());
        let layout = Layout {
            format: self.mode.format,
            size,
            stride: 0,
            color: ColorSpace::default(),
        };
        let bytes = picture.buffer.buffer();
        let bad = |reason| CaptureError::BadFrame {
            device: device(),
            reason,
        };
        if layout.format == PixelFormat::Mjpeg && self.leftovers.end_in(bytes) {
            return Err(bad("it is cut short".into()));
        }
        self.decoder.decode(bytes, &layout, into).map_err(bad)
    }

    /// Says once that controls are not set here, louder where the settings ask for some.
    fn report_controls(&self) {
        let requested = self.controls.requested() != CameraControls::default();
        self.controls
            .report_once(&self.label, NO_CONTROLS, requested);
    }
}

impl Drop for NokhwaCamera {
    fn drop(&mut self) {
        self.closing.store(true, Ordering::Relaxed);
        // A thread that waits for room to send ends without a receiver.
        self.pictures = None;
        let Some(thread) = self.thread.take() else {
            return;
        };
        let deadline = Instant::now() + CLOSE_TIMEOUT;
        // nokhwa hands out the same device again as long as anything holds it, so wait until it is closed.
        while !thread.is_finished() {
            if Instant::now() > deadline {
                tracing::warn!(camera = %self.label, "the camera hangs and could not be closed; it stays in use until it answers");
                return;
            }
            std::thread::sleep(CLOSE_POLL);
        }
    }
}

/// Opens the camera, reports how that went, and sends pictures until nobody receives them or one fails.
fn serve(
    number: u32,
    format: CameraFormat,
    opened: &SyncSender<Result<CameraFormat, String>>,
    pictures: &SyncSender<Result<Picture, String>>,
    closing: &AtomicBool,
) {
    // The first attempt may be refused because nokhwa compares the camera's old frame rate with the new
    // one before it sets the format; the second then finds the new format in place.
    let opening = guarded(|| open_stream(number, format))
        .or_else(|_| guarded(|| open_stream(number, format)));
    let mut camera = match opening {
        Ok(camera) => camera,
        Err(reason) => return drop(opened.send(Err(reason))),
    };
    if opened.send(Ok(camera.camera_format())).is_ok() {
        let readiness = Readiness::of(number);
        while !closing.load(Ordering::Relaxed) {
            if !readiness.wait(WANTED_POLL) {
                continue;
            }
            let picture = guarded(|| camera.frame()).map(|buffer| {
                let arrived_at = monotonic_now();
                Picture {
                    captured_at: stamp_of(
                        buffer.capture_timestamp(),
                        arrived_at,
                        crate::wall_clock::now().into(),
                    ),
                    buffer,
                    arrived_at,
                }
            });
            let failed = picture.is_err();
            if pictures.send(picture).is_err() || failed {
                break;
            }
        }
    }
    // On Linux a stream that cannot be stopped panics when it is dropped.
    if catch_unwind(AssertUnwindSafe(|| drop(camera))).is_err() {
        tracing::warn!(number, "a camera could not be closed properly");
    }
}

fn open_stream(number: u32, format: CameraFormat) -> Result<Camera, NokhwaError> {
    let wanted = [format.format()];
    let request = RequestedFormat::with_formats(RequestedFormatType::Exact(format), &wanted);
    let mut camera = Camera::new(CameraIndex::Index(number), request)?;
    camera.open_stream()?;
    Ok(camera)
}

/// A wall-clock timestamp on the monotonic clock; the time of arrival where there is none or it cannot
/// be right.
fn stamp_of(stamp: Option<Duration>, now: CaptureTime, wall_now: SystemTime) -> CaptureTime {
    let age = stamp.and_then(|stamp| wall_now.duration_since(SystemTime::UNIX_EPOCH + stamp).ok());
    match age {
        Some(age) if age < MAX_STAMP_AGE => now.plus_secs(-age.as_secs_f64()),
        _ => now,
    }
}

/// The timestamp, or the time of arrival where setting the wall clock took it back before the last frame.
fn rising(stamp: CaptureTime, arrived_at: CaptureTime, last: Option<CaptureTime>) -> CaptureTime {
    match last {
        Some(last) if stamp <= last => arrived_at,
        _ => stamp,
    }
}

/// Runs a call into nokhwa; its panics and its errors come back as a reason.
fn guarded<T>(call: impl FnOnce() -> Result<T, NokhwaError>) -> Result<T, String> {
    match catch_unwind(AssertUnwindSafe(call)) {
        Ok(result) => result.map_err(|error| error.to_string()),
        Err(_) => Err("nokhwa did not understand the driver's answer".into()),
    }
}

/// nokhwa gives the system's reason only as text; on Linux the text holds the number.
fn open_error(device: &str, text: &str) -> CaptureError {
    let device = device.to_owned();
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
    fn wall_clock_timestamps_come_back_to_the_monotonic_clock() {
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
    fn a_clock_that_is_set_takes_no_frame_back_before_the_last() {
        let at = CaptureTime::from_secs;
        assert_eq!(rising(at(9.98), at(10.0), None), at(9.98));
        assert_eq!(rising(at(9.98), at(10.0), Some(at(9.94))), at(9.98));
        assert_eq!(rising(at(8.98), at(10.0), Some(at(9.94))), at(10.0));
    }

    #[test]
    fn the_systems_reason_is_found_in_the_text() {
        let kind = |text: &str| open_error("camera", text);
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
