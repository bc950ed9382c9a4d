//! The doors: who may come in where, and what every answer carries.
//!
//! In: requests. Out: the same requests with a [`Visitor`], or a refusal. On this machine the hitter's screen is open, and the
//! coach's rooms too as long as no password is set; from elsewhere in the network nothing opens without a key. What changes
//! anything must come from a page of ours: same origin, and the visit's own form token.

use std::net::{IpAddr, SocketAddr};
use std::time::Instant;

use axum::body::{Body, to_bytes};
use axum::extract::{ConnectInfo, FromRequest, Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HOST, ORIGIN, REFERRER_POLICY, SET_COOKIE,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use cookie::{Cookie, SameSite};
use serde::de::DeserializeOwned;

use super::keys::{KeyOf, Keys};
use super::shared::Shared;
use super::visits::Role;
use super::words::Words;
use crate::sound::Language;

/// The visit's cookie.
pub(super) const VISIT: &str = "visit";
/// The language's cookie.
pub(super) const LANGUAGE: &str = "language";
/// A form of ours is smaller, bytes.
pub(super) const LARGEST_BODY: usize = 32 * 1024;

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Who asks.
#[derive(Clone, Debug)]
pub(super) struct Visitor {
    /// What they may see.
    pub role: Role,
    /// What their forms carry.
    pub form_token: String,
    /// Where they ask from.
    pub address: IpAddr,
    /// Their language.
    pub language: Language,
    /// The visit's own token, where there is one.
    pub(super) visit: Option<String>,
}

impl Visitor {
    /// Their words.
    pub(super) fn words(&self) -> &'static Words {
        Words::of(self.language)
    }

    /// Whether the coach's rooms are open to them.
    pub(super) fn is_coach(&self) -> bool {
        self.role == Role::Coach
    }
}

/// Puts a [`Visitor`] on each request and the usual headers on each answer; refuses hosts that are not this machine.
pub(super) async fn at_the_gate(
    State(shared): State<Shared>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    mut request: Request,
    next: Next,
) -> Response {
    let headers = request.headers();
    if !is_this_machine(headers) {
        return dressed((StatusCode::MISDIRECTED_REQUEST, "unknown host\n").into_response());
    }
    if !matches!(*request.method(), Method::GET | Method::HEAD) && !is_same_origin(headers) {
        return dressed((StatusCode::FORBIDDEN, "this form is not ours\n").into_response());
    }
    let token = cookie(headers, VISIT);
    let language = cookie(headers, LANGUAGE)
        .and_then(|code| Language::from_code(&code))
        .or_else(|| asked_language(headers))
        .unwrap_or(shared.language);
    let here = comes_from_here(headers, peer.ip());
    let now = Instant::now();
    let found = token.as_deref().and_then(|token| {
        let mut visits = shared.visits();
        let visit = match shared.is_asked_by_itself(request.uri().path()) {
            true => visits.find_for_screen(token, now)?,
            false => visits.find(token, now)?,
        };
        Some((token.to_owned(), visit))
    });
    // A page gets a visit, so that its forms have a token; machines that only ask for figures get none.
    let wants_page = request.method() == Method::GET && shared.is_page(request.uri().path());
    let mut new_cookie = None;
    let found = match found {
        None if wants_page => shared
            .visits()
            .begin(Role::Nobody, now)
            .inspect(|(token, _)| {
                new_cookie = Some(visit_cookie(token));
            }),
        found => found,
    };
    let own = found.as_ref().map_or(Role::Nobody, |(_, visit)| visit.role);
    let granted = if here {
        shared.role_here()
    } else {
        Role::Nobody
    };
    let visitor = Visitor {
        role: own.max(granted),
        form_token: found
            .as_ref()
            .map(|(_, visit)| visit.form_token.clone())
            .unwrap_or_default(),
        address: peer.ip(),
        language,
        visit: found.map(|(token, _)| token),
    };
    request.extensions_mut().insert(visitor);
    let mut answer = dressed(next.run(request).await);
    if let Some(cookie) = new_cookie
        && let Ok(value) = HeaderValue::from_str(&cookie)
    {
        answer.headers_mut().append(SET_COOKIE, value);
    }
    answer
}

fn dressed(mut answer: Response) -> Response {
    let headers = answer.headers_mut();
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
    answer
}

/// The hitter's screen.
pub(super) async fn for_hitters(request: Request, next: Next) -> Response {
    behind(Role::Hitter, request, next).await
}

/// The coach's rooms.
pub(super) async fn for_coaches(request: Request, next: Next) -> Response {
    behind(Role::Coach, request, next).await
}

async fn behind(role: Role, request: Request, next: Next) -> Response {
    let visitor = request.extensions().get::<Visitor>();
    if visitor.is_some_and(|visitor| visitor.role >= role) {
        return next.run(request).await;
    }
    if request.method() == Method::GET && visitor.is_some_and(|v| v.visit.is_some()) {
        let back = super::language::encoded(request.uri().path());
        return Redirect::to(&format!("/door?to={back}")).into_response();
    }
    (StatusCode::FORBIDDEN, "a key is needed: /door\n").into_response()
}

/// For programs on this machine, and for the coach from elsewhere.
pub(super) async fn for_programs(
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    request: Request,
    next: Next,
) -> Response {
    let coach = request
        .extensions()
        .get::<Visitor>()
        .is_some_and(Visitor::is_coach);
    if coach || comes_from_here(request.headers(), peer.ip()) {
        return next.run(request).await;
    }
    (StatusCode::FORBIDDEN, "only for this machine\n").into_response()
}

/// A form of ours: read, with its token checked.
pub(super) struct Posted<T>(pub T);

impl<T: DeserializeOwned> FromRequest<Shared> for Posted<T> {
    type Rejection = Response;

    async fn from_request(request: Request, _shared: &Shared) -> Result<Self, Response> {
        let refuse = |status, why: &'static str| (status, why).into_response();
        let token = request
            .extensions()
            .get::<Visitor>()
            .map(|visitor| visitor.form_token.clone())
            .filter(|token| !token.is_empty())
            .ok_or_else(|| refuse(StatusCode::FORBIDDEN, "open the page first\n"))?;
        let body: Body = request.into_body();
        let bytes = to_bytes(body, LARGEST_BODY)
            .await
            .map_err(|_| refuse(StatusCode::PAYLOAD_TOO_LARGE, "that is too much\n"))?;
        let sent = form_field(&bytes, "token");
        if sent.as_deref() != Some(token.as_str()) {
            return Err(refuse(
                StatusCode::FORBIDDEN,
                "the page was too old; load it again\n",
            ));
        }
        serde_urlencoded::from_bytes(&bytes)
            .map(Posted)
            .map_err(|_| refuse(StatusCode::UNPROCESSABLE_ENTITY, "the form is not whole\n"))
    }
}

fn form_field(bytes: &[u8], name: &str) -> Option<String> {
    let fields: Vec<(String, String)> = serde_urlencoded::from_bytes(bytes).ok()?;
    fields
        .into_iter()
        .find(|(key, _)| key == name)
        .map(|(_, value)| value)
}

/// The cookie of a visit: not for scripts, not for other sites.
pub(super) fn visit_cookie(token: &str) -> String {
    Cookie::build((VISIT, token))
        .http_only(true)
        .same_site(SameSite::Strict)
        .path("/")
        .build()
        .to_string()
}

pub(super) fn cookie(headers: &HeaderMap, name: &str) -> Option<String> {
    headers
        .get_all(COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(Cookie::split_parse)
        .filter_map(Result::ok)
        .find(|cookie| cookie.name() == name)
        .map(|cookie| cookie.value().to_owned())
}

/// What the browser asks for first among those we speak.
fn asked_language(headers: &HeaderMap) -> Option<Language> {
    let asked = headers
        .get(axum::http::header::ACCEPT_LANGUAGE)?
        .to_str()
        .ok()?;
    asked
        .split(',')
        .filter_map(|part| part.trim().split(['-', ';']).next())
        .find_map(Language::from_code)
}

/// Whether the peer sits at this machine: a proxy on it speaks for others.
fn comes_from_here(headers: &HeaderMap, peer: IpAddr) -> bool {
    let for_others = ["forwarded", "x-forwarded-for", "x-real-ip", "via"]
        .iter()
        .any(|name| headers.contains_key(*name));
    peer.to_canonical().is_loopback() && !for_others
}

/// A name that another site made this machine answer to is refused: only addresses and the machine's own names are let in.
fn is_this_machine(headers: &HeaderMap) -> bool {
    let Some(host) = headers.get(HOST).and_then(|host| host.to_str().ok()) else {
        return false;
    };
    let name = without_port(host);
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    let own = crate::machine::host_name();
    bare.eq_ignore_ascii_case("localhost")
        || bare.parse::<IpAddr>().is_ok()
        || own.is_some_and(|own| {
            bare.eq_ignore_ascii_case(&own) || bare.eq_ignore_ascii_case(&format!("{own}.local"))
        })
}

fn without_port(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if port.chars().all(|c| c.is_ascii_digit()) => name,
        _ => host,
    }
}

/// Whether a request that changes something comes from a page of ours. A browser tells the origin with each of them; what
/// does not tell it is no browser, and has no cookie to misuse.
fn is_same_origin(headers: &HeaderMap) -> bool {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = headers
        .get("sec-fetch-site")
        .and_then(|value| value.to_str().ok())
        && site != "same-origin"
    {
        return false;
    }
    match (headers.get(ORIGIN), text(HOST)) {
        (None, _) => true,
        (Some(origin), Some(host)) => origin.to_str().is_ok_and(|origin| {
            origin.strip_prefix("http://") == Some(host)
                || origin.strip_prefix("https://") == Some(host)
        }),
        (Some(_), None) => false,
    }
}

/// What whoever sits at this machine may see without a key.
pub(super) fn role_here(keys: Option<&Keys>) -> Role {
    match keys {
        Some(keys) if !keys.has(KeyOf::Coach) => Role::Coach,
        // A password, or a file of keys that cannot be read: the rooms stay shut.
        _ => Role::Hitter,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| (name.parse().unwrap(), value.parse().unwrap()))
            .collect()
    }

    #[test]
    fn only_addresses_and_own_names_are_let_in() {
        for host in [
            "127.0.0.1:7420",
            "localhost",
            "LocalHost:7420",
            "[::1]:7420",
            "192.168.1.5",
        ] {
            assert!(is_this_machine(&headers(&[("host", host)])), "{host}");
        }
        for host in [
            "evil.example",
            "cagehand.example:7420",
            "",
            "127.0.0.1.evil.example",
        ] {
            assert!(!is_this_machine(&headers(&[("host", host)])), "{host}");
        }
        assert!(!is_this_machine(&HeaderMap::new()));
    }

    #[test]
    fn a_form_of_another_site_is_known_by_its_origin() {
        let host = ("host", "127.0.0.1:7420");
        for (more, ours) in [
            (vec![], true),
            (vec![("origin", "http://127.0.0.1:7420")], true),
            (vec![("origin", "http://127.0.0.1:7421")], false),
            (vec![("origin", "null")], false),
            (vec![("origin", "http://evil.example")], false),
            (vec![("sec-fetch-site", "cross-site")], false),
            (vec![("sec-fetch-site", "same-site")], false),
            (vec![("sec-fetch-site", "same-origin")], true),
        ] {
            let mut all = vec![host];
            all.extend(more);
            assert_eq!(is_same_origin(&headers(&all)), ours, "{all:?}");
        }
    }

    #[test]
    fn a_proxy_on_this_machine_speaks_for_others() {
        let here = IpAddr::from([127, 0, 0, 1]);
        assert!(comes_from_here(&HeaderMap::new(), here));
        assert!(comes_from_here(
            &HeaderMap::new(),
            "::ffff:127.0.0.1".parse().unwrap()
        ));
        assert!(!comes_from_here(
            &headers(&[("x-forwarded-for", "192.0.2.9")]),
            here
        ));
        assert!(!comes_from_here(
            &HeaderMap::new(),
            IpAddr::from([192, 168, 1, 9])
        ));
    }

    #[test]
    fn the_browsers_language_counts_where_we_speak_it() {
        let asked = |text: &str| asked_language(&headers(&[("accept-language", text)]));
        assert_eq!(asked("es-MX,es;q=0.9,en;q=0.8"), Some(Language::Spanish));
        assert_eq!(asked("fr, en;q=0.5"), Some(Language::English));
        assert_eq!(asked("fr"), None);
    }
}
