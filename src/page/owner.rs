//! For the owner and for programs: how the daemon is.

use askama::Template;
use axum::Extension;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{Html, IntoResponse, Response};

use super::doors::Visitor;
use super::health_page::{HealthFigures, health_lines};
use super::metrics;
use super::shared::{Shared, Trouble};
use super::words::Words;

/// The page's content.
#[derive(Template)]
#[template(path = "owner.html")]
struct OwnerPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    lines: Vec<(&'static str, String)>,
}

pub(super) async fn page(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
) -> Result<Html<String>, Trouble> {
    let page = OwnerPage {
        w: visitor.words(),
        visitor: &visitor,
        here: "owner",
        lines: health_lines(&figures(&shared)),
    };
    Ok(Html(page.render()?))
}

fn figures(shared: &Shared) -> HealthFigures {
    HealthFigures::of(&shared.health, shared.began.elapsed())
}

pub(super) async fn json(State(shared): State<Shared>) -> Response {
    let text = serde_json::to_string(&figures(&shared)).unwrap_or_else(|error| {
        tracing::error!(%error, "the health figures could not be written");
        "{}".to_owned()
    });
    ([(CONTENT_TYPE, "application/json")], text).into_response()
}

pub(super) async fn prometheus(State(shared): State<Shared>) -> Response {
    (
        [(CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")],
        metrics::text(&figures(&shared)),
    )
        .into_response()
}
