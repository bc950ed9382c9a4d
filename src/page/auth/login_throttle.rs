//! How often a login may be tried.
//!
//! In: addresses of clients and whether their logins succeed. Out: how long an address has to wait. In memory only.

use std::collections::HashMap;
use std::net::IpAddr;
use std::time::{Duration, Instant};

/// Failed logins in a row before an address has to wait.
const FREE_FAILURES: u32 = 5;
/// The first wait; each further failure doubles it, up to the longest.
const WAITS: (Duration, Duration) = (Duration::from_secs(30), Duration::from_secs(900));
/// Failures of all addresses together before everybody waits: an attacker may have many addresses.
const FREE_FAILURES_OF_ALL: u32 = 50;
/// After so long without a failure, an address starts afresh.
const FORGIVEN_AFTER: Duration = Duration::from_secs(3600);

#[derive(Clone, Copy, Debug)]
struct Failures {
    count: u32,
    last: Instant,
}

/// Failed logins, by address and of all together.
#[derive(Debug, Default)]
pub(in crate::page) struct LoginThrottle {
    by_address: HashMap<IpAddr, Failures>,
    of_all: Option<Failures>,
}

impl LoginThrottle {
    /// How long this address has to wait before it may try to log in; `None` where it may now.
    pub(in crate::page) fn wait(&self, address: IpAddr, now: Instant) -> Option<Duration> {
        let own = self
            .by_address
            .get(&address)
            .map(|t| left(*t, FREE_FAILURES, now));
        let all = self.of_all.map(|t| left(t, FREE_FAILURES_OF_ALL, now));
        let longest = own.into_iter().chain(all).max().unwrap_or_default();
        (!longest.is_zero()).then_some(longest)
    }

    /// Records a failed login.
    pub(in crate::page) fn record_failure(&mut self, address: IpAddr, now: Instant) {
        self.by_address
            .retain(|_, failures| now.duration_since(failures.last) < FORGIVEN_AFTER);
        let count = |before: Option<Failures>| Failures {
            count: before
                .filter(|failures| now.duration_since(failures.last) < FORGIVEN_AFTER)
                .map_or(0, |failures| failures.count)
                .saturating_add(1),
            last: now,
        };
        let own = count(self.by_address.get(&address).copied());
        self.by_address.insert(address, own);
        self.of_all = Some(count(self.of_all));
    }

    /// Records a login.
    pub(in crate::page) fn record_success(&mut self, address: IpAddr) {
        self.by_address.remove(&address);
        // It was counted as a failure while it was checked; the coaches of a busy day must not lock each other out.
        if let Some(all) = &mut self.of_all {
            all.count = all.count.saturating_sub(1);
        }
    }
}

fn left(failures: Failures, free: u32, now: Instant) -> Duration {
    let Some(over) = failures.count.checked_sub(free) else {
        return Duration::ZERO;
    };
    let wait = WAITS.0.saturating_mul(1 << over.min(10)).min(WAITS.1);
    wait.saturating_sub(now.duration_since(failures.last))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn failed_logins_make_an_address_wait_longer_and_longer() {
        let start = Instant::now();
        let [one, other] = [[192, 0, 2, 1], [192, 0, 2, 2]].map(IpAddr::from);
        let mut throttle = LoginThrottle::default();
        for _ in 0..4 {
            throttle.record_failure(one, start);
            assert_eq!(throttle.wait(one, start), None);
        }
        throttle.record_failure(one, start);
        assert_eq!(throttle.wait(one, start), Some(Duration::from_secs(30)));
        assert_eq!(throttle.wait(other, start), None);
        let later = start + Duration::from_secs(31);
        assert_eq!(throttle.wait(one, later), None);
        throttle.record_failure(one, later);
        assert_eq!(throttle.wait(one, later), Some(Duration::from_secs(60)));
        for _ in 0..20 {
            throttle.record_failure(one, later);
        }
        assert_eq!(throttle.wait(one, later), Some(Duration::from_secs(900)));
        throttle.record_success(one);
        assert_eq!(throttle.wait(one, later), None);
        // Many logins keep nobody out.
        let mut busy = LoginThrottle::default();
        for n in 0..200 {
            let coach = IpAddr::from([198, 51, 100, n]);
            busy.record_failure(coach, start);
            busy.record_success(coach);
        }
        assert_eq!(busy.wait(other, start), None);
        // Many addresses: everybody waits.
        for n in 0..60 {
            throttle.record_failure(IpAddr::from([198, 51, 100, n]), later);
        }
        assert!(throttle.wait(other, later).is_some());
    }
}
