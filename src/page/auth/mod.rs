//! Authentication: who sends a request, which role they have, and the headers that every response carries.
//!
//! In: requests. Out: the same requests with a [`Requester`], or a refusal. On this machine the hitter's screen is open, and so
//! are the coach's pages as long as no password is set; from the network nothing opens without a PIN or password. A request that
//! changes anything must come from a page of ours: same origin, and with the form token of its web session.

mod credentials;
mod csrf;
pub(super) mod login;
mod login_throttle;
mod origin;
mod web_session;

use std::net::{IpAddr, SocketAddr};
use std::time::Instant;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::header::{
    ACCEPT_LANGUAGE, CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, REFERRER_POLICY, SET_COOKIE,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use cookie::{Cookie, SameSite};

use super::error::{PageError, with_error_text};
use super::i18n::Messages;
use super::pages::language::url_encoded;
use super::state::AppState;
use crate::sound::Language;

pub(crate) use credentials::{CredentialError, CredentialKind, Credentials};
pub(super) use csrf::CsrfForm;
pub(super) use login_throttle::LoginThrottle;
use origin::{is_local, is_same_origin, names_this_machine};
pub(super) use web_session::{Role, WebSessions};

/// The cookie of a web session; browsers that are logged in hold it under this name.
const SESSION_COOKIE: &str = "visit";
/// The language's cookie.
pub(super) const LANGUAGE_COOKIE: &str = "language";
/// What a page's script sends along when nobody asked for it: that does not keep a coach's session alive.
const POLLING: HeaderName = HeaderName::from_static("cagehand-polling");
/// The camera's preview, which a screen polls by itself, too.
pub(super) const PREVIEW_PATH: &str = "/picture";

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Who sends a request.
#[derive(Clone, Debug)]
pub(super) struct Requester {
    pub(super) role: Role,
    /// What their forms carry; empty without a web session.
    pub(super) form_token: String,
    /// Where the request comes from.
    pub(super) address: IpAddr,
    pub(super) language: Language,
    /// The token of their web session, where there is one.
    session_token: Option<String>,
}

impl Requester {
    /// The page's text in their language.
    pub(super) fn messages(&self) -> &'static Messages {
        Messages::of(self.language)
    }

    /// Whether the coach's pages are open to them.
    pub(super) fn is_coach(&self) -> bool {
        self.role == Role::Coach
    }
}

/// Puts a [`Requester`] on each request, and the security headers and the text of errors on each response.
pub(super) async fn authenticate(
    State(state): State<AppState>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    mut request: Request,
    next: Next,
) -> Response {
    let headers = request.headers();
    let language = cookie(headers, LANGUAGE_COOKIE)
        .and_then(|code| Language::from_code(&code))
        .or_else(|| accepted_language(headers))
        .unwrap_or(state.language);
    let refusal = if !names_this_machine(headers) {
        Some(PageError::UnknownHost)
    } else if !matches!(*request.method(), Method::GET | Method::HEAD) && !is_same_origin(headers) {
        Some(PageError::ForeignForm)
    } else {
        None
    };
    let response = match refusal {
        Some(error) => error.into_response(),
        None => {
            let requester = requester(&state, &request, peer.ip(), language);
            request.extensions_mut().insert(requester);
            next.run(request).await
        }
    };
    with_security_headers(with_error_text(response, Messages::of(language)))
}

fn requester(state: &AppState, request: &Request, peer: IpAddr, language: Language) -> Requester {
    let headers = request.headers();
    let now = Instant::now();
    let found = cookie(headers, SESSION_COOKIE).and_then(|token| {
        let mut sessions = state.web_sessions();
        let polls = request.uri().path() == PREVIEW_PATH || headers.contains_key(POLLING);
        let session = match polls {
            true => sessions.find_for_polling(&token, now)?,
            false => sessions.find(&token, now)?,
        };
        Some((token, session))
    });
    let own = found
        .as_ref()
        .map_or(Role::Anonymous, |(_, session)| session.role);
    let at_the_machine = if is_local(headers, peer) {
        state.role_at_the_machine()
    } else {
        Role::Anonymous
    };
    Requester {
        role: own.max(at_the_machine),
        form_token: found
            .as_ref()
            .map(|(_, session)| session.form_token.clone())
            .unwrap_or_default(),
        address: peer,
        language,
        session_token: found.map(|(token, _)| token),
    }
}

/// Starts a web session for a page that is opened without one, so that its forms have a token.
pub(super) async fn start_session(
    State(state): State<AppState>,
    mut request: Request,
    next: Next,
) -> Response {
    let mut new_cookie = None;
    if request.method() == Method::GET
        && let Some(requester) = request.extensions_mut().get_mut::<Requester>()
        && requester.session_token.is_none()
        && let Some((token, session)) = state.web_sessions().start(Role::Anonymous, Instant::now())
    {
        new_cookie = HeaderValue::from_str(&session_cookie(&token)).ok();
        requester.form_token = session.form_token;
        requester.session_token = Some(token);
    }
    let mut response = next.run(request).await;
    if let Some(cookie) = new_cookie {
        response.headers_mut().append(SET_COOKIE, cookie);
    }
    response
}

fn with_security_headers(mut response: Response) -> Response {
    let headers = response.headers_mut();
    let always = [
        (CONTENT_SECURITY_POLICY, POLICY),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (X_FRAME_OPTIONS, "DENY"),
        (REFERRER_POLICY, "same-origin"),
    ];
    for (name, value) in always {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

/// Lets only hitters and coaches pass.
pub(super) async fn require_hitter(request: Request, next: Next) -> Response {
    require_role(Role::Hitter, request, next).await
}

/// Lets only coaches pass.
pub(super) async fn require_coach(request: Request, next: Next) -> Response {
    require_role(Role::Coach, request, next).await
}

async fn require_role(role: Role, request: Request, next: Next) -> Response {
    let requester = request.extensions().get::<Requester>();
    if requester.is_some_and(|requester| requester.role >= role) {
        return next.run(request).await;
    }
    if request.method() == Method::GET && requester.is_some_and(|r| r.session_token.is_some()) {
        let back = url_encoded(request.uri().path());
        return Redirect::to(&format!("/door?to={back}")).into_response();
    }
    PageError::LoginRequired.into_response()
}

/// Lets programs on this machine pass, and coaches from anywhere.
pub(super) async fn require_local_or_coach(
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    request: Request,
    next: Next,
) -> Response {
    let coach = request
        .extensions()
        .get::<Requester>()
        .is_some_and(Requester::is_coach);
    if coach || is_local(request.headers(), peer.ip()) {
        return next.run(request).await;
    }
    PageError::LocalOnly.into_response()
}

/// The cookie of a web session: not for scripts, not for other sites.
fn session_cookie(token: &str) -> String {
    Cookie::build((SESSION_COOKIE, token))
        .http_only(true)
        .same_site(SameSite::Strict)
        .path("/")
        .build()
        .to_string()
}

fn cookie(headers: &HeaderMap, name: &str) -> Option<String> {
    headers
        .get_all(COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(Cookie::split_parse)
        .filter_map(Result::ok)
        .find(|cookie| cookie.name() == name)
        .map(|cookie| cookie.value().to_owned())
}

/// The first language of the browser's list that the page has.
fn accepted_language(headers: &HeaderMap) -> Option<Language> {
    let accepted = headers.get(ACCEPT_LANGUAGE)?.to_str().ok()?;
    accepted
        .split(',')
        .filter_map(|part| part.trim().split(['-', ';']).next())
        .find_map(Language::from_code)
}

/// The role of requests that come from this machine, without a login.
pub(super) fn role_at_the_machine(credentials: Option<&Credentials>) -> Role {
    match credentials {
        Some(credentials) if !credentials.has(CredentialKind::Password) => Role::Coach,
        // A password, or a credentials file that cannot be read: the coach's pages stay closed.
        _ => Role::Hitter,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_browsers_language_counts_where_the_page_has_it() {
        let accepted = |text: &str| {
            let headers = HeaderMap::from_iter([(ACCEPT_LANGUAGE, text.parse().unwrap())]);
            accepted_language(&headers)
        };
        assert_eq!(accepted("es-MX,es;q=0.9,en;q=0.8"), Some(Language::Spanish));
        assert_eq!(accepted("fr, en;q=0.5"), Some(Language::English));
        assert_eq!(accepted("fr"), None);
    }
}
