//! Which settings file is in force.

use std::path::{Path, PathBuf};

use crate::paths;
use crate::settings::{DEFAULT_FILE, Settings, SettingsError};

/// Where the settings are looked for, and what was found at the start.
#[derive(Debug)]
pub(super) struct SettingsFiles {
    /// The file that the command line names.
    explicit: Option<PathBuf>,
    in_force: Option<PathBuf>,
}

impl SettingsFiles {
    /// The file that the command line names; else the user's own, if there is one; else the machine's.
    pub(super) fn find(explicit: Option<PathBuf>) -> Self {
        let mut files = Self {
            explicit,
            in_force: None,
        };
        files.in_force = match &files.explicit {
            Some(explicit) => Some(explicit.clone()),
            None => files.candidates().into_iter().find(|path| path.is_file()),
        };
        files
    }

    /// Where a file is looked for; the first one there is is in force.
    pub(super) fn candidates(&self) -> Vec<PathBuf> {
        match &self.explicit {
            Some(explicit) => vec![explicit.clone()],
            None => paths::user_settings()
                .into_iter()
                .chain([PathBuf::from(paths::MACHINE_SETTINGS)])
                .collect(),
        }
    }

    /// The file in force; `None` where the defaults are.
    pub(super) fn in_force(&self) -> Option<&Path> {
        self.in_force.as_deref()
    }

    /// Whether the command line names the file.
    pub(super) fn is_explicit(&self) -> bool {
        self.explicit.is_some()
    }

    /// What is in force, for the terminal.
    pub(super) fn summary(&self) -> String {
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
