//! The end of the line: from poses to what is heard, logged and shown.
//!
//! In: poses in time order, on the main thread. Out: cues, sentences, pitches and the head tone to the sound stage, reps
//! to the journal and the rep log, lines to the terminal. Nothing is dropped here, and nothing here waits for sound
//! while the hitter moves.

mod feet;
mod filming;
mod head_tone;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use crate::capture::CaptureClock;
use crate::coach::{Announcements, JudgedRep, OPENING, PitchPlayed, Readiness, Sighting};
use crate::journal::{JournalWriter, RepLog, RepRecord};
use crate::picture_size::PictureSize;
use crate::pose::PoseFrame;
use crate::pose::track::TrackWriter;
use crate::rep::{
    Bats, FinderSettings, FoundRep, HoldWatch, LiveHead, Measure, MeasureName, Phase, RepFinder,
    RepKind,
};
use crate::sound::Ticket;
use crate::status::{DurationWindow, Health, LiveFigure, RunCounts, StageReport};
use crate::time::CaptureTime;
use crate::video::Films;

mod heard;
mod session;

pub(crate) use session::SessionChange;

use super::DaemonError;
use super::ears::Ears;
use super::live_publisher::LivePublisher;
use super::pending_changes::{PendingChanges, SettingsUpdate};
use super::pipeline::PoseSample;
use super::rep_text::rep_text;
use super::{Terminal, Training};

pub(crate) use filming::film_notice;

/// A picture darker than this is too dark for the landmarks; mean brightness, 0 to 255.
pub(crate) const DARK_BELOW: f32 = 40.0;

/// Where the stage's results go. Each may be absent.
pub struct RepSinks {
    /// What the hitter hears.
    pub sound: Ears,
    /// What is kept.
    pub journal: Option<JournalWriter>,
    /// One JSON line a rep.
    pub rep_log: Option<RepLog>,
    /// The poses of every frame.
    pub track: Option<TrackWriter>,
    /// Lines for the person who runs the program.
    pub terminal: Terminal,
}

/// A rep that was cued and waits for the end of its finish before it is logged.
struct Waiting {
    judged: JudgedRep,
    frames: Vec<PoseFrame>,
    hold: HoldWatch,
}

/// A cue on its way to the hitter.
#[derive(Clone, Copy)]
struct Cued {
    ticket: Ticket,
    decided_at: Instant,
    /// From the swing's finish to the frame that decided, where the finish was seen.
    after_finish_ms: Option<f64>,
    /// Once it was heard.
    latency_ms: Option<f64>,
}

/// Finder, coach and outlets of one run.
pub struct RepStage {
    told: FinderSettings,
    finder: RepFinder,
    head: LiveHead,
    tone_on: bool,
    training: Training,
    readiness: Readiness,
    waiting: Option<Waiting>,
    cued: Option<Cued>,
    sinks: RepSinks,
    /// "Now" on the source's clock, once the source has one.
    clock: Arc<OnceLock<CaptureClock>>,
    picture: PictureSize,
    counts: RunCounts,
    last: CaptureTime,
    /// The side of the last rep, for bands that hang on it.
    bats: Bats,
    last_rep: Option<String>,
    /// From capture to first sample: of cues, and of the head tone.
    cue_times: Arc<DurationWindow>,
    finish_times: Arc<DurationWindow>,
    tone_times: Arc<DurationWindow>,
    /// From capture to the tone's last news.
    tone_told_ms: Option<f64>,
    rep_restarts: u64,
    /// Where other settings wait for the next frame.
    changes: Arc<PendingChanges>,
    /// Where a screen sees what goes on.
    live: LivePublisher,
    hitter: Option<String>,
    /// Where there are some to be kept, or to be deleted in time.
    films: Option<Films>,
}

impl RepStage {
    /// A stage that has seen nothing.
    pub fn new(
        told: FinderSettings,
        training: Training,
        sinks: RepSinks,
        clock: Arc<OnceLock<CaptureClock>>,
    ) -> Self {
        Self {
            told,
            finder: RepFinder::new(told),
            head: LiveHead::new(told),
            tone_on: false,
            training,
            readiness: Readiness::new(DARK_BELOW),
            waiting: None,
            cued: None,
            sinks,
            clock,
            picture: PictureSize::default(),
            counts: RunCounts::default(),
            last: CaptureTime::default(),
            bats: told.bats.unwrap_or(Bats::Right),
            last_rep: None,
            cue_times: Arc::default(),
            finish_times: Arc::default(),
            tone_times: Arc::default(),
            tone_told_ms: None,
            rep_restarts: 0,
            changes: Arc::default(),
            live: LivePublisher::new(Arc::default(), Arc::default()),
            hitter: None,
            films: None,
        }
    }

    /// The same stage, which puts up there what goes on; the first session is this hitter's.
    #[must_use]
    pub(crate) fn with_health(mut self, health: &Health, hitter: Option<String>) -> Self {
        self.live = LivePublisher::new(Arc::clone(&health.live), Arc::clone(&health.preview));
        self.cue_times = Arc::clone(&health.cue);
        self.finish_times = Arc::clone(&health.finish_to_cue);
        self.tone_times = Arc::clone(&health.tone);
        self.hitter = hitter;
        self
    }

    /// The same stage, which takes up what is put there.
    #[must_use]
    pub(super) fn with_pending_changes(mut self, changes: Arc<PendingChanges>) -> Self {
        self.changes = changes;
        self
    }

    /// Puts other settings in force from the next frame on. Nothing that was seen, counted or learnt is lost; a rep that was
    /// judged and waits to be logged keeps the bands it was judged by.
    fn apply(&mut self, update: SettingsUpdate) {
        let SettingsUpdate {
            bands,
            order,
            baseline_swings,
            setup: finder,
            remarks,
            volume,
            library,
            video,
        } = update;
        self.training
            .trainer
            .apply_settings(bands, order, baseline_swings);
        self.training.remarks = remarks;
        self.told = finder;
        self.finder.revise(finder);
        self.head.revise(finder);
        self.bats = finder.bats.unwrap_or(self.bats);
        self.sinks.sound.revise(volume, library);
        self.revise_films(video);
    }

    /// Takes the next pose.
    ///
    /// # Errors
    /// Where a file that was asked for cannot be written, or the journal's thread is gone.
    pub fn step(&mut self, sample: PoseSample) -> Result<(), DaemonError> {
        if let Some(update) = self.changes.take_update() {
            self.apply(update);
        }
        self.change_session_when_due(sample.pose.captured_at)?;
        let PoseSample {
            pose,
            picture,
            brightness,
        } = sample;
        let now = pose.captured_at;
        if self.counts.frames == 0 && self.training.opening {
            self.sinks.sound.say(OPENING, now)?;
        }
        self.picture = picture;
        self.counts.frames += 1;
        self.counts.bodies += u64::from(pose.body.is_some());
        self.last = now;
        if let Some(track) = &mut self.sinks.track {
            track.frame(&pose)?;
        }
        self.sinks.sound.go_on(now)?;
        self.settle(Duration::ZERO);
        if let Some(held) = self.waiting.as_mut().and_then(|w| w.hold.push(&pose)) {
            self.end_wait(Some(held))?;
        }
        let seen = Sighting {
            body: pose.body.is_some(),
            feet_inside: feet::are_inside(&pose, picture),
            brightness: brightness.unwrap_or(255.0),
            phase: self.finder.phase(),
        };
        let figure = self.live.figure_due(&pose, picture);
        if self.training.head_tone {
            self.follow_head(&pose)?;
        }
        match catch_unwind(AssertUnwindSafe(|| self.finder.push(pose))) {
            Ok(Some(found)) => self.judge(found)?,
            Ok(None) => {}
            Err(_) => {
                tracing::error!("the rep finder failed by a fault of its own and begins afresh");
                self.finder = RepFinder::new(self.told);
                self.rep_restarts += 1;
            }
        }
        self.between_reps(now, seen)?;
        if let Some(figure) = figure {
            self.publish(Some(figure));
        }
        Ok(())
    }

    /// Lets screens see how things stand; `figure` is the hitter's, where it has moved.
    fn publish(&mut self, figure: Option<Option<LiveFigure>>) {
        let trainer = &self.training.trainer;
        let (ready, phase) = (self.readiness.state(), self.finder.phase());
        let (hitter, plan) = (self.hitter.clone(), self.training.plan.clone());
        let filmed = self.films.as_ref().is_some_and(Films::is_on);
        self.live.publish(|live| {
            live.hitter = hitter;
            live.plan = plan;
            live.ready = ready;
            live.phase = phase;
            live.to_go = trainer.to_go();
            live.resting = trainer.is_resting();
            live.over = trainer.is_over();
            live.filmed = filmed;
            if let Some(figure) = figure {
                live.figure = figure;
            }
        });
    }

    /// A second has gone by without a pose.
    ///
    /// # Errors
    /// Where another session was due and the journal's thread is gone.
    pub fn idle(&mut self) -> Result<(), DaemonError> {
        self.settle(Duration::ZERO);
        // A hitter whom the camera saw last is not the hitter now.
        self.publish(Some(None));
        self.change_session_when_due(self.last)
    }

    /// How the stage is, for the health figures. To be called about once a second.
    pub fn report(&mut self) -> StageReport {
        self.sinks.sound.tend();
        let sound = self.sinks.sound.health();
        StageReport {
            counts: self.counts,
            last_rep: self.last_rep.clone(),
            ready: self.readiness.state().words(),
            sound: sound.map(|(health, _)| health),
            sound_restarts: sound.map_or(0, |(_, restarts)| restarts),
            rep_restarts: self.rep_restarts,
            journal: self.sinks.journal.as_ref().map(JournalWriter::state),
            journal_path: self
                .sinks
                .journal
                .as_ref()
                .map(|journal| journal.path().to_owned()),
            journal_edits: self.sinks.journal.as_ref().and_then(JournalWriter::handle),
            plan: self.training.plan.clone(),
            settings_trouble: self.changes.refused(),
            settings_waiting: self.changes.needs_restart(),
            films: self.film_state(),
        }
    }

    /// What is due without a rep: remarks, the set's rests, the count, the next pitch.
    fn between_reps(&mut self, now: CaptureTime, seen: Sighting) -> Result<(), DaemonError> {
        let phase = self.finder.phase();
        let remark = self.readiness.step(now, Sighting { phase, ..seen });
        if let Some(remark) = remark.filter(|_| self.training.remarks) {
            self.sinks.sound.cue(remark.cue(), now)?;
        }
        let due = self.training.trainer.tick(now);
        self.follow(&due, now)?;
        if self.training.count_asked.swap(false, Ordering::Relaxed) {
            let count = self.training.trainer.count();
            self.follow(&count, now)?;
        }
        let trainer = &self.training.trainer;
        let hold = trainer.is_resting() || trainer.is_over();
        if let Some(pitcher) = &mut self.training.pitcher
            && let Some(delivery) = pitcher.step(now, phase, hold)?
        {
            self.sinks.sound.deliver(&delivery, now)?;
            self.settle(Duration::ZERO);
        }
        Ok(())
    }

    /// The source has ended: judges what is still open, writes out and closes everything.
    ///
    /// # Errors
    /// As for [`Self::step`], and where reps could not be stored.
    pub fn finish(mut self) -> Result<RunCounts, DaemonError> {
        if let Some(found) = self.finder.finish() {
            self.judge(found)?;
        }
        self.end_wait(None)?;
        if let Some(line) = self.training.trainer.closing_line() {
            self.sinks.terminal.println(&line);
        }
        // The journal first: a sound file that cannot be closed must not cost a rep.
        if let Some(journal) = self.sinks.journal.take() {
            journal.close(Duration::from_secs(5))?;
        }
        if let Some(films) = self.films.take() {
            films.close();
        }
        if let Some(track) = self.sinks.track.take() {
            track.finish()?;
        }
        self.sinks.sound.finish(self.last)?;
        Ok(self.counts)
    }

    /// Judges and cues a rep at once. It is logged when its finish is over.
    fn judge(&mut self, found: FoundRep) -> Result<(), DaemonError> {
        self.end_wait(None)?;
        let hold = HoldWatch::new(self.told, &found);
        self.bats = found.rep.bats;
        let pitch = self.pitch_of(&found);
        let (mut judged, announcements) = self.training.trainer.rep(found.rep, pitch);
        match judged.rep.kind {
            RepKind::Swing => self.counts.swings += 1,
            RepKind::Take => self.counts.takes += 1,
        }
        let at = judged.rep.known_at;
        if let Some(cue) = &judged.cue
            && let Some(id) = cue.id.known()
        {
            let decided_at = Instant::now();
            let finish = judged.rep.events.finish;
            let after_finish_ms = finish.map(|finish| 1e3 * cue.at.secs_since(finish));
            let ticket = self.sinks.sound.cue(id, cue.at)?;
            self.cued = ticket.map(|ticket| Cued {
                ticket,
                decided_at,
                after_finish_ms,
                latency_ms: None,
            });
        }
        self.live.add_rep(&judged, self.training.trainer.focus());
        self.publish(None);
        let text = rep_text(&judged);
        self.sinks.terminal.println(&text);
        self.last_rep = Some(text);
        self.follow(&announcements, at)?;
        tracing::debug!(rep = judged.number, kind = judged.rep.kind.name(), "rep");
        match hold {
            Some(hold) => {
                self.waiting = Some(Waiting {
                    judged,
                    frames: found.frames,
                    hold,
                });
                Ok(())
            }
            None => {
                self.learn_latency(&mut judged);
                self.log(judged, found.frames)
            }
        }
    }

    /// The pitch that a rep belongs to: its measures against the pitch were made.
    fn pitch_of(&self, found: &FoundRep) -> Option<PitchPlayed> {
        let belongs = [
            MeasureName::PlantAfterRelease,
            MeasureName::ContactToArrival,
        ]
        .iter()
        .any(|name| {
            let measure = found.rep.measures.get(name);
            measure.is_some_and(|measure| measure.value().is_some())
        });
        self.training.pitcher.as_ref()?.last().filter(|_| belongs)
    }

    /// Says and prints what follows from a rep or from time.
    fn follow(
        &mut self,
        announcements: &Announcements,
        at: CaptureTime,
    ) -> Result<(), DaemonError> {
        for sentence in &announcements.sentences {
            self.sinks.sound.say(sentence, at)?;
        }
        for line in &announcements.lines {
            self.sinks.terminal.println(line);
        }
        Ok(())
    }

    /// Logs the rep that waits, with what is known of its finish by now where nothing better was given.
    fn end_wait(&mut self, held: Option<Measure>) -> Result<(), DaemonError> {
        let Some(mut waiting) = self.waiting.take() else {
            return Ok(());
        };
        let held = held.unwrap_or_else(|| waiting.hold.end());
        self.training
            .trainer
            .complete(&mut waiting.judged, MeasureName::FinishHold, held);
        waiting
            .frames
            .extend_from_slice(waiting.hold.later_frames());
        self.learn_latency(&mut waiting.judged);
        self.log(waiting.judged, waiting.frames)
    }

    fn log(&mut self, judged: JudgedRep, frames: Vec<PoseFrame>) -> Result<(), DaemonError> {
        if let Some(log) = &mut self.sinks.rep_log {
            log.append(&judged)?;
        }
        let Some(journal) = &self.sinks.journal else {
            return Ok(());
        };
        let (number, stretch) = (judged.number, filming::stretch(&judged));
        journal.log_rep(RepRecord::new(judged, frames, self.picture))?;
        self.film(number, stretch);
        Ok(())
    }

    /// Whether the hitter is moving through a rep, for whoever asks.
    pub fn phase(&self) -> Phase {
        self.finder.phase()
    }
}
