//! Writing to an open journal: each function here is one transaction, which is stored whole or not at all.

use jiff::Timestamp;
use rusqlite::{TransactionBehavior, params};

use super::{insert, not_counted, people};
use crate::journal::error::JournalError;
use crate::journal::record::{
    HitterId, NewHitter, NewSession, PackedRep, RepId, RepRecord, SessionId,
};
use crate::journal::stamp::stamp_text;
use crate::journal::store::open::Journal;
use crate::journal::store::source::Source;
use crate::journal::store::sql::Sql;
use crate::wall_clock::now_to_the_millisecond;

impl Journal {
    /// Finds the hitter of this name, bringing side and height up to date where they are given; adds
    /// one where the name is new or missing.
    pub fn find_or_add_hitter(&mut self, hitter: &NewHitter) -> Result<HitterId, JournalError> {
        self.transaction("add a hitter", |change| {
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
    /// retry does not add a nameless hitter twice.
    pub(in crate::journal) fn begin_session_of(
        &mut self,
        hitter: Option<&NewHitter>,
        session: &NewSession,
    ) -> Result<SessionId, JournalError> {
        self.transaction("begin a session", |change| {
            let hitter = match hitter {
                Some(hitter) => Some(insert::find_or_add_hitter(
                    change,
                    hitter,
                    now_to_the_millisecond(),
                )?),
                None => session.hitter,
            };
            // A frozen hitter gets no new session, whoever asks for one.
            let hitter = match hitter {
                Some(id) if people::is_frozen(change, id)? == Some(true) => None,
                hitter => hitter,
            };
            insert::insert_session(change, hitter, session)
        })
    }

    /// Ends a session; `note` says why if it did not end as usual.
    ///
    /// # Errors
    /// [`JournalError::NoSuchSession`], and those of the disk.
    pub fn end_session(
        &mut self,
        session: SessionId,
        ended_at: Timestamp,
        note: Option<&str>,
    ) -> Result<(), JournalError> {
        let rows = self.transaction("end a session", |change| {
            change.execute(
                // A wall clock that was set back while the session ran must not end it before it began.
                "UPDATE sessions SET ended_at = CASE WHEN started_at > ?2 THEN started_at ELSE ?2 END, end_note = ?3
                 WHERE id = ?1",
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

    /// Logs a rep with its measures and its timeline. Once this returns the rep survives a power cut.
    ///
    /// A rep that is logged a second time (same session, number and end) is stored once.
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
        self.transaction("log a rep", |change| {
            match insert::find_same_rep(change, session, &packed.judged)? {
                Some(id) => Ok(id),
                None => {
                    not_counted::free_number(change, session, packed.judged.number)?;
                    insert::insert_rep(change, session, packed)
                }
            }
        })
    }

    /// Moves all of the write-ahead log into the open file and empties it. Unlike SQLite's checkpoint on closing, this also
    /// works where the file was moved, so that no log is left beside a new file.
    pub(in crate::journal) fn empty_wal(&self) -> Result<(), JournalError> {
        let blocked: bool = self.reader.query_file("clear the write-ahead log", |c| {
            c.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))
        })?;
        match blocked {
            true => Err(JournalError::Busy {
                path: self.reader.path.clone(),
            }),
            false => Ok(()),
        }
    }

    /// One transaction: committed if `work` succeeds, rolled back if it or the commit fails.
    pub(in crate::journal) fn transaction<T>(
        &mut self,
        doing: &'static str,
        work: impl FnOnce(&Sql<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        self.refuse_moved()?;
        let done = match &mut self.reader.source {
            Source::File(connection) => (|| {
                // Taking the write lock at once avoids the deadlock of two readers that both want to write.
                let change =
                    connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
                let value = work(&Sql::of_file(&change))?;
                change.commit()?;
                Ok(value)
            })(),
            Source::Store(link) => link.change(work),
        };
        done.map_err(|error| self.reader.error(doing, error))
    }
}
