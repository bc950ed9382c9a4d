//! The door: a PIN or a password is asked for, tried with patience, and a visit begun.

use std::time::Instant;

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::SET_COOKIE;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::doors::{Posted, Visitor, visit_cookie};
use super::keys::KeyOf;
use super::language::own_path;
use super::shared::{Shared, Trouble};
use super::visits::Role;
use super::words::Words;

/// The page's content.
#[derive(Template)]
#[template(path = "door.html")]
struct DoorPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    to: String,
    said: Option<String>,
}

/// Where whoever gets in wants to go.
#[derive(Deserialize)]
pub(super) struct Wanted {
    to: Option<String>,
}

pub(super) async fn page(
    Extension(visitor): Extension<Visitor>,
    Query(wanted): Query<Wanted>,
) -> Result<Html<String>, Trouble> {
    shown(&visitor, own_path(wanted.to.as_deref()), None)
}

fn shown(visitor: &Visitor, to: String, said: Option<String>) -> Result<Html<String>, Trouble> {
    let page = DoorPage {
        w: visitor.words(),
        visitor,
        here: "door",
        to,
        said,
    };
    Ok(Html(page.render()?))
}

/// What the form sends.
#[derive(Deserialize)]
pub(super) struct Typed {
    key: String,
    to: Option<String>,
}

pub(super) async fn enter(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Posted(typed): Posted<Typed>,
) -> Result<Response, Trouble> {
    let to = own_path(typed.to.as_deref());
    let w = visitor.words();
    if let Some(wait) = shared.watch().wait(visitor.address, Instant::now()) {
        let said = w.with("door.wait", wait.as_secs() + 1);
        let page = shown(&visitor, to, Some(said))?;
        return Ok((StatusCode::TOO_MANY_REQUESTS, page).into_response());
    }
    let keys = shared
        .keys()
        .map_err(|error| Trouble::Unfit(error.to_string()))?;
    // Counted as wrong until it proves right: many tries at one moment must not slip through together.
    shared.watch().wrong(visitor.address, Instant::now());
    let key = typed.key;
    let role = tokio::task::spawn_blocking(move || {
        if keys.opens(KeyOf::Coach, &key) {
            Role::Coach
        } else if keys.opens(KeyOf::Hitter, &key) {
            Role::Hitter
        } else {
            Role::Nobody
        }
    })
    .await
    .map_err(|_| Trouble::Fault)?;
    if role == Role::Nobody {
        tracing::warn!(from = %visitor.address, "a wrong key was tried at the page's door");
        let page = shown(&visitor, to, Some(w.t("door.wrong").to_owned()))?;
        return Ok((StatusCode::FORBIDDEN, page).into_response());
    }
    shared.watch().right(visitor.address);
    // A new token: one that was known before the key was told must not open anything.
    if let Some(before) = &visitor.visit {
        shared.visits().end(before);
    }
    let (token, _) = shared
        .visits()
        .begin(role, Instant::now())
        .ok_or(Trouble::Fault)?;
    Ok(([(SET_COOKIE, visit_cookie(&token))], Redirect::to(&to)).into_response())
}

/// What the form sends.
#[derive(Deserialize)]
pub(super) struct Leaving {}

pub(super) async fn leave(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Posted(Leaving {}): Posted<Leaving>,
) -> Redirect {
    if let Some(visit) = &visitor.visit {
        shared.visits().end(visit);
    }
    Redirect::to("/")
}
