//! The capture thread: frames from a source into the frame channel.
//!
//! In: a camera or a clip. Out: frames, the counts of what was captured and dropped, and a beat for the watchdog. A camera that is
//! lost, or gives no picture, is opened again for as long as it takes; a clip that fails ends the run.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{AtomicU64, Ordering};
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

/// The wait between two tries to open a camera. It never grows: a try costs next to nothing, and a camera that is plugged
/// in again is to be in use within three seconds, however long it was away.
const RETRY_EVERY: Duration = Duration::from_secs(1);
/// A camera that gives no picture for so long is opened afresh: with the longest wait for a frame, two seconds, and
/// [`RETRY_EVERY`] that is well within ten.
const SILENT_FOR: Duration = Duration::from_secs(5);
/// How often a wait checks for a stop.
const STOP_CHECK_EVERY: Duration = Duration::from_millis(50);

/// What the capture thread shares with the rest of the run.
pub(super) struct CaptureContext {
    pub health: Arc<Health>,
    pub stop: Stop,
    /// Set once, to "now" on the source's clock.
    pub clock: Arc<OnceLock<CaptureClock>>,
    /// The rate that the pose thread wishes for.
    pub rate: Arc<RateWish>,
}

/// A rate that one thread wishes for and another one sees to; frames a second.
#[derive(Debug, Default)]
pub(crate) struct RateWish(AtomicU64);

impl RateWish {
    /// Wishes for a rate; it replaces a wish that was not seen to.
    pub(super) fn put(&self, fps: f64) {
        self.0.store(fps.to_bits(), Ordering::Relaxed);
    }

    /// The wish, once.
    pub(super) fn take(&self) -> Option<f64> {
        // No rate has the bits of zero.
        if self.0.load(Ordering::Relaxed) == 0 {
            return None;
        }
        Some(f64::from_bits(self.0.swap(0, Ordering::Relaxed))).filter(|fps| *fps > 0.0)
    }
}

/// Why [`capture_loop`] ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Ended {
    /// The source, the pipeline, or a stop.
    ForGood,
    /// The camera has to be opened at this rate.
    ForAnotherRate(f64),
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
        fps: camera.fps,
        controls: LiveControls::new(camera.controls),
    }
}

/// Sends a source's frames until it ends, fails, has to be opened at another rate, or a stop is requested.
///
/// # Errors
/// Those of the source; one that passes leaves the source in use.
pub(super) fn capture_loop(
    source: &mut FrameSource,
    frames: &FrameSender,
    context: &CaptureContext,
) -> Result<Ended, CaptureError> {
    let CaptureContext {
        health,
        stop,
        clock,
        rate,
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
        health.capture_beats.fetch_add(1, Ordering::Relaxed);
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
        if let Some(fps) = rate.take()
            && (fps - source.fps()).abs() >= 1.0
            && !source.set_rate(fps)
        {
            return Ok(Ended::ForAnotherRate(fps));
        }
    }
    Ok(Ended::ForGood)
}

/// As [`capture_loop`], but a camera that is lost or wanted at another rate is opened again, and a frame that is lost is
/// passed over.
///
/// # Errors
/// Those of a clip.
pub(super) fn capture_and_reopen(
    mut source: FrameSource,
    mut request: CameraRequest,
    frames: &FrameSender,
    context: &CaptureContext,
) -> Result<(), CaptureError> {
    let beat = || {
        context.health.capture_beats.fetch_add(1, Ordering::Relaxed);
    };
    let mut silence = Silence::of_open_camera(frames_so_far(context), Instant::now());
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
            Ok(Ended::ForAnotherRate(fps)) if is_camera => {
                request.fps = Some(fps);
                // While the old handle lives the camera is busy.
                drop(source);
                let camera = CameraSource::open(&request).or_else(|error| {
                    tracing::warn!(%error, fps, "the camera does not open at another rate; trying again");
                    wait_for_camera(&request, &context.stop, beat).ok_or(error)
                });
                // Without one a stop was requested.
                let Ok(camera) = camera else { return Ok(()) };
                source = FrameSource::Camera(Box::new(camera));
                silence = Silence::of_open_camera(frames_so_far(context), Instant::now());
            }
            Ok(_) => return Ok(()),
            Err(error @ (CaptureError::CameraTimeout { .. } | CaptureError::BadFrame { .. }))
                if !silence.is_too_long(frames_so_far(context), Instant::now()) =>
            {
                tracing::warn!(%error, "a frame was lost");
                context.health.capture_beats.fetch_add(1, Ordering::Relaxed);
            }
            Err(error) if !is_camera => return Err(error),
            Err(error) => {
                tracing::warn!(%error, "the camera was lost; trying to open it again");
                // The old handle goes first: while it lives the node may not come back.
                drop(source);
                let Some(camera) = wait_for_camera(&request, &context.stop, beat) else {
                    return Ok(());
                };
                context
                    .health
                    .camera_reopens
                    .fetch_add(1, Ordering::Relaxed);
                tracing::warn!(camera = camera.info().label(), "the camera is back");
                source = FrameSource::Camera(Box::new(camera));
                silence = Silence::of_open_camera(frames_so_far(context), Instant::now());
            }
        }
    }
}

fn frames_so_far(context: &CaptureContext) -> u64 {
    context.health.frames.load(Ordering::Relaxed)
}

/// How long an open camera has given no picture: frames that are damaged, or none at all.
struct Silence {
    frames: u64,
    since: Instant,
}

impl Silence {
    fn of_open_camera(frames: u64, now: Instant) -> Self {
        Self { frames, since: now }
    }

    /// To be asked at each frame that is lost, with the number of good ones so far.
    fn is_too_long(&mut self, frames: u64, now: Instant) -> bool {
        if frames != self.frames {
            *self = Self::of_open_camera(frames, now);
        }
        now.duration_since(self.since) >= SILENT_FOR
    }
}

/// Tries to open the camera until it works; `None` if a stop is requested first. `alive` is called at each try.
pub(super) fn wait_for_camera(
    request: &CameraRequest,
    stop: &Stop,
    alive: impl Fn(),
) -> Option<CameraSource> {
    let mut last_reason = None;
    loop {
        let until = Instant::now() + RETRY_EVERY;
        while Instant::now() < until {
            if stop.requested() {
                return None;
            }
            std::thread::sleep(STOP_CHECK_EVERY);
        }
        alive();
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_camera_without_any_picture_is_opened_afresh() {
        let start = Instant::now();
        let at = |secs: f64| start + Duration::from_secs_f64(secs);
        // Silent from the start: every two seconds a wait runs out.
        let mut silence = Silence::of_open_camera(0, start);
        let lost: Vec<bool> = [2.0, 4.0, 6.0]
            .map(|secs| silence.is_too_long(0, at(secs)))
            .into();
        assert_eq!(lost, [false, false, true]);
        // Every second frame is damaged, for a minute.
        let mut silence = Silence::of_open_camera(7, start);
        assert!((1..3600).all(|n| !silence.is_too_long(7 + n, at(n as f64 / 60.0))));
        // Then no good one comes.
        let lost = (0..20).find(|n| silence.is_too_long(3606, at(60.0 + f64::from(*n) * 0.5)));
        assert_eq!(lost, Some(10));
    }
}
