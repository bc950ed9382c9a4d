//! Web sessions: who is logged in, from where, and for how long.
//!
//! In: tokens from cookies. Out: the session's principal. Sessions live in memory, by the hash of their token; those of
//! screens are also kept in a file, so that the screen on the wall is there again after a restart without anybody's PIN.
//! Each holds the proof of the key that it was opened with: a key that is changed or taken away ends it.

use std::collections::HashMap;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use ring::digest::{SHA256, digest};
use serde::{Deserialize, Serialize};

use super::credentials::{Credentials, Principal, hex, random_hex};
use crate::private_file::write_private;

/// What a requester may see.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::page) enum Role {
    /// The login page.
    #[default]
    Anonymous,
    /// The hitter's screen.
    Hitter,
    /// Everything.
    Coach,
}

/// A coach's session ends after so long without a request, and after this in any case (OWASP ASVS 4.0.3, 3.3.2).
const IDLE: Duration = Duration::from_secs(30 * 60);
const MAX_AGE: Duration = Duration::from_secs(12 * 3600);
/// The hitter's screen hangs on a wall and polls by itself; it stays.
const IDLE_SCREEN: Duration = Duration::from_secs(7 * 24 * 3600);
const MAX_AGE_SCREEN: Duration = Duration::from_secs(180 * 24 * 3600);
/// More sessions than a facility has screens.
const MAX_SESSIONS: usize = 200;
/// The file of screens' sessions, beside the journal, and how often it learns that a screen is still there.
const FILE: &str = "page-screens.toml";
const NOTE_EVERY: Duration = Duration::from_secs(12 * 3600);

/// A web session.
#[derive(Clone, Debug)]
pub(in crate::page) struct WebSession {
    /// Names it in lists; it opens nothing.
    pub(in crate::page) id: u64,
    pub(in crate::page) who: Principal,
    pub(in crate::page) address: IpAddr,
    pub(in crate::page) started: Moment,
    pub(in crate::page) last_seen: Moment,
    proof: String,
}

/// A moment by both clocks: ages go by the one that nobody sets, people and files by the other.
#[derive(Clone, Copy, Debug)]
pub(in crate::page) struct Moment {
    at: Instant,
    /// How old it was at `at` already, where it is from before the start.
    before: Duration,
    pub(in crate::page) wall: Timestamp,
}

impl Moment {
    pub(in crate::page) fn new(at: Instant, wall: Timestamp) -> Self {
        Self {
            at,
            before: Duration::ZERO,
            wall,
        }
    }

    fn from_file(wall: Timestamp, now: Self) -> Self {
        let age = now.wall.duration_since(wall);
        Self {
            at: now.at,
            before: Duration::try_from(age).unwrap_or_default(),
            wall,
        }
    }

    /// How old it is.
    pub(in crate::page) fn age(&self, now: Instant) -> Duration {
        self.before + now.duration_since(self.at)
    }
}

/// Whether a session was found for somebody's request or for what a page does by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::page) enum AskedBy {
    Person,
    /// Does not keep a coach's session alive.
    Script,
}

/// All sessions, by the hash of the token in their cookie.
#[derive(Debug, Default)]
pub(in crate::page) struct WebSessions {
    sessions: HashMap<String, WebSession>,
    next_id: u64,
    /// Where screens' sessions are kept, once that is known.
    file: Option<PathBuf>,
    noted: Option<Instant>,
}

/// A screen's session in the file.
#[derive(Debug, Serialize, Deserialize)]
struct Kept {
    token_hash: String,
    proof_hash: String,
    address: IpAddr,
    started: Timestamp,
    last_seen: Timestamp,
}

#[derive(Debug, Default, Serialize, Deserialize)]
struct KeptFile {
    #[serde(default)]
    screen: Vec<Kept>,
}

impl WebSessions {
    /// Takes up the screens' sessions that lie beside a journal; another journal has other keys, and ends all before it.
    pub(in crate::page) fn use_file_beside(
        &mut self,
        journal: &Path,
        keys: &Credentials,
        now: Moment,
    ) {
        let file = journal.with_file_name(FILE);
        if self.file.as_ref() == Some(&file) {
            return;
        }
        let text = std::fs::read_to_string(&file).unwrap_or_default();
        self.file = Some(file);
        let kept: KeptFile = toml::from_str(&text).unwrap_or_else(|error| {
            tracing::warn!(%error, "the screens that were logged in are forgotten");
            KeptFile::default()
        });
        let Some(proof) = keys.proof(&Principal::Screen) else {
            return;
        };
        for kept in kept.screen.into_iter().take(MAX_SESSIONS) {
            if kept.proof_hash != hash(proof) {
                continue;
            }
            let session = WebSession {
                id: self.new_id(),
                who: Principal::Screen,
                address: kept.address,
                started: Moment::from_file(kept.started, now),
                last_seen: Moment::from_file(kept.last_seen, now),
                proof: proof.to_owned(),
            };
            self.sessions.insert(kept.token_hash, session);
        }
    }

    /// Starts a session and returns its token. `None` where the system gives no random numbers, or no such key is set.
    pub(in crate::page) fn start(
        &mut self,
        who: Principal,
        keys: &Credentials,
        address: IpAddr,
        now: Moment,
    ) -> Option<String> {
        let proof = keys.proof(&who)?.to_owned();
        self.sessions.retain(|_, session| session.is_alive(now.at));
        if self.sessions.len() >= MAX_SESSIONS {
            self.make_room();
        }
        let token = random_hex()?;
        let session = WebSession {
            id: self.new_id(),
            who,
            address,
            started: now,
            last_seen: now,
            proof,
        };
        self.sessions.insert(hash(&token), session);
        self.keep(now.at);
        Some(token)
    }

    /// The session of a token, unless it has ended; it counts as seen now.
    pub(in crate::page) fn find(
        &mut self,
        token: &str,
        keys: &Credentials,
        asked_by: AskedBy,
        now: Moment,
    ) -> Option<WebSession> {
        let key = hash(token);
        let session = self.sessions.get_mut(&key)?;
        if !session.is_alive(now.at) || keys.proof(&session.who) != Some(&session.proof) {
            self.sessions.remove(&key);
            self.keep(now.at);
            return None;
        }
        if session.who == Principal::Screen || asked_by == AskedBy::Person {
            session.last_seen = now;
        }
        let session = session.clone();
        let is_due = self
            .noted
            .is_none_or(|noted| now.at.duration_since(noted) >= NOTE_EVERY);
        if session.who == Principal::Screen && is_due {
            self.keep(now.at);
        }
        Some(session)
    }

    /// Ends a session.
    pub(in crate::page) fn end(&mut self, token: &str, now: Instant) -> Option<WebSession> {
        let ended = self.sessions.remove(&hash(token));
        self.keep(now);
        ended
    }

    /// Ends a session out of the list.
    pub(in crate::page) fn end_listed(&mut self, id: u64, now: Instant) -> Option<WebSession> {
        let key = self
            .sessions
            .iter()
            .find(|(_, session)| session.id == id)?
            .0
            .clone();
        let ended = self.sessions.remove(&key);
        self.keep(now);
        ended
    }

    /// All sessions whose keys still hold, the newest first.
    pub(in crate::page) fn list(&mut self, keys: &Credentials, now: Instant) -> Vec<WebSession> {
        self.sessions.retain(|_, session| {
            session.is_alive(now) && keys.proof(&session.who) == Some(&session.proof)
        });
        let mut all: Vec<WebSession> = self.sessions.values().cloned().collect();
        all.sort_unstable_by_key(|session| std::cmp::Reverse(session.id));
        all
    }

    fn new_id(&mut self) -> u64 {
        self.next_id += 1;
        self.next_id
    }

    /// Ends the session that was seen least recently, of the lowest role, from the address that has the most: who logs in
    /// again and again puts out their own.
    fn make_room(&mut self) {
        let mut counts: HashMap<IpAddr, usize> = HashMap::new();
        for session in self.sessions.values() {
            *counts.entry(session.address).or_default() += 1;
        }
        let oldest = self.sessions.iter().min_by_key(|(_, session)| {
            let others = counts.get(&session.address).copied().unwrap_or_default();
            (
                session.who.role(),
                std::cmp::Reverse(others),
                session.last_seen.at,
            )
        });
        if let Some(key) = oldest.map(|(key, _)| key.clone()) {
            self.sessions.remove(&key);
        }
    }

    /// Writes the file of screens' sessions. Without it they end with the program, as coaches' do.
    fn keep(&mut self, now: Instant) {
        let Some(file) = &self.file else { return };
        self.noted = Some(now);
        let screens = self
            .sessions
            .iter()
            .filter(|(_, session)| session.who == Principal::Screen);
        let kept = KeptFile {
            screen: screens
                .map(|(token_hash, session)| Kept {
                    token_hash: token_hash.clone(),
                    proof_hash: hash(&session.proof),
                    address: session.address,
                    started: session.started.wall,
                    last_seen: session.last_seen.wall,
                })
                .collect(),
        };
        if kept.screen.is_empty() && !file.exists() {
            return;
        }
        let written = toml::to_string(&kept)
            .map_err(std::io::Error::other)
            .and_then(|text| write_private(file, text.as_bytes()));
        if let Err(error) = written {
            tracing::warn!(%error, "screens that are logged in must log in again after a restart");
        }
    }
}

impl WebSession {
    fn is_alive(&self, now: Instant) -> bool {
        let (idle, max_age) = match self.who {
            Principal::Coach(_) => (IDLE, MAX_AGE),
            Principal::Screen => (IDLE_SCREEN, MAX_AGE_SCREEN),
        };
        self.last_seen.age(now) < idle && self.started.age(now) < max_age
    }
}

fn hash(text: &str) -> String {
    hex(digest(&SHA256, text.as_bytes()).as_ref())
}

#[cfg(test)]
mod tests;
