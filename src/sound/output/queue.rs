//! Which sound is played when: one at a time, never two at once, never an old one.
//!
//! Pure: times come in as durations since a start of the caller's choice. A device and a WAV file both
//! go by it, so a rendered file holds what the cage would have heard.
//!
//! The rule: what the hitter just did beats everything. A cue about a swing cuts short whatever is
//! being heard, and what was waiting is dropped: it was about an earlier moment. Everything else waits
//! for its turn, in the order in which it came. Of each priority only one waits; a newer one takes its
//! place. What cannot begin before its deadline is dropped.

use std::sync::Arc;
use std::time::Duration;

use crate::sound::request::{NotPlayed, Outcome, SoundRequest};
use crate::sound::{CUE_DEADLINE, DELIVERY_DEADLINE, SENTENCE_DEADLINE, duration_of};

/// How long a sound that is cut short takes to die away; the next one begins after it.
pub(in crate::sound) const CUT_FADE: Duration = Duration::from_millis(10);

/// Which of two sounds gives way when both want to be heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::sound) enum Priority {
    /// A remark about the setup.
    Remark,
    /// About the swing that just happened, or an answer to what was just asked.
    Swing,
    /// A summary, a count, an opening or a close.
    Sentence,
    /// A paced pitch.
    Delivery,
}

impl Priority {
    /// How long after its decision a sound may begin.
    fn deadline(self) -> Duration {
        match self {
            Self::Remark | Self::Swing => CUE_DEADLINE,
            Self::Sentence => SENTENCE_DEADLINE,
            Self::Delivery => DELIVERY_DEADLINE,
        }
    }
}

/// A request with its samples.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Playback {
    pub request: SoundRequest,
    pub samples: Arc<[f32]>,
    pub priority: Priority,
    /// When the request was decided, on the queue's clock.
    pub decided_at: Duration,
    /// Set by the queue: what is being heard is to fade out over [`CUT_FADE`] first.
    pub cuts: bool,
}

impl Playback {
    fn is_stale(&self, now: Duration) -> bool {
        now.saturating_sub(self.decided_at) > self.priority.deadline()
    }
}

/// The sounds that wait, and until when one is heard.
#[derive(Debug, Default)]
pub(super) struct PlaybackQueue {
    /// End of the sound that was begun last.
    ends_at: Option<Duration>,
    /// In the order in which they came, at most one of each priority.
    waiting: Vec<Playback>,
    dropped: Vec<Outcome>,
}

impl PlaybackQueue {
    /// Takes a newly decided sound; gives it back where it begins now.
    pub(super) fn push(&mut self, now: Duration, playback: Playback) -> Option<Playback> {
        if playback.is_stale(now) {
            self.dropped
                .push(playback.request.not_played(NotPlayed::Stale));
            return None;
        }
        let swing = playback.priority == Priority::Swing;
        self.drop_waiting(NotPlayed::Replaced, |older| {
            swing || older.priority == playback.priority
        });
        let busy = self.busy_until(now).is_some();
        if !swing && (busy || !self.waiting.is_empty()) {
            self.waiting.push(playback);
            return None;
        }
        Some(self.begin(now, playback, busy))
    }

    /// When [`Self::poll`] should be called, where something is waiting.
    pub(super) fn wake_at(&self) -> Option<Duration> {
        (!self.waiting.is_empty()).then_some(self.ends_at).flatten()
    }

    /// Begins what waits longest where its turn has come, and drops what is too late.
    pub(super) fn poll(&mut self, now: Duration) -> Option<Playback> {
        if self.busy_until(now).is_some() {
            return None;
        }
        self.drop_waiting(NotPlayed::Stale, |waiting| waiting.is_stale(now));
        if self.waiting.is_empty() {
            return None;
        }
        let next = self.waiting.remove(0);
        Some(self.begin(now, next, false))
    }

    /// When what is being heard ends, where something is.
    pub(super) fn busy_until(&self, now: Duration) -> Option<Duration> {
        self.ends_at.filter(|end| *end > now)
    }

    /// Forgets what is being heard and drops what was waiting: the output is gone.
    pub(super) fn clear(&mut self, why: NotPlayed) {
        self.ends_at = None;
        self.drop_waiting(why, |_| true);
    }

    /// What will never be heard, since the last call.
    pub(super) fn take_dropped(&mut self) -> Vec<Outcome> {
        std::mem::take(&mut self.dropped)
    }

    fn begin(&mut self, now: Duration, mut playback: Playback, cuts: bool) -> Playback {
        let starts_at = if cuts { now + CUT_FADE } else { now };
        self.ends_at = Some(starts_at + duration_of(playback.samples.len()));
        playback.cuts = cuts;
        playback
    }

    fn drop_waiting(&mut self, why: NotPlayed, gone: impl Fn(&Playback) -> bool) {
        let leave = self.waiting.extract_if(.., |waiting| gone(waiting));
        self.dropped
            .extend(leave.map(|playback| playback.request.not_played(why)));
    }
}

#[cfg(test)]
mod tests;
