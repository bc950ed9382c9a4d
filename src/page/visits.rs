//! Who is in: visits that were let in, how long they last, and how often a wrong key may be tried.
//!
//! In: tokens from cookies and addresses of peers. Out: what a visit may see. Visits live in memory only: a restart asks
//! everybody again.

use std::collections::HashMap;
use std::net::IpAddr;
use std::time::{Duration, Instant};

/// What a visitor may see.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Role {
    /// The door.
    #[default]
    Nobody,
    /// The hitter's screen.
    Hitter,
    /// Everything.
    Coach,
}

/// A visit ends when nothing was asked for so long.
const IDLE: Duration = Duration::from_secs(2 * 3600);
/// The hitter's screen hangs on a wall and asks by itself; it stays for a day.
const IDLE_HITTER: Duration = Duration::from_secs(24 * 3600);
/// And at any rate after this.
const LONGEST: Duration = Duration::from_secs(12 * 3600);
const LONGEST_HITTER: Duration = Duration::from_secs(30 * 24 * 3600);
/// More visits than a facility has screens; the oldest gives way.
const MOST_VISITS: usize = 500;
/// Wrong keys in a row before an address has to wait.
const FREE_TRIES: u32 = 5;
/// The first wait; each further wrong key doubles it, up to the longest.
const WAITS: (Duration, Duration) = (Duration::from_secs(30), Duration::from_secs(900));
/// Wrong keys of all addresses together before everybody waits: a thief may have many addresses.
const FREE_TRIES_OF_ALL: u32 = 50;
/// After so long without a wrong key, an address is as good as new.
const FORGIVEN: Duration = Duration::from_secs(3600);

/// A visit.
#[derive(Clone, Debug)]
pub(super) struct Visit {
    /// What it was let in for.
    pub role: Role,
    /// What a form of this visit carries, so that no other site can send one.
    pub form_token: String,
    began: Instant,
    seen: Instant,
}

/// All visits, by the token in their cookie.
#[derive(Debug, Default)]
pub(super) struct Visits {
    visits: HashMap<String, Visit>,
}

impl Visits {
    /// Begins a visit; gives its token. `None` where the system gives no random numbers.
    pub(super) fn begin(&mut self, role: Role, now: Instant) -> Option<(String, Visit)> {
        self.visits.retain(|_, visit| visit.lasts(now));
        if self.visits.len() >= MOST_VISITS
            && let Some(oldest) = self
                .visits
                .iter()
                .min_by_key(|(_, visit)| (visit.role, visit.seen))
                .map(|(token, _)| token.clone())
        {
            self.visits.remove(&oldest);
        }
        let visit = Visit {
            role,
            form_token: random_token()?,
            began: now,
            seen: now,
        };
        let token = random_token()?;
        self.visits.insert(token.clone(), visit.clone());
        Some((token, visit))
    }

    /// The visit of a token, if it lasts; it counts as seen now.
    pub(super) fn find(&mut self, token: &str, now: Instant) -> Option<Visit> {
        let visit = self.visits.get_mut(token)?;
        if !visit.lasts(now) {
            self.visits.remove(token);
            return None;
        }
        visit.seen = now;
        Some(visit.clone())
    }

    /// The same for what a screen asks again and again by itself: that does not keep a coach's door open.
    pub(super) fn find_for_screen(&mut self, token: &str, now: Instant) -> Option<Visit> {
        match self.visits.get(token) {
            Some(visit) if visit.role == Role::Coach && visit.lasts(now) => Some(visit.clone()),
            _ => self.find(token, now),
        }
    }

    /// Ends a visit.
    pub(super) fn end(&mut self, token: &str) {
        self.visits.remove(token);
    }
}

impl Visit {
    fn lasts(&self, now: Instant) -> bool {
        let (idle, longest) = match self.role {
            Role::Coach => (IDLE, LONGEST),
            Role::Hitter | Role::Nobody => (IDLE_HITTER, LONGEST_HITTER),
        };
        now.duration_since(self.seen) < idle && now.duration_since(self.began) < longest
    }
}

/// 256 random bits as hexadecimal digits.
fn random_token() -> Option<String> {
    let mut bytes = [0u8; 32];
    getrandom::fill(&mut bytes).ok()?;
    Some(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[derive(Clone, Copy, Debug)]
struct Tries {
    wrong: u32,
    last: Instant,
}

/// How often wrong keys were tried.
#[derive(Debug, Default)]
pub(super) struct DoorWatch {
    by_address: HashMap<IpAddr, Tries>,
    of_all: Option<Tries>,
}

impl DoorWatch {
    /// How long this address has to wait before it may try; `None` where it may now.
    pub(super) fn wait(&self, address: IpAddr, now: Instant) -> Option<Duration> {
        let own = self
            .by_address
            .get(&address)
            .map(|t| left(*t, FREE_TRIES, now));
        let all = self.of_all.map(|t| left(t, FREE_TRIES_OF_ALL, now));
        let longest = own.into_iter().chain(all).max().unwrap_or_default();
        (!longest.is_zero()).then_some(longest)
    }

    /// Notes a wrong key.
    pub(super) fn wrong(&mut self, address: IpAddr, now: Instant) {
        self.by_address
            .retain(|_, tries| now.duration_since(tries.last) < FORGIVEN);
        let count = |before: Option<Tries>| Tries {
            wrong: before
                .filter(|tries| now.duration_since(tries.last) < FORGIVEN)
                .map_or(0, |tries| tries.wrong)
                .saturating_add(1),
            last: now,
        };
        let own = count(self.by_address.get(&address).copied());
        self.by_address.insert(address, own);
        self.of_all = Some(count(self.of_all));
    }

    /// Notes a right key.
    pub(super) fn right(&mut self, address: IpAddr) {
        self.by_address.remove(&address);
        // It was counted as wrong while it was tried; the coaches of a busy day must not lock each other out.
        if let Some(all) = &mut self.of_all {
            all.wrong = all.wrong.saturating_sub(1);
        }
    }
}

fn left(tries: Tries, free: u32, now: Instant) -> Duration {
    let Some(over) = tries.wrong.checked_sub(free) else {
        return Duration::ZERO;
    };
    let wait = WAITS.0.saturating_mul(1 << over.min(10)).min(WAITS.1);
    wait.saturating_sub(now.duration_since(tries.last))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_visit_ends_when_it_idles_and_at_any_rate_some_day() {
        let start = Instant::now();
        let mut visits = Visits::default();
        let (token, visit) = visits.begin(Role::Coach, start).unwrap();
        assert_eq!(token.len(), 64);
        assert_ne!(token, visit.form_token);
        let hour = Duration::from_secs(3600);
        for n in 1..=11 {
            assert!(visits.find(&token, start + n * hour).is_some(), "{n}");
        }
        assert!(visits.find(&token, start + 12 * hour).is_none());
        let (idle, _) = visits.begin(Role::Coach, start).unwrap();
        assert!(visits.find(&idle, start + 2 * hour).is_none());
        let (wall, _) = visits.begin(Role::Hitter, start).unwrap();
        assert!(visits.find(&wall, start + 20 * hour).is_some());
        visits.end(&wall);
        assert!(visits.find(&wall, start).is_none());
        assert!(visits.find("", start).is_none());
    }

    #[test]
    fn a_screen_that_asks_by_itself_keeps_its_own_door_open_and_no_coachs() {
        let start = Instant::now();
        let hour = Duration::from_secs(3600);
        for (role, stays) in [(Role::Coach, false), (Role::Hitter, true)] {
            let mut visits = Visits::default();
            let (token, _) = visits.begin(role, start).unwrap();
            assert!(visits.find_for_screen(&token, start + hour).is_some());
            let found = visits.find_for_screen(&token, start + 24 * hour + hour / 2);
            assert_eq!(found.is_some(), stays, "{role:?}");
        }
    }

    #[test]
    fn many_visits_do_not_fill_the_memory_and_coaches_stay() {
        let start = Instant::now();
        let mut visits = Visits::default();
        let (coach, _) = visits.begin(Role::Coach, start).unwrap();
        for n in 0..2000 {
            visits.begin(Role::Nobody, start + Duration::from_millis(n));
        }
        assert!(visits.visits.len() <= MOST_VISITS);
        assert!(
            visits
                .find(&coach, start + Duration::from_secs(3))
                .is_some()
        );
    }

    #[test]
    fn wrong_keys_make_an_address_wait_longer_and_longer() {
        let start = Instant::now();
        let [one, other] = [[192, 0, 2, 1], [192, 0, 2, 2]].map(IpAddr::from);
        let mut watch = DoorWatch::default();
        for _ in 0..4 {
            watch.wrong(one, start);
            assert_eq!(watch.wait(one, start), None);
        }
        watch.wrong(one, start);
        assert_eq!(watch.wait(one, start), Some(Duration::from_secs(30)));
        assert_eq!(watch.wait(other, start), None);
        let later = start + Duration::from_secs(31);
        assert_eq!(watch.wait(one, later), None);
        watch.wrong(one, later);
        assert_eq!(watch.wait(one, later), Some(Duration::from_secs(60)));
        for _ in 0..20 {
            watch.wrong(one, later);
        }
        assert_eq!(watch.wait(one, later), Some(Duration::from_secs(900)));
        watch.right(one);
        assert_eq!(watch.wait(one, later), None);
        // Many right keys keep nobody out.
        let mut busy = DoorWatch::default();
        for n in 0..200 {
            let coach = IpAddr::from([198, 51, 100, n]);
            busy.wrong(coach, start);
            busy.right(coach);
        }
        assert_eq!(busy.wait(other, start), None);
        // Many addresses: everybody waits.
        for n in 0..60 {
            watch.wrong(IpAddr::from([198, 51, 100, n]), later);
        }
        assert!(watch.wait(other, later).is_some());
    }
}
