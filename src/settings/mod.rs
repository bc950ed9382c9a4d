//! The settings: what the operator and the coach have chosen, checked before anything runs.
//!
//! In: a TOML file. Out: [`Settings`] that are valid throughout, or a [`SettingsError`] with the line and the reason. The
//! commented file in `config/` is compiled in and is the default.

mod check;
mod edit;
mod explain;
mod file;
mod reload;

use std::net::{IpAddr, SocketAddr};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::capture::{CameraBackend, CameraControls};
use crate::coach::Bands;
use crate::facility::FacilitySettings;
use crate::hearing::MicrophoneChoice;
use crate::logging::LogFiles;
use crate::rep::{Bats, Lag, Lengths, MeasureName, View};
use crate::sound::Language;
use crate::video::VideoSettings;

pub use edit::{CameraValues, edit_numbers};
pub(crate) use edit::{EditError, replace_file};
pub use explain::explain;
pub(crate) use explain::{Key, NO_BAND, Section};
pub use reload::changes;
pub(crate) use reload::{Applies, KeyChange, Reload, SettingsWatch, applies};

/// Standing heights of people who swing a bat, centimeters.
pub(crate) const HEIGHT_CM: RangeInclusive<i64> = 80..=230;

/// Whether someone who swings a bat can be this tall, centimeters.
pub(crate) fn is_height(cm: f64) -> bool {
    (*HEIGHT_CM.start() as f64..=*HEIGHT_CM.end() as f64).contains(&cm)
}

/// Rolls of a camera that can be corrected, degrees: one that leans more is to be set level by hand.
pub(crate) const ROLL_DEG: RangeInclusive<f64> = -15.0..=15.0;

/// The default settings, commented: `config/cagehand.toml`.
pub const DEFAULT_FILE: &str = include_str!("../../config/cagehand.toml");

/// Everything that can be chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Who swings.
    pub(crate) hitter: HitterSettings,
    /// How long nobody may stand in to hit until a hitter who stepped in at the page is stepped out.
    pub(crate) hitter_idle: Duration,
    /// Whether films and pictures are made only of hitters who allow them on record.
    pub(crate) ask_consent: bool,
    /// Which camera and how.
    pub camera: CameraSettings,
    /// Which pose model.
    pub(crate) model: ModelChoice,
    /// Whether the bat is looked for beside the poses.
    pub(crate) bat: bool,
    /// Whether and how contact is heard.
    pub(crate) microphone: MicrophoneSettings,
    /// What is heard.
    pub cues: CueSettings,
    /// Whether the hitter's arms are watched for signs.
    pub(crate) signs: bool,
    /// A device whose keys ask for something; `None` for none.
    pub(crate) keys: Option<KeySettings>,
    /// Where and to whom the page is served.
    pub(crate) page: PageSettings,
    /// Where reps are kept; `None` means the user's data folder.
    pub(crate) journal: Option<PathBuf>,
    /// After how many months sessions are deleted; `None` for never.
    pub(crate) keep_months: Option<u32>,
    /// A folder for exports, and after how many days they are deleted from it; `None` for none.
    pub(crate) exports: Option<(PathBuf, u32)>,
    /// The facility's store, and what this cage is called there; `None` for a cage by itself.
    pub(crate) facility: Option<FacilitySettings>,
    /// Whether films of reps are kept, and how much of them.
    pub(crate) video: VideoSettings,
    /// Which log files are written; `None` for none.
    pub(crate) log_files: Option<LogFiles>,
    /// How many swings fix a hitter's baseline.
    pub(crate) baseline_swings: usize,
    /// The coach's bands.
    pub bands: Bands,
    /// The file's text as it was read, for the journal.
    pub(crate) text: String,
}

/// Who swings.
#[derive(Clone, Debug, PartialEq)]
pub struct HitterSettings {
    /// Optional name.
    pub(crate) name: Option<String>,
    /// Standing height in centimeters, if known.
    pub(crate) height_cm: Option<f64>,
    /// The side; `None` to find it out.
    pub(crate) bats: Option<Bats>,
}

/// Which camera and how.
#[derive(Clone, Debug, PartialEq)]
pub struct CameraSettings {
    /// Part of a name, a path, or `None` for the first camera.
    pub(crate) device: Option<String>,
    /// The library that talks to it.
    pub(crate) backend: CameraBackend,
    /// Requested width, pixels.
    pub(crate) width: u32,
    /// Requested height, pixels.
    pub(crate) height: u32,
    /// Requested frames per second; `None` for what the machine can hold.
    pub fps: Option<f64>,
    /// Where the camera stands; `None` to find it out.
    pub(crate) view: Option<View>,
    /// Centimeters per pixel where the hitter stands, from a known length in view.
    pub cm_per_px: Option<f64>,
    /// The camera's roll in degrees, positive where a level line falls to the right in the picture; `None` to find it out
    /// from the hitter.
    pub roll_deg: Option<f64>,
    /// Exposure, gain, power line frequency and focus.
    pub(crate) controls: CameraControls,
}

/// A foot pedal, clicker or presenter, and what its keys ask for. Keys have the kernel's names, such as `KEY_PAGEDOWN`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct KeySettings {
    /// Part of the device's name.
    pub(crate) device: String,
    /// To hear the count and the last rep again.
    pub(crate) again: Option<String>,
    /// To pause and to go on.
    pub(crate) pause: Option<String>,
    /// To begin the next hitter's turn.
    pub(crate) next_hitter: Option<String>,
}

/// Where and to whom the page is served.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct PageSettings {
    /// The address; `None` for nowhere.
    pub(crate) listen: Option<SocketAddr>,
    /// Whether the cage's screen may show the camera's picture.
    pub(crate) picture: bool,
    /// Names under which browsers may ask for the page, beside the machine's own.
    pub(crate) names: Vec<String>,
    /// Proxies that are believed when they say for whom they ask.
    pub(crate) behind_proxy: Vec<IpAddr>,
    /// PEM files of the certificate and its key.
    pub(crate) certificate: Option<(PathBuf, PathBuf)>,
    /// Whether the page is shown unencrypted beyond this machine.
    pub(crate) unencrypted: bool,
    /// Whether this machine opens the coach's pages while no key is set.
    pub(crate) trial: bool,
    /// Days that entries of the audit trail are kept.
    pub(crate) audit_days: u32,
    /// In which units lengths are shown.
    pub(crate) units: Lengths,
}

/// Which pose model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ModelChoice {
    /// The best one that is fast enough.
    Auto,
    /// Always this one.
    Fixed(crate::pose::Model),
}

impl ModelChoice {
    /// The model for a recording, which waits for the better one.
    pub(crate) fn for_recordings(self) -> crate::pose::Model {
        match self {
            Self::Fixed(model) => model,
            Self::Auto => crate::pose::Model::Full,
        }
    }
}

/// Whether and how contact is heard.
#[derive(Clone, Debug, PartialEq)]
pub struct MicrophoneSettings {
    /// Whether a microphone listens.
    pub(crate) on: bool,
    /// A part of its name; `None` for the system's own choice.
    pub(crate) device: Option<String>,
    /// From the plate to the microphone, meters.
    pub(crate) distance_m: f64,
    /// How much later sound is stamped than the picture of the same moment, without its way through the air, milliseconds.
    pub(crate) lag_ms: f64,
    /// One standard deviation of that.
    pub(crate) lag_plus_minus_ms: f64,
}

/// Meters that sound goes in a second at 20 degrees (2.9 ms a meter).
const SPEED_OF_SOUND: f64 = 343.0;

impl MicrophoneSettings {
    /// How much later a sound at the plate is stamped than its picture.
    pub(crate) fn lag(&self) -> Lag {
        Lag {
            secs: 1e-3 * self.lag_ms + self.air_secs(),
            spread_secs: 1e-3 * self.lag_plus_minus_ms,
        }
    }

    /// How long sound takes from the plate, seconds.
    pub(crate) fn air_secs(&self) -> f64 {
        self.distance_m / SPEED_OF_SOUND
    }

    /// Which microphone.
    pub(crate) fn choice(&self) -> MicrophoneChoice {
        MicrophoneChoice {
            name: self.device.clone().unwrap_or_default(),
        }
    }
}

/// What is heard.
#[derive(Clone, Debug, PartialEq)]
pub struct CueSettings {
    /// 0 to 1.
    pub(crate) volume: f32,
    /// Measures by importance.
    pub order: Vec<MeasureName>,
    /// A folder with other recordings.
    pub(crate) phrases: Option<PathBuf>,
    /// The language of the spoken words.
    pub(crate) language: Language,
    /// In which units lengths are said and shown.
    pub(crate) units: Lengths,
    /// Whether remarks are played: set, out of view, feet hidden, too dark.
    pub(crate) remarks: bool,
}

/// Why settings were refused.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file could not be read.
    #[error("cannot read the settings {path}: {source}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file's content is wrong.
    #[error("{path}, line {line}: {reason}")]
    Wrong {
        /// The file.
        path: PathBuf,
        /// From 1.
        line: usize,
        /// What is wrong and what would be right.
        reason: String,
    },
}

impl Settings {
    /// Reads and checks a file.
    ///
    /// # Errors
    /// [`SettingsError`] where it cannot be read, is not TOML, or has an unknown key or an invalid value.
    pub fn read(path: &Path) -> Result<Self, SettingsError> {
        let text = std::fs::read_to_string(path).map_err(|source| SettingsError::Unreadable {
            path: path.to_owned(),
            source,
        })?;
        Self::parse(&text, path)
    }

    /// The text files in which the hitter's name can stand: the file in force, the copy that an edit kept of it, our own logs.
    pub(crate) fn texts(&self, in_force: Option<&Path>) -> Vec<PathBuf> {
        let settings = in_force.into_iter().flat_map(|path| {
            let target = std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
            [path.to_owned(), edit::kept_copy(&target)]
        });
        let logs = self
            .log_files
            .iter()
            .filter_map(|files| std::fs::read_dir(&files.folder).ok())
            .flatten()
            .filter_map(Result::ok)
            .map(|entry| entry.path());
        settings.chain(logs).collect()
    }

    /// The text for a clip that another camera filmed: without the hitter, and without where this camera stands.
    pub(crate) fn text_for_clips(&self) -> String {
        edit::without_this_cage(&self.text)
    }

    /// All values in force as a settings text, without comments.
    pub(crate) fn in_force(&self) -> String {
        explain::spelled_out(&explain(&self.text))
    }

    /// Checks a file's text; `path` is for messages.
    ///
    /// # Errors
    /// [`SettingsError::Wrong`], with the line.
    pub fn parse(text: &str, path: &Path) -> Result<Self, SettingsError> {
        check::settings(text).map_err(|wrong| SettingsError::Wrong {
            path: path.to_owned(),
            line: wrong.line(text),
            reason: wrong.reason,
        })
    }
}
