//! The spool: a second journal that takes reps while the first cannot, so that they survive the end of the program.
//!
//! In: sessions and reps that a journal does not take. Out: a file of the same format, beside the journal or, where its disk
//! does not take anything, in the folder that the system keeps for running services; and all of it in the journal once that can
//! be written again. The journal's writer lock guards its spool too.

use std::fs;
use std::path::{Path, PathBuf};

use crate::journal::error::JournalError;
use crate::journal::files::lock::lock_path;
use crate::journal::files::quarantine::{SIDES, move_aside};
use crate::journal::record::{NewHitter, NewSession, PackedRep, SessionId};
use crate::journal::store::open::{Journal, full_path};
use crate::journal::store::take_in::TakenIn;
use crate::private_file::with_suffix;
use crate::rep::MissedCondition;

/// Folders that the system empties at a start of the machine, not of a program: systemd's for a service and for a user.
const RUNTIME_FOLDERS: [&str; 2] = ["RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"];

/// An open spool.
#[derive(Debug)]
pub(in crate::journal) struct Spool {
    journal: Journal,
    session: Option<SessionId>,
    /// Reps in it and movements that do not count.
    entries: u64,
}

/// Where a journal's spool may lie, best first.
pub(in crate::journal) fn places(journal: &Path) -> Vec<PathBuf> {
    let journal = full_path(journal).unwrap_or_else(|_| journal.to_path_buf());
    let elsewhere = RUNTIME_FOLDERS
        .iter()
        .filter_map(std::env::var_os)
        .filter(|folder| Path::new(folder).is_absolute())
        .map(|folder| Path::new(&folder).join(name_elsewhere(&journal)));
    std::iter::once(with_suffix(&journal, ".spool"))
        .chain(elsewhere)
        .collect()
}

/// The journal's whole path, so that two journals never share a spool.
fn name_elsewhere(journal: &Path) -> String {
    let path = journal.to_string_lossy();
    let name: String = path
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { '_' })
        .collect();
    format!("cagehand{name}.spool")
}

impl Spool {
    /// Opens the spool in the first of these places that takes one: a new one, or one that an earlier run left.
    ///
    /// # Errors
    /// That of the last place.
    pub(in crate::journal) fn open(places: &[PathBuf]) -> Result<Self, JournalError> {
        let mut failed = None;
        for place in places {
            let is_new = fs::symlink_metadata(place).is_err();
            let opened = Journal::open_alone(place).and_then(|journal| {
                let counts = journal.reader().counts()?;
                let entries = u64::from(counts.swings) + u64::from(counts.takes);
                Ok(Self {
                    journal,
                    session: None,
                    entries,
                })
            });
            match opened {
                Ok(spool) => return Ok(spool),
                Err(error) => {
                    if is_new {
                        // What a full disk made of it would be taken for a spool later.
                        remove(place);
                    }
                    failed = Some(error);
                }
            }
        }
        Err(failed.unwrap_or_else(|| JournalError::NoAccess {
            path: PathBuf::new(),
            reason: "there is no place for a spool".to_owned(),
        }))
    }

    pub(in crate::journal) fn path(&self) -> &Path {
        self.journal.path()
    }

    pub(in crate::journal) fn entries(&self) -> u64 {
        self.entries
    }

    pub(in crate::journal) fn session(&self) -> Option<SessionId> {
        self.session
    }

    /// Writes on without waiting for the disk, so that tests can store thousands.
    #[cfg(test)]
    pub(in crate::journal) fn sync_off(&self) {
        let connection = self.journal.reader.connection();
        connection
            .pragma_update(None, "synchronous", "OFF")
            .unwrap();
    }

    /// Begins a session; the running one ends.
    pub(in crate::journal) fn begin_session(
        &mut self,
        hitter: Option<&NewHitter>,
        session: &NewSession,
    ) -> Result<(), JournalError> {
        if let Some(running) = self.session.take() {
            self.journal
                .end_session(running, session.started_at, None)?;
        }
        let session = NewSession {
            // A number of the journal, which means nothing here.
            hitter: None,
            ..session.clone()
        };
        self.session = Some(self.journal.begin_session_of(hitter, &session)?);
        Ok(())
    }

    pub(in crate::journal) fn end_session(
        &mut self,
        at: jiff::Timestamp,
    ) -> Result<(), JournalError> {
        match self.session.take() {
            Some(running) => self.journal.end_session(running, at, None),
            None => Ok(()),
        }
    }

    /// Adds a rep, or a movement that missed a condition, to the running session.
    pub(in crate::journal) fn log(
        &mut self,
        rep: &PackedRep,
        missed: Option<MissedCondition>,
    ) -> Result<(), JournalError> {
        let Some(session) = self.session else {
            return Err(JournalError::Refused {
                path: self.path().to_path_buf(),
                doing: "log a rep",
                reason: "no session was begun".to_owned(),
            });
        };
        match missed {
            None => self.journal.log_packed(session, rep).map(drop)?,
            Some(missed) => self
                .journal
                .log_not_counted_packed(session, rep, missed)
                .map(drop)?,
        }
        self.entries += 1;
        Ok(())
    }

    /// Moves everything into the journal and deletes the spool. Gives what was taken in, and the number that the running
    /// session has there. After an error the spool is as it was, but for what has been taken in already.
    pub(in crate::journal) fn empty_into(
        &mut self,
        journal: &mut Journal,
    ) -> Result<(TakenIn, Option<SessionId>), JournalError> {
        let taken = journal.take_in(self.journal.reader())?;
        let running = taken
            .sessions
            .iter()
            .find(|(there, _)| Some(*there) == self.session)
            .map(|(_, here)| *here);
        remove(self.path());
        Ok((taken, running))
    }
}

/// Takes in what an earlier run left in spools of this journal, and deletes them. Gives how many reps that were, and the spools
/// that are still there.
pub(in crate::journal) fn take_in_left_over(journal: &mut Journal) -> (u64, Vec<PathBuf>) {
    let (mut reps, mut left) = (0, Vec::new());
    for place in places(journal.path()) {
        if fs::symlink_metadata(&place).is_err() {
            continue;
        }
        match take_in_one(journal, &place) {
            Ok(taken) => {
                tracing::warn!(
                    reps = taken.reps,
                    "reps of an earlier run that had waited are in the journal now"
                );
                reps += taken.reps;
                remove(&place);
            }
            Err(error @ (JournalError::Damaged { .. } | JournalError::NotDatabase { .. })) => {
                tracing::error!(%error, "a spool is damaged; what it holds is not in the journal");
                if let Err(error) = move_aside(&place, "damaged") {
                    tracing::error!(%error, "the damaged spool cannot be set aside");
                    left.push(place);
                }
            }
            Err(error) => {
                tracing::warn!(%error, "reps of an earlier run wait in a spool still");
                left.push(place);
            }
        }
    }
    (reps, left)
}

/// Opened for writing first: that brings it up to date and closes the session that a kill left open.
fn take_in_one(journal: &mut Journal, place: &Path) -> Result<TakenIn, JournalError> {
    let spool = Journal::open_alone(place)?;
    journal.take_in(spool.reader())
}

/// Deletes a spool with its side files. The file goes last, so that a kill in between leaves what can be taken in once more.
fn remove(place: &Path) {
    let lock = lock_path(place);
    let files = SIDES.iter().map(|side| with_suffix(place, side));
    for file in std::iter::once(lock).chain(files) {
        match fs::remove_file(&file) {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => {
                tracing::warn!(file = %file.display(), %error, "a spool that was emptied cannot be deleted");
            }
        }
    }
}
