//! Which cue is heard when: one at a time, never two at once, never an old one.
//!
//! Pure: times come in as durations since a start the caller chose, decisions go out. The live player
//! and the WAV render both go by it, so a rendered file holds what the cage would have heard.
//!
//! The rule: what the hitter just did beats everything. A cue about a swing cuts short whatever
//! is being heard; a remark about the set-up waits for its turn. Only one cue waits; a newer
//! one takes its place. A cue that cannot begin before its deadline is dropped.

use std::time::Duration;

use super::library::Rank;
use super::outcome::UnheardReason;

/// How long a cue that is cut short takes to die away; the next one begins after it.
pub(super) const CUT_FADE: Duration = Duration::from_millis(10);

/// A cue that wants to be heard. Times are since the caller's own start.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Candidate<C> {
    pub(super) cue: C,
    pub(super) rank: Rank,
    pub(super) lasts: Duration,
    pub(super) decided_at: Duration,
}

/// What to do now.
#[derive(Debug, PartialEq)]
pub(super) struct Step<C> {
    /// Begin this one.
    pub(super) start: Option<Start<C>>,
    /// This one will never be heard.
    pub(super) dropped: Option<(C, UnheardReason)>,
}

#[derive(Debug, PartialEq)]
pub(super) struct Start<C> {
    pub(super) cue: C,
    /// Fade out what is being heard over [`CUT_FADE`] and begin after it.
    pub(super) cut: bool,
}

/// The state behind the rule.
#[derive(Debug)]
pub(super) struct Schedule<C> {
    deadline: Duration,
    /// End of the cue that was begun last.
    ends_at: Option<Duration>,
    waiting: Option<Candidate<C>>,
}

impl<C> Schedule<C> {
    /// `deadline`: how long after its decision a cue may begin.
    pub(super) fn new(deadline: Duration) -> Self {
        Self {
            deadline,
            ends_at: None,
            waiting: None,
        }
    }

    /// Takes a newly decided cue.
    pub(super) fn request(&mut self, now: Duration, candidate: Candidate<C>) -> Step<C> {
        if self.is_stale(now, &candidate) {
            return Step {
                start: None,
                dropped: Some((candidate.cue, UnheardReason::Stale)),
            };
        }
        let older = self.waiting.take();
        let dropped = older.map(|older| (older.cue, UnheardReason::Replaced));
        let busy = self.is_busy(now);
        if busy && candidate.rank == Rank::Remark {
            self.waiting = Some(candidate);
            return Step {
                start: None,
                dropped,
            };
        }
        Step {
            start: Some(self.begin(now, candidate, busy)),
            dropped,
        }
    }

    /// When [`Self::wake`] should be called, where a cue is waiting.
    pub(super) fn wake_at(&self) -> Option<Duration> {
        self.waiting.as_ref().and(self.ends_at)
    }

    /// Begins the waiting cue where its turn has come, or drops it where that is too late.
    pub(super) fn wake(&mut self, now: Duration) -> Step<C> {
        let nothing = Step {
            start: None,
            dropped: None,
        };
        if self.is_busy(now) {
            return nothing;
        }
        match self.waiting.take() {
            None => nothing,
            Some(late) if self.is_stale(now, &late) => Step {
                start: None,
                dropped: Some((late.cue, UnheardReason::Stale)),
            },
            Some(next) => Step {
                start: Some(self.begin(now, next, false)),
                dropped: None,
            },
        }
    }

    /// When the cue being heard ends, where one is.
    pub(super) fn busy_until(&self, now: Duration) -> Option<Duration> {
        self.ends_at.filter(|end| *end > now)
    }

    /// Forgets what is being heard and gives back what was waiting: the device is gone.
    pub(super) fn clear(&mut self) -> Option<C> {
        self.ends_at = None;
        self.waiting.take().map(|candidate| candidate.cue)
    }

    fn is_busy(&self, now: Duration) -> bool {
        self.busy_until(now).is_some()
    }

    fn is_stale(&self, now: Duration, candidate: &Candidate<C>) -> bool {
        now.saturating_sub(candidate.decided_at) > self.deadline
    }

    fn begin(&mut self, now: Duration, candidate: Candidate<C>, cut: bool) -> Start<C> {
        let starts_at = if cut { now + CUT_FADE } else { now };
        self.ends_at = Some(starts_at + candidate.lasts);
        Start {
            cue: candidate.cue,
            cut,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DEADLINE: Duration = Duration::from_millis(1000);

    fn ms(millis: u64) -> Duration {
        Duration::from_millis(millis)
    }

    fn cue(name: &'static str, rank: Rank, decided_at: u64) -> Candidate<&'static str> {
        Candidate {
            cue: name,
            rank,
            lasts: ms(1500),
            decided_at: ms(decided_at),
        }
    }

    fn started(cue: &'static str, cut: bool) -> Option<Start<&'static str>> {
        Some(Start { cue, cut })
    }

    #[test]
    fn a_cue_begins_at_once_when_nothing_is_heard() {
        let mut schedule = Schedule::new(DEADLINE);
        let step = schedule.request(ms(10), cue("a", Rank::Swing, 0));
        assert_eq!(
            step,
            Step {
                start: started("a", false),
                dropped: None
            }
        );
        let step = schedule.request(ms(1510), cue("b", Rank::Remark, 1510));
        assert_eq!(
            step.start,
            started("b", false),
            "the first ended in this very moment"
        );
    }

    #[test]
    fn a_swing_cuts_whatever_is_heard() {
        for rank in [Rank::Swing, Rank::Remark] {
            let mut schedule = Schedule::new(DEADLINE);
            schedule.request(ms(0), cue("old", rank, 0));
            let step = schedule.request(ms(400), cue("new", Rank::Swing, 390));
            assert_eq!(
                step,
                Step {
                    start: started("new", true),
                    dropped: None
                }
            );
            assert_eq!(
                schedule.busy_until(ms(400)),
                Some(ms(400) + CUT_FADE + ms(1500))
            );
        }
    }

    #[test]
    fn a_remark_waits_for_its_turn() {
        let mut schedule = Schedule::new(DEADLINE);
        schedule.request(ms(0), cue("swing", Rank::Swing, 0));
        assert_eq!(schedule.wake_at(), None, "nothing waits");
        let step = schedule.request(ms(900), cue("remark", Rank::Remark, 900));
        assert_eq!(
            step,
            Step {
                start: None,
                dropped: None
            }
        );
        assert_eq!(schedule.wake_at(), Some(ms(1500)));
        assert_eq!(
            schedule.wake(ms(1499)),
            Step {
                start: None,
                dropped: None
            }
        );
        assert_eq!(schedule.wake(ms(1500)).start, started("remark", false));
    }

    #[test]
    fn a_newer_cue_replaces_the_one_that_waits() {
        for rank in [Rank::Swing, Rank::Remark] {
            let mut schedule = Schedule::new(DEADLINE);
            schedule.request(ms(0), cue("heard", Rank::Swing, 0));
            schedule.request(ms(900), cue("older", Rank::Remark, 900));
            let step = schedule.request(ms(950), cue("newer", rank, 950));
            assert_eq!(step.dropped, Some(("older", UnheardReason::Replaced)));
            assert_eq!(schedule.wake_at().is_some(), rank == Rank::Remark);
        }
    }

    #[test]
    fn a_stale_cue_is_dropped_on_arrival_and_after_waiting() {
        let mut schedule = Schedule::new(DEADLINE);
        let step = schedule.request(ms(1001), cue("late", Rank::Swing, 0));
        assert_eq!(
            step,
            Step {
                start: None,
                dropped: Some(("late", UnheardReason::Stale))
            }
        );
        schedule.request(ms(2000), cue("heard", Rank::Swing, 2000));
        schedule.request(ms(2100), cue("remark", Rank::Remark, 2100));
        assert_eq!(
            schedule.wake(ms(3500)).dropped,
            Some(("remark", UnheardReason::Stale))
        );
        assert_eq!(schedule.wake_at(), None);
    }

    #[test]
    fn a_stale_cue_does_not_displace_a_waiting_one() {
        let mut schedule = Schedule::new(DEADLINE);
        schedule.request(ms(2000), cue("heard", Rank::Swing, 2000));
        schedule.request(ms(3000), cue("waiting", Rank::Remark, 3000));
        schedule.request(ms(3100), cue("late", Rank::Swing, 2000));
        assert_eq!(schedule.wake(ms(3500)).start, started("waiting", false));
    }

    /// Whatever comes in, the spans in which cues are heard never overlap, and every cue is either
    /// begun or dropped, once.
    #[test]
    fn random_requests_never_overlap_and_none_is_lost() {
        let mut seed = 12_345_u64;
        let mut random = |below: u64| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 33) % below
        };
        let mut schedule = Schedule::new(DEADLINE);
        let mut now = ms(0);
        let mut accounted = [0_u32; 2000];
        let mut heard_until = ms(0);
        let mut note = |schedule: &Schedule<usize>, at: Duration, step: Step<usize>| {
            let mut settled = Vec::new();
            settled.extend(step.dropped.map(|(cue, _)| cue));
            if let Some(start) = step.start {
                let begins = if start.cut { at + CUT_FADE } else { at };
                assert!(
                    start.cut || begins >= heard_until,
                    "cue {} begins into another",
                    start.cue
                );
                heard_until = schedule.busy_until(at).expect("a cue was just begun");
                settled.push(start.cue);
            }
            settled
        };
        for id in 0..accounted.len() {
            let next = now + ms(random(900));
            let mut settled = Vec::new();
            while let Some(due) = schedule.wake_at().filter(|due| *due <= next) {
                let step = schedule.wake(due);
                settled.extend(note(&schedule, due, step));
            }
            now = next;
            let rank = if random(2) == 0 {
                Rank::Swing
            } else {
                Rank::Remark
            };
            let lasts = ms(200 + random(1400));
            let decided_at = now.saturating_sub(ms(random(1200)));
            let step = schedule.request(
                now,
                Candidate {
                    cue: id,
                    rank,
                    lasts,
                    decided_at,
                },
            );
            settled.extend(note(&schedule, now, step));
            settled.into_iter().for_each(|cue| accounted[cue] += 1);
        }
        if let Some(waiting) = schedule.clear() {
            accounted[waiting] += 1;
        }
        assert!(accounted.iter().all(|times| *times == 1));
    }
}
