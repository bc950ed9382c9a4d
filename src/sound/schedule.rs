//! Which sound is heard when: one at a time, never two at once, never an old one.
//!
//! Pure: times come in as durations since a start the caller chose, decisions go out. The live player
//! and the WAV render both go by it, so a rendered file holds what the cage would have heard.
//!
//! The rule: what the hitter just did beats everything. A cue about a swing cuts short whatever
//! is being heard, and what was waiting is dropped: it was about an earlier moment. Everything else
//! waits for its turn, in the order in which it came. Of each rank only one waits; a newer one takes
//! its place. What cannot begin before its deadline is dropped.

use std::time::Duration;

use super::outcome::UnheardReason;
use super::{CUE_DEADLINE, DELIVERY_DEADLINE, SENTENCE_DEADLINE};

/// How long a sound that is cut short takes to die away; the next one begins after it.
pub(super) const CUT_FADE: Duration = Duration::from_millis(10);

/// Which of two sounds gives way when both want to be heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rank {
    /// A remark about the set-up.
    Remark,
    /// About the swing that just happened.
    Swing,
    /// A summary, a count, an opening or a close.
    Sentence,
    /// A paced pitch.
    Delivery,
}

impl Rank {
    /// How long after its decision a sound may begin.
    pub(super) fn deadline(self) -> Duration {
        match self {
            Self::Remark | Self::Swing => CUE_DEADLINE,
            Self::Sentence => SENTENCE_DEADLINE,
            Self::Delivery => DELIVERY_DEADLINE,
        }
    }
}

/// A sound that wants to be heard. Times are since the caller's own start.
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
    /// These will never be heard.
    pub(super) dropped: Vec<(C, UnheardReason)>,
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
    /// End of the sound that was begun last.
    ends_at: Option<Duration>,
    /// In the order in which they came, at most one of each rank.
    waiting: Vec<Candidate<C>>,
}

impl<C> Schedule<C> {
    pub(super) fn new() -> Self {
        Self {
            ends_at: None,
            waiting: Vec::new(),
        }
    }

    /// Takes a newly decided sound.
    pub(super) fn request(&mut self, now: Duration, candidate: Candidate<C>) -> Step<C> {
        if is_stale(now, &candidate) {
            return Step {
                start: None,
                dropped: vec![(candidate.cue, UnheardReason::Stale)],
            };
        }
        let swing = candidate.rank == Rank::Swing;
        let mut dropped = Vec::new();
        self.drop_waiting(&mut dropped, UnheardReason::Replaced, |older| {
            swing || older.rank == candidate.rank
        });
        let busy = self.is_busy(now);
        if !swing && (busy || !self.waiting.is_empty()) {
            self.waiting.push(candidate);
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

    /// When [`Self::wake`] should be called, where something is waiting.
    pub(super) fn wake_at(&self) -> Option<Duration> {
        (!self.waiting.is_empty()).then_some(self.ends_at).flatten()
    }

    /// Begins what waits longest where its turn has come, and drops what is too late.
    pub(super) fn wake(&mut self, now: Duration) -> Step<C> {
        let mut dropped = Vec::new();
        if self.is_busy(now) {
            return Step {
                start: None,
                dropped,
            };
        }
        self.drop_waiting(&mut dropped, UnheardReason::Stale, |c| is_stale(now, c));
        let start = if self.waiting.is_empty() {
            None
        } else {
            let next = self.waiting.remove(0);
            Some(self.begin(now, next, false))
        };
        Step { start, dropped }
    }

    /// When what is being heard ends, where something is.
    pub(super) fn busy_until(&self, now: Duration) -> Option<Duration> {
        self.ends_at.filter(|end| *end > now)
    }

    /// Forgets what is being heard and gives back what was waiting: the device is gone.
    pub(super) fn clear(&mut self) -> Vec<C> {
        self.ends_at = None;
        self.waiting.drain(..).map(|waiting| waiting.cue).collect()
    }

    fn is_busy(&self, now: Duration) -> bool {
        self.busy_until(now).is_some()
    }

    fn drop_waiting(
        &mut self,
        dropped: &mut Vec<(C, UnheardReason)>,
        why: UnheardReason,
        gone: impl Fn(&Candidate<C>) -> bool,
    ) {
        let leave = self.waiting.extract_if(.., |waiting| gone(waiting));
        dropped.extend(leave.map(|waiting| (waiting.cue, why)));
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

fn is_stale<C>(now: Duration, candidate: &Candidate<C>) -> bool {
    now.saturating_sub(candidate.decided_at) > candidate.rank.deadline()
}

#[cfg(test)]
#[path = "schedule_tests.rs"]
mod tests;
