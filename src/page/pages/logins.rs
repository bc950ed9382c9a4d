//! Who is logged in: a list for the coach, who can end any of them.

use std::time::Instant;

use askama::Template;
use axum::Extension;
use axum::extract::{Path, State};
use axum::response::{Html, Redirect};

use crate::page::auth::{
    AuthEvent, CsrfForm, NoFields, Principal, Requester, SHARED_ACCOUNT, WebSession, report,
};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;

#[derive(Template)]
#[template(path = "logins.html")]
struct LoginsPage<'a> {
    page: PageContext<'a>,
    rows: Vec<LoginRow>,
    wrong_keys: String,
}

struct LoginRow {
    id: u64,
    who: String,
    address: String,
    since: String,
    last_seen: String,
    is_own: bool,
}

pub(in crate::page) async fn list(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Html<String>, PageError> {
    let i18n = requester.messages();
    let keys = state.credentials().map_err(PageError::Credentials)?;
    let sessions = state.web_sessions().list(&keys, Instant::now());
    let own = requester.session.as_ref().map(|session| session.id);
    let rows = sessions.into_iter().map(|session| LoginRow {
        id: session.id,
        who: account_name(&session.who, i18n),
        address: session.address.to_string(),
        since: format::day_and_time(session.started.wall),
        last_seen: format::day_and_time(session.last_seen.wall),
        is_own: own == Some(session.id),
    });
    html(&LoginsPage {
        page: PageContext::new(&requester, Section::Logins),
        rows: rows.collect(),
        wrong_keys: wrong_keys(&state, i18n),
    })
}

/// How often a wrong key was tried, and since when.
pub(in crate::page) fn wrong_keys(state: &AppState, i18n: &Messages) -> String {
    let since = format::day_and_time(state.started.wall);
    let count = state.login_throttle.wrong_keys();
    i18n.counted_with("count.wrong_keys", count, &[&since])
}

/// What people call an account.
pub(super) fn account_name(who: &Principal, i18n: &Messages) -> String {
    match who {
        Principal::Screen => i18n.t("logins.screen").to_owned(),
        Principal::Coach(name) if name == SHARED_ACCOUNT => i18n.t("logins.shared").to_owned(),
        Principal::Coach(name) => name.clone(),
    }
}

pub(in crate::page) async fn end(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<u64>,
    CsrfForm(NoFields {}): CsrfForm<NoFields>,
) -> Result<Redirect, PageError> {
    let ended = state.web_sessions().end_listed(id, Instant::now());
    told(&state, &ended.ok_or(PageError::NotFound)?, &requester);
    Ok(Redirect::to("/logins"))
}

pub(in crate::page) async fn end_others(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(NoFields {}): CsrfForm<NoFields>,
) -> Result<Redirect, PageError> {
    let keys = state.credentials().map_err(PageError::Credentials)?;
    let own = requester.session.as_ref().map(|session| session.id);
    let mut sessions = state.web_sessions();
    for session in sessions.list(&keys, Instant::now()) {
        if Some(session.id) != own
            && let Some(ended) = sessions.end_listed(session.id, Instant::now())
        {
            told(&state, &ended, &requester);
        }
    }
    Ok(Redirect::to("/logins"))
}

fn told(state: &AppState, ended: &WebSession, requester: &Requester) {
    // On this machine a trial needs no login.
    let by = requester
        .session
        .as_ref()
        .map_or(&ended.who, |session| &session.who);
    let event = AuthEvent::SessionEnded {
        whose: &ended.who,
        by,
    };
    report(state, &event, Some(requester.client.address));
}
