//! `replay`: one recording from start to end, as if it were happening.

use std::num::NonZeroU32;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Instant;

use crate::capture::{CaptureClock, ClipSource, FrameSource, NotSlowed, PlaybackRate, SlowedBy};
use crate::coach::Baselines;
use crate::hearing::sounds_of_wav;
use crate::journal::{HitterChoice, HitterId, RepLog};
use crate::picture_size::PictureSize;
use crate::pose::track::{TrackReader, TrackWriter};
use crate::pose::{BatReader, Model};
use crate::rep::{Bats, HitterSetup};
use crate::settings::Settings;
use crate::sound::{Output, SoundOutput};
use crate::status::{Health, RunCounts};

use super::bat_stage::start_bats;
use super::capture_loop::{CaptureContext, capture_loop};
use super::cue_library::cue_library;
use super::ears_feed::EarsFeed;
use super::frame_channel::{FramePolicy, FrameSender};
use super::pipeline::{PoseSample, PoseSetup, run_pipeline};
use super::plan_choice::PlanOverride;
use super::pose_stage::TrackerSet;
use super::rep_text::counts_text;
use super::stop::Stop;
use super::training::{
    hitter_entry, open_journal, prepare_training, session_entry, usual_of, usual_of_named,
};
use super::{DaemonError, RepSinks, RepStage, Terminal};

/// Pose tracks are known by this ending.
const TRACK_ENDING: &str = ".jsonl";

/// Mixed pitches come in the same order each time a recording is run.
const PITCH_ORDER_SEED: u64 = 1;

/// What is said of a recording's pace.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Slowed {
    /// Nothing: it is taken to play as it happened.
    Unsaid,
    /// It plays that many times slower than life.
    By(SlowedBy),
    /// What the file says of itself.
    AsTheFileSays,
}

/// What the command line says about a replay.
#[derive(Debug)]
pub(crate) struct ReplayOptions {
    /// A video clip or a pose track.
    pub source: PathBuf,
    /// The sound that is heard with it, a WAV file.
    pub hear: Option<PathBuf>,
    /// Write the rep log here.
    pub rep_log: Option<PathBuf>,
    /// Write the pose track here.
    pub track: Option<PathBuf>,
    /// The hitter's height, instead of that of the settings.
    pub height_cm: Option<f64>,
    /// The hitter's side, instead of that of the settings.
    pub bats: Option<Bats>,
    pub rate: PlaybackRate,
    pub slowed: Slowed,
    /// How many times in a row the recording runs.
    pub loops: NonZeroU32,
    pub sound: Output,
    pub model: Model,
    /// `None` keeps no journal.
    pub journal: Option<PathBuf>,
    /// The journal that knows what is usual for this hitter, instead of the one above for the settings' hitter.
    pub usual: Option<(PathBuf, HitterId)>,
    pub plan: PlanOverride,
    /// Print a table of all that was seen: what counted, and what did not and why.
    pub explain: bool,
}

/// Replays a clip or a track to its end.
///
/// # Errors
/// Where the recording or something that was asked for cannot be had, a stage fails, the recording is damaged, or nobody is
/// found in it.
pub(crate) fn replay(
    options: &ReplayOptions,
    settings: &Settings,
    terminal: &Terminal,
) -> Result<(), DaemonError> {
    let replay = ReplayRun {
        options,
        settings,
        terminal,
        stop: Stop::new(),
        clock: Arc::new(OnceLock::new()),
    };
    let path = &options.source;
    if path.to_string_lossy().ends_with(TRACK_ENDING) {
        let counts = replay.run_track(path)?;
        terminal.println(&counts_text(&counts));
        return replay.check_found(&counts);
    }
    let health = Arc::new(Health::default());
    let (counts, damage) = replay.run_clip(path, &health)?;
    terminal.println(&format!("{}  {}", counts_text(&counts), health.summary()));
    if let Some(reason) = damage {
        return Err(DaemonError::DamagedRecording {
            path: path.clone(),
            reason,
        });
    }
    replay.check_found(&counts)
}

/// A replay that is about to run.
pub(super) struct ReplayRun<'a> {
    pub(super) options: &'a ReplayOptions,
    pub(super) settings: &'a Settings,
    pub(super) terminal: &'a Terminal,
    pub(super) stop: Stop,
    pub(super) clock: Arc<OnceLock<CaptureClock>>,
}

impl ReplayRun<'_> {
    /// Gives what was found, and what is wrong with a clip that could be read in part.
    ///
    /// # Errors
    /// Those of [`replay`], but for nobody being found.
    pub(super) fn run_clip(
        &self,
        path: &Path,
        health: &Arc<Health>,
    ) -> Result<(RunCounts, Option<String>), DaemonError> {
        let clip = ClipSource::open(path)?;
        let played = clip.info().clone();
        let slowed = self
            .slowed(played.capture_fps, played.fps)
            .map_err(|why| self.not_slowed(why))?;
        let clip = clip.slowed(slowed).map_err(|why| self.not_slowed(why))?;
        let clip = clip.looped(self.options.loops);
        let info = clip.info().clone();
        let tracker = self.options.model.tracker()?;
        self.terminal.println(&format!(
            "{}: {} x {}, {:.3} frames a second{}, {}, {} model",
            path.display(),
            info.size.width_px,
            info.size.height_px,
            info.fps,
            slowed_text(slowed, played.fps),
            info.codec,
            self.options.model.name()
        ));
        let mut stage = self.stage(
            info.fps,
            info.size,
            self.life_pace_is_known(played.capture_fps),
        )?;
        self.stop.on_signals()?;
        let rate = self.options.rate;
        let policy = match rate {
            PlaybackRate::Fast => FramePolicy::Every,
            PlaybackRate::Timed(_) => FramePolicy::Latest,
        };
        let context = CaptureContext {
            health: Arc::clone(health),
            stop: self.stop.clone(),
            clock: Arc::clone(&self.clock),
            rate: Arc::default(),
        };
        let damage = Arc::new(Mutex::new(None));
        let capture = {
            let damage = Arc::clone(&damage);
            let mut source = FrameSource::from_clip(clip, rate);
            move |frames: &FrameSender| {
                let captured = capture_loop(&mut source, frames, &context).map(drop);
                *damage.lock().unwrap_or_else(PoisonError::into_inner) =
                    source.clip().and_then(|c| c.problem().map(str::to_owned));
                captured
            }
        };
        // Where frames wait each is read for the bat; where they do not, as `watch` does.
        let in_turn = self.options.track.is_some() || matches!(policy, FramePolicy::Every);
        let trackers = match self.settings.bat && in_turn {
            true => TrackerSet::once_with_bat(tracker, BatReader::new()?),
            false => TrackerSet::once(tracker),
        };
        let (bat_tap, inbox) = start_bats(self.settings.bat && !in_turn, health)?;
        stage = stage.with_bat_inbox(inbox);
        let setup = PoseSetup {
            bat_tap,
            ..PoseSetup::from(trackers)
        };
        let ran = run_pipeline(policy, setup, health, &self.clock, &mut stage, capture);
        let counts = stage.finish()?;
        ran?;
        let damage = damage.lock().unwrap_or_else(PoisonError::into_inner).take();
        Ok((counts, damage))
    }

    fn run_track(&self, path: &Path) -> Result<RunCounts, DaemonError> {
        let reader = TrackReader::open(path)?;
        let played_fps = reader.header().fps;
        let slowed = self
            .slowed(None, played_fps)
            .map_err(|why| self.not_slowed(why))?;
        let reader = reader.slowed(slowed).map_err(|why| self.not_slowed(why))?;
        let mut reader = reader.looped(self.options.loops);
        let fps = reader.header().fps;
        let picture = reader.header().picture();
        self.terminal.println(&format!(
            "{}: pose track, {fps} frames a second{}",
            path.display(),
            slowed_text(slowed, played_fps)
        ));
        let mut stage = self.stage(fps, picture, self.life_pace_is_known(None))?;
        self.stop.on_signals()?;
        let ran = self.feed_track(&mut reader, picture, &mut stage);
        let counts = stage.finish()?;
        ran?;
        Ok(counts)
    }

    /// How many times slower than life the recording plays, by what was said of it and by the rate at which its file says it
    /// was filmed. A hint goes to the log where the two do not fit.
    fn slowed(&self, capture_fps: Option<f64>, played_fps: f64) -> Result<SlowedBy, NotSlowed> {
        let path = self.options.source.display();
        let by_file = capture_fps.map(|capture| SlowedBy::from_rates(capture, played_fps));
        match (self.options.slowed, by_file) {
            (Slowed::AsTheFileSays, Some(by_file)) => by_file,
            (Slowed::AsTheFileSays, None) => {
                tracing::warn!(
                    "{path}: nothing in the file says at which rate it was filmed, so it is taken to play as it happened; if it \
                     plays in slow motion, say how many times slower, such as --slowed 8 for 240 frames a second that play as 30"
                );
                Ok(SlowedBy::NOT)
            }
            (Slowed::Unsaid, Some(Ok(by_file))) if by_file != SlowedBy::NOT => {
                tracing::warn!(
                    "{path}: the file says that it plays {:.3} times slower than life; --slowed auto goes by that, and gives true times",
                    by_file.factor()
                );
                Ok(SlowedBy::NOT)
            }
            (Slowed::By(told), Some(Ok(by_file))) if !told.is_about(by_file) => {
                tracing::warn!(
                    "{path}: taken to play {} times slower than life, as was said; the file says {:.3} times",
                    told.factor(),
                    by_file.factor()
                );
                Ok(told)
            }
            (Slowed::By(told), _) => Ok(told),
            (Slowed::Unsaid, _) => Ok(SlowedBy::NOT),
        }
    }

    fn life_pace_is_known(&self, capture_fps: Option<f64>) -> bool {
        match self.options.slowed {
            Slowed::Unsaid => false,
            Slowed::By(_) => true,
            Slowed::AsTheFileSays => capture_fps.is_some(),
        }
    }

    fn not_slowed(&self, why: NotSlowed) -> DaemonError {
        DaemonError::NotSlowed {
            path: self.options.source.clone(),
            why,
        }
    }

    /// Hands a track's poses to the rep stage, each when it is due.
    fn feed_track(
        &self,
        reader: &mut TrackReader,
        picture: PictureSize,
        stage: &mut RepStage,
    ) -> Result<(), DaemonError> {
        let mut due: Option<CaptureClock> = None;
        while !self.stop.requested()
            && let Some(pose) = reader.next_frame()?
        {
            if let PlaybackRate::Timed(rate) = self.options.rate {
                let due = due.get_or_insert_with(|| {
                    CaptureClock::anchored(Instant::now(), pose.captured_at).at_rate(rate)
                });
                std::thread::sleep(due.real_time_for(pose.captured_at - due.now()));
            }
            stage.step(PoseSample {
                pose,
                picture,
                brightness: None,
            })?;
        }
        Ok(())
    }

    /// A recording in which nobody was ever found is bad news, not a success.
    fn check_found(&self, counts: &RunCounts) -> Result<(), DaemonError> {
        match counts.bodies == 0 && !self.stop.requested() {
            true => Err(DaemonError::NobodyFound {
                path: self.options.source.clone(),
                frames: counts.frames,
            }),
            false => Ok(()),
        }
    }

    fn usual(&self) -> Baselines {
        match &self.options.usual {
            Some((journal, hitter)) => usual_of(
                Some((HitterChoice::Id(*hitter), journal)),
                self.settings.baseline_swings,
            ),
            None => usual_of_named(self.settings, self.options.journal.as_deref()),
        }
    }

    fn stage(
        &self,
        fps: f64,
        picture: PictureSize,
        life_pace: bool,
    ) -> Result<RepStage, DaemonError> {
        let (options, settings) = (self.options, self.settings);
        let setup = HitterSetup {
            cm_per_px: settings.camera.cm_per_px,
            roll_deg: settings.camera.roll_deg,
            height_cm: options.height_cm.or(settings.hitter.height_cm),
            bats: options.bats.or(settings.hitter.bats),
            view: settings.camera.view,
            life_pace,
        };
        let plan = match &options.plan {
            PlanOverride::Plan(plan) => Some(plan.clone()),
            PlanOverride::NoPlan | PlanOverride::Unset => None,
        };
        let rep_log = options.rep_log.as_deref().map(RepLog::create).transpose()?;
        let track = options
            .track
            .as_deref()
            .map(|path| TrackWriter::create(path, fps, picture))
            .transpose()?;
        let journal = options
            .journal
            .as_deref()
            .map(|path| open_journal(path, self.terminal))
            .transpose()?;
        if let Some(journal) = &journal {
            let source = options.source.display().to_string();
            journal.begin_session(
                hitter_entry(settings, &setup),
                session_entry(settings, &source, plan.clone()),
                Instant::now(),
            )?;
        }
        let training = prepare_training(
            settings,
            self.usual(),
            plan.as_ref(),
            PITCH_ORDER_SEED,
            self.terminal,
        )?;
        let sinks = RepSinks {
            sound: SoundOutput::open(
                &options.sound,
                || cue_library(settings, options.journal.as_deref()),
                settings.cues.volume,
            )?,
            journal,
            rep_log,
            track,
            terminal: self.terminal.clone(),
        };
        let heard = options.hear.as_deref().map(sounds_of_wav).transpose()?;
        let stage = RepStage::new(setup, training, sinks, Arc::clone(&self.clock))
            .with_ears(heard.map(EarsFeed::file), settings.microphone.lag())
            .with_signs(settings.signs);
        Ok(match options.explain {
            true => stage.with_explanation(),
            false => stage,
        })
    }
}

/// What the opening line says of a slowed recording's pace; nothing for one that is not slowed.
fn slowed_text(slowed: SlowedBy, played_fps: f64) -> String {
    match slowed == SlowedBy::NOT {
        true => String::new(),
        false => format!(
            " (plays {played_fps:.3}, {} times slower than life)",
            (slowed.factor() * 1000.0).round() / 1000.0
        ),
    }
}
