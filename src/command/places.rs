//! Where files are found when nobody says where: settings, journal, the bundled recording.

use std::path::{Path, PathBuf};

use directories::ProjectDirs;

use super::Failure;
use crate::settings::{DEFAULT_FILE, Settings, SettingsError};

/// Settings for the whole machine.
const MACHINE_SETTINGS: &str = "/etc/cagehand/cagehand.toml";
/// The recording that stands in for a camera.
const STAND_IN: &str = "left_60fps_faults.mp4";
/// Standing height of the hitter in it, centimetres.
pub(super) const STAND_IN_HEIGHT_CM: f64 = 168.0;

fn dirs() -> Option<ProjectDirs> {
    ProjectDirs::from("", "", "cagehand")
}

/// Where the user's own settings file lies, or would.
pub(super) fn own_settings() -> Option<PathBuf> {
    dirs().map(|d| d.config_dir().join("cagehand.toml"))
}

/// Where the settings are looked for, and what was found at the start.
#[derive(Debug)]
pub(super) struct SettingsFiles {
    told: Option<PathBuf>,
    in_force: Option<PathBuf>,
}

impl SettingsFiles {
    /// The file that was told; else the user's own, if there is one; else the machine's.
    pub(super) fn find(told: Option<PathBuf>) -> Self {
        let mut files = Self {
            told,
            in_force: None,
        };
        files.in_force = match &files.told {
            Some(told) => Some(told.clone()),
            None => files.places().into_iter().find(|place| place.is_file()),
        };
        files
    }

    /// The places, the one that goes before the others first.
    pub(super) fn places(&self) -> Vec<PathBuf> {
        match &self.told {
            Some(told) => vec![told.clone()],
            None => own_settings()
                .into_iter()
                .chain([PathBuf::from(MACHINE_SETTINGS)])
                .collect(),
        }
    }

    /// The file in force; `None` where the defaults are.
    pub(super) fn in_force(&self) -> Option<&Path> {
        self.in_force.as_deref()
    }

    /// Whether the file was named on the command line.
    pub(super) fn is_told(&self) -> bool {
        self.told.is_some()
    }

    /// What is in force, in words.
    pub(super) fn told(&self) -> String {
        match &self.in_force {
            Some(path) => path.display().to_string(),
            None => "the built-in defaults; there is no settings file".to_owned(),
        }
    }

    /// The settings in force.
    ///
    /// # Errors
    /// Where the file cannot be read or is wrong.
    pub(super) fn read(&self) -> Result<Settings, SettingsError> {
        match &self.in_force {
            Some(path) => Settings::read(path),
            None => Settings::parse(DEFAULT_FILE, "the built-in defaults".as_ref()),
        }
    }
}

/// The journal: as told, as set, or in the user's data folder.
pub(super) fn journal(told: Option<&Path>, settings: &Settings) -> Result<PathBuf, Failure> {
    if let Some(path) = told.or(settings.journal.as_deref()) {
        return Ok(path.to_owned());
    }
    dirs()
        .map(|d| d.data_dir().join("journal.db"))
        .ok_or_else(|| {
            Failure::Request(
                "there is no home folder for the journal; name a file with --journal".into(),
            )
        })
}

/// The bundled recording: beside the sources, or where a package installs it.
pub(super) fn stand_in() -> Option<PathBuf> {
    let program = std::env::current_exe().ok();
    let near = program
        .as_deref()
        .and_then(Path::parent)
        .into_iter()
        .flat_map(|folder| {
            [
                folder.join("../share/cagehand"),
                folder.join("../../recordings"),
                folder.join("../../../recordings"),
            ]
        });
    std::iter::once(PathBuf::from("recordings"))
        .chain(near)
        .map(|folder| folder.join(STAND_IN))
        .find(|path| path.is_file())
}
