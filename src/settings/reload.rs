//! Settings that are edited while the program runs: seen, checked and compared with those in force.
//!
//! In: the places where a settings file may lie, looked at again and again by whoever owns a thread for it. Out: a [`Look`]:
//! settings that are right with what they change, or why the file is not taken. The content decides and not the file's time:
//! a clock that is stepped, an editor that puts a new file into the old one's place, and a `touch` are all told from an edit. A content
//! counts only when two looks found it the same, so that a half written file is not taken for a wish.
//! Nothing here puts settings in force, starts threads or waits.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use super::explain::{NO_BAND, explain};
use super::{Settings, SettingsError};

/// A settings file is no larger, in bytes; what is larger is something else.
const LARGEST: u64 = 1 << 20;

/// How a change of a key comes into force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Takes {
    /// While the program runs.
    AtOnce,
    /// When it is started the next time, for this reason.
    Restart(&'static str),
    /// Not in this run, for this reason.
    Unused(&'static str),
}

/// A key whose value changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyChange {
    /// Section and key, such as `cues.volume`.
    pub key: String,
    /// The value before, as [`explain`] writes it.
    pub before: String,
    /// The value after.
    pub after: String,
    /// How it comes into force.
    pub takes: Takes,
}

/// How a change of this key comes into force while `watch` runs; `None` for what is no key.
pub(crate) fn takes(key: &str) -> Option<Takes> {
    Some(match key {
        "hitter.name" | "hitter.height_cm" | "hitter.bats" => Takes::AtOnce,
        "camera.device" | "camera.width" | "camera.height" | "camera.fps" => {
            Takes::Restart("the camera and its mode are chosen when it is opened")
        }
        "camera.exposure_ms" | "camera.gain_pct" | "camera.power_line_hz" | "camera.focus_pct" => {
            Takes::AtOnce
        }
        "camera.view" | "camera.known_length_cm" | "camera.known_length_px" | "camera.roll_deg" => {
            Takes::AtOnce
        }
        "pose.model" => Takes::AtOnce,
        "cues.volume" | "cues.order" | "cues.language" | "cues.phrases" | "cues.remarks" => {
            Takes::AtOnce
        }
        // A session ends and another begins, between two reps.
        "journal.path" | "page.listen" | "baseline.swings" => Takes::AtOnce,
        "page.picture" => Takes::AtOnce,
        "video.keep" | "video.keep_days" | "video.keep_gb" => Takes::AtOnce,
        "log.folder" | "log.level" | "log.file_mb" | "log.keep_files" | "log.keep_days" => {
            Takes::AtOnce
        }
        _ if key.starts_with("bands.") => Takes::AtOnce,
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
                takes: takes(key).unwrap_or(Takes::AtOnce),
            })
        })
        .collect()
}

/// Why an edited file is not taken.
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

/// What a look found.
#[derive(Debug)]
pub(crate) enum Look {
    /// Nothing new.
    Same,
    /// Something new that may still be being written: look again soon.
    Unsettled,
    /// Right settings. They are those of the watch only after [`SettingsWatch::accept`].
    Right {
        /// The settings.
        settings: Box<Settings>,
        /// What they change, which may be nothing.
        changes: Vec<KeyChange>,
    },
    /// The file is not taken; told once for each content.
    Wrong(ReloadError),
}

/// What lies at the places.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Seen {
    Text {
        place: usize,
        text: String,
    },
    TooLarge {
        place: usize,
        bytes: u64,
    },
    Unreadable {
        place: usize,
        why: std::io::ErrorKind,
    },
    Nothing,
}

/// Looks after the settings file.
#[derive(Debug)]
pub(crate) struct SettingsWatch {
    places: Vec<PathBuf>,
    /// The place of the file in force; `None` while the defaults are.
    in_force: Option<usize>,
    settings: Settings,
    judged: Option<Seen>,
    unsettled: Option<Seen>,
}

impl SettingsWatch {
    /// A watch over these places, the one that goes before the others first. `file` is the one that `settings` were
    /// read from, if they were.
    pub(crate) fn new(places: Vec<PathBuf>, file: Option<&Path>, settings: Settings) -> Self {
        let in_force = file.and_then(|file| places.iter().position(|place| place == file));
        let judged = match in_force {
            Some(place) => Seen::Text {
                place,
                text: settings.text.clone(),
            },
            None => Seen::Nothing,
        };
        Self {
            places,
            in_force,
            settings,
            judged: Some(judged),
            unsettled: None,
        }
    }

    /// The file in force; `None` while the defaults are.
    pub(crate) fn file(&self) -> Option<&Path> {
        self.in_force.map(|place| self.places[place].as_path())
    }

    /// The settings in force.
    pub(crate) fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Looks whether something has changed since the last look.
    pub(crate) fn look(&mut self) -> Look {
        let seen = self.read();
        if self.judged.as_ref() == Some(&seen) {
            self.unsettled = None;
            return Look::Same;
        }
        if self.unsettled.as_ref() != Some(&seen) {
            self.unsettled = Some(seen);
            return Look::Unsettled;
        }
        self.unsettled = None;
        self.judged = Some(seen.clone());
        match self.judge(seen) {
            Ok(None) => Look::Same,
            Ok(Some((place, settings))) => {
                let changes = changes(&self.settings, &settings);
                // Which file it is counts from now on even if the settings are turned down further on.
                self.in_force = Some(place);
                Look::Right {
                    settings: Box::new(settings),
                    changes,
                }
            }
            Err(error) => Look::Wrong(error),
        }
    }

    /// Lets the next two looks judge what is there as if it were new.
    pub(crate) fn forget(&mut self) {
        self.judged = None;
    }

    /// These are in force now.
    pub(crate) fn accept(&mut self, settings: Settings) {
        self.settings = settings;
    }

    /// The first place with a file. A file that goes before the one in force is taken up; that the one in force is gone
    /// does not put another one in its place.
    fn read(&self) -> Seen {
        let last = self.in_force.unwrap_or(usize::MAX);
        for (place, path) in self.places.iter().enumerate().take(last.saturating_add(1)) {
            let bytes = match fs::metadata(path) {
                Ok(found) if found.is_file() => found.len(),
                _ => continue,
            };
            if bytes > LARGEST {
                return Seen::TooLarge { place, bytes };
            }
            return match fs::read_to_string(path) {
                Ok(text) => Seen::Text { place, text },
                Err(error) => Seen::Unreadable {
                    place,
                    why: error.kind(),
                },
            };
        }
        Seen::Nothing
    }

    fn judge(&self, seen: Seen) -> Result<Option<(usize, Settings)>, ReloadError> {
        let path = |place: usize| self.places[place].clone();
        match seen {
            Seen::Text { place, text } if text.trim().is_empty() => {
                Err(ReloadError::Empty { path: path(place) })
            }
            Seen::Text { place, text } => Ok(Some((place, Settings::parse(&text, &path(place))?))),
            Seen::TooLarge { place, bytes } => Err(ReloadError::TooLarge {
                path: path(place),
                bytes,
            }),
            Seen::Unreadable { place, why } => Err(SettingsError::Unreadable {
                path: path(place),
                source: why.into(),
            }
            .into()),
            Seen::Nothing => match self.in_force {
                Some(place) => Err(ReloadError::Gone { path: path(place) }),
                None => Ok(None),
            },
        }
    }
}

#[cfg(test)]
mod tests;
