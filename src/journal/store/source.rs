//! Where a journal's rows are, a file or the facility's store, and asking it.

use std::path::PathBuf;

use rusqlite::Connection;

use super::sql::{Sql, StoreLink, StorePool};
use crate::journal::error::JournalError;
use crate::journal::store::open::JournalReader;

/// Where the rows are.
#[derive(Debug)]
pub(in crate::journal) enum Source {
    File(Connection),
    Store(Box<StoreLink>),
}

impl JournalReader {
    /// The facility's store. It holds a connection from its first question until it goes, so one is made for each request.
    pub fn of_store(pool: StorePool, name: &str) -> Self {
        Self {
            source: Source::Store(Box::new(StoreLink::new(pool))),
            path: PathBuf::from(name),
        }
    }

    /// Whether this is the facility's store.
    pub(in crate::journal) fn is_store(&self) -> bool {
        matches!(self.source, Source::Store(_))
    }

    /// Asks in SQL; `doing` completes "cannot ..." in the message should that fail.
    pub(in crate::journal) fn query<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Sql<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        match &self.source {
            Source::File(connection) => work(&Sql::of_file(connection)),
            Source::Store(link) => link.query(work),
        }
        .map_err(|error| self.error(doing, error))
    }

    /// Runs SQLite calls that only a file has an answer to.
    pub(in crate::journal) fn query_file<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        work(self.file(doing)?).map_err(|error| self.error(doing, error))
    }

    /// Asks several things of one moment, whatever is written meanwhile. One at a time.
    pub(in crate::journal) fn snapshot<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Sql<'_>) -> Result<T, JournalError>,
    ) -> Result<T, JournalError> {
        let failed = |error| self.error(doing, error);
        match &self.source {
            Source::File(connection) => {
                // It ends when it is dropped.
                let _moment = connection.unchecked_transaction().map_err(failed)?;
                work(&Sql::of_file(connection))
            }
            Source::Store(link) => link.snapshot(failed, work),
        }
    }

    /// The file's connection.
    ///
    /// # Errors
    /// [`JournalError::NoFile`] for the store.
    pub(in crate::journal) fn file(
        &self,
        doing: &'static str,
    ) -> Result<&Connection, JournalError> {
        match &self.source {
            Source::File(connection) => Ok(connection),
            Source::Store(_) => Err(self.no_file(doing)),
        }
    }

    /// As [`Self::file`].
    pub(in crate::journal) fn file_mut(
        &mut self,
        doing: &'static str,
    ) -> Result<&mut Connection, JournalError> {
        let refused = self.no_file(doing);
        match &mut self.source {
            Source::File(connection) => Ok(connection),
            Source::Store(_) => Err(refused),
        }
    }

    fn no_file(&self, doing: &'static str) -> JournalError {
        JournalError::NoFile {
            path: self.path.clone(),
            doing,
        }
    }

    /// What an error means here.
    pub(in crate::journal) fn error(
        &self,
        doing: &'static str,
        error: rusqlite::Error,
    ) -> JournalError {
        match &self.source {
            Source::File(_) => JournalError::from_sqlite(&self.path, doing, error),
            Source::Store(_) => JournalError::from_store(&self.path, doing, &error),
        }
    }
}
