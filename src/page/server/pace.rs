//! How fast requests are answered, of one address and of all: whoever asks faster waits for each answer.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::page::auth::network;

/// Requests a second in the long run, of one address and of all. A film that is played takes sixty.
const OF_ONE: u32 = 100;
const OF_ALL: u32 = 300;
/// What may come at once before anybody waits, in seconds of that.
const AT_ONCE: Duration = Duration::from_secs(2);

/// Requests that were let through, by when they would have been done at their pace.
#[derive(Clone, Debug, Default)]
pub(super) struct Pace(Arc<Mutex<Done>>);

#[derive(Debug, Default)]
struct Done {
    by_address: HashMap<IpAddr, Instant>,
    all: Option<Instant>,
}

impl Pace {
    /// Counts a request; how long its answer is to wait.
    pub(super) fn delay(&self, address: IpAddr, is_proxy: bool, now: Instant) -> Duration {
        let mut done = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let step = |before: Option<Instant>, a_second: u32| {
            let begun = before.map_or(now, |before| before.max(now));
            begun + Duration::from_secs(1) / a_second
        };
        let all = step(done.all, OF_ALL);
        done.all = Some(all);
        done.by_address.retain(|_, until| *until > now);
        // A proxy asks for everybody.
        let own = match is_proxy {
            true => all,
            false => {
                let own = step(done.by_address.get(&network(address)).copied(), OF_ONE);
                done.by_address.insert(network(address), own);
                own
            }
        };
        own.max(all).duration_since(now).saturating_sub(AT_ONCE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_asks_too_fast_waits_and_others_do_not() {
        let start = Instant::now();
        let pace = Pace::default();
        let [one, other] = [1, 2].map(|n| IpAddr::from([192, 0, 2, n]));
        let delays: Vec<Duration> = (0..300).map(|_| pace.delay(one, false, start)).collect();
        assert!(delays[..200].iter().all(Duration::is_zero));
        assert_eq!(delays[299].as_millis(), 1000);
        assert_eq!(pace.delay(other, false, start), Duration::ZERO);
        // At a hundred a second nobody waits for long.
        let later = start + Duration::from_secs(60);
        let at_pace =
            (0..1000).map(|n| pace.delay(one, false, later + n * Duration::from_millis(10)));
        assert_eq!(at_pace.max(), Some(Duration::ZERO));
        // Many addresses together wait as well, and so does a proxy.
        let much_later = later + Duration::from_secs(60);
        let of_many =
            (0..250).map(|n| pace.delay(IpAddr::from([198, 51, 100, n]), false, much_later));
        assert_eq!(of_many.max(), Some(Duration::ZERO));
        let of_proxy: Vec<Duration> = (0..650)
            .map(|_| pace.delay(other, true, much_later))
            .collect();
        assert!(of_proxy[649].as_millis() > 900 && of_proxy[300].is_zero());
    }
}
