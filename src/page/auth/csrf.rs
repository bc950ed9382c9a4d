//! Forms, and recordings and clips that a script sends, protected against forgery: each carries the token of its web session.

use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::extract::{FromRequest, Request};
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::{HeaderMap, HeaderName};
use ring::hmac;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use subtle::ConstantTimeEq;

use super::Requester;
use super::credentials::{hex, random_hex};
use crate::page::error::PageError;
use crate::page::state::AppState;

/// No form of ours is larger, bytes.
const MAX_FORM_BYTES: usize = 32 * 1024;

/// No recording of a cue is larger, bytes: three seconds are a sixth of that.
const MAX_SOUND_BYTES: usize = 2_000_000;
/// What a script that sends no form has the token in.
const TOKEN: HeaderName = HeaderName::from_static("cagehand-token");
/// What it has a file's name in, percent-encoded.
const FILE_NAME: HeaderName = HeaderName::from_static("cagehand-file");
/// The kinds of content that WAV and FLAC files go by.
const SOUNDS: [&str; 5] = [
    "audio/wav",
    "audio/x-wav",
    "audio/wave",
    "audio/flac",
    "audio/x-flac",
];

/// How long a form may take to come in.
const PATIENCE: Duration = Duration::from_secs(15);

/// Makes the token of a web session's forms out of its cookie, with a key that ends with the program: nothing is remembered of
/// whoever is not logged in.
#[derive(Clone)]
pub(in crate::page) struct FormTokens(hmac::Key);

impl FormTokens {
    pub(in crate::page) fn new() -> Self {
        // Without random numbers nobody gets a cookie either, and no form is taken.
        let key = random_hex().unwrap_or_default();
        Self(hmac::Key::new(hmac::HMAC_SHA256, key.as_bytes()))
    }

    /// The form token of a cookie.
    pub(super) fn of(&self, cookie: &str) -> String {
        let tag = hmac::sign(&self.0, cookie.as_bytes());
        hex(tag.as_ref())
    }
}

/// The fields of a form with nothing but its token.
#[derive(Deserialize)]
pub(in crate::page) struct NoFields {}

/// A form whose token was checked.
pub(in crate::page) struct CsrfForm<T>(pub(in crate::page) T);

impl<T: DeserializeOwned> FromRequest<AppState> for CsrfForm<T> {
    type Rejection = PageError;

    async fn from_request(request: Request, _state: &AppState) -> Result<Self, PageError> {
        if !is_of_kind(request.headers(), &["application/x-www-form-urlencoded"]) {
            return Err(PageError::NotForm);
        }
        let token = form_token(&request)?;
        let bytes = tokio::time::timeout(PATIENCE, to_bytes(request.into_body(), MAX_FORM_BYTES))
            .await
            .map_err(|_| PageError::TooSlow)?
            .map_err(|_| PageError::FormTooLarge)?;
        form_in(&bytes, &token).map(CsrfForm)
    }
}

/// A sound file that a script sent, with the token in a header.
pub(in crate::page) struct CsrfSound(pub(in crate::page) Vec<u8>);

impl FromRequest<AppState> for CsrfSound {
    type Rejection = PageError;

    async fn from_request(request: Request, _state: &AppState) -> Result<Self, PageError> {
        if !is_of_kind(request.headers(), &SOUNDS) {
            return Err(PageError::NotSound);
        }
        check_header(&request)?;
        let bytes = tokio::time::timeout(PATIENCE, to_bytes(request.into_body(), MAX_SOUND_BYTES))
            .await
            .map_err(|_| PageError::TooSlow)?
            .map_err(|_| PageError::SoundTooLarge)?;
        Ok(Self(bytes.into()))
    }
}

/// A clip that a script sends, with the token in a header. It is too large to be held in memory.
pub(in crate::page) struct CsrfUpload {
    pub(in crate::page) body: Body,
    /// How long the body says it is.
    pub(in crate::page) bytes: u64,
    /// What the file is called.
    pub(in crate::page) name: String,
}

impl FromRequest<AppState> for CsrfUpload {
    type Rejection = PageError;

    async fn from_request(request: Request, _state: &AppState) -> Result<Self, PageError> {
        if !is_of_kind(request.headers(), &["application/octet-stream"]) {
            return Err(PageError::NotForm);
        }
        check_header(&request)?;
        let length = request.headers().get(CONTENT_LENGTH);
        let bytes = length
            .and_then(|length| length.to_str().ok()?.parse().ok())
            .ok_or(PageError::IncompleteForm)?;
        let name = request.headers().get(FILE_NAME);
        let name = name.map_or(&[] as &[u8], |name| name.as_bytes());
        Ok(Self {
            bytes,
            // As the value of a form's field is written.
            name: field(&[b"name=", name].concat(), "name").unwrap_or_default(),
            body: request.into_body(),
        })
    }
}

/// Whether the header of a request without a form carries its web session's token.
fn check_header(request: &Request) -> Result<(), PageError> {
    let token = form_token(request)?;
    let sent = request.headers().get(TOKEN);
    let sent = sent.map_or(&[] as &[u8], |sent| sent.as_bytes());
    match bool::from(sent.ct_eq(token.as_bytes())) {
        true => Ok(()),
        false => Err(PageError::StaleForm),
    }
}

/// The token that a request of this web session must carry.
fn form_token(request: &Request) -> Result<String, PageError> {
    let requester = request.extensions().get::<Requester>();
    requester
        .map(|requester| requester.form_token.clone())
        .filter(|token| !token.is_empty())
        .ok_or(PageError::NoSession)
}

/// The form in a body that carries the token.
pub(in crate::page) fn form_in<T: DeserializeOwned>(
    body: &[u8],
    token: &str,
) -> Result<T, PageError> {
    let sent = field(body, "token").unwrap_or_default();
    if !bool::from(sent.as_bytes().ct_eq(token.as_bytes())) {
        return Err(PageError::StaleForm);
    }
    serde_urlencoded::from_bytes(body).map_err(|_| PageError::IncompleteForm)
}

/// Whether the content is of one of these kinds.
fn is_of_kind(headers: &HeaderMap, kinds: &[&str]) -> bool {
    let kind = headers
        .get(CONTENT_TYPE)
        .and_then(|kind| kind.to_str().ok());
    kind.and_then(|kind| kind.split(';').next())
        .is_some_and(|sent| {
            let sent = sent.trim();
            kinds.iter().any(|kind| sent.eq_ignore_ascii_case(kind))
        })
}

fn field(bytes: &[u8], name: &str) -> Option<String> {
    let fields: Vec<(String, String)> = serde_urlencoded::from_bytes(bytes).ok()?;
    fields
        .into_iter()
        .find(|(key, _)| key == name)
        .map(|(_, value)| value)
}
