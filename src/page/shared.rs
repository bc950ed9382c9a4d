//! What every handler knows, and how it reaches the journal without holding up the others.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use super::SeatHitter;
use super::doors::role_here;
use super::keys::{KeyError, Keys};
use super::visits::{DoorWatch, Role, Visits};
use crate::journal::{Edit, Journal, JournalError, JournalReader};
use crate::sound::Language;
use crate::status::Health;

/// What the handlers know. Cheap to copy.
#[derive(Clone)]
pub(super) struct Shared {
    pub(super) health: Arc<Health>,
    pub(super) began: Instant,
    pub(super) seat: Arc<dyn SeatHitter>,
    /// The language of whoever asks for none.
    pub(super) language: Language,
    visits: Arc<Mutex<Visits>>,
    watch: Arc<Mutex<DoorWatch>>,
}

impl Shared {
    pub(super) fn new(health: Arc<Health>, seat: Arc<dyn SeatHitter>, language: Language) -> Self {
        Self {
            health,
            began: Instant::now(),
            seat,
            language,
            visits: Arc::default(),
            watch: Arc::default(),
        }
    }

    pub(super) fn visits(&self) -> MutexGuard<'_, Visits> {
        self.visits.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn watch(&self) -> MutexGuard<'_, DoorWatch> {
        self.watch.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether a path is a page for people, whose forms need a visit.
    pub(super) fn is_page(&self, path: &str) -> bool {
        !(path.starts_with("/assets/")
            || path.ends_with(".jpg")
            || matches!(path, "/health" | "/metrics" | "/live" | "/picture"))
    }

    /// Whether a screen asks for it again and again without anybody touching it.
    pub(super) fn is_asked_by_itself(&self, path: &str) -> bool {
        path == "/picture"
    }

    /// The keys as they are now.
    pub(super) fn keys(&self) -> Result<Keys, KeyError> {
        match self.seat.journal() {
            Some(journal) => Keys::read(&Keys::file_beside(&journal)),
            None => Ok(Keys::default()),
        }
    }

    /// What whoever sits at this machine may see without a key.
    pub(super) fn role_here(&self) -> Role {
        let keys = self
            .keys()
            .inspect_err(|error| tracing::warn!(%error, "the coach's rooms stay shut"));
        role_here(keys.ok().as_ref())
    }

    /// Asks the journal, on a thread of its own.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&JournalReader) -> Result<T, JournalError> + Send + 'static,
    ) -> Result<T, Trouble> {
        let path = self.journal_path()?;
        tokio::task::spawn_blocking(move || Journal::read_only(&path).and_then(|r| ask(&r)))
            .await
            .map_err(|_| Trouble::Fault)?
            .map_err(Trouble::from)
    }

    /// Lets the journal's writer make a change.
    pub(super) async fn edit(&self, edit: Edit) -> Result<i64, Trouble> {
        let handle = self
            .health
            .stage()
            .journal_edits
            .ok_or(Trouble::NoJournal)?;
        tokio::task::spawn_blocking(move || handle.edit(edit))
            .await
            .map_err(|_| Trouble::Fault)?
            .map_err(Trouble::from)
    }

    fn journal_path(&self) -> Result<PathBuf, Trouble> {
        self.seat.journal().ok_or(Trouble::NoJournal)
    }
}

/// One of several to choose from.
pub(super) struct Choice {
    /// What the form sends.
    pub(super) id: i64,
    /// What is read.
    pub(super) words: String,
    /// Whether it is chosen now.
    pub(super) chosen: bool,
}

/// Why a page cannot be shown.
#[derive(Debug)]
pub(super) enum Trouble {
    /// There is no such thing.
    NotThere,
    /// What was sent is not right.
    Unfit(String),
    /// No journal is kept, or none is open yet.
    NoJournal,
    /// The journal says no.
    Journal(JournalError),
    /// A fault of ours.
    Fault,
}

impl From<JournalError> for Trouble {
    fn from(error: JournalError) -> Self {
        match error {
            JournalError::NoSuchRep { .. }
            | JournalError::NoSuchSession { .. }
            | JournalError::NoSuchHitter { .. }
            | JournalError::NoTimeline { .. } => Self::NotThere,
            JournalError::Refused { reason, .. } => Self::Unfit(reason),
            error => Self::Journal(error),
        }
    }
}

impl From<askama::Error> for Trouble {
    fn from(error: askama::Error) -> Self {
        tracing::error!(%error, "a page could not be written");
        Self::Fault
    }
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        let (status, words) = match self {
            Trouble::NotThere => (StatusCode::NOT_FOUND, "there is no such thing".to_owned()),
            Trouble::Unfit(why) => (StatusCode::UNPROCESSABLE_ENTITY, why),
            Trouble::NoJournal => (
                StatusCode::SERVICE_UNAVAILABLE,
                "no journal is open yet; try again in a moment".to_owned(),
            ),
            Trouble::Journal(error) => {
                tracing::warn!(%error, "a page could not be made");
                (StatusCode::SERVICE_UNAVAILABLE, error.to_string())
            }
            Trouble::Fault => (
                StatusCode::INTERNAL_SERVER_ERROR,
                "cagehand has a fault there; its log says where".to_owned(),
            ),
        };
        (status, format!("{words}\n")).into_response()
    }
}

/// Where the page may be served: elsewhere than on this machine only with both keys set.
pub(super) fn may_serve(address: SocketAddr, keys: &Keys) -> bool {
    use super::keys::KeyOf;
    address.ip().to_canonical().is_loopback() || (keys.has(KeyOf::Hitter) && keys.has(KeyOf::Coach))
}
