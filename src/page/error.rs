//! Why a request fails, and what its answer says in the requester's language.
//!
//! A handler returns a [`PageError`]. Its response carries only the status and the error; [`with_error_text`] writes the text
//! once the language is known, for our own errors and for those of the web framework.

use std::sync::Arc;

use axum::body::Body;
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE, LOCATION};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};

use super::auth::CredentialError;
use super::i18n::Messages;
use crate::journal::JournalError;
use crate::rep::CannotMove;
use crate::sound::SoundError;

/// Why a request fails.
#[derive(Debug)]
pub(super) enum PageError {
    NotFound,
    /// A correction that does not exist.
    UnknownChange,
    /// An event that does not exist.
    UnknownEvent,
    /// A correction of an event without its time.
    NoTime,
    CannotMove(CannotMove),
    /// The journal is only read here.
    ReadOnly,
    /// No journal is kept, or none is open yet.
    NoJournal,
    Journal(JournalError),
    Credentials(CredentialError),
    /// The request names another host, as when a foreign site makes its name point to this machine.
    UnknownHost,
    /// A form that another site sent.
    ForeignForm,
    LoginRequired,
    /// Figures for programs on this machine only.
    LocalOnly,
    /// A form without a web session.
    NoSession,
    FormTooLarge,
    /// A form that does not come to its end.
    TooSlow,
    /// More streams than there are screens.
    TooMany,
    /// A forwarder that the settings do not name, or that does not say for whom it asks.
    UnknownForwarder,
    /// A key would cross the network for everybody to read; where to ask instead, if that is known.
    Unencrypted {
        instead: Option<String>,
    },
    /// Beyond this machine nothing is shown before both keys are set.
    NoKeys,
    /// What is sent is of another kind than a form.
    NotForm,
    /// What is sent is neither a WAV nor a FLAC file.
    NotSound,
    SoundTooLarge,
    ClipTooLarge,
    /// More clips wait than are taken.
    TooManyClips,
    /// The disk does not take a clip.
    ClipUnkept,
    /// A hitter who gets no new session.
    Frozen,
    /// A recording that cannot be used or kept.
    Sound(SoundError),
    /// Words that do not fit the cage's screen.
    UnfitWords,
    /// The form's token is not that of the web session.
    StaleForm,
    IncompleteForm,
    /// Something would be deleted, and nobody has said that it may be.
    Unsure,
    /// Films that were refused could not be deleted.
    FilmsLeft,
    /// A fault of the program.
    Internal,
}

impl PageError {
    fn status(&self) -> StatusCode {
        match self {
            Self::NotFound => StatusCode::NOT_FOUND,
            Self::Unencrypted { instead: Some(_) } => StatusCode::PERMANENT_REDIRECT,
            Self::UnknownChange
            | Self::UnknownEvent
            | Self::NoTime
            | Self::CannotMove(_)
            | Self::Credentials(_)
            | Self::IncompleteForm
            | Self::Unsure
            | Self::UnfitWords
            | Self::Frozen
            | Self::Sound(
                SoundError::DecodeSound { .. }
                | SoundError::SilentSound { .. }
                | SoundError::LongSound { .. },
            )
            | Self::Journal(JournalError::Refused { .. }) => StatusCode::UNPROCESSABLE_ENTITY,
            Self::NoJournal
            | Self::Journal(_)
            | Self::FilmsLeft
            | Self::TooManyClips
            | Self::ClipUnkept
            | Self::Sound(_) => StatusCode::SERVICE_UNAVAILABLE,
            Self::UnknownHost => StatusCode::MISDIRECTED_REQUEST,
            Self::ReadOnly
            | Self::ForeignForm
            | Self::LoginRequired
            | Self::UnknownForwarder
            | Self::Unencrypted { instead: None }
            | Self::NoKeys
            | Self::LocalOnly
            | Self::NoSession
            | Self::StaleForm => StatusCode::FORBIDDEN,
            Self::FormTooLarge | Self::SoundTooLarge | Self::ClipTooLarge => {
                StatusCode::PAYLOAD_TOO_LARGE
            }
            Self::TooSlow => StatusCode::REQUEST_TIMEOUT,
            Self::TooMany => StatusCode::SERVICE_UNAVAILABLE,
            Self::NotForm | Self::NotSound => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            Self::Internal => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }

    fn text(&self, i18n: &Messages) -> String {
        let key = match self {
            Self::NotFound => "error.not_found",
            Self::UnknownChange => "error.unknown_change",
            Self::UnknownEvent => "error.unknown_event",
            Self::NoTime => "error.no_time",
            Self::CannotMove(error) => return i18n.error(error),
            Self::ReadOnly => "error.read_only",
            Self::NoJournal => "error.no_journal",
            Self::Journal(error) => return i18n.error(error),
            Self::Credentials(error) => return i18n.error(error),
            Self::UnknownHost => "error.unknown_host",
            Self::ForeignForm => "error.foreign_form",
            Self::LoginRequired => "error.login_required",
            Self::LocalOnly => "error.local_only",
            Self::NoSession => "error.no_session",
            Self::FormTooLarge => "error.form_too_large",
            Self::TooSlow => "error.too_slow",
            Self::TooMany => "error.too_many",
            Self::UnknownForwarder => "error.unknown_forwarder",
            Self::Unencrypted { .. } => "error.unencrypted",
            Self::NoKeys => "error.no_keys",
            Self::NotForm => "error.not_form",
            Self::NotSound => "error.not_sound",
            Self::SoundTooLarge => "error.sound_too_large",
            Self::Sound(SoundError::LongSound {
                millis,
                most_millis,
                ..
            }) => {
                let secs = |millis: u128| format!("{:.1}", millis as f64 / 1e3);
                return i18n.fill("error.sound_long", &[&secs(*millis), &secs(*most_millis)]);
            }
            Self::Sound(error) => return i18n.error(error),
            Self::ClipTooLarge => "error.clip_too_large",
            Self::TooManyClips => "error.too_many_clips",
            Self::ClipUnkept => "error.clip_unkept",
            Self::Frozen => "fault.switch.frozen",
            Self::UnfitWords => "error.words_unfit",
            Self::StaleForm => "error.stale_form",
            Self::IncompleteForm => "error.incomplete_form",
            Self::Unsure => "error.unsure",
            Self::FilmsLeft => "deleted.films_failed",
            Self::Internal => "error.internal",
        };
        i18n.t(key).to_owned()
    }
}

impl From<JournalError> for PageError {
    fn from(error: JournalError) -> Self {
        match error {
            JournalError::NoSuchRep { .. }
            | JournalError::NoSuchSession { .. }
            | JournalError::NoSuchHitter { .. }
            | JournalError::NoTimeline { .. } => Self::NotFound,
            error => Self::Journal(error),
        }
    }
}

impl From<SoundError> for PageError {
    fn from(error: SoundError) -> Self {
        Self::Sound(error)
    }
}

impl From<CannotMove> for PageError {
    fn from(error: CannotMove) -> Self {
        Self::CannotMove(error)
    }
}

impl From<askama::Error> for PageError {
    fn from(error: askama::Error) -> Self {
        tracing::error!(%error, "a page could not be rendered");
        Self::Internal
    }
}

impl From<tokio::task::JoinError> for PageError {
    fn from(error: tokio::task::JoinError) -> Self {
        tracing::error!(%error, "a task of the page failed");
        Self::Internal
    }
}

impl IntoResponse for PageError {
    fn into_response(self) -> Response {
        // The answer names the kind of fault; the log has its details, such as where the file is.
        match &self {
            Self::Journal(error) => tracing::warn!(%error, "a request could not be answered"),
            Self::Credentials(error) => tracing::warn!(%error, "a request could not be answered"),
            Self::Sound(error) => tracing::warn!(%error, "a recording could not be taken"),
            _ => {}
        }
        let mut response = self.status().into_response();
        if let Self::Unencrypted {
            instead: Some(instead),
        } = &self
            && let Ok(instead) = HeaderValue::from_str(instead)
        {
            response.headers_mut().insert(LOCATION, instead);
        }
        response.extensions_mut().insert(Arc::new(self));
        response
    }
}

/// Gives a failed request's response its text.
pub(super) fn with_error_text(mut response: Response, i18n: &Messages) -> Response {
    let text = match response.extensions_mut().remove::<Arc<PageError>>() {
        Some(error) => error.text(i18n),
        // The framework refuses an address or a query that cannot be read, in English and in a programmer's words.
        None if response.status() == StatusCode::BAD_REQUEST => {
            i18n.t("error.bad_request").to_owned()
        }
        None => return response,
    };
    let headers = response.headers_mut();
    headers.remove(CONTENT_LENGTH);
    headers.insert(
        CONTENT_TYPE,
        HeaderValue::from_static("text/plain; charset=utf-8"),
    );
    *response.body_mut() = Body::from(format!("{text}\n"));
    response
}
