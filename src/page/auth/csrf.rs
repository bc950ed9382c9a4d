//! Forms that are protected against forgery: each carries the token of its web session.

use axum::body::to_bytes;
use axum::extract::{FromRequest, Request};
use axum::http::HeaderMap;
use axum::http::header::CONTENT_TYPE;
use serde::de::DeserializeOwned;
use subtle::ConstantTimeEq;

use super::Requester;
use crate::page::error::PageError;
use crate::page::state::AppState;

/// No form of ours is larger, bytes.
const MAX_FORM_BYTES: usize = 32 * 1024;

/// A form whose token was checked.
pub(in crate::page) struct CsrfForm<T>(pub(in crate::page) T);

impl<T: DeserializeOwned> FromRequest<AppState> for CsrfForm<T> {
    type Rejection = PageError;

    async fn from_request(request: Request, _state: &AppState) -> Result<Self, PageError> {
        if !is_form(request.headers()) {
            return Err(PageError::NotForm);
        }
        let token = request
            .extensions()
            .get::<Requester>()
            .map(|requester| requester.form_token.clone())
            .filter(|token| !token.is_empty())
            .ok_or(PageError::NoSession)?;
        let bytes = to_bytes(request.into_body(), MAX_FORM_BYTES)
            .await
            .map_err(|_| PageError::FormTooLarge)?;
        let sent = field(&bytes, "token").unwrap_or_default();
        if !bool::from(sent.as_bytes().ct_eq(token.as_bytes())) {
            return Err(PageError::StaleForm);
        }
        serde_urlencoded::from_bytes(&bytes)
            .map(CsrfForm)
            .map_err(|_| PageError::IncompleteForm)
    }
}

/// Whether the content is of the kind that forms of a page have.
fn is_form(headers: &HeaderMap) -> bool {
    let kind = headers
        .get(CONTENT_TYPE)
        .and_then(|kind| kind.to_str().ok());
    kind.and_then(|kind| kind.split(';').next())
        .is_some_and(|kind| {
            kind.trim()
                .eq_ignore_ascii_case("application/x-www-form-urlencoded")
        })
}

fn field(bytes: &[u8], name: &str) -> Option<String> {
    let fields: Vec<(String, String)> = serde_urlencoded::from_bytes(bytes).ok()?;
    fields
        .into_iter()
        .find(|(key, _)| key == name)
        .map(|(_, value)| value)
}
