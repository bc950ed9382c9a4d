//! `cagehand watch`: the daemon. Follows the camera until it is told to stop.

use std::io::IsTerminal;
use std::num::NonZeroU32;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};

use super::hitting::{Hitting, StandIn, Told};
use super::places::SettingsFiles;
use super::replay::{PaceArg, pump, told};
use super::session::{Sound, ears, named_plan};
use super::trial::{Scenes, choose_model};
use super::{Failure, notice, places, reload, show};
use crate::capture::{
    CameraRequest, CameraSource, CaptureClock, CaptureError, ClipSource, FrameSource, LiveControls,
    PlaybackRate,
};
use crate::daemon::{
    DaemonError, Delivery, FrameSender, Outlets, PendingTrackers, PoseSetup, PreviewTap, RepStage,
    Revisions, Stop, film_notice, notify_alive, picture_notice, raise_on_user_signal, run_pipeline,
};
use crate::journal::RepLog;
use crate::logging::Form;
use crate::page::{PageServer, SessionControl};
use crate::settings::Settings;
use crate::status::Health;
use crate::thread::spawn;
use crate::video::{FilmStore, Films};

/// How long to wait between looks for a camera. It never grows: a look costs next to nothing, and a camera that is plugged
/// in again is to be in use within three seconds, however long it was away.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// Arguments of `watch`.
#[derive(Debug, Args)]
pub(super) struct Watch {
    /// Write the rep log here: one JSON line a rep, as it happens.
    #[arg(long, value_name = "FILE")]
    reps: Option<PathBuf>,
    /// Keep the reps in this journal.
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Where cues are heard: none, device, or a WAV file.
    #[arg(long, value_name = "none|device|FILE.wav", default_value = "device")]
    sound: String,
    /// The recording that stands in where there is no camera.
    #[arg(long, value_name = "CLIP")]
    stand_in: Option<PathBuf>,
    /// How fast the stand-in runs: real, or a number; 4 is four times as fast as it was recorded.
    #[arg(long, value_name = "real|N", default_value = "real", requires = "stand_in", value_parser = timed)]
    pace: PaceArg,
    /// Run the stand-in this many times in a row, as one long recording.
    #[arg(long, value_name = "N", default_value = "1", requires = "stand_in")]
    loops: NonZeroU32,
    /// Wait for a camera instead of running the stand-in.
    #[arg(long)]
    wait: bool,
    /// Go by this plan instead of the one in force: a start's name, such as "head still", or a file.
    #[arg(long, value_name = "PLAN|FILE|none")]
    plan: Option<String>,
    /// How the log on standard error looks: lines for people, or JSON objects.
    #[arg(long, value_name = "text|json", default_value = "text")]
    log: LogArg,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum LogArg {
    Text,
    Json,
}

impl Watch {
    /// How the log on standard error looks.
    pub(super) fn log_form(&self) -> Form {
        match self.log {
            LogArg::Text => Form::Text,
            LogArg::Json => Form::Json,
        }
    }

    pub(super) fn run(self, settings: &Settings, files: &SettingsFiles) -> Result<(), Failure> {
        let sound = match self.sound.as_str() {
            "none" => Sound::None,
            "device" => Sound::Device,
            path if path.to_ascii_lowercase().ends_with(".wav") => Sound::File(path.into()),
            other => {
                return Err(Failure::Request(format!(
                    "--sound {other}: it must be none, device, or a file that ends in .wav"
                )));
            }
        };
        show::line(notice::NOTICE);
        crate::daemon::notify_ready();
        let stop = Stop::new();
        stop.on_signals()?;
        let choice = camera_request(settings);
        let source = match self.first_source(&choice, &stop)? {
            Some(source) => source,
            None => return Ok(()),
        };

        let fps = source.fps();
        let (model, trackers) = choose_model(settings.model, fps, Scenes::Decoded { fps })?;
        show::line(&model);
        // Each step of the start takes seconds on a slow machine, and the first frame is what comes after all of them.
        notify_alive();

        let stand_in = (!matches!(source, FrameSource::Camera(_))).then(|| StandIn {
            height_cm: self
                .stand_in
                .is_none()
                .then_some(places::STAND_IN_HEIGHT_CM),
            told: self.stand_in.is_some(),
        });
        let revisions = Arc::new(Revisions::default());
        let command_line = Told {
            journal: self.journal.clone(),
            plan: named_plan(self.plan.as_deref())?,
            stand_in,
            source: describe(&source),
        };
        let hitting = Arc::new(Hitting::new(settings, command_line, Arc::clone(&revisions)));
        let (journal, training, finder) = hitting.begin(count_requests()?)?;
        let hitter = hitting.name();
        let hitting_journal = hitting.journal_path(settings)?;
        notify_alive();
        let outlets = Outlets {
            ears: ears(&sound, settings, PlaybackRate::REAL)?,
            journal: Some(journal),
            rep_log: self.reps.as_deref().map(RepLog::create).transpose()?,
            track: None,
            show: Box::new(show::line),
        };
        notify_alive();
        let clock = Arc::new(OnceLock::new());
        let health = Arc::new(Health::default());
        health.set_model(&model);
        let control: Arc<dyn SessionControl> = Arc::clone(&hitting) as _;
        health.preview.allow(settings.page_picture);
        if settings.page_picture {
            show::line(picture_notice(true));
        }
        let picture = PreviewTap::start(Arc::clone(&health.preview)).map_err(DaemonError::from)?;
        let page = Arc::new(PageServer::new(
            Arc::clone(&health),
            control,
            settings.cues.language,
        ));
        match page.serve_at(settings.page) {
            Ok(Some(address)) => show::line(&format!("page: http://{address}/")),
            Ok(None) => {}
            // Without its page the daemon is still worth running.
            Err(error) => tracing::warn!(%error, "no page"),
        }
        let next = Arc::new(PendingTrackers::default());
        let run = reload::Run {
            hitting,
            heard: !matches!(sound, Sound::None),
            controls: choice.controls.clone(),
            page,
            health: Arc::clone(&health),
            pictures: Arc::clone(&health.preview),
            trackers: Arc::clone(&next),
            fps,
        };
        let follower = reload::follow(files, settings, &revisions, run)?;
        let mut stage = RepStage::new(finder, training, outlets, Arc::clone(&clock))
            .with_revisions(revisions)
            .with_live(&health, hitter)
            .with_films(films(&hitting_journal, settings)?);
        let capture = {
            let (health, stop, clock) = (Arc::clone(&health), stop.clone(), Arc::clone(&clock));
            move |frames: &FrameSender| follow(source, &choice, frames, &health, &stop, &clock)
        };
        let ran = run_pipeline(
            Delivery::Latest,
            PoseSetup {
                trackers,
                pending: next,
                preview: Some(picture),
            },
            &health,
            &clock,
            &mut stage,
            capture,
        );
        // An edit from here on would not be taken up by anything.
        drop(follower);
        let tally = stage.finish()?;
        show::line(&format!("{}  {}", told(&tally), health.summary()));
        Ok(ran?)
    }

    /// The camera, or the stand-in where there is none; nothing if asked to stop while waiting.
    fn first_source(
        &self,
        choice: &CameraRequest,
        stop: &Stop,
    ) -> Result<Option<FrameSource>, Failure> {
        if self.stand_in.is_none() {
            match CameraSource::open(choice) {
                Ok(camera) => {
                    let source = FrameSource::Camera(Box::new(camera));
                    show::line(&describe(&source));
                    return Ok(Some(source));
                }
                Err(error) if self.wait => {
                    show::line(&format!("{error}. Waiting for it"));
                    return Ok(
                        wait_for_camera(choice, stop).map(|c| FrameSource::Camera(Box::new(c)))
                    );
                }
                Err(error @ CaptureError::NoSuchCamera { .. }) => {
                    return Err(Failure::Request(error.to_string()));
                }
                Err(error) => show::line(&format!("{error}.")),
            }
        }
        let path = match &self.stand_in {
            Some(path) => path.clone(),
            None => places::stand_in().ok_or_else(|| {
                Failure::Finding(
                    "there is neither a camera nor the bundled recording; name one with --stand-in"
                        .into(),
                )
            })?,
        };
        show::line(&format!(
            "A recording stands in for the camera: {}",
            path.display()
        ));
        Ok(Some(FrameSource::from_clip(
            ClipSource::open(&path)?.looped(self.loops),
            self.pace.0,
        )))
    }
}

/// A pace for what stands in for a camera: "fast" is none, for it would wait for the model as no camera does.
fn timed(text: &str) -> Result<PaceArg, String> {
    match text.parse()? {
        PaceArg(PlaybackRate::Fast) => Err("it must be real or a number".into()),
        pace => Ok(pace),
    }
}

/// The films beside the journal, and what is said about them: that pictures are kept is never silent.
fn films(journal: &Path, settings: &Settings) -> Result<Films, Failure> {
    let films = Films::start(journal, settings.video, crate::machine::free_bytes)
        .map_err(DaemonError::from)?;
    let usage = FilmStore::of_journal(journal).usage().unwrap_or_default();
    if settings.video.keep || usage.films > 0 {
        show::line(&film_notice(films.folder(), &settings.video));
    }
    Ok(films)
}

/// Whoever presses Enter at the terminal, or sends the signal USR1, asks for the count of swings.
fn count_requests() -> Result<Arc<AtomicBool>, Failure> {
    let asked = Arc::new(AtomicBool::new(false));
    raise_on_user_signal(&asked)?;
    if std::io::stdin().is_terminal() {
        let asked = Arc::clone(&asked);
        // It ends with the program: a read of the terminal cannot be called off.
        spawn("terminal", move || {
            for line in std::io::stdin().lines() {
                if line.is_err() {
                    return;
                }
                asked.store(true, Ordering::Relaxed);
            }
        })
        .map_err(DaemonError::from)?;
    }
    Ok(asked)
}

/// The settings' wishes in the capture room's words.
pub(super) fn camera_request(settings: &Settings) -> CameraRequest {
    let camera = &settings.camera;
    // Any text is a device; the error type has no values.
    let device = camera
        .device
        .as_deref()
        .and_then(|d| d.parse().ok())
        .unwrap_or_default();
    CameraRequest {
        device,
        width: Some(camera.width),
        height: Some(camera.height),
        fps: Some(f64::from(camera.fps)),
        controls: LiveControls::new(camera.controls),
        ..CameraRequest::default()
    }
}

fn describe(source: &FrameSource) -> String {
    match source {
        FrameSource::Camera(camera) => {
            let info = camera.info();
            format!(
                "camera {}: {} x {}, {:.0} frames a second",
                info.label(),
                info.width,
                info.height,
                info.fps
            )
        }
        FrameSource::Clip(_) | FrameSource::PacedClip(_) => {
            let path = source
                .clip()
                .map(|c| c.path().display().to_string())
                .unwrap_or_default();
            format!("recording {path}")
        }
    }
}

/// Keeps frames coming: a camera that is lost is opened again for as long as it takes.
fn follow(
    mut source: FrameSource,
    choice: &CameraRequest,
    frames: &FrameSender,
    health: &Health,
    stop: &Stop,
    clock: &OnceLock<CaptureClock>,
) -> Result<(), CaptureError> {
    loop {
        let pumped = catch_unwind(AssertUnwindSafe(|| {
            pump(&mut source, frames, health, stop, clock)
        }));
        // A driver's odd answer may trip a fault of ours; a camera that is opened afresh is the cure. A recording would trip
        // it again.
        let pumped = match pumped {
            Ok(pumped) => pumped,
            Err(fault) if !matches!(source, FrameSource::Camera(_)) => resume_unwind(fault),
            Err(_) => Err(CaptureError::Fault),
        };
        match pumped {
            Ok(()) => return Ok(()),
            Err(error @ (CaptureError::CameraTimeout { .. } | CaptureError::BadFrame { .. })) => {
                tracing::warn!(%error, "a frame was lost");
            }
            Err(error) if !matches!(source, FrameSource::Camera(_)) => return Err(error),
            Err(error) => {
                tracing::warn!(%error, "the camera was lost; trying to open it again");
                // The old handle goes first: while it lives the node may not come back.
                drop(source);
                let Some(camera) = wait_for_camera(choice, stop) else {
                    return Ok(());
                };
                health.reopened.fetch_add(1, Ordering::Relaxed);
                tracing::warn!(camera = camera.info().label(), "the camera is back");
                source = FrameSource::Camera(Box::new(camera));
            }
        }
    }
}

/// Looks for the camera again and again; nothing if asked to stop.
fn wait_for_camera(choice: &CameraRequest, stop: &Stop) -> Option<CameraSource> {
    let mut last_reason = None;
    loop {
        let until = Instant::now() + LOOK_AGAIN;
        while Instant::now() < until {
            if stop.requested() {
                return None;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        notify_alive();
        let opened = catch_unwind(AssertUnwindSafe(|| CameraSource::open(choice)));
        match opened.unwrap_or(Err(CaptureError::Fault)) {
            Ok(camera) => return Some(camera),
            // Looks are many; only a new reason is news.
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
