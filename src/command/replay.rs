//! `cagehand replay SOURCE`: one recording from start to end, as if it were happening.

use std::num::NonZeroU32;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use clap::{Args, ValueEnum};

use super::{Failure, journal_path, notice, terminal};
use crate::capture::{NotSlowed, PlaybackRate, SlowedBy};
use crate::daemon::{PlanOverride, ReplayOptions, Slowed, Terminal, replay};
use crate::pose::Model;
use crate::rep::Bats;
use crate::settings::{HEIGHT_CM, Settings};
use crate::sound::Output;

/// Arguments of `replay`.
#[derive(Debug, Args)]
pub(super) struct Replay {
    /// A video clip, or a pose track (.track.jsonl).
    source: PathBuf,
    /// Write the rep log here: one JSON line a rep, as it happens.
    #[arg(long, value_name = "FILE")]
    reps: Option<PathBuf>,
    /// Write the pose track here: one JSON line a frame.
    #[arg(long, value_name = "FILE")]
    track: Option<PathBuf>,
    /// The hitter's standing height in centimetres.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(HEIGHT_CM))]
    height_cm: Option<u16>,
    /// Which side the hitter stands on; found out where not told.
    #[arg(long)]
    bats: Option<BatsArg>,
    /// "real" runs as it happened, "fast" as quickly as the machine can and with every frame; 4 runs four times as fast as it
    /// happened. "real" where not told, and "fast" with --slowed.
    #[arg(long, value_name = "real|fast|N")]
    pace: Option<PaceArg>,
    /// How many times slower than life the recording plays: 8 for 240 frames a second that were saved to play as 30. Times,
    /// durations and speeds are then those of life. "auto" goes by what the file says.
    #[arg(long, value_name = "N|auto", allow_hyphen_values = true)]
    slowed: Option<SlowedArg>,
    /// Run the recording this many times in a row, as one long one.
    #[arg(long, value_name = "N", default_value = "1")]
    loops: NonZeroU32,
    /// Where cues are heard: none, device, or a WAV file. "device" at real pace, else "none", where not told.
    #[arg(long, value_name = "none|device|FILE.wav")]
    sound: Option<String>,
    /// Hear contact in this WAV file, whose first sample is the recording's time 0, as a microphone would have. Its distance and
    /// lag are those of the settings.
    #[arg(long, value_name = "FILE.wav", conflicts_with = "slowed")]
    hear: Option<PathBuf>,
    /// The pose model; "full" where neither this nor the settings say.
    #[arg(long)]
    model: Option<ModelArg>,
    /// Keep the reps in this journal.
    #[arg(long, value_name = "FILE", conflicts_with = "no_journal")]
    journal: Option<PathBuf>,
    /// Keep no journal of this run.
    #[arg(long)]
    no_journal: bool,
    /// Go by this plan: a start's name, such as "head still", or a file.
    #[arg(long, value_name = "PLAN|FILE|none")]
    plan: Option<String>,
    /// At the end, print a table of every movement that might have been a rep: counted, or which condition it missed and by
    /// how much.
    #[arg(long)]
    explain: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum BatsArg {
    Left,
    Right,
}

impl From<BatsArg> for Bats {
    fn from(arg: BatsArg) -> Self {
        match arg {
            BatsArg::Left => Bats::Left,
            BatsArg::Right => Bats::Right,
        }
    }
}

/// The paces that can be asked for, times that of life.
const PACES: RangeInclusive<f64> = 0.1..=100.0;

/// The pace as it was asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct PaceArg(pub PlaybackRate);

impl FromStr for PaceArg {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "real" => Ok(Self(PlaybackRate::REAL)),
            "fast" => Ok(Self(PlaybackRate::Fast)),
            number => match number.parse() {
                Ok(times) if PACES.contains(&times) => Ok(Self(PlaybackRate::Timed(times))),
                _ => Err(format!(
                    "it must be real, fast, or a number from {} to {}",
                    PACES.start(),
                    PACES.end()
                )),
            },
        }
    }
}

/// A recording's pace as it was told.
#[derive(Clone, Copy, Debug, PartialEq)]
struct SlowedArg(Slowed);

impl FromStr for SlowedArg {
    type Err = NotSlowed;

    fn from_str(text: &str) -> Result<Self, NotSlowed> {
        match text {
            "auto" => Ok(Self(Slowed::AsTheFileSays)),
            number => number
                .parse()
                .map_err(|_| NotSlowed::Times)
                .and_then(SlowedBy::times)
                .map(|slowed| Self(Slowed::By(slowed))),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum ModelArg {
    Full,
    Lite,
}

impl From<ModelArg> for Model {
    fn from(arg: ModelArg) -> Self {
        match arg {
            ModelArg::Full => Model::Full,
            ModelArg::Lite => Model::Lite,
        }
    }
}

impl Replay {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        let (sound, rate) = (self.sound()?, self.rate());
        terminal::println(notice::in_language(settings.cues.language));
        let journal = match self.no_journal {
            true => None,
            false => Some(journal_path(self.journal.as_deref(), settings)?),
        };
        let options = ReplayOptions {
            model: self.model(settings),
            source: self.source,
            hear: self.hear,
            rep_log: self.reps,
            track: self.track,
            height_cm: self.height_cm.map(f64::from),
            bats: self.bats.map(Bats::from),
            rate,
            slowed: self.slowed.map_or(Slowed::Unsaid, |told| told.0),
            loops: self.loops,
            sound,
            journal,
            usual: None,
            plan: PlanOverride::from_argument(self.plan.as_deref())?,
            explain: self.explain,
        };
        Ok(replay(
            &options,
            settings,
            &Terminal::new(terminal::println),
        )?)
    }

    fn model(&self, settings: &Settings) -> Model {
        self.model
            .map_or_else(|| settings.model.for_recordings(), Model::from)
    }

    /// A film in slow motion has more frames a second than a machine follows as it happens, and all of them count.
    fn rate(&self) -> PlaybackRate {
        match (self.pace, self.slowed) {
            (Some(told), _) => told.0,
            (None, Some(_)) => PlaybackRate::Fast,
            (None, None) => PlaybackRate::REAL,
        }
    }

    fn sound(&self) -> Result<Output, Failure> {
        match (self.sound.as_deref(), self.rate()) {
            (None, PlaybackRate::REAL) | (Some("device"), PlaybackRate::REAL) => Ok(Output::Device),
            (Some("none") | None, _) => Ok(Output::Silent),
            (Some("device"), _) => Err(Failure::Request(
                "--sound device needs --pace real: at another pace cues would run into each other; use --sound FILE.wav".into(),
            )),
            (Some(path), _) if Path::new(path).extension().is_some_and(|e| e.eq_ignore_ascii_case("wav")) => {
                Ok(Output::WavFile(path.into()))
            }
            (Some(other), _) => Err(Failure::Request(format!(
                "--sound {other}: it must be none, device, or a file that ends in .wav"
            ))),
        }
    }
}
