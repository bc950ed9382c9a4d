//! The health figures as they are read: by the page, by `cagehand health` as JSON, by metrics.

use std::convert::Infallible;
use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::coach::ReadyState;
use crate::machine::MachineFigures;
use crate::text_enum::text_enum;

/// How the daemon is. Milliseconds; counts are since the start. The names are those in JSON.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct HealthFigures {
    /// The program's version.
    pub version: String,
    /// How long it runs, seconds.
    pub up_secs: u64,
    /// Frames that the camera gave.
    pub frames: u64,
    /// Frames a second since the start.
    pub fps: f64,
    /// Frames that were never analyzed because a newer one had come.
    pub dropped: u64,
    /// Frames with a body.
    pub bodies: u64,
    /// Which pose model is in use and why.
    pub model: String,
    /// Time that the pose model takes for a frame: median, 95 % and 99 %, as the five below.
    pub pose_ms: Option<[f64; 3]>,
    /// Time that the bat network takes for a frame, beside the pose stage; nothing where no bats are looked for.
    pub bat_ms: Option<[f64; 3]>,
    /// From capture to the end of the analysis.
    pub seen_ms: Option<[f64; 3]>,
    /// From the deciding frame's capture to the first sample of a cue.
    pub cue_ms: Option<[f64; 3]>,
    /// From a swing's finish to the first sample of its cue.
    pub finish_to_cue_ms: Option<[f64; 3]>,
    /// From a frame's capture to the first sample of the tone that follows the head.
    pub tone_ms: Option<[f64; 3]>,
    /// Room for the journal, bytes.
    pub disk_free_bytes: Option<u64>,
    /// How often the camera, the pose model, the rep finder, the sound and the journal were started again.
    pub restarts: [u64; 5],
    /// Whether the cage's screen may show the camera's picture.
    pub picture_shown: bool,
    /// Pictures that were made for it.
    pub pictures_made: u64,
    /// How it stands with the facility's store; absent for a cage by itself.
    #[serde(default)]
    pub facility: Option<FacilityFigures>,
    #[serde(flatten)]
    pub stage: StageFigures,
    #[serde(flatten)]
    pub machine: MachineFigures,
}

/// How it stands with the facility's store.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct FacilityFigures {
    /// Whether the store answered last time.
    pub connected: bool,
    /// Since when that is so; absent before the first try.
    pub since: Option<jiff::Timestamp>,
    /// Reps that are not in the store yet.
    pub reps_behind: u32,
    /// Why it does not go on, in words.
    pub trouble: Option<String>,
}

/// The figures of the rep stage and of what it drives: sound, journal, films, settings.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct StageFigures {
    /// Whether the camera has the hitter.
    #[serde(deserialize_with = "read_text")]
    pub ready: ReadyState,
    /// Whether the camera stands still, and where it was calibrated.
    #[serde(deserialize_with = "read_text")]
    pub camera_stand: CameraState,
    /// Swings.
    pub swings: u32,
    /// Takes.
    pub takes: u32,
    /// The last rep as the terminal showed it.
    pub last_rep: Option<String>,
    /// The plan in force.
    pub plan: Option<String>,
    /// What the sound device does.
    #[serde(deserialize_with = "read_text")]
    pub sound: SoundState,
    /// Cues heard.
    pub cues_heard: u64,
    /// What the microphone does.
    #[serde(deserialize_with = "read_text")]
    pub microphone: MicrophoneState,
    /// The microphone's name, once it was open.
    pub microphone_name: Option<String>,
    /// How loud the room is above 1 kHz, decibels against full scale.
    pub room_db: Option<f64>,
    /// How much later sound is than picture, and one standard deviation of that, milliseconds; as followed by now.
    pub sound_lag_ms: Option<[f64; 2]>,
    /// Swings whose contact was heard, and swings and misses.
    pub contacts_heard: u32,
    pub swings_and_misses: u32,
    /// What the journal does.
    pub journal: JournalState,
    /// Reps stored.
    pub reps_stored: u64,
    /// Entries that wait for the disk.
    pub reps_waiting: usize,
    /// Reps that are lost because the journal refused them for good.
    pub reps_lost: u64,
    /// What is wrong with the settings file; the settings before it are in force.
    pub settings_trouble: Option<String>,
    /// Settings that were edited and wait for a restart.
    pub settings_waiting: Vec<String>,
    /// Whether a film of each rep is kept.
    pub video_kept: bool,
    /// Where films lie; absent where this run keeps none and deletes none.
    pub video_folder: Option<PathBuf>,
    /// Films there are.
    pub video_films: u64,
    /// Their bytes.
    pub video_bytes: u64,
    /// Films of logged reps that were given up.
    pub video_given_up: u64,
    /// Frames that are missing in films because encoding did not keep up.
    pub video_frames_dropped: u64,
    /// Time that encoding a frame takes.
    pub video_pack_ms: Option<f64>,
    /// Why the last film was given up.
    pub video_trouble: Option<String>,
    /// How often the rep finder failed by a fault and began afresh.
    #[serde(skip)]
    pub finder_restarts: u64,
    /// How often the sound was started again.
    #[serde(skip)]
    pub sound_restarts: u64,
    /// How often the journal was opened again.
    #[serde(skip)]
    pub journal_restarts: u64,
}

text_enum! {
    /// Whether the camera stands still, and where it was calibrated.
    #[derive(Default)]
    pub(crate) enum CameraState {
        #[default]
        Stands = "stands still",
        Moved = "camera moved",
        CalibrationOld = "calibration old",
    }
}

text_enum! {
    /// What the sound device does.
    #[derive(Default)]
    pub(crate) enum SoundState {
        #[default]
        Off = "off",
        Plays = "plays",
        NoDevice = "no device",
        IntoFile = "into a file",
    }
}

text_enum! {
    /// What the microphone does.
    #[derive(Default)]
    pub(crate) enum MicrophoneState {
        #[default]
        Off = "off",
        Missing = "no microphone",
        Muted = "muted",
        Listens = "listens",
    }
}

/// What the journal does.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) enum JournalState {
    /// There is none.
    #[default]
    Absent,
    /// It stores reps.
    Stores,
    /// The disk takes nothing, for this reason.
    Waits(String),
}

const STORES: &str = "stores";
const WAITS: &str = "waits: ";

impl fmt::Display for JournalState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Absent => Ok(()),
            Self::Stores => f.write_str(STORES),
            Self::Waits(why) => write!(f, "{WAITS}{why}"),
        }
    }
}

impl FromStr for JournalState {
    type Err = Infallible;

    fn from_str(text: &str) -> Result<Self, Infallible> {
        Ok(match text {
            "" => Self::Absent,
            STORES => Self::Stores,
            other => Self::Waits(other.strip_prefix(WAITS).unwrap_or(other).to_owned()),
        })
    }
}

impl Serialize for JournalState {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for JournalState {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        read_text(deserializer)
    }
}

fn read_text<'de, D, T>(deserializer: D) -> Result<T, D::Error>
where
    D: Deserializer<'de>,
    T: FromStr<Err: fmt::Display>,
{
    let text = String::deserialize(deserializer)?;
    text.parse().map_err(serde::de::Error::custom)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_come_back_from_json_and_lie_flat_in_it() {
        let figures = HealthFigures {
            frames: 1000,
            stage: StageFigures {
                ready: ReadyState::OutOfView,
                sound: SoundState::NoDevice,
                journal: JournalState::Waits("the disk is full".into()),
                swings: 3,
                ..StageFigures::default()
            },
            machine: MachineFigures {
                memory_bytes: Some(1 << 30),
                ..MachineFigures::default()
            },
            ..HealthFigures::default()
        };
        let json = serde_json::to_value(&figures).unwrap();
        for (key, value) in [
            ("frames", serde_json::json!(1000)),
            ("ready", "out of view".into()),
            ("sound", "no device".into()),
            ("journal", "waits: the disk is full".into()),
            ("swings", serde_json::json!(3)),
            ("memory_bytes", serde_json::json!(1_u64 << 30)),
        ] {
            assert_eq!(json[key], value, "{key}");
        }
        let back: HealthFigures = serde_json::from_value(json).unwrap();
        assert_eq!(back, figures);
    }
}
