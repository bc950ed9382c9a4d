//! Choosing the language, and paths in URLs.

use axum::http::header::SET_COOKIE;
use axum::response::{IntoResponse, Redirect, Response};
use cookie::{Cookie, SameSite};
use serde::Deserialize;

use crate::page::auth::{CsrfForm, LANGUAGE_COOKIE};
use crate::sound::Language;

#[derive(Deserialize)]
pub(in crate::page) struct LanguageForm {
    code: String,
    to: Option<String>,
}

/// Keeps the language in a cookie and returns to the page where it was chosen.
pub(in crate::page) async fn choose(CsrfForm(form): CsrfForm<LanguageForm>) -> Response {
    let back = Redirect::to(&same_site_path(form.to.as_deref()));
    let Some(language) = Language::from_code(&form.code) else {
        return back.into_response();
    };
    let cookie = Cookie::build((LANGUAGE_COOKIE, language.code()))
        .same_site(SameSite::Strict)
        .path("/")
        .permanent()
        .build()
        .to_string();
    ([(SET_COOKIE, cookie)], back).into_response()
}

/// The path to redirect to: the one sent where it is on this site, else the start page, so that no link leads elsewhere
/// (open redirect).
pub(in crate::page) fn same_site_path(sent: Option<&str>) -> String {
    sent.filter(|path| {
        path.starts_with('/')
            && !path.starts_with("//")
            && !path.contains('\\')
            // A browser drops tabs and ends of lines, and what is left may begin with two slashes.
            && path.chars().all(|c| c.is_ascii_graphic())
    })
    .unwrap_or("/")
    .to_owned()
}

/// A text as it stands in a URL.
pub(in crate::page) fn url_encoded(text: &str) -> String {
    serde_urlencoded::to_string([("", text)])
        .map(|pair| pair.trim_start_matches('=').to_owned())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn redirects_stay_on_this_site() {
        for path in ["/sessions/3?from=2", "/"] {
            assert_eq!(same_site_path(Some(path)), path);
        }
        for path in [
            "//evil.example",
            "http://evil.example",
            "/\\evil.example",
            "",
            "x",
            "/a\r\nb",
            "/\t/evil.example",
            "/\u{7f}/evil.example",
            "/ /evil.example",
        ] {
            assert_eq!(same_site_path(Some(path)), "/", "{path}");
        }
        assert_eq!(url_encoded("/sessions/3 &"), "%2Fsessions%2F3+%26");
    }
}
