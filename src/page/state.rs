//! What every handler knows, and how it reaches the journal without holding up the others.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use super::SessionControl;
use super::auth::{
    CredentialError, Credentials, LoginThrottle, Role, WebSessions, role_at_the_machine,
};
use super::error::PageError;
use crate::journal::{Edit, Journal, JournalError, JournalReader};
use crate::sound::Language;
use crate::status::Health;

/// What the handlers know. Cheap to clone.
#[derive(Clone)]
pub(super) struct AppState {
    pub(super) health: Arc<Health>,
    pub(super) started: Instant,
    pub(super) control: Arc<dyn SessionControl>,
    /// The language of requests that ask for none.
    pub(super) language: Language,
    web_sessions: Arc<Mutex<WebSessions>>,
    login_throttle: Arc<Mutex<LoginThrottle>>,
}

impl AppState {
    pub(super) fn new(
        health: Arc<Health>,
        control: Arc<dyn SessionControl>,
        language: Language,
    ) -> Self {
        Self {
            health,
            started: Instant::now(),
            control,
            language,
            web_sessions: Arc::default(),
            login_throttle: Arc::default(),
        }
    }

    pub(super) fn web_sessions(&self) -> MutexGuard<'_, WebSessions> {
        self.web_sessions
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn login_throttle(&self) -> MutexGuard<'_, LoginThrottle> {
        self.login_throttle
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// The credentials as they are now.
    pub(super) fn credentials(&self) -> Result<Credentials, CredentialError> {
        match self.control.journal() {
            Some(journal) => Credentials::read(&Credentials::file_beside(&journal)),
            None => Ok(Credentials::default()),
        }
    }

    /// The role of requests that come from this machine, without a login.
    pub(super) fn role_at_the_machine(&self) -> Role {
        let credentials = self
            .credentials()
            .inspect_err(|error| tracing::warn!(%error, "the coach's pages stay closed"));
        role_at_the_machine(credentials.ok().as_ref())
    }

    /// Queries the journal, on a thread of its own.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        query: impl FnOnce(&JournalReader) -> Result<T, JournalError> + Send + 'static,
    ) -> Result<T, PageError> {
        let path = self.control.journal().ok_or(PageError::NoJournal)?;
        let result = tokio::task::spawn_blocking(move || {
            Journal::read_only(&path).and_then(|reader| query(&reader))
        })
        .await?;
        Ok(result?)
    }

    /// Lets the journal's writer make a change.
    pub(super) async fn edit(&self, edit: Edit) -> Result<i64, PageError> {
        let writer = self.control.journal_writer().ok_or(PageError::NoJournal)?;
        Ok(tokio::task::spawn_blocking(move || writer.edit(edit)).await??)
    }
}
