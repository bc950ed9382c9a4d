//! The live part of `bench`: a clip as Motion-JPEG, frame by frame when it is due, through the whole line of `watch`.
//!
//! In: a clip. Out: lines: frames dropped, and where the milliseconds go from a frame's capture to what is heard.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use super::bench::row;
use super::{Failure, terminal};
use crate::capture::{CaptureClock, CaptureError, ClipSource, Frame, MjpegDecoder};
use crate::daemon::{BenchmarkLoad, choose_model};
use crate::daemon::{
    Delivery, Ears, FrameSender, RepSinks, RepStage, Terminal, TrackerSet, run_pipeline,
};
use crate::daemon::{cue_library, prepare_training};
use crate::paths;
use crate::pose::Model;
use crate::rep::HitterSetup;
use crate::settings::{ModelChoice, Settings};
use crate::status::{DurationWindow, Health};
use crate::time::CaptureTime;
use crate::video::{JpegEncoder, SizeLimit};

/// No more of the clip is held in memory, frames.
const MOST_FRAMES: usize = 2000;

/// A clip as a camera would send it.
struct Packed {
    jpegs: Vec<Vec<u8>>,
    fps: f64,
    size: (usize, usize),
}

fn pack(path: &Path) -> Result<Packed, Failure> {
    let mut clip = ClipSource::open(path)?;
    let fps = clip.info().fps;
    let mut frame = Frame::default();
    let mut jpegs = Vec::new();
    let unfit = || Failure::Request(format!("{}: a picture cannot be packed", path.display()));
    let mut encoder = JpegEncoder::new(SizeLimit::ANY);
    while jpegs.len() < MOST_FRAMES && clip.next_frame(&mut frame)? {
        match encoder.encode(&frame) {
            Some(Ok(packed)) => jpegs.push(packed.bytes),
            _ => return Err(unfit()),
        }
    }
    if jpegs.is_empty() || fps <= 0.0 {
        return Err(unfit());
    }
    Ok(Packed {
        jpegs,
        fps,
        size: (frame.width, frame.height),
    })
}

/// Runs it for so many seconds and tells what it took.
pub(super) fn run(
    settings: &Settings,
    path: &Path,
    model: Option<Model>,
    secs: u32,
) -> Result<(), Failure> {
    let packed = pack(path)?;
    let (fps, (width, height)) = (packed.fps, packed.size);
    let (reason, trackers) = match model {
        Some(model) => (
            format!("{} model, as told.", model.name()),
            TrackerSet::once(model.tracker()?),
        ),
        None => {
            let load = BenchmarkLoad::Decoding { fps };
            let chosen = choose_model(ModelChoice::Auto, fps, load)?;
            (chosen.reason.to_string(), chosen.trackers)
        }
    };
    terminal::println(&format!(
        "as from a camera: {width} x {height} Motion-JPEG, {fps:.0} frames a second, {secs} s; {reason}"
    ));
    let (health, clock) = (Arc::new(Health::default()), Arc::new(OnceLock::new()));
    let mut training = prepare_training(
        settings,
        None,
        None,
        1,
        Arc::new(AtomicBool::new(false)),
        &Terminal::silent(),
    )?;
    training.head_tone = true;
    let sinks = RepSinks {
        sound: Ears::device(Arc::new(cue_library(settings)?), settings.cues.volume)?,
        journal: None,
        rep_log: None,
        track: None,
        terminal: Terminal::silent(),
    };
    let setup = HitterSetup {
        height_cm: Some(paths::STAND_IN_HEIGHT_CM),
        ..HitterSetup::default()
    };
    let mut stage =
        RepStage::new(setup, training, sinks, Arc::clone(&clock)).with_health(&health, None);
    let decode = Arc::new(DurationWindow::default());
    let capture = {
        let (health, clock, decode) =
            (Arc::clone(&health), Arc::clone(&clock), Arc::clone(&decode));
        move |frames: &FrameSender| send(&packed, secs, frames, &health, &clock, &decode)
    };
    run_pipeline(
        Delivery::Latest,
        trackers,
        &health,
        &clock,
        &mut stage,
        capture,
    )?;
    let counts = stage.finish()?;
    let count = |figure: &std::sync::atomic::AtomicU64| figure.load(Ordering::Relaxed);
    let (frames, dropped) = (count(&health.frames), count(&health.dropped));
    terminal::println(&format!(
        "  {frames} frames, {dropped} dropped ({:.2} %), hitter in {}, {} swings",
        100.0 * dropped as f64 / frames.max(1) as f64,
        count(&health.bodies),
        counts.swings
    ));
    row("decode", &decode);
    row("crop, model, landmarks", &health.pose);
    row("capture to analysis", &health.capture_to_analysis);
    for (what, times) in [
        ("frame to cue", &health.cue),
        ("finish to cue", &health.finish_to_cue),
        ("frame to head tone", &health.tone),
    ] {
        match times.quantiles_ms() {
            Some(_) => row(what, times),
            None => terminal::println(&format!("  {what:<22} not measured: nothing was heard")),
        }
    }
    Ok(())
}

/// Sends each frame when it is due, dated as a driver dates it.
fn send(
    packed: &Packed,
    secs: u32,
    frames: &FrameSender,
    health: &Health,
    clock: &OnceLock<CaptureClock>,
    decode: &DurationWindow,
) -> Result<(), CaptureError> {
    let mut decoder = MjpegDecoder::default();
    let mut frame = Frame::default();
    let began = Instant::now();
    // Only this thread sets it.
    let _ = clock.set(CaptureClock::anchored(began, CaptureTime::default()));
    let count = (f64::from(secs) * packed.fps) as u64;
    for (index, jpeg) in (0..count).zip(packed.jpegs.iter().cycle()) {
        let due_secs = index as f64 / packed.fps;
        let due = began + Duration::from_secs_f64(due_secs);
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        let started = Instant::now();
        if let Err(reason) = decoder.decode(jpeg, &mut frame) {
            tracing::error!(reason, "a picture of our own cannot be read");
            return Err(CaptureError::Fault);
        }
        decode.add(started.elapsed());
        frame.index = index;
        frame.captured_at = CaptureTime::from_secs(due_secs);
        health.frames.fetch_add(1, Ordering::Relaxed);
        if !frames.send(&mut frame) {
            break;
        }
        health.dropped.store(frames.dropped(), Ordering::Relaxed);
    }
    Ok(())
}
