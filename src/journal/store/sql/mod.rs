//! One way to ask in SQL: a journal file through SQLite, or the facility's store through PostgreSQL.
//!
//! In: text that both understand, with SQLite's placeholders, and values as rusqlite takes them. Out: rows that are read alike, and
//! SQLite's errors; what the store says stands inside them.
//!
//! Texts are written once. `IS` and `CROSS JOIN ... ON` are SQLite's own: [`is`] and `CROSS JOIN` with the condition behind `WHERE` serve both.

mod fault;
mod params;
mod placeholders;
mod rows;
mod store;
mod value;

use std::sync::Arc;

use rusqlite::{CachedStatement, Connection, Statement};

pub(in crate::journal) use fault::{Meaning, StoreFault};
pub(in crate::journal) use params::{SqlParams, params_from_iter};
use rows::StoreRows;
pub(in crate::journal) use rows::{Mapped, Place, SqlRow, SqlRows};
pub(in crate::journal) use store::StoreLink;
use store::{StoreConnection, StoreStatement};
pub use store::{StoreConnector, StorePool};

/// A database that can be asked.
#[derive(Clone, Copy)]
pub(in crate::journal) struct Sql<'c>(Asked<'c>);

#[derive(Clone, Copy)]
enum Asked<'c> {
    File(&'c Connection),
    Store(&'c StoreConnection),
}

/// The condition that a column is a value, where that may be nothing; the placeholder stays for the value. Written as it is
/// so that either database can use an index.
pub(in crate::journal) fn is<T>(column: &str, value: Option<T>, placeholder: &str) -> String {
    match value {
        Some(_) => format!("{column} = {placeholder}"),
        None => format!("{column} IS NULL"),
    }
}

impl<'c> Sql<'c> {
    /// A journal file.
    pub(in crate::journal) fn of_file(connection: &'c Connection) -> Self {
        Self(Asked::File(connection))
    }

    /// Whether each question goes over a network.
    pub(in crate::journal) fn is_far(&self) -> bool {
        matches!(self.0, Asked::Store(_))
    }

    /// Prepares a statement whose text comes again; it is kept with the connection.
    pub(in crate::journal) fn prepare_cached(
        &self,
        text: &str,
    ) -> rusqlite::Result<SqlStatement<'c>> {
        Ok(SqlStatement(match self.0 {
            Asked::File(connection) => Prepared::Kept(connection.prepare_cached(text)?),
            Asked::Store(connection) => {
                Prepared::Store(connection, connection.prepare_cached(text)?)
            }
        }))
    }

    /// Prepares a statement to use once.
    pub(in crate::journal) fn prepare(&self, text: &str) -> rusqlite::Result<SqlStatement<'c>> {
        Ok(SqlStatement(match self.0 {
            Asked::File(connection) => Prepared::Once(connection.prepare(text)?),
            Asked::Store(connection) => Prepared::Store(connection, connection.prepare(text)?),
        }))
    }

    /// Prepares a query whose rows may be too many to hold: they come some at a time. In a snapshot, and once in it.
    pub(in crate::journal) fn prepare_long(
        &self,
        text: &str,
    ) -> rusqlite::Result<SqlStatement<'c>> {
        match self.0 {
            // SQLite gives each row when it is asked for it.
            Asked::File(_) => self.prepare(text),
            Asked::Store(connection) => {
                Ok(SqlStatement(Prepared::Long(connection, text.to_owned())))
            }
        }
    }

    /// Reads the first row.
    pub(in crate::journal) fn query_row<T>(
        &self,
        text: &str,
        params: impl SqlParams,
        read: impl FnOnce(&SqlRow<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        self.simple(text)?.query_row(params, read)
    }

    /// Makes a change; gives how many rows it is about.
    pub(in crate::journal) fn execute(
        &self,
        text: &str,
        params: impl SqlParams,
    ) -> rusqlite::Result<usize> {
        self.simple(text)?.execute(params)
    }

    /// Over a network, preparing costs as much as asking.
    fn simple(&self, text: &str) -> rusqlite::Result<SqlStatement<'c>> {
        match self.is_far() {
            true => self.prepare_cached(text),
            false => self.prepare(text),
        }
    }
}

/// A prepared statement.
pub(in crate::journal) struct SqlStatement<'c>(Prepared<'c>);

enum Prepared<'c> {
    Kept(CachedStatement<'c>),
    Once(Statement<'c>),
    Store(&'c StoreConnection, Arc<StoreStatement>),
    Long(&'c StoreConnection, String),
}

impl<'c> SqlStatement<'c> {
    /// The rows of a query.
    pub(in crate::journal) fn query(
        &mut self,
        params: impl SqlParams,
    ) -> rusqlite::Result<SqlRows<'_>> {
        params.with(|values| match &mut self.0 {
            Prepared::Kept(statement) => Ok(SqlRows::of_file(statement.query(values)?)),
            Prepared::Once(statement) => Ok(SqlRows::of_file(statement.query(values)?)),
            Prepared::Store(connection, statement) => {
                let rows = connection.rows(statement, values)?;
                Ok(SqlRows::of_store(StoreRows::whole(
                    Arc::clone(statement),
                    rows,
                )))
            }
            Prepared::Long(connection, text) => {
                let answer = connection.begin_long_answer(text, values)?;
                Ok(SqlRows::of_store(StoreRows::long(answer)))
            }
        })
    }

    /// What `map` makes of each row.
    pub(in crate::journal) fn query_map<T, F>(
        &mut self,
        params: impl SqlParams,
        map: F,
    ) -> rusqlite::Result<Mapped<'_, F>>
    where
        F: FnMut(&SqlRow<'_>) -> rusqlite::Result<T>,
    {
        Ok(Mapped::new(self.query(params)?, map))
    }

    /// Reads the first row.
    pub(in crate::journal) fn query_row<T>(
        &mut self,
        params: impl SqlParams,
        read: impl FnOnce(&SqlRow<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        match self.query(params)?.next()? {
            Some(row) => read(&row),
            None => Err(rusqlite::Error::QueryReturnedNoRows),
        }
    }

    /// Whether there is a row.
    pub(in crate::journal) fn exists(&mut self, params: impl SqlParams) -> rusqlite::Result<bool> {
        Ok(self.query(params)?.next()?.is_some())
    }

    /// Makes a change; gives how many rows it is about.
    pub(in crate::journal) fn execute(
        &mut self,
        params: impl SqlParams,
    ) -> rusqlite::Result<usize> {
        params.with(|values| match &mut self.0 {
            Prepared::Kept(statement) => statement.execute(values),
            Prepared::Once(statement) => statement.execute(values),
            Prepared::Store(connection, statement) => connection.execute(statement, values),
            Prepared::Long(..) => Err(StoreFault::boxed("a long query changes nothing")),
        })
    }
}

impl StoreLink {
    /// Asks the store.
    pub(in crate::journal) fn query<T>(
        &self,
        work: impl FnOnce(&Sql<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        self.with(|connection| work(&Sql(Asked::Store(connection))))?
    }

    /// Changes the store in one transaction, after those that others began: as in a file, nobody sees half of what another changes.
    pub(in crate::journal) fn change<T>(
        &self,
        work: impl FnOnce(&Sql<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        self.with(|connection| {
            connection.transaction(
                "BEGIN; SELECT hold_changes()",
                |error| error,
                || work(&Sql(Asked::Store(connection))),
            )
        })?
    }

    /// Asks the store several things of one moment; `passed_on` makes an error of the store one of `work`'s.
    pub(in crate::journal) fn snapshot<T, E>(
        &self,
        passed_on: impl Fn(rusqlite::Error) -> E,
        work: impl FnOnce(&Sql<'_>) -> Result<T, E>,
    ) -> Result<T, E> {
        let begin = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY;
                     SET LOCAL cursor_tuple_fraction = 1";
        self.with(|connection| {
            connection.transaction(begin, &passed_on, || work(&Sql(Asked::Store(connection))))
        })
        .map_err(&passed_on)?
    }
}
