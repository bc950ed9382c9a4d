//! The last stage of the pipeline: from poses to what is heard, logged and shown.
//!
//! In: poses in time order, on the main thread. Out: cues, sentences, pitches and the head tone to the sound stage, reps
//! to the journal and the rep log, lines to the terminal. Nothing is dropped here, and nothing here waits for sound
//! while the hitter moves.

mod asked;
mod camera_stand;
mod caution;
mod cue_latency;
mod film_recorder;
mod head_tone;
mod listening;
mod not_counted;
mod pending;
mod readiness_monitor;
mod records;
mod reporting;
mod session;
mod track_recorder;
mod turn_watch;

use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use crate::capture::CaptureClock;
use crate::coach::{Announcement, CueWords, JudgedRep};
use crate::journal::{JournalWriter, RepLog};
use crate::picture_size::PictureSize;
use crate::pose::track::TrackWriter;
use crate::pose::{PoseFrame, Steadier};
use crate::rep::{FoundRep, Heard, HitterSetup, HoldWatch, Measure, MeasureName, RepKind};
use crate::sound::{Sound, SoundOutput};
use crate::status::{Health, RunCounts, ShownHitter};
use crate::time::CaptureTime;
use crate::video::{Films, FrameTap};

use super::bat_stage::BatInbox;
use super::ears_feed::EarsFeed;
use super::live_publisher::LivePublisher;
use super::pending_changes::PendingChanges;
use super::pipeline::PoseSample;
use super::rep_text::{announcement_text, rep_text, summary_text};
use super::{DaemonError, Terminal, Training};

use asked::Asked;
use camera_stand::CameraStand;
use cue_latency::CueLatency;
use film_recorder::FilmRecorder;
use head_tone::HeadTone;
use not_counted::Explanation;
use readiness_monitor::{FrameView, ReadinessMonitor};
use records::Records;
use session::{FinderRestarted, Session};
use track_recorder::TrackRecorder;
use turn_watch::TurnWatch;

pub(crate) use film_recorder::film_notice;
pub(crate) use session::SessionChange;

/// A picture darker than this is too dark for the landmarks; mean brightness, 0 to 255.
pub(crate) const DARK_BELOW: f32 = 40.0;

/// A file's sounds up to so long after the recording's last frame count, seconds.
const HEARD_AFTER_SECS: f64 = 1.0;

/// Where the stage's results go. Each may be absent.
pub struct RepSinks {
    /// What the hitter hears.
    pub sound: SoundOutput,
    /// What is kept.
    pub journal: Option<JournalWriter>,
    /// One JSON line a rep.
    pub rep_log: Option<RepLog>,
    /// The poses of every frame.
    pub track: Option<TrackWriter>,
    /// Lines for the person who runs the program.
    pub terminal: Terminal,
}

/// A rep that was cued, and is logged once its finish is over.
struct UnfinishedRep {
    judged: JudgedRep,
    frames: Vec<PoseFrame>,
    hold: HoldWatch,
}

/// The stage; one for each run.
pub struct RepStage {
    session: Session,
    readiness: ReadinessMonitor,
    camera: CameraStand,
    steadier: Steadier,
    bat_inbox: Option<BatInbox>,
    ears_feed: Option<EarsFeed>,
    head_tone: HeadTone,
    cue_latency: CueLatency,
    unfinished: Option<UnfinishedRep>,
    explanation: Option<Explanation>,
    asked: Asked,
    turn_watch: TurnWatch,
    sound: SoundOutput,
    records: Records,
    terminal: Terminal,
    live: LivePublisher,
    changes: Arc<PendingChanges>,
    counts: RunCounts,
    finder_restarts: u64,
    /// Who heard the caution, and when.
    cautioned: Vec<(Option<ShownHitter>, CaptureTime)>,
    /// Of the last frame.
    picture: PictureSize,
    /// Of the last frame.
    last: CaptureTime,
}

impl RepStage {
    /// A stage that has seen nothing. `setup` is what is known of hitter and camera; `clock` gives "now" on the source's
    /// clock, once the source has one.
    pub fn new(
        setup: HitterSetup,
        training: Training,
        sinks: RepSinks,
        clock: Arc<OnceLock<CaptureClock>>,
    ) -> Self {
        Self {
            session: Session::new(setup, training),
            readiness: ReadinessMonitor::new(),
            camera: CameraStand::new(setup),
            steadier: Steadier::default(),
            bat_inbox: None,
            ears_feed: None,
            head_tone: HeadTone::new(setup, Arc::clone(&clock), Arc::default()),
            cue_latency: CueLatency::new(clock),
            unfinished: None,
            explanation: None,
            asked: Asked::default(),
            turn_watch: TurnWatch::default(),
            sound: sinks.sound,
            records: Records {
                journal: sinks.journal,
                rep_log: sinks.rep_log,
                track: sinks
                    .track
                    .map(|writer| TrackRecorder::new(writer, setup.bats)),
                films: FilmRecorder::default(),
                keeps_landmarks: true,
                given_up: None,
            },
            terminal: sinks.terminal,
            live: LivePublisher::new(Arc::default(), Arc::default()),
            changes: Arc::default(),
            counts: RunCounts::default(),
            finder_restarts: 0,
            cautioned: Vec::new(),
            picture: PictureSize::default(),
            last: CaptureTime::default(),
        }
    }

    /// Publishes what goes on, and records latencies, in `health`.
    #[must_use]
    pub(crate) fn with_health(mut self, health: &Health) -> Self {
        self.live = LivePublisher::new(Arc::clone(&health.live), Arc::clone(&health.preview));
        self.cue_latency
            .set_windows(Arc::clone(&health.cue), Arc::clone(&health.finish_to_cue));
        self.head_tone.set_latency_window(Arc::clone(&health.tone));
        self
    }

    /// Takes edited settings and prepared sessions from there.
    #[must_use]
    pub(super) fn with_pending_changes(mut self, changes: Arc<PendingChanges>) -> Self {
        self.apply_permissions(&changes.permissions());
        self.changes = changes;
        self
    }

    /// Keeps films of reps while they are turned on.
    #[must_use]
    pub(super) fn with_films(mut self, films: Films) -> Self {
        self.records.films = FilmRecorder::new(films);
        self
    }

    /// Takes bats and turns that are read beside the poses from there.
    #[must_use]
    pub(super) fn with_bat_inbox(mut self, inbox: Option<BatInbox>) -> Self {
        self.bat_inbox = inbox;
        self
    }

    /// Where the pose thread leaves its frames for the films, once.
    pub(super) fn film_tap(&mut self) -> Option<FrameTap> {
        self.records.films.tap()
    }

    /// Takes the next pose.
    ///
    /// # Errors
    /// Where the journal's thread is gone.
    pub fn step(&mut self, mut sample: PoseSample) -> Result<(), DaemonError> {
        let now = sample.pose.captured_at;
        self.apply_pending_update();
        self.begin_pending_session()?;
        self.apply_pending_permissions();
        self.count_frame(&sample);
        if sample.pose.body.is_some() {
            self.say_opening_when_due(now);
        }
        self.records.track_frame(&sample.pose);
        self.sound.advance_to(now);
        self.collect_outcomes(Duration::ZERO);
        self.follow_camera(&sample);
        let view = FrameView::of(&sample, self.camera.moved_lately(now));
        let figure = self.live.figure_due(&sample.pose, sample.picture);
        // What was seen in the picture as it is comes before; from here on the camera stands still.
        self.steadier.steady(&mut sample.pose, sample.picture);
        self.watch_finish(&sample.pose)?;
        self.follow_head(&sample.pose);
        self.listen(now);
        self.watch_signs(&sample.pose);
        self.answer_requests(now);
        self.watch_turns(now, sample.pose.body.is_some());
        let frame = sample.pose.index;
        self.find_rep(sample.pose)?;
        self.put_bats_and_turns(frame, now);
        if self.session.has_somebody() {
            self.changes.note_active();
        }
        self.remark_on_readiness(now, view);
        self.announce_what_is_due(now);
        self.pitch_when_due(now)?;
        if let Some(figure) = figure {
            self.publish(Some(figure));
        }
        Ok(())
    }

    /// A second has gone by without a pose.
    ///
    /// # Errors
    /// Where another session was due and the journal's thread is gone.
    pub(super) fn idle(&mut self) -> Result<(), DaemonError> {
        self.collect_outcomes(Duration::ZERO);
        self.listen(self.last);
        // A hitter whom the camera saw last is not the hitter now.
        self.publish(Some(None));
        self.begin_pending_session()?;
        self.answer_requests(self.last);
        Ok(())
    }

    /// The source has ended: judges what is still open.
    ///
    /// # Errors
    /// Where the journal's thread is gone.
    pub(super) fn end_of_source(&mut self) -> Result<(), DaemonError> {
        // What was heard after the last frame belongs to the last swing still.
        self.listen(self.last.plus_secs(HEARD_AFTER_SECS));
        if let Some(found) = self.session.finder.finish() {
            self.judge(found)?;
        }
        self.log_unfinished(None)?;
        self.tell_held();
        let not_counted = self.session.finder.take_all_not_counted();
        self.tell_not_counted(not_counted)
    }

    /// Writes out and closes everything, with what is still open where the source has ended.
    ///
    /// # Errors
    /// Where something could not be written to its end.
    pub(super) fn finish(mut self) -> Result<RunCounts, DaemonError> {
        self.end_of_source()?;
        if let Some(explanation) = self.explanation.take() {
            explanation.print(&self.terminal);
        }
        self.print_closing_line();
        // The journal first: a file that cannot be closed must not cost a rep.
        let closed = self.records.close();
        let sounded = self.sound.finish(self.last);
        closed?;
        sounded?;
        Ok(self.counts)
    }

    fn count_frame(&mut self, sample: &PoseSample) {
        self.counts.frames += 1;
        self.counts.bodies += u64::from(sample.pose.body.is_some());
        self.picture = sample.picture;
        self.last = sample.pose.captured_at;
    }

    /// Logs the rep that waits, once its finish is over.
    fn watch_finish(&mut self, pose: &PoseFrame) -> Result<(), DaemonError> {
        let held = self.unfinished.as_mut().and_then(|rep| {
            rep.frames.push(pose.clone());
            rep.hold.step(&rep.frames)
        });
        match held {
            Some(held) => self.log_unfinished(Some(held)),
            None => Ok(()),
        }
    }

    fn follow_head(&mut self, pose: &PoseFrame) {
        if self.session.training.head_tone && !self.asked.paused {
            let edge_cm = self.session.head_tone_edge_cm();
            self.head_tone
                .step(pose, &self.session.finder, edge_cm, &mut self.sound);
        }
    }

    fn find_rep(&mut self, pose: PoseFrame) -> Result<(), DaemonError> {
        match self.session.find(pose) {
            Ok(Some(found)) => self.judge(found)?,
            Ok(None) => {}
            Err(FinderRestarted) => self.finder_restarts += 1,
        }
        let not_counted = self.session.finder.take_not_counted();
        self.tell_not_counted(not_counted)
    }

    /// Puts the bats and turns that were read by now to the frames that are held.
    fn put_bats_and_turns(&mut self, frame: u64, now: CaptureTime) {
        let Some(inbox) = &mut self.bat_inbox else {
            return;
        };
        inbox.follow(self.session.finder.phase(), now);
        inbox.note_place(frame, self.steadier.place());
        for (frame, read) in inbox.take(self.picture) {
            self.session.finder.put_bat_and_turn(frame, read);
        }
    }

    fn remark_on_readiness(&mut self, now: CaptureTime, view: FrameView) {
        let remark = self
            .readiness
            .step(now, view, self.session.finder.phase())
            .filter(|_| self.session.training.remarks);
        if let Some(remark) = remark {
            self.sound.play(Sound::Cue(remark.cue()), now);
        }
    }

    /// The set's rests.
    fn announce_what_is_due(&mut self, now: CaptureTime) {
        let due = self.session.training.trainer.tick(now);
        self.announce(due, now);
    }

    fn pitch_when_due(&mut self, now: CaptureTime) -> Result<(), DaemonError> {
        let phase = self.session.finder.phase();
        let training = &mut self.session.training;
        let hold = training.trainer.is_resting() || training.trainer.is_over() || self.asked.paused;
        if let Some(pitcher) = &mut training.pitcher
            && let Some(delivery) = pitcher.step(now, phase, hold)?
        {
            self.sound.play(Sound::Delivery(delivery.marks), now);
            self.collect_outcomes(Duration::ZERO);
        }
        Ok(())
    }

    /// Judges and cues a rep at once. It is logged when its finish is over.
    fn judge(&mut self, found: FoundRep) -> Result<(), DaemonError> {
        self.log_unfinished(None)?;
        if self.is_paused_for(found.rep.known_at) {
            return Ok(());
        }
        match self.own_rep(found) {
            Some(found) => self.judge_own(found),
            None => Ok(()),
        }
    }

    /// Judges and cues a rep of the hitter whose turn it is.
    fn judge_own(&mut self, found: FoundRep) -> Result<(), DaemonError> {
        self.records.track_rep(&found);
        let hold = HoldWatch::new(self.session.setup, &found.rep);
        self.session.bats = found.rep.bats;
        let pitch = self.session.pitch_of(&found);
        let (judged, announcements) = self.session.training.trainer.rep(found.rep, pitch);
        match judged.rep.kind {
            RepKind::Swing => self.counts.swings += 1,
            RepKind::Take => self.counts.takes += 1,
        }
        match judged.rep.heard {
            Some(Heard::Contact { .. }) => self.counts.contacts_heard += 1,
            Some(Heard::Nothing) => self.counts.swings_and_misses += 1,
            Some(Heard::Unclear) | None => {}
        }
        self.play_cue(&judged);
        self.asked.last_cue = judged.cue.as_ref().and_then(|cue| cue.id.known());
        self.live.add_rep(&judged, &self.session.training);
        self.publish(None);
        if let Some(explanation) = &mut self.explanation {
            explanation.add_rep(&judged);
        }
        let training = &self.session.training;
        let text = rep_text(&judged, training.cue_words, training.messages());
        self.terminal.println(&text);
        self.session.last_rep = Some(text);
        self.announce(announcements, judged.rep.known_at);
        tracing::debug!(rep = judged.number, kind = judged.rep.kind.name(), "rep");
        match hold {
            Some(hold) => {
                self.unfinished = Some(UnfinishedRep {
                    judged,
                    frames: found.frames,
                    hold,
                });
                Ok(())
            }
            None => self.log(judged, found.frames),
        }
    }

    fn play_cue(&mut self, judged: &JudgedRep) {
        let Some(cue) = &judged.cue else { return };
        let Some(id) = cue.id.known() else { return };
        let decided_at = Instant::now();
        let finish = judged.rep.events.finish;
        let after_finish_ms = finish.map(|finish| 1e3 * cue.at.secs_since(finish));
        let sound = match self.session.training.cue_words {
            CueWords::Happened => Sound::Cue(id),
            CueWords::ToDo => Sound::Instruction(id),
        };
        let ticket = self.sound.play(sound, cue.at);
        self.cue_latency.begin(ticket, decided_at, after_finish_ms);
    }

    /// Logs the rep that waits, with what is known of its finish by now where `held` is absent.
    fn log_unfinished(&mut self, held: Option<Measure>) -> Result<(), DaemonError> {
        let Some(UnfinishedRep {
            mut judged,
            frames,
            hold,
        }) = self.unfinished.take()
        else {
            return Ok(());
        };
        let held = held.unwrap_or_else(|| hold.end(&frames));
        self.session
            .training
            .trainer
            .complete(&mut judged, MeasureName::FinishHold, held);
        self.log(judged, frames)
    }

    /// Logs a rep. Waits a little for its cue's latency where that is still to come.
    fn log(&mut self, mut judged: JudgedRep, frames: Vec<PoseFrame>) -> Result<(), DaemonError> {
        while let Some(left) = self.cue_latency.wait_left() {
            self.collect_outcomes(left);
        }
        let latency_ms = self.cue_latency.take();
        if let Some(cue) = &mut judged.cue {
            cue.latency_ms = latency_ms;
        }
        self.records.log_rep(judged, frames, self.picture)
    }

    /// Says and prints what follows from a rep or from time.
    fn announce(&mut self, announcements: Vec<Announcement>, at: CaptureTime) {
        let (units, i18n) = {
            let training = &self.session.training;
            (training.units, training.messages())
        };
        for announced in announcements {
            let said = announced.said(units);
            if !said.is_empty() {
                self.sound.play(Sound::Sentence(said), at);
            }
            self.terminal.println(&announcement_text(&announced, i18n));
        }
    }

    fn print_closing_line(&self) {
        let training = &self.session.training;
        if let Some(summary) = training.trainer.unfinished() {
            let i18n = training.messages();
            let line = i18n.format("line.so_far", summary_text(&summary, i18n));
            self.terminal.println(&line);
        }
    }
}
