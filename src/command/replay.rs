//! `cagehand replay SOURCE`: one recording from start to end, as if it were happening.

use std::fmt::Write as _;
use std::num::NonZeroU32;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Instant;

use clap::{Args, ValueEnum};

use super::session::{
    Sound, ears, named_plan, noted_hitter, noted_session, open_journal, training,
};
use super::{Failure, notice, places, show};
use crate::capture::{CaptureClock, CaptureError, ClipSource, Frame, FrameSource, PlaybackRate};
use crate::daemon::{
    Delivery, FrameSender, Outlets, PoseSample, RepStage, Stop, TrackerSet, run_pipeline,
};
use crate::journal::RepLog;
use crate::picture_size::PictureSize;
use crate::pose::Model;
use crate::pose::track::{TrackReader, TrackWriter};
use crate::rep::{Bats, FinderSettings};
use crate::settings::{HEIGHT_CM, ModelChoice, Settings};
use crate::status::{Health, RunCounts};

/// Pose tracks are known by this ending.
const TRACK_ENDING: &str = ".jsonl";

/// Mixed pitches come in the same order each time a recording is run.
const REPLAY_SEED: u64 = 1;

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
    bats: Option<Side>,
    /// "real" runs as it was recorded, "fast" as quickly as the machine can; 4 runs four times as fast as it was recorded.
    #[arg(long, value_name = "real|fast|N", default_value = "real")]
    pace: PaceArg,
    /// Run the recording this many times in a row, as one long one.
    #[arg(long, value_name = "N", default_value = "1")]
    loops: NonZeroU32,
    /// Where cues are heard: none, device, or a WAV file. "device" at real pace, else "none", where not told.
    #[arg(long, value_name = "none|device|FILE.wav")]
    sound: Option<String>,
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
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Side {
    Left,
    Right,
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
        let sound = self.sound()?;
        show::line(notice::NOTICE);
        if self.source.to_string_lossy().ends_with(TRACK_ENDING) {
            return self.replay_track(settings, &sound);
        }
        self.replay_clip(settings, &sound)
    }

    fn replay_clip(&self, settings: &Settings, sound: &Sound) -> Result<(), Failure> {
        let clip = ClipSource::open(&self.source)?.looped(self.loops);
        let info = clip.info().clone();
        let tracker = self.model(settings).tracker()?;
        show::line(&format!(
            "{}: {} x {}, {:.3} frames a second, {}, {} model",
            self.source.display(),
            info.width,
            info.height,
            info.fps,
            info.codec,
            self.model(settings).name()
        ));
        let clock = Arc::new(OnceLock::new());
        let mut stage = self.stage(
            settings,
            sound,
            &clock,
            (info.fps, info.width as u32, info.height as u32),
        )?;
        let health = Arc::new(Health::default());
        let stop = Stop::new();
        stop.on_signals()?;
        let pace = self.pace.0;
        let which = match pace {
            PlaybackRate::Fast => Delivery::Every,
            PlaybackRate::Timed(_) => Delivery::Latest,
        };
        let trouble = Arc::new(Mutex::new(None));
        let capture = {
            let (health, stop, trouble, clock) = (
                Arc::clone(&health),
                stop.clone(),
                Arc::clone(&trouble),
                Arc::clone(&clock),
            );
            let mut source = FrameSource::from_clip(clip, pace);
            move |frames: &FrameSender| {
                let result = pump(&mut source, frames, &health, &stop, &clock);
                *trouble.lock().unwrap_or_else(PoisonError::into_inner) =
                    source.clip().and_then(|c| c.problem().map(str::to_owned));
                result
            }
        };
        let ran = run_pipeline(
            which,
            TrackerSet::once(tracker),
            &health,
            &clock,
            &mut stage,
            capture,
        );
        let tally = stage.finish()?;
        ran?;
        show::line(&format!("{}  {}", told(&tally), health.summary()));
        if let Some(trouble) = trouble
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take()
        {
            return Err(Failure::Finding(format!(
                "{}: {trouble}",
                self.source.display()
            )));
        }
        self.verdict(&tally, &stop)
    }

    fn replay_track(&self, settings: &Settings, sound: &Sound) -> Result<(), Failure> {
        let mut reader = TrackReader::open(&self.source)?.looped(self.loops);
        let (fps, width, height) = (
            reader.header().fps,
            reader.header().width,
            reader.header().height,
        );
        show::line(&format!(
            "{}: pose track, {fps} frames a second",
            self.source.display()
        ));
        let clock = Arc::new(OnceLock::new());
        let mut stage = self.stage(settings, sound, &clock, (fps, width, height))?;
        let stop = Stop::new();
        stop.on_signals()?;
        let picture = PictureSize {
            width_px: width,
            height_px: height,
        };
        let mut due: Option<CaptureClock> = None;
        let ran = loop {
            if stop.requested() {
                break Ok(());
            }
            match reader.next_frame() {
                Ok(Some(pose)) => {
                    if let PlaybackRate::Timed(rate) = self.pace.0 {
                        let due = due.get_or_insert_with(|| {
                            CaptureClock::anchored(Instant::now(), pose.captured_at).at_rate(rate)
                        });
                        std::thread::sleep(due.real_time_for(pose.captured_at - due.now()));
                    }
                    let posed = PoseSample {
                        pose,
                        picture,
                        brightness: None,
                    };
                    if let Err(error) = stage.step(posed) {
                        break Err(Failure::from(error));
                    }
                }
                Ok(None) => break Ok(()),
                Err(error) => break Err(error.into()),
            }
        };
        let tally = stage.finish()?;
        ran?;
        show::line(&told(&tally));
        self.verdict(&tally, &stop)
    }

    /// A recording in which nobody was ever found is bad news, not a success.
    fn verdict(&self, tally: &RunCounts, stop: &Stop) -> Result<(), Failure> {
        if tally.bodies == 0 && !stop.requested() {
            return Err(Failure::Finding(format!(
                "{}: no hitter was found in any of its {} frames; the whole body must be in the picture, lit, and large enough",
                self.source.display(),
                tally.frames
            )));
        }
        Ok(())
    }

    fn stage(
        &self,
        settings: &Settings,
        sound: &Sound,
        clock: &Arc<OnceLock<CaptureClock>>,
        (fps, width, height): (f64, u32, u32),
    ) -> Result<RepStage, Failure> {
        let finder = FinderSettings {
            cm_per_px: settings.camera.cm_per_px,
            roll_deg: settings.camera.roll_deg,
            height_cm: self.height_cm.map(f64::from).or(settings.hitter.height_cm),
            bats: match self.bats {
                Some(Side::Left) => Some(Bats::Left),
                Some(Side::Right) => Some(Bats::Right),
                None => settings.hitter.bats,
            },
            view: settings.camera.view,
        };
        let rep_log = self.reps.as_deref().map(RepLog::create).transpose()?;
        let track = self
            .track
            .as_deref()
            .map(|path| TrackWriter::create(path, fps, width, height))
            .transpose()?;
        let path = match self.no_journal {
            true => None,
            false => Some(places::journal(self.journal.as_deref(), settings)?),
        };
        let source = self.source.display().to_string();
        let plan = named_plan(self.plan.as_deref())?.flatten();
        let journal = path.as_deref().map(open_journal).transpose()?;
        if let Some(journal) = &journal {
            journal.begin_session(
                noted_hitter(settings, &finder),
                noted_session(settings, &source, plan.clone()),
            )?;
        }
        let training = training(
            settings,
            path.as_deref(),
            plan.as_ref(),
            REPLAY_SEED,
            Arc::default(),
        )?;
        let outlets = Outlets {
            ears: ears(sound, settings, self.pace.0)?,
            journal,
            rep_log,
            track,
            show: Box::new(show::line),
        };
        Ok(RepStage::new(finder, training, outlets, Arc::clone(clock)))
    }

    fn model(&self, settings: &Settings) -> Model {
        match (self.model, settings.model) {
            (Some(told), _) => told.into(),
            (None, ModelChoice::Fixed(model)) => model,
            (None, ModelChoice::Auto) => Model::Full,
        }
    }

    fn sound(&self) -> Result<Sound, Failure> {
        match (self.sound.as_deref(), self.pace.0) {
            (None, PlaybackRate::REAL) | (Some("device"), PlaybackRate::REAL) => Ok(Sound::Device),
            (Some("none") | None, _) => Ok(Sound::None),
            (Some("device"), _) => Err(Failure::Request(
                "--sound device needs --pace real: at another pace cues would run into each other; use --sound FILE.wav".into(),
            )),
            (Some(path), _) if Path::new(path).extension().is_some_and(|e| e.eq_ignore_ascii_case("wav")) => {
                Ok(Sound::File(path.into()))
            }
            (Some(other), _) => Err(Failure::Request(format!(
                "--sound {other}: it must be none, device, or a file that ends in .wav"
            ))),
        }
    }
}

/// Puts a source's frames into the frames until it ends, fails, or somebody asks to stop.
pub(super) fn pump(
    source: &mut FrameSource,
    frames: &FrameSender,
    health: &Health,
    stop: &Stop,
    clock: &OnceLock<CaptureClock>,
) -> Result<(), CaptureError> {
    let mut frame = Frame::default();
    let mut expected = None;
    let mut passed_over = 0;
    while !stop.requested() && source.next_frame(&mut frame)? {
        if clock.get().is_none()
            && let Some(now) = source.clock()
        {
            // Only this thread sets it.
            let _ = clock.set(now);
        }
        // Frames that the source itself had to drop were given, too.
        let gap = expected.map_or(0, |expected| frame.index.saturating_sub(expected));
        expected = Some(frame.index + 1);
        passed_over += gap;
        health.frames.fetch_add(1 + gap, Ordering::Relaxed);
        tracing::trace!(
            index = frame.index,
            captured_at_nanos = frame.captured_at.nanos(),
            "frame"
        );
        if !frames.send(&mut frame) {
            break;
        }
        health
            .dropped
            .store(frames.dropped() + passed_over, Ordering::Relaxed);
    }
    Ok(())
}

/// What was found, in words.
pub(super) fn told(tally: &RunCounts) -> String {
    let plural = |n: u32, one: &str| format!("{n} {one}{}", if n == 1 { "" } else { "s" });
    let mut text = plural(tally.swings, "swing");
    let _ = write!(text, ", {}.", plural(tally.takes, "take"));
    text
}
