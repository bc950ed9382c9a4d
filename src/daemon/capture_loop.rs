//! The capture thread: frames from a source into the frame channel.
//!
//! In: a camera or a clip. Out: frames, and the counts of what was captured and dropped. A camera that is lost is opened
//! again for as long as it takes; a clip that fails ends the run.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::Ordering;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use crate::capture::{
    CameraRequest, CameraSource, CaptureClock, CaptureError, Frame, FrameSource, LiveControls,
};
use crate::picture_size::PictureSize;
use crate::settings::Settings;
use crate::status::Health;

use super::frame_channel::FrameSender;
use super::stop::Stop;
use super::watchdog::notify_alive;

/// The wait between two tries to open a camera. It never grows: a try costs next to nothing, and a camera that is plugged
/// in again is to be in use within three seconds, however long it was away.
const RETRY_EVERY: Duration = Duration::from_secs(1);
/// How often a wait checks for a stop.
const STOP_CHECK_EVERY: Duration = Duration::from_millis(50);

/// What the capture thread shares with the rest of the run.
pub(super) struct CaptureContext {
    pub health: Arc<Health>,
    pub stop: Stop,
    /// Set once, to "now" on the source's clock.
    pub clock: Arc<OnceLock<CaptureClock>>,
}

/// The camera that the settings ask for.
pub(crate) fn camera_request(settings: &Settings) -> CameraRequest {
    let camera = &settings.camera;
    // Any text is a device; the error type has no values.
    let device = camera
        .device
        .as_deref()
        .and_then(|d| d.parse().ok())
        .unwrap_or_default();
    CameraRequest {
        device,
        backend: camera.backend,
        size: Some(PictureSize {
            width_px: camera.width,
            height_px: camera.height,
        }),
        fps: Some(f64::from(camera.fps)),
        controls: LiveControls::new(camera.controls),
    }
}

/// Sends a source's frames until it ends, fails, or a stop is requested.
///
/// # Errors
/// Those of the source; one that passes leaves the source in use.
pub(super) fn capture_loop(
    source: &mut FrameSource,
    frames: &FrameSender,
    context: &CaptureContext,
) -> Result<(), CaptureError> {
    let CaptureContext {
        health,
        stop,
        clock,
    } = context;
    let mut frame = Frame::default();
    let mut expected = None;
    let mut dropped_by_source = 0;
    while !stop.requested() && source.next_frame(&mut frame)? {
        if clock.get().is_none()
            && let Some(now) = source.clock()
        {
            // Only this thread sets it.
            let _ = clock.set(now);
        }
        // Frames that the source itself had to drop were captured, too.
        let gap = expected.map_or(0, |expected| frame.index.saturating_sub(expected));
        expected = Some(frame.index + 1);
        dropped_by_source += gap;
        health.frames.fetch_add(1 + gap, Ordering::Relaxed);
        tracing::trace!(
            index = frame.index,
            captured_at_nanos = frame.captured_at.nanos(),
            "frame"
        );
        if !frames.send(&mut frame) {
            break;
        }
        health
            .dropped
            .store(frames.dropped() + dropped_by_source, Ordering::Relaxed);
    }
    Ok(())
}

/// As [`capture_loop`], but a camera that is lost is opened again, and a frame that is lost is passed over.
///
/// # Errors
/// Those of a clip.
pub(super) fn capture_and_reopen(
    mut source: FrameSource,
    request: &CameraRequest,
    frames: &FrameSender,
    context: &CaptureContext,
) -> Result<(), CaptureError> {
    loop {
        let captured = catch_unwind(AssertUnwindSafe(|| {
            capture_loop(&mut source, frames, context)
        }));
        let is_camera = matches!(source, FrameSource::Camera(_));
        // A driver's odd answer may trip a fault of ours; a camera that is opened afresh is the cure. A recording would trip
        // it again.
        let captured = match captured {
            Ok(captured) => captured,
            Err(fault) if !is_camera => resume_unwind(fault),
            Err(_) => Err(CaptureError::Fault),
        };
        match captured {
            Ok(()) => return Ok(()),
            Err(error @ (CaptureError::CameraTimeout { .. } | CaptureError::BadFrame { .. })) => {
                tracing::warn!(%error, "a frame was lost");
            }
            Err(error) if !is_camera => return Err(error),
            Err(error) => {
                tracing::warn!(%error, "the camera was lost; trying to open it again");
                // The old handle goes first: while it lives the node may not come back.
                drop(source);
                let Some(camera) = wait_for_camera(request, &context.stop) else {
                    return Ok(());
                };
                context
                    .health
                    .camera_reopens
                    .fetch_add(1, Ordering::Relaxed);
                tracing::warn!(camera = camera.info().label(), "the camera is back");
                source = FrameSource::Camera(Box::new(camera));
            }
        }
    }
}

/// Tries to open the camera until it works; `None` if a stop is requested first.
pub(super) fn wait_for_camera(request: &CameraRequest, stop: &Stop) -> Option<CameraSource> {
    let mut last_reason = None;
    loop {
        let until = Instant::now() + RETRY_EVERY;
        while Instant::now() < until {
            if stop.requested() {
                return None;
            }
            std::thread::sleep(STOP_CHECK_EVERY);
        }
        notify_alive();
        let opened = catch_unwind(AssertUnwindSafe(|| CameraSource::open(request)));
        match opened.unwrap_or(Err(CaptureError::Fault)) {
            Ok(camera) => return Some(camera),
            // There are many tries; only a new reason is news.
            Err(error) => {
                let reason = error.to_string();
                if last_reason.as_ref() == Some(&reason) {
                    tracing::trace!(%error, "no camera yet");
                } else {
                    tracing::info!(%error, "no camera yet");
                    last_reason = Some(reason);
                }
            }
        }
    }
}
