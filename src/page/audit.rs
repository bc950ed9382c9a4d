//! The page's part of the audit trail: which requests are entered, and by whom.
//!
//! In: requests that were answered, and what happens at a login. Out: entries of the trail, written on the thread `audit`. What is asked
//! for again and again, such as one session's reps, is entered once in [`ONCE_IN`].

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{MatchedPath, RawPathParams, Request, State};
use axum::http::Method;
use axum::middleware::Next;
use axum::response::Response;
use crossbeam_channel::{Sender, bounded};

use super::auth::{Principal, Requester};
use super::error::PageError;
use super::state::AppState;
use crate::audit::{Act, Actor, AuditEntry, enter};
use crate::journal::{HitterId, RowOf, SessionId};

/// Within this time the same is entered once.
const ONCE_IN: Duration = Duration::from_secs(600);
/// Entries that wait for the disk.
const WAITING: usize = 1024;
/// Kinds of entries that are remembered for that.
const REMEMBERED: usize = 4096;
/// Refusals that are entered in an hour, so that nobody fills the disk with them.
const REFUSALS_PER_HOUR: u32 = 200;

/// Takes entries; cheap to clone.
#[derive(Clone, Default)]
pub(super) struct AuditTrail(Arc<Mutex<Inner>>);

#[derive(Default)]
struct Inner {
    writer: Option<Sender<(PathBuf, AuditEntry)>>,
    last: HashMap<EntryKey, Instant>,
    refusals: Option<(Instant, u32)>,
}

type EntryKey = (Actor, Option<String>, Act, Option<i64>, Option<i64>);

impl AuditTrail {
    /// Enters what was done into the trail of this journal.
    pub(super) fn enter(&self, journal: PathBuf, entry: AuditEntry) {
        let mut inner = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if !inner.is_to_be_entered(&entry, Instant::now()) {
            return;
        }
        let sent = inner
            .writer
            .get_or_insert_with(start_writer)
            .try_send((journal, entry));
        if let Err(error) = sent {
            tracing::error!(%error, "an entry of the audit trail is lost");
            // Another thread is begun for the next one, where this one is gone.
            if error.is_disconnected() {
                inner.writer = None;
            }
        }
    }
}

impl Inner {
    fn is_to_be_entered(&mut self, entry: &AuditEntry, now: Instant) -> bool {
        let Some(act) = entry.act.known() else {
            return true;
        };
        if matches!(act, Act::LoginRefused | Act::AccessRefused) {
            let (since, count) = self
                .refusals
                .filter(|(since, _)| {
                    now.saturating_duration_since(*since) < Duration::from_secs(3600)
                })
                .unwrap_or((now, 0));
            self.refusals = Some((since, count.saturating_add(1)));
            if count == REFUSALS_PER_HOUR {
                tracing::warn!("more refusals than the audit trail takes in an hour");
            }
            if count >= REFUSALS_PER_HOUR {
                return false;
            }
        }
        let is_look = matches!(act, Act::Looked | Act::SawPicture | Act::SawScreen);
        if !is_look && act != Act::AccessRefused {
            return true;
        }
        if self.last.len() >= REMEMBERED {
            self.last
                .retain(|_, at| now.saturating_duration_since(*at) < ONCE_IN);
        }
        let key = (
            entry.who.clone(),
            entry.from.clone(),
            act,
            entry.hitter,
            entry.session,
        );
        let before = self.last.get(&key).copied();
        if before.is_some_and(|at| now.saturating_duration_since(at) < ONCE_IN) {
            return false;
        }
        if self.last.len() < REMEMBERED {
            self.last.insert(key, now);
        }
        true
    }
}

fn start_writer() -> Sender<(PathBuf, AuditEntry)> {
    let (sender, entries) = bounded::<(PathBuf, AuditEntry)>(WAITING);
    let started = crate::thread::spawn("audit", move || {
        crate::thread::give_way(crate::thread::Lower::Much);
        for (journal, entry) in entries {
            enter(&journal, &entry);
        }
    });
    if let Err(error) = started {
        tracing::error!(%error, "there is no thread for the audit trail");
    }
    sender
}

/// What a request is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Subject {
    /// Lists of hitters.
    All,
    /// The row that the number in the address names.
    Row(RowOf),
    /// The hitter whom the query names.
    Query,
}

/// What routes do, in the audit trail's terms. Those whose hitter stands in a form or is chosen by the page, and logins, are entered where
/// they are handled.
const ENTERED: [(Method, &str, Act, Subject); 26] = {
    use Subject::{All, Query, Row};
    [
        (Method::GET, "/hitters", Act::Looked, All),
        (Method::GET, "/today", Act::Looked, All),
        (Method::GET, "/clips", Act::Looked, All),
        (Method::POST, "/clips", Act::TookClip, Query),
        (Method::GET, "/sessions", Act::Looked, Query),
        (
            Method::GET,
            "/sessions/{id}",
            Act::Looked,
            Row(RowOf::Session),
        ),
        (
            Method::GET,
            "/sessions/{id}/sheet",
            Act::Looked,
            Row(RowOf::Session),
        ),
        (
            Method::GET,
            "/sessions/{id}/log",
            Act::Looked,
            Row(RowOf::Session),
        ),
        (
            Method::GET,
            "/sessions/{id}/reps.csv",
            Act::Exported,
            Row(RowOf::Session),
        ),
        (
            Method::GET,
            "/sessions/{id}/reps.jsonl",
            Act::Exported,
            Row(RowOf::Session),
        ),
        (Method::GET, "/people", Act::Looked, All),
        (Method::GET, "/people/{id}", Act::Looked, Row(RowOf::Hitter)),
        (Method::GET, "/reps/{id}", Act::Looked, Row(RowOf::Rep)),
        (Method::GET, "/reps/{id}/data", Act::Looked, Row(RowOf::Rep)),
        (Method::GET, "/reps/{id}/film", Act::Looked, Row(RowOf::Rep)),
        (
            Method::GET,
            "/not-counted/{id}",
            Act::Looked,
            Row(RowOf::NotCounted),
        ),
        (
            Method::POST,
            "/sessions/{id}/hitter",
            Act::ChangedHitter,
            Row(RowOf::Session),
        ),
        (
            Method::POST,
            "/people/{id}",
            Act::ChangedHitter,
            Row(RowOf::Hitter),
        ),
        (
            Method::POST,
            "/sessions/{id}/delete",
            Act::Deleted,
            Row(RowOf::Session),
        ),
        (
            Method::POST,
            "/people/{id}/consents",
            Act::ChangedConsent,
            Row(RowOf::Hitter),
        ),
        (
            Method::POST,
            "/people/{id}/delete",
            Act::Deleted,
            Row(RowOf::Hitter),
        ),
        (
            Method::POST,
            "/sessions/{id}/notes",
            Act::Corrected,
            Row(RowOf::Session),
        ),
        (
            Method::POST,
            "/notes/{id}/drop",
            Act::Corrected,
            Row(RowOf::Note),
        ),
        (Method::POST, "/reps/{id}", Act::Corrected, Row(RowOf::Rep)),
        (
            Method::POST,
            "/reps/{id}/events",
            Act::Corrected,
            Row(RowOf::Rep),
        ),
        (
            Method::POST,
            "/not-counted/{id}/count",
            Act::Corrected,
            Row(RowOf::NotCounted),
        ),
    ]
};

/// Enters requests that were answered into the audit trail.
pub(super) async fn enter_requests(
    State(state): State<AppState>,
    path: Option<MatchedPath>,
    params: RawPathParams,
    request: Request,
    next: Next,
) -> Result<Response, PageError> {
    let route = path.as_ref().map(MatchedPath::as_str);
    let Some((.., act, subject)) = ENTERED
        .iter()
        .find(|(method, entered, ..)| request.method() == method && Some(*entered) == route)
    else {
        return Ok(next.run(request).await);
    };
    let requester = request.extensions().get::<Requester>().cloned();
    let number = match subject {
        Subject::All => None,
        Subject::Row(_) => params
            .iter()
            .find(|(name, _)| *name == "id")
            .and_then(|(_, id)| id.parse().ok()),
        Subject::Query => hitter_in_query(request.uri().query()),
    };
    let row = match subject {
        Subject::Row(row) => *row,
        Subject::All | Subject::Query => RowOf::Hitter,
    };
    // Before it is answered: what it is about may be gone then.
    let about = match number {
        Some(number) => state
            .read(move |reader| reader.whose(row, number))
            .await
            .unwrap_or_default(),
        None => (None, None),
    };
    let response = next.run(request).await;
    let is_done = response.status().is_success() || response.status().is_redirection();
    if let Some(requester) = requester.filter(|_| is_done) {
        state.enter(*act, &requester, about);
    }
    Ok(response)
}

fn hitter_in_query(query: Option<&str>) -> Option<i64> {
    query?
        .split('&')
        .find_map(|pair| pair.strip_prefix("hitter="))?
        .parse()
        .ok()
}

impl AppState {
    /// Enters what this requester did.
    pub(super) fn enter(
        &self,
        act: Act,
        requester: &Requester,
        (session, hitter): (Option<SessionId>, Option<HitterId>),
    ) {
        let who = requester
            .session
            .as_ref()
            .map_or(Actor::Nobody, |session| Actor::from(&session.who));
        self.enter_entry(AuditEntry {
            from: Some(requester.client.address.to_string()),
            hitter: hitter.map(HitterId::get),
            session: session.map(SessionId::get),
            ..AuditEntry::now(who, act)
        });
    }

    /// Enters this, where there is a journal.
    pub(super) fn enter_entry(&self, entry: AuditEntry) {
        if let Some(journal) = self.control.journal() {
            self.audit.enter(journal, entry);
        }
    }
}

impl From<&Principal> for Actor {
    fn from(who: &Principal) -> Self {
        match who {
            Principal::Screen => Self::Screen,
            Principal::Coach(name) => Self::Coach(name.clone()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(act: Act, hitter: i64) -> AuditEntry {
        AuditEntry {
            hitter: Some(hitter),
            ..AuditEntry::now(Actor::Screen, act)
        }
    }

    /// Routes about nobody, parts of a page that is entered, and those that enter themselves.
    const NOT_HERE: [&str; 34] = [
        "GET /",
        "GET /clips/now",
        "POST /clips/{id}/drop",
        "POST /seat",
        "POST /turns",
        "GET /owner",
        "GET /audit",
        "GET /cages",
        "POST /cages",
        "GET /cages/{journal}/screen",
        "GET /cages/{journal}/live",
        "GET /logins",
        "POST /logins/{id}/end",
        "POST /logins/end-others",
        "GET /sessions/{id}/delete",
        "POST /people",
        "GET /people/{id}/delete",
        "GET /trends",
        "GET /plans",
        "POST /plans",
        "GET /cues",
        "GET /cues/{id}/sound",
        "POST /cues/{id}",
        "POST /cues/{id}/words",
        "POST /cues/{id}/drop",
        "GET /not-counted/{id}/data",
        "GET /reps/{id}/film/{picture}",
        "GET /health",
        "GET /metrics",
        "GET /door",
        "POST /door",
        "POST /leave",
        "POST /language",
        "GET /assets/{name}",
    ];

    #[test]
    fn every_route_is_entered_or_listed_as_one_that_is_not() {
        let routes = include_str!("mod.rs").split(".route(\"").skip(1);
        let mut found: Vec<String> = routes
            .flat_map(|route| {
                let route = route.split(".layer(").next().unwrap();
                let path = route.split('"').next().unwrap();
                [("get(", "GET"), ("post(", "POST")]
                    .into_iter()
                    .filter(move |(call, _)| route.contains(call))
                    .map(move |(_, method)| format!("{method} {path}"))
            })
            .collect();
        let entered = ENTERED
            .iter()
            .map(|(method, path, ..)| format!("{method} {path}"));
        let mut listed: Vec<String> = entered.chain(NOT_HERE.map(str::to_owned)).collect();
        found.sort();
        listed.sort();
        assert_eq!(found, listed);
    }

    #[test]
    fn a_look_is_entered_once_in_a_while_and_an_export_each_time() {
        let mut inner = Inner::default();
        let now = Instant::now();
        let mut is_entered =
            |act, hitter, after| inner.is_to_be_entered(&entry(act, hitter), now + after);
        let soon = Duration::from_secs(5);
        assert!(is_entered(Act::Looked, 1, Duration::ZERO));
        assert!(!is_entered(Act::Looked, 1, soon));
        assert!(is_entered(Act::Looked, 2, soon));
        assert!(is_entered(Act::Looked, 1, ONCE_IN));
        assert!(is_entered(Act::Exported, 1, soon) && is_entered(Act::Exported, 1, soon));
    }

    #[test]
    fn refusals_fill_no_disk_and_hide_nothing_else() {
        let mut inner = Inner::default();
        let now = Instant::now();
        let entered = (0..10_000)
            .filter(|i| inner.is_to_be_entered(&entry(Act::LoginRefused, *i), now))
            .count();
        assert_eq!(entered, 200);
        assert!(inner.is_to_be_entered(&entry(Act::LoggedIn, 1), now));
        let later = now + Duration::from_secs(3600);
        assert!(inner.is_to_be_entered(&entry(Act::LoginRefused, 1), later));
    }

    #[test]
    fn what_is_remembered_has_a_limit_and_is_entered_all_the_same_beyond_it() {
        let mut inner = Inner::default();
        let now = Instant::now();
        assert!((0..10_000).all(|i| inner.is_to_be_entered(&entry(Act::Looked, i), now)));
        assert_eq!(inner.last.len(), REMEMBERED);
        // What is old makes room.
        let later = now + ONCE_IN;
        assert!(inner.is_to_be_entered(&entry(Act::Looked, 20_000), later));
        assert!(!inner.is_to_be_entered(&entry(Act::Looked, 20_000), later));
        assert_eq!(inner.last.len(), 1);
    }
}
