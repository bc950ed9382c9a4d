//! `cagehand watch`: the daemon. Follows the camera until it is asked to stop.

use std::num::NonZeroU32;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::replay::PaceArg;
use super::settings_files::SettingsFiles;
use super::{Failure, notice, terminal};
use crate::capture::PlaybackRate;
use crate::daemon::{PlanOverride, StandInClip, Terminal, WatchOptions, watch};
use crate::logging::LogFormat;
use crate::settings::Settings;
use crate::sound::Output;

/// Arguments of `watch`.
#[derive(Debug, Args)]
pub(super) struct Watch {
    /// Write the rep log here: one JSON line a rep, as it happens.
    #[arg(long, value_name = "FILE")]
    reps: Option<PathBuf>,
    /// Keep the reps in this journal.
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Where cues are heard: none, device, or a WAV file.
    #[arg(long, value_name = "none|device|FILE.wav", default_value = "device")]
    sound: String,
    /// The recording that stands in where there is no camera.
    #[arg(long, value_name = "CLIP")]
    stand_in: Option<PathBuf>,
    /// How fast the stand-in runs: real, or a number; 4 is four times as fast as it was recorded.
    #[arg(long, value_name = "real|N", default_value = "real", requires = "stand_in", value_parser = timed)]
    pace: PaceArg,
    /// Run the stand-in this many times in a row, as one long recording.
    #[arg(long, value_name = "N", default_value = "1", requires = "stand_in")]
    loops: NonZeroU32,
    /// The stand-in was filmed by the camera of the settings, from where it was calibrated: its calibration counts.
    #[arg(long, requires = "stand_in")]
    same_camera: bool,
    /// End with the recording; else the page stays up until Ctrl-C.
    #[arg(long)]
    end_with_recording: bool,
    /// Wait for a camera instead of running the stand-in.
    #[arg(long)]
    wait: bool,
    /// Use this plan instead of the one in use: a built-in plan's name, such as "head still", or a file.
    #[arg(long, value_name = "PLAN|FILE|none")]
    plan: Option<String>,
    /// How the log on standard error looks: lines for people, or JSON objects.
    #[arg(long, value_name = "text|json", default_value = "text")]
    log: LogArg,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum LogArg {
    Text,
    Json,
}

impl Watch {
    /// How the log on standard error looks.
    pub(super) fn log_format(&self) -> LogFormat {
        match self.log {
            LogArg::Text => LogFormat::Text,
            LogArg::Json => LogFormat::Json,
        }
    }

    pub(super) fn run(self, settings: &Settings, files: &SettingsFiles) -> Result<(), Failure> {
        let sound = match self.sound.as_str() {
            "none" => Output::Silent,
            "device" => Output::Device,
            path if path.to_ascii_lowercase().ends_with(".wav") => Output::WavFile(path.into()),
            other => {
                return Err(Failure::Request(format!(
                    "--sound {other}: it must be none, device, or a file that ends in .wav"
                )));
            }
        };
        terminal::println(notice::in_language(settings.cues.language));
        let stand_in = self.stand_in.map(|path| StandInClip {
            path,
            rate: self.pace.0,
            loops: self.loops,
            same_camera: self.same_camera,
        });
        let options = WatchOptions {
            rep_log: self.reps,
            journal: self.journal,
            sound,
            stand_in,
            wait_for_camera: self.wait,
            plan: PlanOverride::from_argument(self.plan.as_deref())?,
            end_with_recording: self.end_with_recording,
            settings_candidates: files.candidates(),
            settings_file: files.in_force().map(Into::into),
        };
        Ok(watch(options, settings, &Terminal::new(terminal::println))?)
    }
}

/// The pace of a recording that stands in for a camera. "fast" is none: it would wait for the model, as no camera does.
fn timed(text: &str) -> Result<PaceArg, String> {
    match text.parse()? {
        PaceArg(PlaybackRate::Fast) => Err("it must be real or a number".into()),
        pace => Ok(pace),
    }
}
