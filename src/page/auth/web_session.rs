//! Web sessions: who is logged in, and for how long.
//!
//! In: tokens from cookies. Out: the session's role. Sessions live in memory only: after a restart everybody logs in again.

use std::collections::HashMap;
use std::time::{Duration, Instant};

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

/// A session ends after so long without a request.
const IDLE: Duration = Duration::from_secs(2 * 3600);
/// The hitter's screen hangs on a wall and polls by itself; it stays for a day.
const IDLE_HITTER: Duration = Duration::from_secs(24 * 3600);
/// A session ends after this in any case.
const MAX_AGE: Duration = Duration::from_secs(12 * 3600);
const MAX_AGE_HITTER: Duration = Duration::from_secs(30 * 24 * 3600);
/// More sessions than a facility has screens; the oldest gives way.
const MAX_SESSIONS: usize = 500;

/// A web session.
#[derive(Clone, Debug)]
pub(in crate::page) struct WebSession {
    /// What it may see.
    pub(in crate::page) role: Role,
    /// What a form of this session carries, so that no other site can send one.
    pub(in crate::page) form_token: String,
    started: Instant,
    last_seen: Instant,
}

/// All sessions, by the token in their cookie.
#[derive(Debug, Default)]
pub(in crate::page) struct WebSessions {
    sessions: HashMap<String, WebSession>,
}

impl WebSessions {
    /// Starts a session and returns its token. `None` where the system gives no random numbers.
    pub(in crate::page) fn start(
        &mut self,
        role: Role,
        now: Instant,
    ) -> Option<(String, WebSession)> {
        self.sessions.retain(|_, session| session.is_alive(now));
        if self.sessions.len() >= MAX_SESSIONS
            && let Some(oldest) = self
                .sessions
                .iter()
                .min_by_key(|(_, session)| (session.role, session.last_seen))
                .map(|(token, _)| token.clone())
        {
            self.sessions.remove(&oldest);
        }
        let session = WebSession {
            role,
            form_token: random_token()?,
            started: now,
            last_seen: now,
        };
        let token = random_token()?;
        self.sessions.insert(token.clone(), session.clone());
        Some((token, session))
    }

    /// The session of a token, unless it has ended; it counts as seen now.
    pub(in crate::page) fn find(&mut self, token: &str, now: Instant) -> Option<WebSession> {
        let session = self.sessions.get_mut(token)?;
        if !session.is_alive(now) {
            self.sessions.remove(token);
            return None;
        }
        session.last_seen = now;
        Some(session.clone())
    }

    /// The same for what a screen polls by itself: that does not keep a coach's session alive.
    pub(in crate::page) fn find_for_polling(
        &mut self,
        token: &str,
        now: Instant,
    ) -> Option<WebSession> {
        match self.sessions.get(token) {
            Some(session) if session.role == Role::Coach && session.is_alive(now) => {
                Some(session.clone())
            }
            _ => self.find(token, now),
        }
    }

    /// Ends a session.
    pub(in crate::page) fn end(&mut self, token: &str) {
        self.sessions.remove(token);
    }
}

impl WebSession {
    fn is_alive(&self, now: Instant) -> bool {
        let (idle, max_age) = match self.role {
            Role::Coach => (IDLE, MAX_AGE),
            Role::Hitter | Role::Anonymous => (IDLE_HITTER, MAX_AGE_HITTER),
        };
        now.duration_since(self.last_seen) < idle && now.duration_since(self.started) < max_age
    }
}

/// 256 random bits as hexadecimal digits.
fn random_token() -> Option<String> {
    let mut bytes = [0u8; 32];
    getrandom::fill(&mut bytes).ok()?;
    Some(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_ends_when_it_idles_and_in_any_case_some_day() {
        let begun = Instant::now();
        let mut sessions = WebSessions::default();
        let (token, session) = sessions.start(Role::Coach, begun).unwrap();
        assert_eq!(token.len(), 64);
        assert_ne!(token, session.form_token);
        let hour = Duration::from_secs(3600);
        for n in 1..=11 {
            assert!(sessions.find(&token, begun + n * hour).is_some(), "{n}");
        }
        assert!(sessions.find(&token, begun + 12 * hour).is_none());
        let (idle, _) = sessions.start(Role::Coach, begun).unwrap();
        assert!(sessions.find(&idle, begun + 2 * hour).is_none());
        let (wall, _) = sessions.start(Role::Hitter, begun).unwrap();
        assert!(sessions.find(&wall, begun + 20 * hour).is_some());
        sessions.end(&wall);
        assert!(sessions.find(&wall, begun).is_none());
        assert!(sessions.find("", begun).is_none());
    }

    #[test]
    fn polling_keeps_a_screens_session_alive_and_no_coachs() {
        let begun = Instant::now();
        let hour = Duration::from_secs(3600);
        for (role, stays) in [(Role::Coach, false), (Role::Hitter, true)] {
            let mut sessions = WebSessions::default();
            let (token, _) = sessions.start(role, begun).unwrap();
            assert!(sessions.find_for_polling(&token, begun + hour).is_some());
            let found = sessions.find_for_polling(&token, begun + 24 * hour + hour / 2);
            assert_eq!(found.is_some(), stays, "{role:?}");
        }
    }

    #[test]
    fn many_sessions_do_not_fill_the_memory_and_coaches_stay() {
        let begun = Instant::now();
        let mut sessions = WebSessions::default();
        let (coach, _) = sessions.start(Role::Coach, begun).unwrap();
        for n in 0..2000 {
            sessions.start(Role::Anonymous, begun + Duration::from_millis(n));
        }
        assert!(sessions.sessions.len() <= MAX_SESSIONS);
        assert!(
            sessions
                .find(&coach, begun + Duration::from_secs(3))
                .is_some()
        );
    }
}
