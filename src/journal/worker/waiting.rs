//! What the writer thread does while the journal takes nothing: the spool, a journal that was moved, and one that is damaged.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;

use crate::journal::error::JournalError;
use crate::journal::files::quarantine::{move_aside, quarantine_damaged};
use crate::journal::files::spool::Spool;
use crate::journal::record::NewSession;
use crate::journal::store::open::Journal;
use crate::journal::worker::Job;
use crate::journal::worker::thread::{Pending, Worker};
use crate::wall_clock::now_to_the_millisecond;

/// Takes the landmarks off a rep that has to wait where many do.
pub(super) fn strip_landmarks(job: &mut Pending) {
    if let Job::Rep(rep) | Job::NotCounted { rep, .. } = job {
        rep.timeline = None;
    }
}

impl Worker {
    /// What to do after an error that is no fault of the job, which comes first again. Returns whether to go on at once.
    pub(super) fn take_failure(&mut self, error: JournalError, job: Option<Pending>) -> bool {
        if let Some(job) = job {
            self.pending.push_front(job);
        }
        match error {
            JournalError::Moved { .. } => {
                tracing::warn!(%error, "a new journal is begun");
                self.restart_in_new_file()
            }
            error if error.damaged_file().is_some() => {
                tracing::error!(%error, "the journal turned out to be damaged");
                self.replace_damaged(&error)
            }
            error => {
                self.note_failure(&error);
                false
            }
        }
    }

    /// Lets go of a file that was moved or deleted; what waits goes to a new one.
    fn restart_in_new_file(&mut self) -> bool {
        if let Some(old) = self.journal.take()
            && let Err(error) = old.empty_wal()
        {
            tracing::warn!(%error, "the newest reps of the old journal may be lost");
        }
        self.begin_session_again();
        self.open_again()
    }

    /// Opens a damaged journal afresh, which sets it aside where the damage shows. Where it does not and storing fails once more,
    /// it is set aside all the same. Returns whether a journal is open.
    fn replace_damaged(&mut self, error: &JournalError) -> bool {
        let again = std::mem::replace(&mut self.damaged_before, true);
        self.journal = None;
        if again && let Err(error) = quarantine_damaged(&self.path, error) {
            self.note_failure(&error);
            return false;
        }
        if !self.open_again() {
            return false;
        }
        let is_new = self
            .journal
            .as_ref()
            .is_some_and(|journal| journal.report().created);
        if is_new {
            self.begin_session_again();
        }
        true
    }

    fn open_again(&mut self) -> bool {
        match Journal::open_or_quarantine(&self.path) {
            Ok(journal) => self.adopt(journal),
            Err(error) => self.note_failure(&error),
        }
        self.journal.is_some()
    }

    /// Begins the running session in a new file, before the reps that wait.
    fn begin_session_again(&mut self) {
        let ran = self.session.take().and(self.begun.take());
        let goes_on = matches!(
            self.pending.front(),
            Some(Job::Rep(_) | Job::NotCounted { .. })
        );
        if goes_on && let Some((hitter, session)) = ran {
            // The hitter's number of the old file means nothing in the new one.
            let session = NewSession {
                hitter: None,
                started_at: now_to_the_millisecond(),
                ..session
            };
            self.pending.push_front(Job::Session {
                hitter,
                session,
                chosen_at: Instant::now(),
            });
        }
    }

    /// Moves what waits in the spool into the journal, where both are open. A panic on the way is handled like an error.
    pub(super) fn empty_spool_guarded(&mut self) -> Result<(), JournalError> {
        catch_unwind(AssertUnwindSafe(|| self.empty_spool())).unwrap_or_else(|_| {
            self.journal = None;
            self.shared.state().restarts += 1;
            Err(self.fault())
        })
    }

    pub(super) fn fault(&self) -> JournalError {
        JournalError::Disk {
            path: self.path.clone(),
            reason: "cagehand has a fault there; the log above says where".to_owned(),
        }
    }

    fn empty_spool(&mut self) -> Result<(), JournalError> {
        let (Some(spool), Some(journal)) = (&mut self.spool, &mut self.journal) else {
            return Ok(());
        };
        let (taken, running) = match spool.empty_into(journal) {
            Err(error) if error.damaged_file() == Some(spool.path()) => {
                tracing::error!(%error, "the spool is damaged; what it holds is not in the journal");
                let place = spool.path().to_path_buf();
                self.spool = None;
                move_aside(&place, "damaged")?;
                return Ok(());
            }
            emptied => emptied?,
        };
        self.spool = None;
        self.session = running;
        let mut state = self.shared.state();
        state.stored_reps += taken.reps;
        state.refused_reps += taken.refused;
        state.session = running;
        state.session_started = running
            .and(self.begun.as_ref())
            .map(|(_, session)| session.started_at);
        drop(state);
        tracing::info!(reps = taken.reps, "reps that had waited are in the journal");
        self.note_working();
        Ok(())
    }

    /// Puts what waits in memory into the spool. Where no disk takes it, it stays in memory.
    pub(in crate::journal) fn spool_pending(&mut self) {
        while let Some(job) = self.pending.pop_front() {
            let stored = catch_unwind(AssertUnwindSafe(|| self.spool_job(&job)))
                .unwrap_or_else(|_| Err(self.fault()));
            if let Err(error) = stored {
                self.pending.push_front(job);
                if !std::mem::replace(&mut self.spool_failed, true) {
                    tracing::warn!(%error, "there is no room for a spool; reps wait in memory alone");
                }
                break;
            }
            self.spool_failed = false;
        }
        self.note_waiting();
    }

    fn spool_job(&mut self, job: &Pending) -> Result<(), JournalError> {
        if let Job::Change(change) = job {
            change.refuse(self.takes_nothing());
            return Ok(());
        }
        let spool = match &mut self.spool {
            Some(spool) => spool,
            none => {
                let spool = Spool::open(&self.spool_places)?;
                tracing::warn!(spool = %spool.path().display(), "reps wait in a spool");
                none.insert(spool)
            }
        };
        if spool.session().is_none()
            && let Some((hitter, session)) = &self.begun
        {
            // It began in the journal; it is one session again when both are one.
            spool.begin_session(hitter.as_ref(), session)?;
        }
        match job {
            Job::Session {
                hitter,
                session,
                chosen_at,
            } => {
                let hitter = self.shared.still_there(hitter.as_ref(), *chosen_at);
                spool.begin_session(hitter, session)?;
                self.begun = Some((hitter.cloned(), session.clone()));
            }
            Job::Rep(rep) => spool.log(rep, None)?,
            Job::NotCounted { rep, missed } => spool.log(rep, Some(*missed))?,
            Job::End { at } => {
                spool.end_session(*at)?;
                self.begun = None;
            }
            Job::Change(_) => {}
        }
        Ok(())
    }
}
