//! Settings that are edited while the program runs: noticed, checked and compared with those in force.
//!
//! In: the paths where a settings file may be, polled by the caller. Out: a [`Reload`]: valid settings with what they
//! change, or why the file is refused. The content decides, not the file's time: a clock that is stepped, an editor that
//! replaces the file, and a `touch` are not mistaken for an edit. A content counts only when two polls in a row find it,
//! so that a half-written file is never used. Nothing here puts settings in force, starts threads or waits.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use super::edit::with_pictures_off;
use super::explain::{NO_BAND, explain};
use super::{Settings, SettingsError};

/// The largest file that is read as settings, bytes; a larger one is something else.
const LARGEST: u64 = 1 << 20;

/// When a change of a key comes into force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Applies {
    /// While the program runs.
    Live,
    /// At the next start, for this reason.
    Restart(&'static str),
    /// Not in this run, for this reason.
    Unused(&'static str),
}

/// A key whose value changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyChange {
    /// Section and key, such as `cues.volume`.
    pub(crate) key: String,
    /// The value before, as [`explain`] writes it.
    pub(crate) before: String,
    /// The value after.
    pub(crate) after: String,
    /// When it comes into force.
    pub(crate) applies: Applies,
}

/// When a change of this key comes into force while `watch` runs; `None` where there is no such key.
pub(crate) fn applies(key: &str) -> Option<Applies> {
    Some(match key {
        "camera.device" | "camera.backend" | "camera.width" | "camera.height" | "camera.fps" => {
            Applies::Restart("the camera and its mode are chosen when it is opened")
        }
        "hitter.name"
        | "hitter.height_cm"
        | "hitter.bats"
        | "hitter.idle_minutes"
        | "hitter.ask_consent" => Applies::Live,
        "camera.exposure_ms" | "camera.gain_pct" | "camera.power_line_hz" | "camera.focus_pct" => {
            Applies::Live
        }
        "camera.view" | "camera.known_length_cm" | "camera.known_length_px" | "camera.roll_deg" => {
            Applies::Live
        }
        "pose.model" => Applies::Live,
        "microphone.on"
        | "microphone.device"
        | "microphone.distance_m"
        | "microphone.lag_ms"
        | "microphone.lag_plus_minus_ms" => {
            Applies::Restart("the microphone is opened at the start")
        }
        "pose.bat" => Applies::Restart("the bat network is loaded at the start"),
        "cues.volume" | "cues.order" | "cues.language" | "cues.units" | "cues.phrases"
        | "cues.remarks" => Applies::Live,
        "signs.read" => Applies::Restart("signs are set up at the start"),
        "keys.device" | "keys.again" | "keys.pause" | "keys.next_hitter" => {
            Applies::Restart("the device with the keys is opened at the start")
        }
        // These end the session and begin another, between two reps.
        "journal.keep_months" | "journal.exports" | "journal.keep_exports_days" => Applies::Live,
        "facility.store"
        | "facility.cage"
        | "facility.password_file"
        | "facility.authority"
        | "facility.films"
        | "facility.live" => Applies::Restart("the facility's store is connected to at the start"),
        "journal.path" | "page.listen" | "baseline.swings" => Applies::Live,
        "page.picture"
        | "page.names"
        | "page.behind_proxy"
        | "page.certificate"
        | "page.certificate_key"
        | "page.unencrypted"
        | "page.trial"
        | "page.audit_days" => Applies::Live,
        "video.keep" | "video.keep_days" | "video.keep_gb" => Applies::Live,
        "log.folder" | "log.level" | "log.file_mb" | "log.keep_files" | "log.keep_days" => {
            Applies::Live
        }
        _ if key.starts_with("bands.") => Applies::Live,
        _ => return None,
    })
}

/// The keys whose values differ, in the default file's order. Another way of writing the same value is no change.
pub fn changes(before: &Settings, after: &Settings) -> Vec<KeyChange> {
    let values = |settings: &Settings| -> Vec<(String, String)> {
        let sections = explain(&settings.text).into_iter();
        sections
            .flat_map(|section| section.keys)
            .map(|key| (key.name, key.now))
            .collect()
    };
    let (before, after) = (values(before), values(after));
    let old: BTreeMap<&String, &String> = before.iter().map(|(key, now)| (key, now)).collect();
    let new: BTreeMap<&String, &String> = after.iter().map(|(key, now)| (key, now)).collect();
    let left_out = before.iter().filter(|(key, _)| !new.contains_key(key));
    let none = NO_BAND.to_owned();
    after
        .iter()
        .chain(left_out)
        .filter_map(|(key, _)| {
            let before = old.get(key).map_or(&none, |before| *before);
            let after = new.get(key).map_or(&none, |after| *after);
            (before != after).then(|| KeyChange {
                key: key.clone(),
                before: before.clone(),
                after: after.clone(),
                applies: applies(key).unwrap_or(Applies::Live),
            })
        })
        .collect()
}

/// Why an edited file is refused.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ReloadError {
    /// It was there and is not any more.
    #[error("{path} is gone; put it back, or restart for the settings that are found then")]
    Gone {
        /// The file.
        path: PathBuf,
    },
    /// It has no content: an editor on a full disk leaves such a file, and nobody means it as "all defaults".
    #[error("{path} is empty; write the settings again (is the disk full?)")]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// It is no settings file.
    #[error("{path} has {bytes} bytes; a settings file has {LARGEST} at most")]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size.
        bytes: u64,
    },
    /// It cannot be read, or its content is wrong.
    #[error(transparent)]
    Settings(#[from] SettingsError),
}

/// What a poll found.
#[derive(Debug)]
pub(crate) enum Reload {
    /// Nothing new.
    Unchanged,
    /// A new content that may still be half written: poll again soon.
    Unsettled,
    /// Valid settings. They become those of the watch with [`SettingsWatch::accept`].
    Valid {
        /// The settings.
        settings: Box<Settings>,
        /// What they change, which may be nothing.
        changes: Vec<KeyChange>,
    },
    /// The file is refused; reported once for each content.
    Invalid(ReloadError),
}

/// What is found at the paths; an index says at which.
#[derive(Clone, Debug, PartialEq, Eq)]
enum FileState {
    Text {
        index: usize,
        text: String,
    },
    TooLarge {
        index: usize,
        bytes: u64,
    },
    Unreadable {
        index: usize,
        why: std::io::ErrorKind,
    },
    Nothing,
}

/// Watches the settings file.
#[derive(Debug)]
pub(crate) struct SettingsWatch {
    paths: Vec<PathBuf>,
    /// The index of the file in force; `None` while the defaults are in force.
    in_force: Option<usize>,
    settings: Settings,
    judged: Option<FileState>,
    unsettled: Option<FileState>,
}

impl SettingsWatch {
    /// A watch over these paths, in order of precedence. `file` is the one that `settings` were read from, if they were
    /// read from a file.
    pub(crate) fn new(paths: Vec<PathBuf>, file: Option<&Path>, settings: Settings) -> Self {
        let in_force = file.and_then(|file| paths.iter().position(|index| index == file));
        let judged = match in_force {
            Some(index) => FileState::Text {
                index,
                text: settings.text.clone(),
            },
            None => FileState::Nothing,
        };
        Self {
            paths,
            in_force,
            settings,
            judged: Some(judged),
            unsettled: None,
        }
    }

    /// The settings in force.
    pub(crate) fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Whether something has changed since the last poll.
    pub(crate) fn poll(&mut self) -> Reload {
        let seen = self.read();
        if self.judged.as_ref() == Some(&seen) {
            self.unsettled = None;
            return Reload::Unchanged;
        }
        if self.unsettled.as_ref() != Some(&seen) {
            self.unsettled = Some(seen);
            return Reload::Unsettled;
        }
        self.unsettled = None;
        self.judged = Some(seen.clone());
        match self.judge(seen) {
            Ok(None) => Reload::Unchanged,
            Ok(Some((index, settings))) => {
                let changes = changes(&self.settings, &settings);
                // The file takes precedence from now on even if the caller then turns the settings down.
                self.in_force = Some(index);
                Reload::Valid {
                    settings: Box::new(settings),
                    changes,
                }
            }
            Err(error) => Reload::Invalid(error),
        }
    }

    /// The settings in force with films and the cage's picture off, where the file that was judged last has them off and they
    /// are on: off is taken up even where the rest of the file is refused.
    pub(crate) fn with_pictures_off(&self) -> Option<(Settings, Vec<KeyChange>)> {
        let Some(FileState::Text { index, text }) = &self.judged else {
            return None;
        };
        let text = with_pictures_off(&self.settings.text, text)?;
        let settings = Settings::parse(&text, &self.paths[*index]).ok()?;
        let changes = changes(&self.settings, &settings);
        Some((settings, changes))
    }

    /// Lets the next two polls judge what is there as if it were new.
    pub(crate) fn recheck(&mut self) {
        self.judged = None;
    }

    /// Records that these settings are in force now.
    pub(crate) fn accept(&mut self, settings: Settings) {
        self.settings = settings;
    }

    /// The first path with a file. A file that precedes the one in force replaces it; where the one in force is gone, no
    /// later one does.
    fn read(&self) -> FileState {
        let last = self.in_force.unwrap_or(usize::MAX);
        for (index, path) in self.paths.iter().enumerate().take(last.saturating_add(1)) {
            let bytes = match fs::metadata(path) {
                Ok(found) if found.is_file() => found.len(),
                _ => continue,
            };
            if bytes > LARGEST {
                return FileState::TooLarge { index, bytes };
            }
            return match fs::read_to_string(path) {
                Ok(text) => FileState::Text { index, text },
                Err(error) => FileState::Unreadable {
                    index,
                    why: error.kind(),
                },
            };
        }
        FileState::Nothing
    }

    fn judge(&self, seen: FileState) -> Result<Option<(usize, Settings)>, ReloadError> {
        let path = |index: usize| self.paths[index].clone();
        match seen {
            FileState::Text { index, text } if text.trim().is_empty() => {
                Err(ReloadError::Empty { path: path(index) })
            }
            FileState::Text { index, text } => {
                Ok(Some((index, Settings::parse(&text, &path(index))?)))
            }
            FileState::TooLarge { index, bytes } => Err(ReloadError::TooLarge {
                path: path(index),
                bytes,
            }),
            FileState::Unreadable { index, why } => Err(SettingsError::Unreadable {
                path: path(index),
                source: why.into(),
            }
            .into()),
            FileState::Nothing => match self.in_force {
                Some(index) => Err(ReloadError::Gone { path: path(index) }),
                None => Ok(None),
            },
        }
    }
}

#[cfg(test)]
mod tests;
