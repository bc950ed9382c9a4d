//! `watch`: follows a camera, or a recording in its place, until it is asked to stop.

use std::io::IsTerminal;
use std::num::NonZeroU32;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use crate::capture::{
    CameraBackend, CameraRequest, CameraSource, CaptureClock, CaptureError, ClipSource,
    FrameSource, PlaybackRate,
};
use crate::hearing::Listener;
use crate::journal::{JournalWriter, RepLog};
use crate::page::{PageServer, SessionControl};
use crate::paths;
use crate::settings::{KeySettings, Settings, SettingsWatch};
use crate::sound::{CueLibrary, Output, SoundError, SoundOutput};
use crate::status::Health;
use crate::video::{FilmStore, Films};

use super::apply_settings::SettingsApplier;
use super::bat_stage::start_bats;
use super::calibration_mark::CalibrationMark;
use super::capture_loop::{CaptureContext, camera_request, capture_and_reopen, wait_for_camera};
use super::cue_library::cue_library;
use super::ears_feed::EarsFeed;
use super::facility_link::FacilityLink;
use super::frame_channel::{FramePolicy, FrameSender};
use super::model_benchmark::BenchmarkLoad;
use super::model_choice::{PairChosen, choose_pair, source_at, wanted_rates};
use super::pending_changes::PendingChanges;
use super::permissions::Gates;
use super::pipeline::{PoseSetup, run_pipeline};
use super::plan_choice::PlanOverride;
use super::pose_stage::PendingTrackers;
use super::preview_encoder::{PreviewTap, picture_notice};
use super::rep_text::counts_text;
use super::requests::{Request, RequestReceiver, RequestSender, request_channel};
use super::session_controller::{RunConfig, SessionController, StandInHitter};
use super::settings_watcher::SettingsWatcher;
use super::signals::{ask_by_terminal_and_signal, raise_on_hangup_signal};
use super::stop::Stop;
use super::turns::take_turns;
use super::watchdog::{notify_alive, notify_ready};
use super::{DaemonError, RepSinks, RepStage, Terminal, film_notice};

/// How often changes are taken up once the recording is over.
const IDLE: Duration = Duration::from_millis(200);

/// What the command line says about a run.
#[derive(Debug)]
pub(crate) struct WatchOptions {
    /// Write the rep log here.
    pub rep_log: Option<PathBuf>,
    /// The journal, instead of that of the settings.
    pub journal: Option<PathBuf>,
    pub sound: Output,
    /// The recording to watch instead of a camera.
    pub stand_in: Option<StandInClip>,
    /// Wait for a camera instead of watching the bundled recording.
    pub wait_for_camera: bool,
    pub plan: PlanOverride,
    /// End with the recording; else the page stays up until a stop is requested.
    pub end_with_recording: bool,
    /// Where a settings file is looked for, the first one counts.
    pub settings_candidates: Vec<PathBuf>,
    /// The settings file in force, if there is one.
    pub settings_file: Option<PathBuf>,
}

/// A recording that is watched instead of a camera.
#[derive(Debug)]
pub(crate) struct StandInClip {
    pub path: PathBuf,
    pub rate: PlaybackRate,
    /// How many times in a row it runs.
    pub loops: NonZeroU32,
    /// Whether the camera of the settings filmed it from where it was calibrated.
    pub same_camera: bool,
}

/// Watches until a stop is requested or the recording ends.
///
/// # Errors
/// Where something that was asked for cannot be had, or a stage fails for good.
pub(crate) fn watch(
    options: WatchOptions,
    settings: &Settings,
    terminal: &Terminal,
) -> Result<(), DaemonError> {
    notify_ready();
    let stop = Stop::new();
    stop.on_signals()?;
    let mut request = camera_request(settings);
    let opened = open_at_best_rate(&options, settings, &mut request, &stop, terminal)?;
    let Some((source, rates, model)) = opened else {
        return Ok(());
    };
    // Each step of the start takes seconds on a slow machine, and the first frame comes after all of them.
    notify_alive();

    let changes = Arc::new(PendingChanges::default());
    let config = run_config(&options, &source);
    let sessions = SessionController::new(settings, config, Arc::clone(&changes), terminal.clone());
    let sessions = Arc::new(sessions);
    let requests = take_requests(settings, terminal)?;
    let session = sessions.begin_first()?;
    take_turns(&sessions)?;
    notify_alive();
    let load = || cue_library(settings, sessions.journal_path(settings).ok().as_deref());
    let sinks = open_sinks(&options, settings, load, session.journal, &source, terminal)?;
    notify_alive();

    let health = Arc::new(Health::default());
    health.set_model(model.reason);
    let preview = start_preview(&health, settings, terminal)?;
    let page = start_page(&health, &sessions, settings, terminal);
    let control: Arc<dyn SessionControl> = Arc::clone(&sessions) as _;
    let _link = FacilityLink::start_where_named(control, &health, terminal)?;
    let trackers = Arc::new(PendingTrackers::default());
    let applier = SettingsApplier {
        sessions: Arc::clone(&sessions),
        controls: request.controls.clone(),
        page: Arc::clone(&page),
        health: Arc::clone(&health),
        trackers: Arc::clone(&trackers),
        rates,
        terminal: terminal.clone(),
    };
    let watcher = watch_settings(&options, settings, &changes, applier, terminal)?;
    let clock = Arc::new(OnceLock::new());
    let journal = sessions.journal_path(settings)?;
    let films = start_films(&journal, settings, terminal)?;
    changes.set_gates(gates(&films, &health));
    let (bat_tap, bat_inbox) = start_bats(settings.bat, &health)?;
    let ears = start_ears(settings, &clock, terminal)?;
    let mut stage = RepStage::new(session.setup, session.training, sinks, Arc::clone(&clock))
        .with_pending_changes(changes)
        .with_health(&health)
        .with_films(films)
        .with_bat_inbox(bat_inbox)
        .with_requests(requests, keys_shown(settings))
        .with_signs(settings.signs)
        .with_calibration_mark(CalibrationMark::beside(&journal))
        .with_ears(ears, settings.microphone.lag());
    let rate = Arc::default();
    let is_recording = !matches!(source, FrameSource::Camera(_));
    let context = CaptureContext {
        health: Arc::clone(&health),
        stop: stop.clone(),
        clock: Arc::clone(&clock),
        rate: Arc::clone(&rate),
    };
    let ran = run_pipeline(
        FramePolicy::Latest,
        PoseSetup {
            trackers: model.trackers,
            pending: trackers,
            rate,
            preview: Some(preview),
            bat_tap,
        },
        &health,
        &clock,
        &mut stage,
        move |frames: &FrameSender| capture_and_reopen(source, request, frames, &context),
    );
    stage.end_of_source()?;
    if ran.is_ok() && is_recording && !options.end_with_recording && page.is_served() {
        stay_up(&mut stage, &stop, terminal)?;
    }
    // An edit from here on would reach nothing.
    drop(watcher);
    page.end_clips();
    let counts = stage.finish()?;
    terminal.println(&format!("{}  {}", counts_text(&counts), health.summary()));
    ran
}

/// Keeps page and journal going after a recording, so that a newcomer can look at what was logged.
fn stay_up(stage: &mut RepStage, stop: &Stop, terminal: &Terminal) -> Result<(), DaemonError> {
    terminal.println(
        "The recording is over. The page stays up, to look at what was logged; Ctrl-C ends it.",
    );
    while !stop.requested() {
        notify_alive();
        std::thread::sleep(IDLE);
        stage.idle()?;
    }
    Ok(())
}

/// What keys, the terminal and a signal ask for.
fn take_requests(settings: &Settings, terminal: &Terminal) -> Result<RequestReceiver, DaemonError> {
    let (asking, requests) = request_channel();
    ask_by_terminal_and_signal(&asking)?;
    listen_to_keys(settings, &asking, terminal)?;
    Ok(requests)
}

/// Where the run's results go.
fn open_sinks(
    options: &WatchOptions,
    settings: &Settings,
    load: impl FnOnce() -> Result<CueLibrary, SoundError>,
    journal: JournalWriter,
    source: &FrameSource,
    terminal: &Terminal,
) -> Result<RepSinks, DaemonError> {
    let mut sound = SoundOutput::open(&options.sound, load, settings.cues.volume)?;
    if let Some(clock) = source.clock() {
        sound.start_at(clock.now());
    }
    let rep_log = options.rep_log.as_deref().map(RepLog::continued);
    Ok(RepSinks {
        sound,
        journal: Some(journal),
        rep_log: rep_log.transpose()?,
        track: None,
        terminal: terminal.clone(),
    })
}

/// The source at the rate that this machine holds, the rates that it has, and the pose model; `None` if a stop is requested
/// while the camera is waited for.
fn open_at_best_rate(
    options: &WatchOptions,
    settings: &Settings,
    request: &mut CameraRequest,
    stop: &Stop,
    terminal: &Terminal,
) -> Result<Option<(FrameSource, Vec<f64>, PairChosen)>, DaemonError> {
    let Some(source) = open_source(options, request, stop, terminal)? else {
        return Ok(None);
    };
    let rates = wanted_rates(&source, settings);
    let chosen = choose_pair(settings.model, &rates, |fps| BenchmarkLoad::Decoding {
        fps,
    })?;
    let source = match source_at(source, chosen.fps, request) {
        Ok(source) => source,
        // It was there a moment ago.
        Err(error) => {
            tracing::warn!(%error, "the camera does not open at another rate; trying again");
            let Some(camera) = wait_for_camera(request, stop, notify_alive) else {
                return Ok(None);
            };
            FrameSource::Camera(Box::new(camera))
        }
    };
    if let FrameSource::Camera(_) = source {
        terminal.println(&describe(&source));
    }
    terminal.println(&chosen.reason.to_string());
    Ok(Some((source, rates, chosen)))
}

/// The camera, or the recording where there is none; `None` if a stop is requested while waiting for a camera.
fn open_source(
    options: &WatchOptions,
    request: &CameraRequest,
    stop: &Stop,
    terminal: &Terminal,
) -> Result<Option<FrameSource>, DaemonError> {
    if options.stand_in.is_none() {
        match CameraSource::open(request) {
            Ok(camera) => {
                return Ok(Some(FrameSource::Camera(Box::new(camera))));
            }
            Err(error) if options.wait_for_camera => {
                terminal.println(&format!("{error}. Waiting for it"));
                let camera = wait_for_camera(request, stop, notify_alive);
                return Ok(camera.map(|camera| FrameSource::Camera(Box::new(camera))));
            }
            Err(error @ CaptureError::NoSuchCamera { .. }) => {
                return Err(DaemonError::NoSuchCamera(error));
            }
            Err(error) => terminal.println(&format!("{error}.")),
        }
    }
    let bundled = || {
        Some(StandInClip {
            path: paths::bundled_recording()?,
            rate: PlaybackRate::REAL,
            loops: NonZeroU32::MIN,
            same_camera: false,
        })
    };
    let from_bundle;
    let clip = match &options.stand_in {
        Some(clip) => clip,
        None => {
            from_bundle = bundled().ok_or(DaemonError::NothingToWatch)?;
            &from_bundle
        }
    };
    terminal.println(&format!(
        "A recording stands in for the camera: {}",
        clip.path.display()
    ));
    let source = ClipSource::open(&clip.path)?.looped(clip.loops);
    Ok(Some(FrameSource::from_clip(source, clip.rate)))
}

fn run_config(options: &WatchOptions, source: &FrameSource) -> RunConfig {
    let requested = options.stand_in.is_some();
    let is_recording = !matches!(source, FrameSource::Camera(_));
    RunConfig {
        journal: options.journal.clone(),
        plan: options.plan.clone(),
        settings_file: options.settings_file.clone(),
        has_sound: options.sound != Output::Silent,
        stand_in: is_recording.then(|| StandInHitter {
            height_cm: (!requested).then_some(paths::STAND_IN_HEIGHT_CM),
            requested,
            same_camera: options
                .stand_in
                .as_ref()
                .is_some_and(|clip| clip.same_camera),
        }),
        source: describe(source),
    }
}

/// The source, for the terminal and the journal.
fn describe(source: &FrameSource) -> String {
    match source {
        FrameSource::Camera(camera) => {
            let (info, mode) = (camera.info(), camera.mode());
            let through = match info.backend == CameraBackend::default() {
                true => String::new(),
                false => format!(", through {}", info.backend.name()),
            };
            format!(
                "camera {}: {} x {}, {:.0} frames a second{through}",
                info.label(),
                mode.size.width_px,
                mode.size.height_px,
                mode.fps
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

/// The microphone, where it is to listen.
fn start_ears(
    settings: &Settings,
    clock: &Arc<OnceLock<CaptureClock>>,
    terminal: &Terminal,
) -> Result<Option<EarsFeed>, DaemonError> {
    if !settings.microphone.on {
        return Ok(None);
    }
    terminal.println(
        "The microphone listens for the bat on the ball. No sound is kept, only when sharp sounds began and how loud they were.",
    );
    let listener = Arc::new(Listener::start(settings.microphone.choice())?);
    Ok(Some(EarsFeed::Microphone {
        listener,
        clock: Arc::clone(clock),
    }))
}

/// The keys that ask for something, as they are written on keyboards.
fn keys_shown(settings: &Settings) -> Vec<(Request, String)> {
    let Some(keys) = &settings.keys else {
        return Vec::new();
    };
    let KeySettings {
        again,
        pause,
        next_hitter,
        ..
    } = keys;
    [
        (Request::Again, again),
        (Request::Pause, pause),
        (Request::NextHitter, next_hitter),
    ]
    .into_iter()
    .filter_map(|(request, key)| {
        let key = key.as_deref()?;
        Some((request, key.trim_start_matches("KEY_").to_owned()))
    })
    .collect()
}

/// Listens to the keys of the device that the settings name, if any.
fn listen_to_keys(
    settings: &Settings,
    asking: &RequestSender,
    terminal: &Terminal,
) -> Result<(), DaemonError> {
    #[cfg(target_os = "linux")]
    if let Some(keys) = &settings.keys {
        super::key_device::listen_to_keys(keys, asking.clone(), terminal.clone())?;
    }
    #[cfg(not(target_os = "linux"))]
    if settings.keys.is_some() {
        let _ = asking;
        terminal.println("keys: they are read on Linux only");
    }
    Ok(())
}

fn start_preview(
    health: &Health,
    settings: &Settings,
    terminal: &Terminal,
) -> Result<PreviewTap, DaemonError> {
    health.preview.allow(settings.page.picture);
    if settings.page.picture {
        terminal.println(picture_notice(true));
    }
    Ok(PreviewTap::start(Arc::clone(&health.preview))?)
}

/// The page. Without it the daemon is still worth running.
fn start_page(
    health: &Arc<Health>,
    sessions: &Arc<SessionController>,
    settings: &Settings,
    terminal: &Terminal,
) -> Arc<PageServer> {
    let control: Arc<dyn SessionControl> = Arc::clone(sessions) as _;
    let page = PageServer::new(Arc::clone(health), control, settings.cues.language);
    match page.serve(&settings.page) {
        Ok(Some(served)) => terminal.println(&served.to_string()),
        Ok(None) => {}
        Err(error) => tracing::warn!(%error, "no page"),
    }
    Arc::new(page)
}

fn watch_settings(
    options: &WatchOptions,
    settings: &Settings,
    changes: &Arc<PendingChanges>,
    applier: SettingsApplier,
    terminal: &Terminal,
) -> Result<SettingsWatcher, DaemonError> {
    let read_now = Arc::new(AtomicBool::new(false));
    // Without a terminal the signal HUP means "read the settings again"; with one, that it was closed.
    if !std::io::stdin().is_terminal() && !std::io::stdout().is_terminal() {
        raise_on_hangup_signal(&read_now)?;
    }
    let watch = SettingsWatch::new(
        options.settings_candidates.clone(),
        options.settings_file.as_deref(),
        settings.clone(),
    );
    let sessions = Arc::clone(&applier.sessions);
    Ok(SettingsWatcher::start(
        watch,
        Arc::clone(changes),
        Box::new(move |settings, changes| applier.apply(settings, changes)),
        terminal.clone(),
        read_now,
        move || {
            sessions.step_out_when_idle();
            sessions.delete_old();
        },
    )?)
}

/// What keeps pictures of those who refuse them from being made.
fn gates(films: &Films, health: &Health) -> Gates {
    Gates {
        films: films.gate(),
        preview: Arc::clone(&health.preview),
    }
}

/// The films beside the journal. That pictures are kept is never silent.
fn start_films(
    journal: &Path,
    settings: &Settings,
    terminal: &Terminal,
) -> Result<Films, DaemonError> {
    let films = Films::start(journal, settings.video, crate::machine::free_bytes)?;
    let usage = FilmStore::of_journal(journal).usage().unwrap_or_default();
    if settings.video.keep || usage.films > 0 {
        terminal.println(&film_notice(films.folder(), &settings.video));
    }
    Ok(films)
}
