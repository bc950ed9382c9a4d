//! The health of the daemon: a page for the owner, JSON and metrics for programs.

use std::time::Instant;

use askama::Template;
use axum::Extension;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{Html, IntoResponse, Response};

use crate::page::PageUse;
use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::health::{localized_lines, metrics};
use crate::page::i18n::Messages;
use crate::page::pages::logins::wrong_keys;
use crate::page::state::AppState;
use crate::rep::MeasureName;
use crate::sound::Language;
use crate::status::{HealthFigures, LiveRep};

#[derive(Template)]
#[template(path = "health.html")]
struct HealthPage<'a> {
    page: PageContext<'a>,
    lines: Vec<(String, String)>,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Html<String>, PageError> {
    let i18n = requester.messages();
    let mut figures = figures(&state);
    let model = state.health.model();
    let model = model.map(|reason| i18n.model(reason)).unwrap_or_default();
    let live = state.health.live.subscribe().borrow().clone();
    let last_rep = match requester.language {
        Language::English => figures.stage.last_rep.take(),
        Language::Spanish => live.trail.back().map(|rep| last_rep_text(rep, i18n)),
    };
    let mut lines = localized_lines(&figures, model, last_rep, i18n);
    lines.push((
        i18n.t("health.wrong_keys").to_owned(),
        wrong_keys(&state, i18n),
    ));
    html(&HealthPage {
        page: PageContext::new(&requester, Section::Health),
        lines,
    })
}

/// The last rep in languages other than the terminal's.
fn last_rep_text(rep: &LiveRep, i18n: &Messages) -> String {
    let mut text = format!("{}: {}", rep.number, i18n.rep_kind(rep.kind));
    if let Some(name) = rep.measure.and_then(MeasureName::from_name)
        && let Some(value) = rep.value
    {
        text += &format!(", {} {value:.1} {}", i18n.measure(name), rep.unit);
    }
    if let Some(cue) = &rep.cue {
        text += &format!(" · {}", i18n.cue_heard(cue, rep.words));
    }
    text
}

fn figures(state: &AppState) -> HealthFigures {
    let journal = state.control.journal();
    state
        .health
        .figures(state.started.age(Instant::now()), journal.as_deref())
}

pub(in crate::page) async fn json(State(state): State<AppState>) -> Response {
    let text = serde_json::to_string(&figures(&state)).unwrap_or_else(|error| {
        tracing::error!(%error, "the health figures could not be written");
        "{}".to_owned()
    });
    ([(CONTENT_TYPE, "application/json")], text).into_response()
}

pub(in crate::page) async fn prometheus(
    State(state): State<AppState>,
) -> Result<Response, PageError> {
    let text = match state.control.purpose() {
        PageUse::Office => metrics::cages_text(&state.read(|reader| reader.cages()).await?),
        _ => metrics::text(&figures(&state)),
    };
    let plain = [(CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")];
    Ok((plain, text).into_response())
}
