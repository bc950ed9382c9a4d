//! Logging in with the PIN, or with a password and where wanted a one-time code, and logging out.

use std::sync::Arc;
use std::time::Instant;

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::SET_COOKIE;
use axum::response::{AppendHeaders, Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::credentials::{Typed, is_outdated};
use super::events::{AuthEvent, Refusal, report};
use super::login_throttle::{Source, Try};
use super::{
    Credentials, CsrfForm, DEVICE_COOKIE, DEVICE_DAYS, NoFields, Principal, Requester,
    SESSION_COOKIE, devices, one_time_code, private_cookie, session_cookie,
};
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
    /// What a form was sent with, to be corrected.
    name: String,
    /// Whether coaches can log in at all.
    has_coach: bool,
}

/// Where to go after the login.
#[derive(Deserialize)]
pub(in crate::page) struct LoginQuery {
    to: Option<String>,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<LoginQuery>,
) -> Result<Html<String>, PageError> {
    let to = same_site_path(query.to.as_deref());
    render(&state, &requester, to, None, String::new())
}

fn render(
    state: &AppState,
    requester: &Requester,
    to: String,
    error: Option<String>,
    name: String,
) -> Result<Html<String>, PageError> {
    html(&LoginPage {
        page: PageContext::new(requester, Section::Login),
        to,
        error,
        name,
        has_coach: state.credentials().is_ok_and(|keys| keys.has_coach()),
    })
}

#[derive(Deserialize)]
pub(in crate::page) struct LoginForm {
    /// The coach's account; empty for the PIN and the shared account.
    #[serde(default)]
    name: String,
    /// The PIN or the password.
    key: String,
    /// The one-time code.
    #[serde(default)]
    code: String,
    to: Option<String>,
}

pub(in crate::page) async fn log_in(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(form): CsrfForm<LoginForm>,
) -> Result<Response, PageError> {
    let to = same_site_path(form.to.as_deref());
    let i18n = requester.messages();
    let address = requester.client.address;
    let refuse = |why: Refusal, status: StatusCode, text: String| {
        report(&state, &AuthEvent::Refused(why), Some(address));
        let page = render(
            &state,
            &requester,
            to.clone(),
            Some(text),
            form.name.clone(),
        )?;
        Ok((status, page).into_response())
    };
    let keys = state.credentials().map_err(PageError::Credentials)?;
    let source = source(&requester, &keys);
    let begun = match state.login_throttle.begin(source, Instant::now()) {
        Ok(begun) => begun,
        Err(wait) => {
            let text = i18n.counted("count.wait", wait.as_secs() + 1);
            return refuse(Refusal::TooMany, StatusCode::TOO_MANY_REQUESTS, text);
        }
    };
    let is_here = requester.client.is_here;
    let checked = {
        let (state, keys) = (state.clone(), Arc::clone(&keys));
        let (name, key, code) = (form.name.clone(), form.key, form.code);
        // It runs to its end, and is counted, also where the sender hangs up.
        state
            .hash(move |state| check(&state, &keys, [&name, &key, &code], is_here, begun))
            .await?
    };
    let who = match checked {
        Ok(who) => who,
        Err(why) => {
            let text = i18n.t(match why {
                Refusal::WrongCode => "door.wrong_code",
                Refusal::OutdatedKey => "door.outdated",
                Refusal::WrongKey | Refusal::TooMany => "door.wrong",
            });
            return refuse(why, StatusCode::FORBIDDEN, text.to_owned());
        }
    };
    // A coach who asked for no page in particular begins with the day.
    let to = match (&who, to.as_str()) {
        (Principal::Coach(_), "/") => "/today".to_owned(),
        _ => to,
    };
    // A new token: one that was known before the login must not open anything (session fixation).
    if let Some(before) = &requester.token {
        state.web_sessions().end(before, Instant::now());
    }
    let token = state
        .web_sessions()
        .start(who.clone(), &keys, address, state.moment())
        .ok_or(PageError::Internal)?;
    report(&state, &AuthEvent::LoggedIn(&who), Some(address));
    let mark = devices::mark(requester.device.as_deref(), &who, &keys).map(|mark| {
        let mut cookie = private_cookie(DEVICE_COOKIE, &mark, requester.client).into_owned();
        cookie.set_max_age(cookie::time::Duration::days(DEVICE_DAYS));
        (SET_COOKIE, cookie.to_string())
    });
    let session = [(SET_COOKIE, session_cookie(&token, requester.client))];
    Ok((
        AppendHeaders(session),
        AppendHeaders(mark),
        Redirect::to(&to),
    )
        .into_response())
}

/// Where a try comes from.
fn source(requester: &Requester, keys: &Credentials) -> Source {
    let device = requester
        .device
        .as_deref()
        .and_then(|mark| devices::known(mark, keys));
    match device {
        Some(device) => device,
        None if requester.client.is_here => Source::Here,
        None => Source::stranger(requester.client.address),
    }
}

/// Checks what was typed: name, key and code.
fn check(
    state: &AppState,
    keys: &Credentials,
    [name, key, code]: [&str; 3],
    is_here: bool,
    begun: Try,
) -> Result<Principal, Refusal> {
    let who = keys.verify(Typed { name, key }).ok_or(Refusal::WrongKey)?;
    if let (Some(secret), Principal::Coach(name)) = (keys.code(&who), &who) {
        let mut used = state.used_codes();
        let now = u64::try_from(crate::wall_clock::now().as_second()).unwrap_or_default();
        let step = one_time_code::step_of(secret, code, now, used.get(name).copied());
        used.insert(name.clone(), step.ok_or(Refusal::WrongCode)?);
    }
    begun.was_right();
    // Older keys may be short: they still open what this machine's own screen may see.
    if !is_here && is_outdated(&who, key) {
        return Err(Refusal::OutdatedKey);
    }
    Ok(who)
}

pub(in crate::page) async fn log_out(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(NoFields {}): CsrfForm<NoFields>,
) -> Response {
    let ended = requester
        .token
        .as_deref()
        .and_then(|token| state.web_sessions().end(token, Instant::now()));
    if let Some(session) = ended {
        report(
            &state,
            &AuthEvent::LoggedOut(&session.who),
            Some(requester.client.address),
        );
    }
    let mut gone = private_cookie(SESSION_COOKIE, "", requester.client);
    gone.make_removal();
    ([(SET_COOKIE, gone.to_string())], Redirect::to("/")).into_response()
}
