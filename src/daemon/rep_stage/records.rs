//! What a run leaves on the disk: journal, films, rep log, pose track.

use std::time::{Duration, Instant};

use crate::coach::JudgedRep;
use crate::daemon::DaemonError;
use crate::journal::{JournalWriter, NewHitter, NewSession, RepLog, RepRecord};
use crate::picture_size::PictureSize;
use crate::pose::PoseFrame;
use crate::rep::{FoundRep, MissedCondition};

use super::film_recorder::{FilmRecorder, stretch};
use super::track_recorder::TrackRecorder;

/// How long a journal that is closed may take to store what waits.
const LAST_STORES: Duration = Duration::from_secs(5);

/// The files of a run; each may be absent. The journal comes first: a file beside it that fails is given up, told when the run
/// ends, and costs no rep.
pub(super) struct Records {
    pub journal: Option<JournalWriter>,
    pub rep_log: Option<RepLog>,
    pub track: Option<TrackRecorder>,
    pub films: FilmRecorder,
    /// Whether the hitter allows that landmarks are kept. The journal asks its own record too; what waits in a spool for it has
    /// none.
    pub keeps_landmarks: bool,
    /// Why the first file beside the journal was given up.
    pub given_up: Option<DaemonError>,
}

impl Records {
    /// Logs a rep that is over. `frames` are its poses, found in pictures of the size `picture`.
    ///
    /// # Errors
    /// Where the journal's thread is gone.
    pub(super) fn log_rep(
        &mut self,
        judged: JudgedRep,
        mut frames: Vec<PoseFrame>,
        picture: PictureSize,
    ) -> Result<(), DaemonError> {
        let logged = self.rep_log.as_mut().map(|log| log.append(&judged));
        if let Some(journal) = &self.journal {
            if !self.keeps_landmarks {
                frames.clear();
            }
            let (number, stretch) = (judged.number, stretch(&judged));
            journal.log_rep(RepRecord::new(judged, frames, picture))?;
            // After the rep itself: a film belongs to a rep of the journal.
            self.films.keep(number, stretch, &journal.state());
        }
        if let Some(Err(error)) = logged {
            self.rep_log = None;
            self.give_up(error.into());
        }
        Ok(())
    }

    /// Adds a frame's pose to the track.
    pub(super) fn track_frame(&mut self, pose: &PoseFrame) {
        if let Some(track) = &mut self.track
            && let Err(error) = track.frame(pose)
        {
            self.track = None;
            self.give_up(error.into());
        }
    }

    /// Tells the track of a rep.
    pub(super) fn track_rep(&mut self, found: &FoundRep) {
        if let Some(track) = &mut self.track {
            track.found(found);
        }
    }

    fn give_up(&mut self, error: DaemonError) {
        tracing::error!(%error, "a file beside the journal is given up; reps go on");
        self.given_up.get_or_insert(error);
    }

    /// Keeps a movement that was not counted.
    ///
    /// # Errors
    /// Where the journal's thread is gone.
    pub(super) fn log_not_counted(
        &self,
        record: RepRecord,
        missed: MissedCondition,
    ) -> Result<(), DaemonError> {
        let record = match self.keeps_landmarks {
            true => record,
            false => record.without_landmarks(),
        };
        match &self.journal {
            Some(journal) => Ok(journal.log_not_counted(record, missed)?),
            None => Ok(()),
        }
    }

    /// Begins a session, in `other` where the reps are to go into another journal from now on.
    ///
    /// # Errors
    /// Where the journal's thread is gone.
    pub(super) fn begin_session(
        &mut self,
        hitter: Option<NewHitter>,
        session: NewSession,
        chosen_at: Instant,
        other: Option<JournalWriter>,
    ) -> Result<(), DaemonError> {
        match (other, &self.journal) {
            (Some(other), _) => {
                other.begin_session(hitter, session, chosen_at)?;
                if let Some(before) = self.journal.replace(other)
                    && let Err(error) = before.close(LAST_STORES)
                {
                    tracing::error!(%error, "the journal before could not be ended well");
                }
            }
            (None, Some(journal)) => journal.begin_session(hitter, session, chosen_at)?,
            (None, None) => {}
        }
        Ok(())
    }

    /// Writes out and closes everything.
    ///
    /// # Errors
    /// Where something could not be stored.
    pub(super) fn close(&mut self) -> Result<(), DaemonError> {
        if let Some(journal) = self.journal.take() {
            journal.close(LAST_STORES)?;
        }
        self.films.close();
        if let Some(track) = self.track.take()
            && let Err(error) = track.finish()
        {
            self.give_up(error.into());
        }
        self.given_up.take().map_or(Ok(()), Err)
    }
}
