//! The pipeline of `watch` on a clip that comes as from a camera: Motion-JPEG, frame by frame when it is due.
//!
//! In: a clip. Out: frames dropped, and where the milliseconds go from a frame's capture to what is heard.

use std::path::Path;
use std::sync::atomic::Ordering;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use crate::capture::{CaptureClock, CaptureError, ClipSource, Frame, MjpegDecoder, thinned_rates};
use crate::coach::Baselines;
use crate::paths;
use crate::picture_size::PictureSize;
use crate::pose::Model;
use crate::rep::HitterSetup;
use crate::settings::{ModelChoice, Settings};
use crate::sound::{Output, SoundOutput};
use crate::status::{DurationWindow, Health, RunCounts};
use crate::time::CaptureTime;
use crate::video::{JpegEncoder, SizeLimit};

use super::bat_stage::start_bats;
use super::cue_library::cue_library;
use super::frame_channel::{FramePolicy, FrameSender};
use super::model_benchmark::BenchmarkLoad;
use super::model_choice::choose_pair;
use super::pipeline::{PoseSetup, run_pipeline};
use super::pose_stage::TrackerSet;
use super::training::prepare_training;
use super::{DaemonError, RepSinks, RepStage, Terminal};

/// No more of the clip is held in memory, frames.
const MOST_FRAMES: usize = 2000;

/// A clip as a camera would send it, and the models to run it through.
pub(crate) struct LiveBenchmark {
    jpegs: Vec<Vec<u8>>,
    pub fps: f64,
    pub size: PictureSize,
    trackers: TrackerSet,
    /// Why this model.
    pub reason: String,
}

/// What a run took.
pub(crate) struct LiveBenchmarkReport {
    pub counts: RunCounts,
    pub health: Arc<Health>,
    /// Time to decode a frame.
    pub decode: Arc<DurationWindow>,
}

impl LiveBenchmark {
    /// Reads the clip, and chooses the model unless one is given.
    ///
    /// # Errors
    /// Where the clip cannot be read or encoded, or a model cannot be run.
    pub(crate) fn prepare(path: &Path, model: Option<Model>) -> Result<Self, DaemonError> {
        let mut clip = ClipSource::open(path)?;
        let fps = clip.info().fps;
        let mut frame = Frame::default();
        let mut jpegs = Vec::new();
        let unfit = || DaemonError::UnfitClip(path.to_owned());
        let mut encoder = JpegEncoder::new(SizeLimit::ANY);
        while jpegs.len() < MOST_FRAMES && clip.next_frame(&mut frame)? {
            match encoder.encode(&frame) {
                Some(Ok(picture)) => jpegs.push(picture.bytes),
                _ => return Err(unfit()),
            }
        }
        if jpegs.is_empty() || fps <= 0.0 {
            return Err(unfit());
        }
        // A model that is told runs at the clip's own rate; else a rate is chosen as `watch` does, and frames are left out.
        let (choice, rates) = match model {
            Some(model) => (ModelChoice::Fixed(model), vec![fps]),
            None => (ModelChoice::Auto, thinned_rates(fps)),
        };
        let chosen = choose_pair(choice, &rates, |fps| BenchmarkLoad::Decoding { fps })?;
        let every = (fps / chosen.fps).round() as usize;
        Ok(Self {
            jpegs: jpegs.into_iter().step_by(every.max(1)).collect(),
            fps: chosen.fps,
            size: frame.size(),
            trackers: chosen.trackers,
            reason: chosen.reason.to_string(),
        })
    }

    /// Runs the clip over and over for `secs` seconds; cues are heard at the default output device.
    ///
    /// # Errors
    /// Where a stage fails.
    pub(crate) fn run(
        self,
        settings: &Settings,
        secs: u32,
    ) -> Result<LiveBenchmarkReport, DaemonError> {
        let (health, clock) = (Arc::new(Health::default()), Arc::new(OnceLock::new()));
        let mut training = prepare_training(
            settings,
            Baselines::new(settings.baseline_swings),
            None,
            1,
            &Terminal::silent(),
        )?;
        training.head_tone = true;
        let sinks = RepSinks {
            sound: SoundOutput::open(
                &Output::Device,
                || cue_library(settings, None),
                settings.cues.volume,
            )?,
            journal: None,
            rep_log: None,
            track: None,
            terminal: Terminal::silent(),
        };
        let setup = HitterSetup {
            height_cm: Some(paths::STAND_IN_HEIGHT_CM),
            ..HitterSetup::default()
        };
        let (bat_tap, bat_inbox) = start_bats(settings.bat, &health)?;
        let mut stage = RepStage::new(setup, training, sinks, Arc::clone(&clock))
            .with_health(&health)
            .with_bat_inbox(bat_inbox);
        let decode = Arc::new(DurationWindow::default());
        let capture = {
            let (health, clock, decode) =
                (Arc::clone(&health), Arc::clone(&clock), Arc::clone(&decode));
            let (jpegs, fps) = (self.jpegs, self.fps);
            move |frames: &FrameSender| send(&jpegs, fps, secs, frames, &health, &clock, &decode)
        };
        run_pipeline(
            FramePolicy::Latest,
            PoseSetup {
                bat_tap,
                ..PoseSetup::from(self.trackers)
            },
            &health,
            &clock,
            &mut stage,
            capture,
        )?;
        Ok(LiveBenchmarkReport {
            counts: stage.finish()?,
            health,
            decode,
        })
    }
}

/// Sends each frame when it is due, dated as a driver dates it.
fn send(
    jpegs: &[Vec<u8>],
    fps: f64,
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
    let count = (f64::from(secs) * fps) as u64;
    for (index, jpeg) in (0..count).zip(jpegs.iter().cycle()) {
        let due_secs = index as f64 / fps;
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
