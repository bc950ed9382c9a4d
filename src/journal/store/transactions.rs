//! Writing into an open journal: each function here is one transaction, whole or not at all.

use jiff::Timestamp;
use rusqlite::{Transaction, TransactionBehavior, params};

use super::insert;
use crate::journal::error::JournalError;
use crate::journal::record::{
    HitterId, NewHitter, NewSession, PackedRep, RepId, RepRecord, SessionId,
};
use crate::journal::stamp::{now_to_the_millisecond, stamp_text};
use crate::journal::store::open::Journal;

impl Journal {
    /// Finds the hitter of this name, bringing side and height up to date where they are given; adds
    /// one where the name is new or missing.
    pub fn find_or_add_hitter(&mut self, hitter: &NewHitter) -> Result<HitterId, JournalError> {
        self.change("add a hitter", |change| {
            insert::find_or_add_hitter(change, hitter, now_to_the_millisecond())
        })
    }

    /// Begins a session.
    ///
    /// # Errors
    /// [`JournalError::Refused`] where the hitter does not exist, and those of the disk.
    pub fn begin_session(&mut self, session: &NewSession) -> Result<SessionId, JournalError> {
        self.begin_session_of(None, session)
    }

    /// Begins a session of this hitter, who is found or added in the same transaction, so that a
    /// second try does not add a nameless hitter twice.
    pub(in crate::journal) fn begin_session_of(
        &mut self,
        hitter: Option<&NewHitter>,
        session: &NewSession,
    ) -> Result<SessionId, JournalError> {
        self.change("begin a session", |change| {
            let hitter = match hitter {
                Some(hitter) => Some(insert::find_or_add_hitter(
                    change,
                    hitter,
                    now_to_the_millisecond(),
                )?),
                None => session.hitter,
            };
            insert::insert_session(change, hitter, session)
        })
    }

    /// Ends a session; `note` says why where it did not end as usual.
    ///
    /// # Errors
    /// [`JournalError::NoSuchSession`], and those of the disk.
    pub fn end_session(
        &mut self,
        session: SessionId,
        ended_at: Timestamp,
        note: Option<&str>,
    ) -> Result<(), JournalError> {
        let rows = self.change("end a session", |change| {
            change.execute(
                // A wall clock that was set back while the session ran must not end it before it began.
                "UPDATE sessions SET ended_at = max(started_at, ?2), end_note = ?3 WHERE id = ?1",
                params![session.get(), stamp_text(ended_at), note],
            )
        })?;
        match rows {
            0 => Err(JournalError::NoSuchSession {
                path: self.reader.path.clone(),
                session,
            }),
            _ => Ok(()),
        }
    }

    /// Logs a rep with its measures and its timeline. Once this returns the rep outlives a power cut.
    ///
    /// A rep that is logged a second time (same session, number and end) is not doubled.
    ///
    /// # Errors
    /// [`JournalError::Refused`] where the session does not exist or another rep has the number; the
    /// errors of the disk, after which the same rep may be logged again.
    pub fn log_rep(
        &mut self,
        session: SessionId,
        record: &RepRecord,
    ) -> Result<RepId, JournalError> {
        self.log_packed(session, &PackedRep::from_record(record))
    }

    pub(in crate::journal) fn log_packed(
        &mut self,
        session: SessionId,
        packed: &PackedRep,
    ) -> Result<RepId, JournalError> {
        self.change("log a rep", |change| {
            match insert::find_same_rep(change, session, &packed.judged)? {
                Some(id) => Ok(id),
                None => insert::insert_rep(change, session, packed),
            }
        })
    }

    /// Adds to a rep how late its cue sounded, in milliseconds from the decision to the first sample
    /// at the device. A rep without a cue is left as it is.
    ///
    /// # Errors
    /// [`JournalError::NoSuchRep`], and those of the disk.
    pub fn set_cue_latency(&mut self, rep: RepId, latency_ms: f64) -> Result<(), JournalError> {
        let rows = self.change("note a cue's latency", |change| {
            change.execute(
                "UPDATE reps SET cue_latency_ms = iif(cue IS NULL, NULL, ?2) WHERE id = ?1",
                params![rep.get(), latency_ms],
            )
        })?;
        match rows {
            0 => Err(JournalError::NoSuchRep {
                path: self.reader.path.clone(),
                rep,
            }),
            _ => Ok(()),
        }
    }

    /// Deletes a hitter with all their sessions and reps, overwrites the freed bytes, and moves the
    /// write-ahead log into the file so that nothing stays behind there. Returns whether there was
    /// such a hitter. Films are left where they are: [`Journal::forget_hitter`] is the whole deletion.
    ///
    /// # Errors
    /// Those of the disk; [`JournalError::Busy`] where a long reader kept old pages in use. The
    /// hitter is then deleted, and their bytes go when the journal is next closed.
    pub fn delete_hitter(&mut self, hitter: HitterId) -> Result<bool, JournalError> {
        let rows = self.change("delete a hitter", |change| {
            change.execute("DELETE FROM hitters WHERE id = ?1", [hitter.get()])
        })?;
        self.empty_wal()?;
        Ok(rows > 0)
    }

    /// Moves all of the write-ahead log into the open file and empties it. Unlike SQLite's own way at
    /// closing it does so also where the file was moved, so that no log is left beside a new one.
    pub(in crate::journal) fn empty_wal(&self) -> Result<(), JournalError> {
        let blocked: bool = self.reader.ask("clear the write-ahead log", |c| {
            c.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))
        })?;
        match blocked {
            true => Err(JournalError::Busy {
                path: self.reader.path.clone(),
            }),
            false => Ok(()),
        }
    }

    /// One transaction: committed if `work` succeeds, undone if it or the commit fails.
    pub(in crate::journal) fn change<T>(
        &mut self,
        doing: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        self.refuse_moved()?;
        let reader = &mut self.reader;
        let done = (|| {
            // Taking the write lock at once keeps a reader's lock from turning into a deadlock.
            let change = reader
                .connection
                .transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = work(&change)?;
            change.commit()?;
            Ok(value)
        })();
        done.map_err(|error| JournalError::from_sqlite(&reader.path, doing, error))
    }
}
