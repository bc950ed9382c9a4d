//! How often a login may be tried.
//!
//! In: where logins are tried from and whether they succeed. Out: how long somebody has to wait. In memory only.
//!
//! Wrong keys are counted by class and within it by member, each over the day before. A class has so many a day whoever tries
//! and whenever, and the wrong keys of one class keep nobody of another waiting: strangers cannot keep out a device that was
//! logged in before, nor this machine's own screen. A right key leaves no trace in any count.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::credentials::Principal;

/// Wrong keys that are remembered, and counted, for so long.
const DAY: Duration = Duration::from_secs(24 * 3600);
/// Wrong keys of a class in a day; of a member of it.
const CLASS_A_DAY: usize = 100;
const MEMBER_A_DAY: usize = 20;
/// Wrong keys of a member within an hour before it has to wait.
const FREE_FAILURES: usize = 5;
const BURST: Duration = Duration::from_secs(3600);
/// The first wait; each further failure doubles it, up to the longest.
const WAITS: (Duration, Duration) = (Duration::from_secs(30), Duration::from_secs(900));
/// While other tries are being checked that may use up what is left.
const MOMENT: Duration = Duration::from_secs(1);

/// Who tries to log in, as far as that is known before a key is checked.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(in crate::page) enum Source {
    /// This machine's own screen.
    Here,
    /// A device that was logged in before, by its number and as whom.
    Device(String, Principal),
    /// Anybody else; an IPv6 network counts as one address, for a machine has as many as it likes.
    Stranger(IpAddr),
}

/// What shares a day's tries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Class {
    Here,
    Screens,
    Coaches,
    Strangers,
}

impl Source {
    pub(in crate::page) fn stranger(address: IpAddr) -> Self {
        Self::Stranger(network(address))
    }

    fn class(&self) -> Class {
        match self {
            Self::Here => Class::Here,
            Self::Device(_, Principal::Screen) => Class::Screens,
            Self::Device(_, Principal::Coach(_)) => Class::Coaches,
            Self::Stranger(_) => Class::Strangers,
        }
    }
}

/// An address, or the network of an IPv6 one: a machine has as many addresses of its network as it likes.
pub(in crate::page) fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => {
            let [a, b, c, d, ..] = v6.segments();
            IpAddr::from([a, b, c, d, 0, 0, 0, 0])
        }
        v4 => v4,
    }
}

/// Wrong keys of the last day, and tries that are being checked.
#[derive(Debug, Default)]
struct Tally {
    wrong: VecDeque<Instant>,
    checking: usize,
}

impl Tally {
    fn forget(&mut self, now: Instant) {
        while self
            .wrong
            .front()
            .is_some_and(|at| now.duration_since(*at) >= DAY)
        {
            self.wrong.pop_front();
        }
    }

    /// How long the day's tries are used up.
    fn day_wait(&self, a_day: usize, now: Instant) -> Duration {
        let over = self.wrong.len().checked_sub(a_day);
        over.and_then(|over| self.wrong.get(over))
            .map_or(Duration::ZERO, |oldest| {
                DAY.saturating_sub(now.duration_since(*oldest))
            })
    }

    /// How long many wrong keys in a short time make wait.
    fn burst_wait(&self, now: Instant) -> Duration {
        let recent = self
            .wrong
            .iter()
            .filter(|at| now.duration_since(**at) < BURST)
            .count();
        match (recent.checked_sub(FREE_FAILURES), self.wrong.back()) {
            (Some(over), Some(last)) => {
                let wait = WAITS.0.saturating_mul(1 << over.min(10)).min(WAITS.1);
                wait.saturating_sub(now.duration_since(*last))
            }
            _ => Duration::ZERO,
        }
    }

    fn is_empty(&self) -> bool {
        self.wrong.is_empty() && self.checking == 0
    }
}

#[derive(Debug, Default)]
struct Tallies {
    classes: HashMap<Class, Tally>,
    members: HashMap<Source, Tally>,
    wrong_ever: u64,
}

impl Tallies {
    fn wait(&self, source: &Source, now: Instant) -> Duration {
        let class = self.classes.get(&source.class());
        let member = self.members.get(source);
        let of_class = class.map(|tally| {
            let waits = tally.day_wait(CLASS_A_DAY, now);
            let may_run_out =
                tally.wrong.len() + tally.checking >= CLASS_A_DAY && tally.checking > 0;
            waits.max(if may_run_out { MOMENT } else { Duration::ZERO })
        });
        let of_member = member.map(|tally| {
            let waits = tally.day_wait(MEMBER_A_DAY, now).max(tally.burst_wait(now));
            let recent = tally
                .wrong
                .iter()
                .filter(|at| now.duration_since(**at) < BURST)
                .count();
            let may_run_out = tally.checking > 0
                && (recent + tally.checking >= FREE_FAILURES
                    || tally.wrong.len() + tally.checking >= MEMBER_A_DAY);
            waits.max(if may_run_out { MOMENT } else { Duration::ZERO })
        });
        of_class.max(of_member).unwrap_or_default()
    }

    fn forget(&mut self, now: Instant) {
        self.classes
            .values_mut()
            .chain(self.members.values_mut())
            .for_each(|tally| tally.forget(now));
        self.members.retain(|_, tally| !tally.is_empty());
    }

    fn both(&mut self, source: &Source) -> [&mut Tally; 2] {
        [
            self.classes.entry(source.class()).or_default(),
            self.members.entry(source.clone()).or_default(),
        ]
    }
}

/// Failed logins of the last day.
#[derive(Clone, Debug, Default)]
pub(in crate::page) struct LoginThrottle(Arc<Mutex<Tallies>>);

impl LoginThrottle {
    /// Begins a try, which counts as wrong unless it is told to have been right: many tries at one moment must not slip
    /// through together, nor one whose sender hangs up.
    ///
    /// # Errors
    /// How long to wait before the next.
    pub(in crate::page) fn begin(&self, source: Source, now: Instant) -> Result<Try, Duration> {
        let mut tallies = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        tallies.forget(now);
        let wait = tallies.wait(&source, now);
        if !wait.is_zero() {
            return Err(wait);
        }
        for tally in tallies.both(&source) {
            tally.checking += 1;
        }
        Ok(Try {
            throttle: self.clone(),
            source,
            is_open: true,
        })
    }

    /// Wrong keys since the start.
    pub(in crate::page) fn wrong_keys(&self) -> u64 {
        let tallies = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        tallies.wrong_ever
    }

    fn end(&self, source: &Source, is_right: bool, now: Instant) {
        let mut tallies = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        tallies.wrong_ever += u64::from(!is_right);
        for tally in tallies.both(source) {
            tally.checking = tally.checking.saturating_sub(1);
            if !is_right {
                tally.wrong.push_back(now);
            }
        }
        tallies.forget(now);
    }
}

/// A try that is being checked.
#[derive(Debug)]
pub(in crate::page) struct Try {
    throttle: LoginThrottle,
    source: Source,
    is_open: bool,
}

impl Try {
    /// The key was right: nothing is counted.
    pub(in crate::page) fn was_right(self) {
        self.end(true, Instant::now());
    }

    fn end(mut self, is_right: bool, now: Instant) {
        self.is_open = false;
        self.throttle.end(&self.source, is_right, now);
    }
}

impl Drop for Try {
    fn drop(&mut self) {
        if self.is_open {
            self.throttle.end(&self.source, false, Instant::now());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sources() -> [Source; 10] {
        let device = |n: u8, who: Principal| Source::Device(n.to_string(), who);
        let coach = || Principal::Coach("Ana".into());
        let stranger = |n: u8| Source::stranger(IpAddr::from([192, 0, 2, n]));
        [
            Source::Here,
            device(1, Principal::Screen),
            device(2, Principal::Screen),
            device(3, coach()),
            device(4, coach()),
            stranger(1),
            stranger(2),
            stranger(3),
            stranger(4),
            Source::stranger("2001:db8::1".parse().unwrap()),
        ]
    }

    fn wait(throttle: &LoginThrottle, source: &Source, now: Instant) -> Duration {
        throttle.0.lock().unwrap().wait(source, now)
    }

    fn guess(throttle: &LoginThrottle, source: &Source, now: Instant) -> bool {
        let begun = throttle.begin(source.clone(), now);
        begun.map(|begun| begun.end(false, now)).is_ok()
    }

    #[test]
    fn failed_logins_make_an_address_wait_longer_and_longer() {
        let start = Instant::now();
        let [.., one, other, _] = sources();
        let throttle = LoginThrottle::default();
        for _ in 0..5 {
            assert!(guess(&throttle, &one, start));
        }
        assert_eq!(wait(&throttle, &one, start), Duration::from_secs(30));
        assert_eq!(wait(&throttle, &other, start), Duration::ZERO);
        let later = start + Duration::from_secs(31);
        assert!(guess(&throttle, &one, later));
        assert_eq!(wait(&throttle, &one, later), Duration::from_secs(60));
        // A networkful of IPv6 addresses is one.
        let v6 = |n: u16| Source::stranger(IpAddr::from([0x2001, 0xdb8, 0, 7, 0, 0, 0, n]));
        let let_in = (0..100)
            .filter(|n| guess(&throttle, &v6(*n), start))
            .count();
        assert_eq!(let_in, 5);
        assert_eq!(throttle.wrong_keys(), 11);
    }

    /// The schedule that the limits of an hour alone let through: 49 tries from 13 addresses, an hour's pause, and again.
    #[test]
    fn a_patient_guesser_with_many_addresses_has_a_hundred_tries_a_day() {
        let start = Instant::now();
        let throttle = LoginThrottle::default();
        let mut let_in = 0;
        for round in 0..48 {
            for n in 0..49 {
                let address = IpAddr::from([198, 51, round, n % 13]);
                let now = start + u32::from(round) * Duration::from_secs(3601);
                let_in += usize::from(guess(&throttle, &Source::stranger(address), now));
            }
        }
        assert!(let_in <= 2 * CLASS_A_DAY, "{let_in} in two days");
    }

    #[test]
    fn tries_at_one_moment_do_not_slip_through_together_and_one_that_hangs_up_counts() {
        let now = Instant::now();
        let [.., one] = sources();
        let throttle = LoginThrottle::default();
        let open: Vec<Try> = (0..50)
            .filter_map(|_| throttle.begin(one.clone(), now).ok())
            .collect();
        assert_eq!(open.len(), 5);
        drop(open);
        assert!(throttle.begin(one.clone(), Instant::now()).is_err());
        let right = LoginThrottle::default();
        for _ in 0..200 {
            right.begin(one.clone(), now).unwrap().was_right();
        }
        assert_eq!(right.wrong_keys(), 0);
    }

    #[test]
    fn what_is_being_checked_counts_as_wrong_until_it_is_not() {
        let start = Instant::now();
        let stranger = |n: u8| Source::stranger(IpAddr::from([203, 0, 113, n]));
        // A class: one try of the day is left, and is being checked.
        let throttle = LoginThrottle::default();
        for n in 0..99 {
            assert!(guess(&throttle, &stranger(n), start));
        }
        assert_eq!(wait(&throttle, &stranger(200), start), Duration::ZERO);
        let begun = throttle.begin(stranger(100), start).unwrap();
        assert_eq!(wait(&throttle, &stranger(200), start), MOMENT);
        begun.was_right();
        assert_eq!(wait(&throttle, &stranger(200), start), Duration::ZERO);

        // A member of it: the last of the hour, and the last of the day.
        let throttle = LoginThrottle::default();
        let one = stranger(1);
        for _ in 0..4 {
            assert!(guess(&throttle, &one, start));
        }
        let begun = throttle.begin(one.clone(), start).unwrap();
        assert_eq!(wait(&throttle, &one, start), MOMENT);
        // Those of an hour ago are no part of the hour.
        let later = start + BURST;
        assert_eq!(wait(&throttle, &one, later), Duration::ZERO);
        begun.was_right();
        let throttle = LoginThrottle::default();
        for n in 0..19 {
            assert!(guess(&throttle, &one, start + n * BURST));
        }
        let last = start + 19 * BURST;
        assert_eq!(wait(&throttle, &one, last), Duration::ZERO);
        let begun = throttle.begin(one.clone(), last).unwrap();
        assert_eq!(wait(&throttle, &one, last), MOMENT);
        begun.was_right();
    }

    #[test]
    fn what_is_a_day_old_is_forgotten() {
        let start = Instant::now();
        let throttle = LoginThrottle::default();
        for n in 0..90 {
            guess(
                &throttle,
                &Source::stranger(IpAddr::from([203, 0, 113, n])),
                start,
            );
        }
        assert!(guess(&throttle, &Source::Here, start + DAY));
        let tallies = throttle.0.lock().unwrap();
        assert_eq!(tallies.members.len(), 1);
        assert!(tallies.classes[&Class::Strangers].wrong.is_empty());
    }

    proptest! {
        #[test]
        fn whatever_the_schedule_guesses_are_bounded_and_nobody_is_kept_out(
            steps in prop::collection::vec((0u64..7200, 0usize..10, any::<bool>()), 1..1500),
        ) {
            let sources = sources();
            let throttle = LoginThrottle::default();
            let mut now = Instant::now();
            let mut wrong: Vec<(Instant, Class)> = Vec::new();
            for (secs, who, is_right) in steps {
                // Mostly at once, sometimes much later.
                now += Duration::from_secs(if secs < 6000 { secs % 40 } else { secs });
                let source = &sources[who];
                let before: Vec<Duration> = sources.iter().map(|source| wait(&throttle, source, now)).collect();
                let Ok(begun) = throttle.begin(source.clone(), now) else { continue };
                prop_assert!(before[who].is_zero());
                begun.end(is_right, now);
                for (other, before) in sources.iter().zip(before) {
                    let after = wait(&throttle, other, now);
                    if is_right || other.class() != source.class() {
                        prop_assert!(after <= before, "{source:?} makes {other:?} wait {after:?}");
                    }
                }
                if !is_right {
                    wrong.push((now, source.class()));
                    let day = wrong.iter().filter(|(at, class)| *class == source.class() && now.duration_since(*at) < DAY);
                    prop_assert!(day.count() <= CLASS_A_DAY);
                }
            }
        }
    }
}
