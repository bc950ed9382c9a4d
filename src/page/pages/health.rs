//! The health of the daemon: a page for the owner, JSON and metrics for programs.

use askama::Template;
use axum::Extension;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{Html, IntoResponse, Response};

use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::health::{HealthFigures, health_lines, metrics};
use crate::page::state::AppState;

#[derive(Template)]
#[template(path = "health.html")]
struct HealthPage<'a> {
    page: PageContext<'a>,
    lines: Vec<(&'static str, String)>,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Html<String>, PageError> {
    let page = HealthPage {
        page: PageContext::new(&requester, Section::Health),
        lines: health_lines(&figures(&state)),
    };
    html(&page)
}

fn figures(state: &AppState) -> HealthFigures {
    HealthFigures::of(&state.health, state.started.elapsed())
}

pub(in crate::page) async fn json(State(state): State<AppState>) -> Response {
    let text = serde_json::to_string(&figures(&state)).unwrap_or_else(|error| {
        tracing::error!(%error, "the health figures could not be written");
        "{}".to_owned()
    });
    ([(CONTENT_TYPE, "application/json")], text).into_response()
}

pub(in crate::page) async fn prometheus(State(state): State<AppState>) -> Response {
    (
        [(CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")],
        metrics::text(&figures(&state)),
    )
        .into_response()
}
