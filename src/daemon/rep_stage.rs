//! The end of the line: from poses to what is heard, logged and shown.
//!
//! In: poses in time order, on the main thread. Out: cues to the sound stage, reps to the journal and the rep
//! log, one line a rep to the terminal. Nothing is dropped here.

use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use crate::capture::CaptureClock;
use crate::coach::{Coach, JudgedRep};
use crate::journal::{JournalWriter, PictureSize, RepLog, RepRecord};
use crate::pose::PoseFrame;
use crate::pose::track::TrackWriter;
use crate::rep::{FoundRep, RepFinder, RepKind};
use crate::sound::{Outcome, PlayRequest, Player, WavRender};
use crate::time::CaptureTime;

use super::DaemonError;
use super::rep_text::rep_text;

/// How long the stage waits to learn when a cue was heard. The rep is logged with the latency where it comes in
/// time; the pose queue holds far more than this.
const HEARD_PATIENCE: Duration = Duration::from_millis(250);

/// Where cues go.
pub enum Ears {
    /// To the player's thread, as they are decided.
    Player(Player),
    /// Into a file on the recording's time line.
    Render(Box<WavRender>),
    /// Nowhere.
    None,
}

/// What the stage hands reps to. Each part may be absent.
pub struct Outlets {
    /// What the hitter hears.
    pub ears: Ears,
    /// What is kept.
    pub journal: Option<JournalWriter>,
    /// One JSON line a rep.
    pub rep_log: Option<RepLog>,
    /// The poses of every frame.
    pub track: Option<TrackWriter>,
    /// Shows a line to the person at the terminal.
    pub show: Box<dyn FnMut(&str)>,
}

/// Counts of what was found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Swings.
    pub swings: u32,
    /// Takes.
    pub takes: u32,
    /// Frames looked at.
    pub frames: u64,
    /// Frames with a body.
    pub bodies: u64,
}

/// Finder, coach and outlets of one run.
pub struct RepStage {
    finder: RepFinder,
    coach: Coach,
    outlets: Outlets,
    /// "Now" on the source's clock, once the source has one.
    clock: Arc<OnceLock<CaptureClock>>,
    picture: PictureSize,
    tally: Tally,
    last: CaptureTime,
}

impl RepStage {
    /// A stage that has seen nothing.
    pub fn new(
        finder: RepFinder,
        coach: Coach,
        outlets: Outlets,
        clock: Arc<OnceLock<CaptureClock>>,
    ) -> Self {
        Self {
            finder,
            coach,
            outlets,
            clock,
            picture: PictureSize::default(),
            tally: Tally::default(),
            last: CaptureTime::default(),
        }
    }

    /// Takes the next pose.
    ///
    /// # Errors
    /// Where a file that was asked for cannot be written, or the journal's thread is gone.
    pub fn take(&mut self, pose: PoseFrame, picture: PictureSize) -> Result<(), DaemonError> {
        self.picture = picture;
        self.tally.frames += 1;
        self.tally.bodies += u64::from(pose.body.is_some());
        self.last = pose.captured_at;
        if let Some(track) = &mut self.outlets.track {
            track.frame(&pose)?;
        }
        match self.finder.push(pose) {
            Some(found) => self.log(found),
            None => Ok(()),
        }
    }

    /// The source has ended: judges what is still open, writes out and closes everything.
    ///
    /// # Errors
    /// As for [`Self::take`], and where reps could not be stored.
    pub fn finish(mut self) -> Result<Tally, DaemonError> {
        if let Some(found) = self.finder.finish() {
            self.log(found)?;
        }
        // The journal first: a sound file that cannot be closed must not cost a rep.
        if let Some(journal) = self.outlets.journal.take() {
            journal.close(Duration::from_secs(5))?;
        }
        if let Some(track) = self.outlets.track.take() {
            track.finish()?;
        }
        match self.outlets.ears {
            Ears::Player(player) => player.finish(self.last),
            Ears::Render(render) => drop(render.finish(self.last)?),
            Ears::None => {}
        }
        Ok(self.tally)
    }

    fn log(&mut self, found: FoundRep) -> Result<(), DaemonError> {
        let mut judged = self.coach.judge(found.rep);
        match judged.rep.kind {
            RepKind::Swing => self.tally.swings += 1,
            RepKind::Take => self.tally.takes += 1,
        }
        self.sound(&mut judged)?;
        (self.outlets.show)(&rep_text(&judged));
        tracing::debug!(rep = judged.number, kind = judged.rep.kind.name(), "rep");
        if let Some(log) = &mut self.outlets.rep_log {
            log.append(&judged)?;
        }
        if let Some(journal) = &self.outlets.journal {
            journal.log_rep(RepRecord::new(judged, found.frames, self.picture))?;
        }
        Ok(())
    }

    /// Makes the cue heard and notes how long after the deciding frame's capture that was.
    fn sound(&mut self, judged: &mut JudgedRep) -> Result<(), DaemonError> {
        let Some(cue) = &mut judged.cue else {
            return Ok(());
        };
        match &mut self.outlets.ears {
            Ears::None => {}
            Ears::Render(render) => drop(render.cue_at(&cue.id, cue.at)?),
            Ears::Player(player) => {
                let decided_at = Instant::now();
                let request = PlayRequest {
                    cue_id: cue.id.as_str().into(),
                    decided_at,
                    at: cue.at,
                };
                player.play(request);
                let deadline = decided_at + HEARD_PATIENCE;
                while let Ok(outcome) = player.outcomes().recv_deadline(deadline) {
                    match outcome {
                        Outcome::Heard(heard) if heard.at == cue.at => {
                            let before = self
                                .clock
                                .get()
                                .map_or(0.0, |c| c.at(decided_at).secs_since(cue.at) * 1e3);
                            cue.latency_ms = Some(before + heard.latency_millis);
                            break;
                        }
                        Outcome::Unheard(unheard) if unheard.at == cue.at => {
                            tracing::debug!(cue = %unheard.cue_id, why = unheard.why.as_words(), "cue not heard");
                            break;
                        }
                        _ => {}
                    }
                }
            }
        }
        Ok(())
    }
}
