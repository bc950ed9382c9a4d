//! What can go wrong with the facility's store, carried inside SQLite's error type so that one kind of result serves both.

use std::error::Error;
use std::fmt;

use postgres::error::SqlState;
use r2d2_postgres::r2d2;

/// What the store, the way to it, or a value on that way has to say.
#[derive(Debug, thiserror::Error)]
pub enum StoreFault {
    /// The server's answer, or the end of the connection to it.
    #[error("{}", Words(.0))]
    Server(postgres::Error),
    /// No connection could be had.
    #[error("{0}")]
    NoConnection(#[from] r2d2::Error),
    /// A value that cannot be passed on.
    #[error("{0}")]
    Value(Box<dyn Error + Send + Sync>),
}

/// What a fault means for whoever asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::journal) enum Meaning {
    /// The store is not to be reached; it may be later.
    Unreachable,
    /// It refuses a row that breaks its rules.
    Refusal,
    /// Its tables are older than this program, or were never made.
    NotSetUp,
    /// Anything else.
    Other,
}

impl StoreFault {
    /// A value's error, in SQLite's type.
    pub(super) fn boxed(error: impl Into<Box<dyn Error + Send + Sync>>) -> rusqlite::Error {
        Self::Value(error.into()).into()
    }

    /// The fault inside an error, if there is one.
    pub(in crate::journal) fn inside(error: &rusqlite::Error) -> Option<&Self> {
        match error {
            rusqlite::Error::ToSqlConversionFailure(inner) => inner.downcast_ref(),
            _ => None,
        }
    }

    pub(in crate::journal) fn meaning(&self) -> Meaning {
        match self {
            Self::NoConnection(_) => Meaning::Unreachable,
            Self::Value(_) => Meaning::Other,
            Self::Server(error) => match error.code() {
                Some(state) => meaning_of(state),
                // Not an answer: the way to the server broke, unless a value could not be passed on.
                None if error.is_closed() || is_of_the_network(error) => Meaning::Unreachable,
                None => Meaning::Other,
            },
        }
    }
}

/// By the class of the state, see PostgreSQL's appendix on error codes.
fn meaning_of(state: &SqlState) -> Meaning {
    match state.code() {
        code if code.starts_with("08") || code.starts_with("57P0") => Meaning::Unreachable,
        // Too many connections.
        "53300" => Meaning::Unreachable,
        // A table, a function or a column that is not there.
        "42P01" | "42883" | "42703" => Meaning::NotSetUp,
        code if code.starts_with("22") || code.starts_with("23") => Meaning::Refusal,
        _ => Meaning::Other,
    }
}

fn is_of_the_network(error: &postgres::Error) -> bool {
    let mut cause = error.source();
    while let Some(error) = cause {
        if error.is::<std::io::Error>() {
            return true;
        }
        cause = error.source();
    }
    false
}

impl From<postgres::Error> for StoreFault {
    fn from(error: postgres::Error) -> Self {
        Self::Server(error)
    }
}

impl From<StoreFault> for rusqlite::Error {
    fn from(fault: StoreFault) -> Self {
        Self::ToSqlConversionFailure(Box::new(fault))
    }
}

/// The server's own words, or all that is known of what happened on the way to it.
struct Words<'e>(&'e postgres::Error);

impl fmt::Display for Words<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(answer) = self.0.as_db_error() {
            return write!(f, "{}", answer.message());
        }
        write!(f, "{}", self.0)?;
        match self.0.source() {
            Some(cause) => write!(f, ": {cause}"),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn states_are_told_apart_by_class() {
        for (state, meaning) in [
            (SqlState::CONNECTION_FAILURE, Meaning::Unreachable),
            (SqlState::ADMIN_SHUTDOWN, Meaning::Unreachable),
            (SqlState::CANNOT_CONNECT_NOW, Meaning::Unreachable),
            (SqlState::TOO_MANY_CONNECTIONS, Meaning::Unreachable),
            (SqlState::UNIQUE_VIOLATION, Meaning::Refusal),
            (SqlState::FOREIGN_KEY_VIOLATION, Meaning::Refusal),
            (SqlState::CHECK_VIOLATION, Meaning::Refusal),
            (SqlState::CHARACTER_NOT_IN_REPERTOIRE, Meaning::Refusal),
            (SqlState::QUERY_CANCELED, Meaning::Other),
            (SqlState::UNDEFINED_TABLE, Meaning::NotSetUp),
            (SqlState::UNDEFINED_FUNCTION, Meaning::NotSetUp),
            (SqlState::UNDEFINED_COLUMN, Meaning::NotSetUp),
            (SqlState::T_R_DEADLOCK_DETECTED, Meaning::Other),
        ] {
            assert_eq!(meaning_of(&state), meaning, "{}", state.code());
        }
    }

    #[test]
    fn a_fault_is_found_again_inside_the_error() {
        let error = StoreFault::boxed("too long");
        let fault = StoreFault::inside(&error).unwrap();
        assert_eq!(fault.to_string(), "too long");
        assert_eq!(fault.meaning(), Meaning::Other);
        assert!(StoreFault::inside(&rusqlite::Error::QueryReturnedNoRows).is_none());
    }
}
