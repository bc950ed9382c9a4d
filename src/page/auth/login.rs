//! Logging in with the PIN or the password, and logging out.

use std::time::Instant;

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::SET_COOKIE;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::{CredentialKind, CsrfForm, Requester, Role, session_cookie};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::pages::language::same_site_path;
use crate::page::state::AppState;

#[derive(Template)]
#[template(path = "login.html")]
struct LoginPage<'a> {
    page: PageContext<'a>,
    to: String,
    error: Option<String>,
}

/// Where to go after the login.
#[derive(Deserialize)]
pub(in crate::page) struct LoginQuery {
    to: Option<String>,
}

pub(in crate::page) async fn page(
    Extension(requester): Extension<Requester>,
    Query(query): Query<LoginQuery>,
) -> Result<Html<String>, PageError> {
    render(&requester, same_site_path(query.to.as_deref()), None)
}

fn render(
    requester: &Requester,
    to: String,
    error: Option<String>,
) -> Result<Html<String>, PageError> {
    html(&LoginPage {
        page: PageContext::new(requester, Section::Login),
        to,
        error,
    })
}

#[derive(Deserialize)]
pub(in crate::page) struct LoginForm {
    /// The PIN or the password.
    key: String,
    to: Option<String>,
}

pub(in crate::page) async fn log_in(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(form): CsrfForm<LoginForm>,
) -> Result<Response, PageError> {
    let to = same_site_path(form.to.as_deref());
    let i18n = requester.messages();
    if let Some(wait) = state
        .login_throttle()
        .wait(requester.address, Instant::now())
    {
        let error = i18n.format("door.wait", wait.as_secs() + 1);
        let page = render(&requester, to, Some(error))?;
        return Ok((StatusCode::TOO_MANY_REQUESTS, page).into_response());
    }
    let credentials = state.credentials().map_err(PageError::Credentials)?;
    // Counted as a failure until it proves right: many attempts at one moment must not slip through together.
    state
        .login_throttle()
        .record_failure(requester.address, Instant::now());
    let key = form.key;
    let role = tokio::task::spawn_blocking(move || {
        if credentials.verify(CredentialKind::Password, &key) {
            Role::Coach
        } else if credentials.verify(CredentialKind::Pin, &key) {
            Role::Hitter
        } else {
            Role::Anonymous
        }
    })
    .await?;
    if role == Role::Anonymous {
        tracing::warn!(from = %requester.address, "a login with a wrong PIN or password");
        let error = i18n.t("door.wrong").to_owned();
        let page = render(&requester, to, Some(error))?;
        return Ok((StatusCode::FORBIDDEN, page).into_response());
    }
    state.login_throttle().record_success(requester.address);
    // A new token: one that was known before the login must not open anything (session fixation).
    if let Some(before) = &requester.session_token {
        state.web_sessions().end(before);
    }
    let (token, _) = state
        .web_sessions()
        .start(role, Instant::now())
        .ok_or(PageError::Internal)?;
    Ok(([(SET_COOKIE, session_cookie(&token))], Redirect::to(&to)).into_response())
}

/// A form with nothing but its token.
#[derive(Deserialize)]
pub(in crate::page) struct LogoutForm {}

pub(in crate::page) async fn log_out(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(LogoutForm {}): CsrfForm<LogoutForm>,
) -> Redirect {
    if let Some(token) = &requester.session_token {
        state.web_sessions().end(token);
    }
    Redirect::to("/")
}
