//! Where the program's own files are: the settings, the journal, the bundled recording.

use std::path::{Path, PathBuf};

use directories::ProjectDirs;

/// Settings for the whole machine.
pub(crate) const MACHINE_SETTINGS: &str = "/etc/cagehand/cagehand.toml";
/// The recording that stands in for a camera.
const STAND_IN: &str = "left_60fps_faults.mp4";
/// Standing height of the hitter in it, centimeters.
pub(crate) const STAND_IN_HEIGHT_CM: f64 = 168.0;

/// The user has no home folder, and nothing else says where the journal is.
#[derive(Debug, thiserror::Error)]
#[error("there is no home folder for the journal; name a file with --journal")]
pub struct NoHomeFolder;

fn user_dirs() -> Option<ProjectDirs> {
    ProjectDirs::from("", "", "cagehand")
}

/// The user's own settings file, which need not exist.
pub(crate) fn user_settings() -> Option<PathBuf> {
    user_dirs().map(|dirs| dirs.config_dir().join("cagehand.toml"))
}

/// The journal: the one of the command line, else that of the settings, else the one in the user's data folder.
///
/// # Errors
/// Where nothing says where it is.
pub(crate) fn journal(
    explicit: Option<&Path>,
    configured: Option<&Path>,
) -> Result<PathBuf, NoHomeFolder> {
    if let Some(path) = explicit.or(configured) {
        return Ok(path.to_owned());
    }
    user_dirs()
        .map(|dirs| dirs.data_dir().join("journal.db"))
        .ok_or(NoHomeFolder)
}

/// The bundled recording: beside the sources, or where a package installs it.
pub(crate) fn bundled_recording() -> Option<PathBuf> {
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
