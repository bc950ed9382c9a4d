//! The facility: one PostgreSQL database, the store, behind the journals of all its cages.
//!
//! In: an address, batches of a journal. Out: a connection, what others changed. Which of two versions of a row holds is said in
//! [`crate::journal`]; the tables, and what a cage may call there, in `migrations`. The thread that carries both ways is the
//! daemon's.

mod address;
mod client;
mod patience;
mod set_up;

pub(crate) use address::{FacilitySettings, StoreAddress};
pub(crate) use client::{FilmPart, FilmThere, Received, ScreenClient, StoreClient};
#[cfg(test)]
pub(crate) use set_up::make_tables;
pub(crate) use set_up::{Member, StoreOwner};

use postgres::error::SqlState;

/// Why the store cannot be used now.
#[derive(Debug, thiserror::Error)]
pub(crate) enum StoreError {
    /// Nothing answers there, or the connection broke.
    #[error("the facility's store cannot be reached: {0}")]
    Unreachable(String),
    /// It answers with a no.
    #[error("the facility's store refuses it: {0}")]
    Refused(String),
    /// The password or the certificates cannot be read.
    #[error("{0}")]
    Credentials(String),
    /// The journal beside it failed.
    #[error(transparent)]
    Journal(#[from] crate::journal::JournalError),
}

impl From<postgres::Error> for StoreError {
    fn from(error: postgres::Error) -> Self {
        match error.as_db_error() {
            Some(refusal) if is_not_set_up(refusal.code()) => Self::Refused(format!(
                "its tables are missing, or older than this program; run \"cagehand facility set-up\" ({})",
                refusal.message()
            )),
            Some(refusal) => Self::Refused(refusal.message().to_owned()),
            None => Self::Unreachable(with_causes(&error)),
        }
    }
}

fn is_not_set_up(code: &SqlState) -> bool {
    [SqlState::UNDEFINED_FUNCTION, SqlState::UNDEFINED_TABLE].contains(code)
}

fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        text = format!("{text}: {inner}");
        cause = inner.source();
    }
    text
}
