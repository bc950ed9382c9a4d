//! All routes in memory: each role at each door, logins, forms, cookies and headers, with no program and no network.

mod forms;
mod logins;
mod looks;
mod roles;
mod voice;

use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::header::{CONTENT_TYPE, COOKIE, HOST, LOCATION, SET_COOKIE};
use axum::http::{HeaderMap, Method, Request, StatusCode};
use totp_rs::TOTP;
use tower_service::Service;

use super::*;
use crate::audit::{self, Act, Actor, AuditEntry};
use crate::journal::{Journal, JournalHandle, NewHitter};
use crate::page::{SessionControl, SwitchError, TurnChange, router};
use crate::settings::Settings;
use crate::sound::{CueSources, SoundError};
use crate::status::{Health, ShownHitter};
use crate::text_enum::Recorded;

const PIN: &str = "246971";
const PASSWORD: &str = "nine long innings";
/// Base 32 of "12345678901234567890" (RFC 6238, appendix B).
const SECRET: &str = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ";
const HERE_ADDRESS: &str = "127.0.0.1";
const ELSEWHERE: &str = "192.0.2.7";

/// Sessions that nobody runs, beside a journal that is there.
pub(in crate::page) struct EmptyCage(pub(in crate::page) PathBuf);

impl SessionControl for EmptyCage {
    fn switch_hitter(&self, _: NewHitter) -> Result<(), SwitchError> {
        Err(SwitchError::NoCamera)
    }
    fn turns(&self) -> Vec<String> {
        Vec::new()
    }
    fn change_turns(&self, _: TurnChange) -> Result<(), SwitchError> {
        Err(SwitchError::NoCamera)
    }
    fn asked(&self) -> Option<ShownHitter> {
        None
    }
    fn settings(&self) -> Settings {
        Settings::parse("", "s.toml".as_ref()).unwrap()
    }
    fn consents_changed(&self, _: bool) {}
    fn hitter_changed(&self, _: &str, _: Option<&str>) -> Result<(), SwitchError> {
        Ok(())
    }
    fn texts(&self) -> Vec<PathBuf> {
        Vec::new()
    }
    fn journal(&self) -> Option<PathBuf> {
        Some(self.0.clone())
    }
    fn journal_writer(&self) -> Option<JournalHandle> {
        None
    }
    fn cue_sources(&self) -> CueSources {
        CueSources::new(Language::English, None, Some(&self.0))
    }
    fn cues_changed(&self) -> Result<(), SoundError> {
        Ok(())
    }
}

/// The page of a cage.
struct Doors {
    folder: tempfile::TempDir,
    state: AppState,
    router: Router,
    runtime: tokio::runtime::Runtime,
}

/// Who asks, from where.
#[derive(Clone)]
struct Browser {
    address: IpAddr,
    is_encrypted: bool,
    cookies: Vec<(String, String)>,
}

struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    text: String,
}

impl Answer {
    fn location(&self) -> &str {
        let at = self.headers.get(LOCATION);
        at.map_or("", |at| at.to_str().unwrap())
    }

    /// The token of the first form.
    fn form_token(&self) -> String {
        let (_, rest) = self.text.split_once("name=\"token\" value=\"").unwrap();
        rest.split('"').next().unwrap().to_owned()
    }

    fn cookies(&self) -> Vec<Cookie<'static>> {
        self.headers
            .get_all(SET_COOKIE)
            .iter()
            .map(|cookie| Cookie::parse(cookie.to_str().unwrap().to_owned()).unwrap())
            .collect()
    }
}

impl Browser {
    fn at(address: &str) -> Self {
        Self {
            address: address.parse().unwrap(),
            is_encrypted: address != HERE_ADDRESS,
            cookies: Vec::new(),
        }
    }

    fn keep(&mut self, answer: &Answer) {
        for cookie in answer.cookies() {
            self.cookies.retain(|(name, _)| name != cookie.name());
            self.cookies
                .push((cookie.name().to_owned(), cookie.value().to_owned()));
        }
    }

    fn cookie(&self, name: &str) -> Option<&str> {
        let mut cookies = self.cookies.iter();
        cookies
            .find(|(known, _)| known == name)
            .map(|(_, value)| &**value)
    }
}

impl Doors {
    fn open(rules: PageSettings) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let journal = folder.path().join("journal.db");
        drop(Journal::open(&journal).unwrap());
        let control = Arc::new(EmptyCage(journal));
        let state = AppState::new(Arc::new(Health::default()), control, Language::English);
        state.set_rules(rules);
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        Self {
            folder,
            router: router(state.clone()),
            state,
            runtime,
        }
    }

    /// With a PIN, and with passwords for "coach" and, with a second factor, for "Ana".
    fn locked() -> Self {
        let doors = Self::open(PageSettings::default());
        doors.set_keys(|keys| {
            keys.set_pin(Some(PIN)).unwrap();
            keys.set_password(SHARED_ACCOUNT, Some(PASSWORD)).unwrap();
            keys.set_password("Ana", Some("seven quiet dugouts"))
                .unwrap();
            keys.set_code("Ana", Some(SECRET.to_owned())).unwrap();
        });
        doors
    }

    fn set_keys(&self, change: impl FnOnce(&mut Credentials)) {
        let file = Credentials::file_beside(&self.journal());
        let mut keys = Credentials::read(&file).unwrap();
        change(&mut keys);
        keys.write(&file).unwrap();
    }

    fn journal(&self) -> PathBuf {
        self.folder.path().join("journal.db")
    }

    fn send(&self, browser: &Browser, request: Request<Body>) -> Answer {
        let (mut head, body) = request.into_parts();
        head.extensions.insert(Connection {
            peer: browser.address,
            is_encrypted: browser.is_encrypted,
        });
        head.headers
            .entry(HOST)
            .or_insert("10.0.0.5:7420".parse().unwrap());
        let cookies: Vec<String> = browser
            .cookies
            .iter()
            .map(|(name, value)| format!("{name}={value}"))
            .collect();
        if !cookies.is_empty() {
            head.headers
                .insert(COOKIE, cookies.join("; ").parse().unwrap());
        }
        let mut router = self.router.clone();
        self.runtime.block_on(async {
            let answer = router.call(Request::from_parts(head, body)).await.unwrap();
            let (head, body) = answer.into_parts();
            // A stream of events has no end.
            let is_text = head.headers.get(CONTENT_TYPE).is_some_and(|kind| {
                kind.to_str().unwrap().starts_with("text/") && kind != "text/event-stream"
            });
            let bytes = match is_text {
                true => to_bytes(body, 1 << 22).await.unwrap(),
                false => axum::body::Bytes::new(),
            };
            Answer {
                status: head.status,
                headers: head.headers,
                text: String::from_utf8_lossy(&bytes).into_owned(),
            }
        })
    }

    fn get(&self, browser: &Browser, path: &str) -> Answer {
        self.send(browser, Request::get(path).body(Body::empty()).unwrap())
    }

    fn post(&self, browser: &Browser, path: &str, form: &str) -> Answer {
        let request = Request::post(path)
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from(form.to_owned()));
        self.send(browser, request.unwrap())
    }

    /// Opens the login page and sends its form.
    fn log_in(&self, browser: &mut Browser, form: &str) -> Answer {
        let page = self.get(browser, "/door");
        assert_eq!(page.status, StatusCode::OK);
        browser.keep(&page);
        let token = match browser.cookies.is_empty() {
            true => String::new(),
            false => page.form_token(),
        };
        let answer = self.post(browser, "/door", &format!("token={token}&{form}"));
        browser.keep(&answer);
        answer
    }

    fn logged_in(&self, address: &str, key: &str) -> Browser {
        let mut browser = Browser::at(address);
        let answer = self.log_in(&mut browser, &format!("key={}", url_encoded(key)));
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
        browser
    }

    /// The entries of this kind in the audit trail, once its thread has written so many.
    fn entries(&self, act: Act, count: usize) -> Vec<AuditEntry> {
        let begun = Instant::now();
        loop {
            let mut entries = audit::read(&self.journal()).unwrap();
            entries.retain(|entry| entry.act == Recorded::Known(act));
            if entries.len() >= count || begun.elapsed().as_secs() > 20 {
                return entries;
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
    }
}
