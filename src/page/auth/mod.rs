//! Authentication: who sends a request, which role they have, and the headers that every response carries.
//!
//! In: requests. Out: the same requests with a [`Requester`], or a refusal. On this machine the hitter's screen is open until a PIN
//! is set, and the coach's pages only where the settings allow a trial and no key is set; from the network nothing opens without
//! a key, nor unencrypted unless the settings say so. A request that changes anything must come from a page of ours: same
//! origin, and with the form token that belongs to its cookie.

mod client;
mod credentials;
mod csrf;
mod devices;
#[cfg(test)]
pub(super) mod door_tests;
mod events;
mod key_hash;
pub(super) mod login;
mod login_throttle;
mod one_time_code;
mod strength;
mod web_session;

use axum::extract::{MatchedPath, Request, State};
use axum::http::header::{
    ACCEPT_LANGUAGE, CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HOST, REFERRER_POLICY,
    SET_COOKIE, STRICT_TRANSPORT_SECURITY, X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use cookie::{Cookie, SameSite};

use super::PageUse;
use super::error::{PageError, with_error_text};
use super::i18n::Messages;
use super::pages::language::url_encoded;
use super::state::AppState;
use crate::rep::Lengths;
use crate::settings::PageSettings;
use crate::sound::Language;

pub(super) use client::{Client, Connection};
pub(crate) use credentials::{CredentialError, Credentials, Principal, SHARED_ACCOUNT};
pub(super) use credentials::{hex, random_hex};
pub(super) use csrf::{CsrfForm, CsrfSound, CsrfUpload, FormTokens, NoFields, form_in};
pub(super) use events::{AuthEvent, report};
pub(super) use login_throttle::{LoginThrottle, network};
pub(crate) use one_time_code::{app_address, new_secret, step_of};
pub(crate) use strength::password_strength;
pub(super) use strength::{check_password, check_pin};
pub(super) use web_session::{AskedBy, Moment, Role, WebSession, WebSessions};

use client::{is_embedded_elsewhere, is_same_origin, names_this_machine};

/// Stands for an account where the page is used on this machine without a login.
pub(super) const HERE: &str = "this machine";
/// The cookie of a web session.
const SESSION_COOKIE: &str = "visit";
/// The mark of a device that was logged in before.
const DEVICE_COOKIE: &str = "device";
/// Days that a browser keeps that mark; the most that browsers keep anything.
const DEVICE_DAYS: i64 = 400;
/// The language's cookie.
pub(super) const LANGUAGE_COOKIE: &str = "language";
/// What a page's script sends along when nobody asked for it: that does not keep a coach's session alive.
const POLLING: HeaderName = HeaderName::from_static("cagehand-polling");
/// The camera's preview and the live state, which a screen asks for by itself, too.
pub(super) const PREVIEW_PATH: &str = "/picture";
pub(super) const LIVE_PATH: &str = "/live";

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; connect-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Who sends a request.
#[derive(Clone, Debug)]
pub(super) struct Requester {
    pub(super) role: Role,
    /// Their web session, where they are logged in.
    pub(super) session: Option<WebSession>,
    /// What their forms carry; empty without a cookie.
    pub(super) form_token: String,
    pub(super) client: Client,
    pub(super) language: Language,
    pub(super) lengths: Lengths,
    /// What the page is for.
    pub(super) purpose: PageUse,
    /// What their cookie holds: the token of their session, or one that belongs to nobody.
    token: Option<String>,
    /// The mark of their device.
    device: Option<String>,
    /// Whether they ask for a page, which may send them to log in.
    wants_page: bool,
}

impl Requester {
    /// The page's text in their language.
    pub(super) fn messages(&self) -> &'static Messages {
        Messages::of(self.language, self.lengths)
    }

    /// Whether the coach's pages are open to them.
    pub(super) fn is_coach(&self) -> bool {
        self.role == Role::Coach
    }

    /// Their account, for what they change: it stays in the journal as text, also where the account goes.
    pub(super) fn account(&self) -> &str {
        match self.session.as_ref().map(|session| &session.who) {
            Some(Principal::Coach(name)) => name,
            Some(Principal::Screen) | None => HERE,
        }
    }

    /// Their role as it is now: a session may have ended, or a key have changed, since they asked.
    pub(super) fn role_now(&self, state: &AppState) -> Role {
        let (session, role) =
            state.session_and_role(self.token.as_deref(), self.client, AskedBy::Script);
        // A screen without a session is as open as ever; one with a session goes with it.
        match (&self.session, session) {
            (Some(_), None) => Role::Anonymous,
            _ => role,
        }
    }
}

/// Puts a [`Requester`] on each request, and the security headers and the text of errors on each response.
pub(super) async fn authenticate(
    State(state): State<AppState>,
    mut request: Request,
    next: Next,
) -> Response {
    let headers = request.headers();
    let language = cookie(headers, LANGUAGE_COOKIE)
        .and_then(|code| Language::from_code(&code))
        .or_else(|| accepted_language(headers))
        .unwrap_or(state.language);
    let rules = state.rules();
    let admitted = admit(&state, &request, &rules);
    let is_encrypted = admitted.as_ref().is_ok_and(|client| client.is_encrypted);
    let response = match admitted {
        Err(error) => error.into_response(),
        Ok(client) => {
            let requester = requester(&state, &request, client, language);
            request.extensions_mut().insert(requester);
            next.run(request).await
        }
    };
    let response = with_error_text(response, Messages::of(language, state.rules().units));
    with_security_headers(response, is_encrypted)
}

/// Whether a request is looked at at all.
fn admit(state: &AppState, request: &Request, rules: &PageSettings) -> Result<Client, PageError> {
    let headers = request.headers();
    let connection = request
        .extensions()
        .get::<Connection>()
        .ok_or(PageError::Internal)?;
    let client = Client::of(headers, *connection, rules)?;
    let only_reads = matches!(*request.method(), Method::GET | Method::HEAD);
    if !names_this_machine(headers, &rules.names) {
        return Err(PageError::UnknownHost);
    }
    if !client.is_here && !state.may_serve_beyond() {
        return Err(PageError::NoKeys);
    }
    if !client.is_here && !client.is_encrypted && !rules.unencrypted {
        // Whoever typed the address without its scheme meant the encrypted page; a proxy would only come again.
        let is_direct = client.address == connection.peer.to_canonical();
        let host = headers.get(HOST).and_then(|host| host.to_str().ok());
        let instead = host.filter(|_| is_direct && only_reads);
        return Err(PageError::Unencrypted {
            instead: instead.map(|host| format!("https://{host}{}", request.uri())),
        });
    }
    let is_foreign = match only_reads {
        true => is_embedded_elsewhere(headers),
        false => !is_same_origin(headers, client.is_encrypted),
    };
    match is_foreign {
        true => Err(PageError::ForeignForm),
        false => Ok(client),
    }
}

fn requester(state: &AppState, request: &Request, client: Client, language: Language) -> Requester {
    let headers = request.headers();
    let path = request.uri().path();
    // A cage's states as well as those that an office sees of it.
    let polls = path == PREVIEW_PATH || path.ends_with(LIVE_PATH) || headers.contains_key(POLLING);
    let asked_by = if polls {
        AskedBy::Script
    } else {
        AskedBy::Person
    };
    let token = cookie(headers, &cookie_name(SESSION_COOKIE, client))
        .filter(|token| credentials::is_random(token));
    let (session, role) = state.session_and_role(token.as_deref(), client, asked_by);
    Requester {
        role,
        session,
        form_token: token
            .as_deref()
            .map(|token| state.form_tokens.of(token))
            .unwrap_or_default(),
        client,
        language,
        lengths: state.rules().units,
        purpose: state.control.purpose(),
        token,
        device: cookie(headers, &cookie_name(DEVICE_COOKIE, client)),
        wants_page: false,
    }
}

/// Gives a page that is opened without a cookie one, so that its forms have a token. Nothing is remembered of it: nobody's
/// session gives way, however many ask.
pub(super) async fn start_session(
    State(state): State<AppState>,
    mut request: Request,
    next: Next,
) -> Response {
    let mut new_cookie = None;
    if request.method() == Method::GET
        && let Some(requester) = request.extensions_mut().get_mut::<Requester>()
    {
        requester.wants_page = true;
        if requester.token.is_none()
            && let Some(token) = random_hex()
        {
            new_cookie = Some(session_cookie(&token, requester.client));
            requester.form_token = state.form_tokens.of(&token);
            requester.token = Some(token);
        }
    }
    let mut response = next.run(request).await;
    if let Some(cookie) = new_cookie.and_then(|cookie| HeaderValue::from_str(&cookie).ok()) {
        response.headers_mut().append(SET_COOKIE, cookie);
    }
    response
}

fn with_security_headers(mut response: Response, is_encrypted: bool) -> Response {
    let headers = response.headers_mut();
    let always = [
        (CONTENT_SECURITY_POLICY, POLICY),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (X_FRAME_OPTIONS, "DENY"),
        (REFERRER_POLICY, "same-origin"),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
    ];
    for (name, value) in always {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if is_encrypted {
        let year = HeaderValue::from_static("max-age=31536000");
        headers.insert(STRICT_TRANSPORT_SECURITY, year);
    }
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

/// Lets only hitters and coaches pass.
pub(super) async fn require_hitter(
    State(state): State<AppState>,
    request: Request,
    next: Next,
) -> Response {
    require_role(Role::Hitter, &state, request, next).await
}

/// Lets only coaches pass.
pub(super) async fn require_coach(
    State(state): State<AppState>,
    request: Request,
    next: Next,
) -> Response {
    require_role(Role::Coach, &state, request, next).await
}

async fn require_role(role: Role, state: &AppState, request: Request, next: Next) -> Response {
    let requester = request.extensions().get::<Requester>();
    if requester.is_some_and(|requester| requester.role >= role) {
        return next.run(request).await;
    }
    if request.method() == Method::GET && requester.is_some_and(|requester| requester.wants_page) {
        let back = url_encoded(request.uri().path());
        return Redirect::to(&format!("/door?to={back}")).into_response();
    }
    if let Some(requester) = requester {
        let event = AuthEvent::AccessRefused {
            who: requester.session.as_ref().map(|session| &session.who),
            path: request
                .extensions()
                .get::<MatchedPath>()
                .map_or("", MatchedPath::as_str),
        };
        report(state, &event, Some(requester.client.address));
    }
    PageError::LoginRequired.into_response()
}

/// Lets programs on this machine pass, and coaches from anywhere.
pub(super) async fn require_local_or_coach(request: Request, next: Next) -> Response {
    let requester = request.extensions().get::<Requester>();
    if requester.is_some_and(|requester| requester.is_coach() || requester.client.is_here) {
        return next.run(request).await;
    }
    PageError::LocalOnly.into_response()
}

/// The name of a cookie; over an encrypted connection one that no other site can set.
fn cookie_name(name: &str, client: Client) -> String {
    if client.is_encrypted {
        format!("__Host-{name}")
    } else {
        name.to_owned()
    }
}

/// A cookie that no script and no other site gets.
fn private_cookie<'a>(name: &str, value: &'a str, client: Client) -> Cookie<'a> {
    Cookie::build((cookie_name(name, client), value))
        .http_only(true)
        .secure(client.is_encrypted)
        .same_site(SameSite::Strict)
        .path("/")
        .build()
}

fn session_cookie(token: &str, client: Client) -> String {
    let mut cookie = private_cookie(SESSION_COOKIE, token, client);
    // A screen that is switched off over night is still logged in; the session itself ends sooner or later.
    cookie.set_max_age(cookie::time::Duration::days(DEVICE_DAYS));
    cookie.to_string()
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

/// The role of requests that come from this machine, without a login. `keys` is nothing where they cannot be read.
pub(super) fn role_at_the_machine(rules: &PageSettings, keys: Option<&Credentials>) -> Role {
    match keys {
        Some(keys) if rules.trial && !keys.has_pin() && !keys.has_coach() => Role::Coach,
        Some(keys) if !keys.has_pin() => Role::Hitter,
        _ => Role::Anonymous,
    }
}

#[cfg(test)]
mod tests {
    use std::net::IpAddr;

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

    #[test]
    fn at_the_machine_a_pin_shuts_the_screen_and_only_a_trial_opens_the_coachs_pages() {
        let mut keys = Credentials::default();
        let rules = |trial| PageSettings {
            trial,
            ..PageSettings::default()
        };
        let roles = |keys: Option<&Credentials>| {
            [false, true].map(|trial| role_at_the_machine(&rules(trial), keys))
        };
        assert_eq!(roles(Some(&keys)), [Role::Hitter, Role::Coach]);
        keys.set_password(SHARED_ACCOUNT, Some("nine long innings"))
            .unwrap();
        assert_eq!(roles(Some(&keys)), [Role::Hitter; 2]);
        keys.set_pin(Some("246971")).unwrap();
        assert_eq!(roles(Some(&keys)), [Role::Anonymous; 2]);
        assert_eq!(roles(None), [Role::Anonymous; 2]);
    }

    #[test]
    fn over_an_encrypted_connection_cookies_are_bound_to_it_and_to_this_host() {
        let client = |is_encrypted| Client {
            address: IpAddr::from([192, 0, 2, 1]),
            is_here: false,
            is_encrypted,
        };
        let cookie = session_cookie("ab", client(true));
        assert!(
            cookie.starts_with("__Host-visit=ab; HttpOnly; SameSite=Strict; Secure; Path=/"),
            "{cookie}"
        );
        assert!(
            session_cookie("ab", client(false))
                .starts_with("visit=ab; HttpOnly; SameSite=Strict; Path=/")
        );
    }
}
