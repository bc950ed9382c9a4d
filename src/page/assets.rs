//! Scripts and styles, which ship in the program.

use axum::extract::Path;
use axum::http::HeaderValue;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

use super::error::PageError;

/// Each with its kind. A page names them with the program's version, so that a browser may keep them.
const ASSETS: &[(&str, &str, &str)] = &[
    (
        "page.css",
        "text/css; charset=utf-8",
        include_str!("assets/page.css"),
    ),
    (
        "figure.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/figure.js"),
    ),
    (
        "overlays.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/overlays.js"),
    ),
    (
        "cage.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/cage.js"),
    ),
    (
        "picture.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/picture.js"),
    ),
    (
        "film.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/film.js"),
    ),
    (
        "owner.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/owner.js"),
    ),
    (
        "player.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/player.js"),
    ),
    (
        "today.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/today.js"),
    ),
    (
        "clips.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/clips.js"),
    ),
    (
        "voice.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/voice.js"),
    ),
    (
        "voice-recorder.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/voice-recorder.js"),
    ),
    ("icon.svg", "image/svg+xml", include_str!("assets/icon.svg")),
];

pub(super) async fn asset(Path(name): Path<String>) -> Response {
    let Some((_, kind, text)) = ASSETS.iter().find(|(known, ..)| *known == name) else {
        return PageError::NotFound.into_response();
    };
    let headers = [
        (CONTENT_TYPE, HeaderValue::from_static(kind)),
        (
            CACHE_CONTROL,
            HeaderValue::from_static("public, max-age=3600"),
        ),
    ];
    (headers, *text).into_response()
}
