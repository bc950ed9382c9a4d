//! Choosing the language, and texts in addresses.

use axum::Extension;
use axum::http::header::SET_COOKIE;
use axum::response::{IntoResponse, Redirect, Response};
use cookie::{Cookie, SameSite};
use serde::Deserialize;

use super::doors::{LANGUAGE, Posted, Visitor};
use crate::sound::Language;

/// What the form sends.
#[derive(Deserialize)]
pub(super) struct Choice {
    code: String,
    to: Option<String>,
}

/// Keeps the language in a cookie and goes back to where it was chosen.
pub(super) async fn choose(
    Extension(_visitor): Extension<Visitor>,
    Posted(choice): Posted<Choice>,
) -> Response {
    let back = Redirect::to(&own_path(choice.to.as_deref()));
    let Some(language) = Language::from_code(&choice.code) else {
        return back.into_response();
    };
    let cookie = Cookie::build((LANGUAGE, language.code()))
        .same_site(SameSite::Strict)
        .path("/")
        .permanent()
        .build()
        .to_string();
    ([(SET_COOKIE, cookie)], back).into_response()
}

/// A path on this site to go on to; the start where what was sent is none, so that nobody is sent elsewhere.
pub(super) fn own_path(sent: Option<&str>) -> String {
    sent.filter(|path| {
        path.starts_with('/')
            && !path.starts_with("//")
            && !path.contains(['\\', '\r', '\n'])
            && path.is_ascii()
    })
    .unwrap_or("/")
    .to_owned()
}

/// A text as it stands in an address.
pub(super) fn encoded(text: &str) -> String {
    serde_urlencoded::to_string([("", text)])
        .map(|pair| pair.trim_start_matches('=').to_owned())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_sent_to_another_site() {
        for path in ["/sessions/3?from=2", "/"] {
            assert_eq!(own_path(Some(path)), path);
        }
        for path in [
            "//evil.example",
            "http://evil.example",
            "/\\evil.example",
            "",
            "x",
            "/a\r\nb",
        ] {
            assert_eq!(own_path(Some(path)), "/", "{path}");
        }
        assert_eq!(encoded("/sessions/3 &"), "%2Fsessions%2F3+%26");
    }
}
