//! The command line: one file a command, and what they share. A command parses its arguments, calls what does the work, and
//! prints the result.

mod bench;
mod calibrate;
mod check;
mod consent;
mod deletion_report;
mod export;
mod facility;
mod health;
mod journal;
mod keys;
mod notice;
mod pitch;
mod plan;
mod read_clip;
mod replay;
mod review;
mod settings;
mod settings_files;
mod terminal;
mod watch;

use std::path::{Path, PathBuf};

use clap::{Parser, Subcommand};

use crate::audit::{self, Act, Actor, AuditEntry};
use crate::capture::CaptureError;
use crate::daemon::DaemonError;
use crate::journal::{HitterId, JournalError, RepLogError};
use crate::logging::{self, LogFormat};
use crate::paths;
use crate::pose::InferenceError;
use crate::pose::track::TrackError;
use crate::settings::{Settings, SettingsError};
use crate::sound::SoundError;

/// Watches a hitter, plays one short cue after each swing, and logs every rep.
#[derive(Debug, Parser)]
#[command(name = "cagehand", version, about, after_help = notice::NOTICE)]
pub struct Arguments {
    /// Settings file; without it the user's own, else the defaults.
    #[arg(long, global = true, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Say more on standard error; twice for every detail.
    #[arg(long, short, global = true, action = clap::ArgAction::Count)]
    verbose: u8,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Watch the camera, or the bundled recording where there is none.
    Watch(watch::Watch),
    /// Run one recording (a video clip or a pose track) and exit.
    Replay(replay::Replay),
    /// Serve the coach's pages from a journal or a backup, without a camera.
    Review(review::Review),
    /// Check camera, light, framing, frame rate, speaker and disk.
    Check(check::Check),
    /// Measure the camera's scale and roll once, with a bat, a post or home plate.
    Calibrate(calibrate::Calibrate),
    /// Write reps from the journal as JSON Lines or CSV, or one rep's poses as a pose track.
    Export(export::Export),
    /// Look after the journal: check it, back it up, put a backup back, export or delete a hitter.
    Journal(journal::JournalArgs),
    /// Manage training plans: what a hitter works on, how often it is cued, rounds, the pitch sound.
    Plan(plan::PlanArgs),
    /// Record what a hitter allows (landmarks, name, film, picture), or print it.
    Consent(consent::ConsentArgs),
    /// Explain the settings, check a file, or say which file is in force.
    Settings(settings::SettingsArgs),
    /// Print how long pitches fly at each level of play.
    Pitch(pitch::PitchArgs),
    /// Show the daemon's status.
    Health(health::HealthArgs),
    /// Set up the store that the cages of a facility share, and give cages and offices their logins.
    Facility(facility::FacilityArgs),
    /// Set the PIN and the password of the page.
    Keys(keys::KeysArgs),
    /// Measure how fast this machine is.
    Bench(bench::Bench),
    /// Read a clip for the page of another cagehand, which starts this.
    #[command(hide = true)]
    ReadClip,
}

/// Enters into the journal's audit trail what this user does to it.
fn enter_audit(journal: &Path, act: Act, hitter: Option<HitterId>, detail: &str) {
    let entry = AuditEntry {
        hitter: hitter.map(HitterId::get),
        detail: (!detail.is_empty()).then(|| detail.to_owned()),
        ..AuditEntry::now(Actor::this_user(), act)
    };
    audit::enter(journal, &entry);
}

/// Runs the command that was asked for.
///
/// # Errors
/// Whatever keeps the command from doing its work.
pub fn run(arguments: Arguments) -> Result<(), Failure> {
    let files = settings_files::SettingsFiles::find(arguments.settings);
    let settings = match (&arguments.command, files.in_force()) {
        // These say themselves what is wrong with a file.
        (Command::Settings(_), _) => None,
        // This command makes the file where there is none yet.
        (Command::Calibrate(_), Some(path)) if !path.exists() => None,
        _ => Some(files.read()?),
    };
    let settings = match settings {
        Some(settings) => settings,
        None => Settings::parse(
            crate::settings::DEFAULT_FILE,
            "the built-in defaults".as_ref(),
        )?,
    };
    // It is dropped last, and writes out what waits.
    let _logging = match &arguments.command {
        Command::Watch(watch) => logging::start(
            arguments.verbose,
            watch.log_format(),
            settings.log_files.as_ref(),
        ),
        _ => logging::start(arguments.verbose, LogFormat::Text, None),
    };
    match arguments.command {
        Command::Watch(watch) => watch.run(&settings, &files),
        Command::Settings(settings) => settings.run(&files),
        Command::Replay(replay) => replay.run(&settings),
        Command::Review(review) => review.run(&settings, &files),
        Command::Check(check) => check.run(&settings),
        Command::Calibrate(calibrate) => calibrate.run(&settings, files.in_force().map(Into::into)),
        Command::Export(export) => export.run(&settings),
        Command::Journal(journal) => journal.run(&settings, files.in_force()),
        Command::Plan(plan) => plan.run(&settings),
        Command::Consent(consent) => consent.run(&settings),
        Command::Pitch(pitch) => pitch.run(),
        Command::Health(health) => health.run(&settings),
        Command::Facility(facility) => facility.run(),
        Command::Keys(keys) => keys.run(&settings),
        Command::Bench(bench) => bench.run(&settings),
        Command::ReadClip => read_clip::run(),
    }
}

/// Why a command did not do its work.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant carries another room's error")]
pub enum Failure {
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// What was asked for cannot be done.
    #[error("{0}")]
    Request(String),
    /// The work was done, and the result is bad news.
    #[error("{0}")]
    Finding(String),
    #[error(transparent)]
    Daemon(#[from] DaemonError),
}

/// The journal: the one of the command line, else that of the settings, else the one in the user's data folder.
fn journal_path(explicit: Option<&Path>, settings: &Settings) -> Result<PathBuf, Failure> {
    let path = paths::journal(explicit, settings.journal.as_deref());
    Ok(path.map_err(DaemonError::from)?)
}

macro_rules! through_daemon {
    ($($error:ty),+) => {
        $(impl From<$error> for Failure {
            fn from(error: $error) -> Self {
                Failure::Daemon(error.into())
            }
        })+
    };
}

through_daemon!(
    CaptureError,
    InferenceError,
    TrackError,
    SoundError,
    JournalError,
    RepLogError,
    std::io::Error
);

impl Failure {
    /// 2 for a bad request or settings, 1 for a failure while running.
    pub fn exit_status(&self) -> u8 {
        match self {
            Failure::Settings(_) | Failure::Request(_) => 2,
            Failure::Daemon(error) if error.is_bad_request() => 2,
            Failure::Finding(_) | Failure::Daemon(_) => 1,
        }
    }
}
