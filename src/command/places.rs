//! Where files are found when nobody says where: settings, journal, the bundled recording.

use std::path::{Path, PathBuf};

use directories::ProjectDirs;

use super::Failure;
use crate::settings::Settings;

/// The recording that stands in for a camera.
const STAND_IN: &str = "left_60fps_faults.mp4";
/// Standing height of the hitter in it, centimetres.
pub const STAND_IN_HEIGHT_CM: f64 = 168.0;

fn dirs() -> Option<ProjectDirs> {
    ProjectDirs::from("", "", "cagehand")
}

/// Where the user's own settings file lies, or would.
pub fn own_settings() -> Option<PathBuf> {
    dirs().map(|d| d.config_dir().join("cagehand.toml"))
}

/// The user's own settings file, if there is one; else the machine's.
pub fn user_settings() -> Option<PathBuf> {
    own_settings()
        .into_iter()
        .chain([PathBuf::from("/etc/cagehand/cagehand.toml")])
        .find(|p| p.is_file())
}

/// The journal: as told, as set, or in the user's data folder.
pub fn journal(told: Option<&Path>, settings: &Settings) -> Result<PathBuf, Failure> {
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
pub fn stand_in() -> Option<PathBuf> {
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
