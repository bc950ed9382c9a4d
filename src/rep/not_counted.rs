//! Movements that were seen and not counted as a rep, and why.
//!
//! In: what each look at a stretch refused, with the condition that was missed and by how much. Out: one [`NotCounted`] for
//! each movement, once it is certain that none of the looks counts it. What came near to counting is measured like a rep, so
//! that a person can make it count later; anything else is only told.

use crate::text_enum::text_enum;
use crate::time::CaptureTime;

use super::finder::FoundRep;
use super::types::{Rep, RepKind};

/// Looks at moments less than this apart look at the same movement, seconds: it is also how long after a swing the next
/// may begin.
const SAME_MOVEMENT_SECS: f64 = 1.0;
/// A movement waits this long for a look that counts it, seconds: as long as the finder remembers it.
const WAIT_SECS: f64 = 10.0;
/// So many wait at most; the least promising goes first.
const MOST_WAITING: usize = 8;
/// A movement came near to counting where it missed a condition by no more than this share of what the condition asks.
const NEAR: f64 = 0.25;

text_enum! {
    /// The condition that a movement missed. The words are part of the journal; what a person reads is put into words at the
    /// edge, in the reader's language.
    pub enum NotCountedReason {
        /// The judge finds it unlike a swing: its probability, at least.
        UnlikeASwing = "unlike a swing",
        /// The hands are too slow for a swing: centimeters a second, at least.
        HandsSlow = "the hands slow",
        /// It came too soon after a rep: seconds after it, at least.
        TooSoon = "too soon after a rep",
        /// It went the other way than the swing just before: seconds after that one, at least.
        WayBack = "the way back after a swing",
        /// The foot that the named side has in front is behind: centimeters that it is ahead, at least.
        OtherSide = "the feet of the other side",
        /// The front foot went away from the pitcher: centimeters toward the pitcher, at least.
        StrideAway = "a stride away from the pitcher",
        /// Too few frames show the body: their share, at least.
        Unseen = "the body was not seen well enough",
        /// A take whose foot hardly moved: centimeters, at least.
        ShortStride = "a short stride",
        /// A take whose back foot moved: centimeters, at most.
        BackFootMoved = "the back foot moved",
        /// A take whose feet came together: centimeters that the stance got wider, at least.
        DrawnIn = "a foot drawn in",
        /// A take with the hands in front of the shoulders: centimeters behind them, at least.
        HandsInFront = "the hands in front",
        /// A take with the hands down: centimeters above the hips, at least.
        HandsLow = "the hands low",
        /// A take whose hands moved: centimeters a second, at most.
        HandsQuick = "the hands quick",
        /// A take whose foot was in the air too shortly: seconds, at least.
        QuickStride = "a quick stride",
        /// A take whose foot was in the air too long: seconds, at most.
        LongStride = "a long stride",
        /// A take that nobody was set for: seconds of set, at least.
        NotSet = "not set before",
    }
}

/// The unit of a reason's two figures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum ReasonUnit {
    Secs,
    Cm,
    CmPerSec,
    /// 0 to 1.
    Share,
}

impl NotCountedReason {
    /// The unit of value and limit.
    pub(crate) const fn unit(self) -> ReasonUnit {
        match self {
            Self::TooSoon | Self::WayBack | Self::QuickStride | Self::LongStride | Self::NotSet => {
                ReasonUnit::Secs
            }
            Self::OtherSide
            | Self::StrideAway
            | Self::ShortStride
            | Self::BackFootMoved
            | Self::DrawnIn
            | Self::HandsInFront
            | Self::HandsLow => ReasonUnit::Cm,
            Self::HandsQuick | Self::HandsSlow => ReasonUnit::CmPerSec,
            Self::Unseen | Self::UnlikeASwing => ReasonUnit::Share,
        }
    }

    /// Whether the limit is the most that counts, and not the least.
    pub(crate) const fn is_at_most(self) -> bool {
        matches!(
            self,
            Self::BackFootMoved | Self::HandsQuick | Self::LongStride
        )
    }

    /// Whether a movement of this kind that was refused for this alone passed all that makes it look like a rep. A foot
    /// that goes away from the pitcher is no take's, but a swing's that was seen badly.
    const fn is_about_circumstances(self, kind: RepKind) -> bool {
        match self {
            Self::OtherSide => true,
            Self::TooSoon | Self::WayBack | Self::StrideAway => matches!(kind, RepKind::Swing),
            _ => false,
        }
    }
}

/// A condition that was missed, and by how much.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MissedCondition {
    /// Which condition.
    pub reason: NotCountedReason,
    /// What was seen, in the reason's unit.
    pub value: f64,
    /// What is asked for, in the same unit.
    pub limit: f64,
}

impl MissedCondition {
    /// The condition, where the value misses the limit.
    pub(super) fn unless(reason: NotCountedReason, value: f64, limit: f64) -> Option<Self> {
        let holds = match reason.is_at_most() {
            true => value <= limit,
            false => value >= limit,
        };
        (!holds).then_some(Self {
            reason,
            value,
            limit,
        })
    }

    /// Whether what missed only this came near to counting.
    pub(super) fn is_near(&self, kind: RepKind) -> bool {
        self.reason.is_about_circumstances(kind)
            || (self.value - self.limit).abs() <= NEAR * self.limit.abs()
    }
}

/// What one look refused.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Refused {
    pub kind: RepKind,
    /// When the hands were fastest, or the foot came down.
    pub at: CaptureTime,
    pub missed: MissedCondition,
    /// The movement measured like a rep, where it came near to being one.
    pub rep: Option<Rep>,
}

/// A movement that was seen and not counted.
#[derive(Clone, Debug, PartialEq)]
pub struct NotCounted {
    /// What it might have been.
    pub kind: RepKind,
    /// When the hands were fastest, or the foot came down.
    pub at: CaptureTime,
    /// Why it does not count.
    pub missed: MissedCondition,
    /// The movement measured like a rep, with its poses, where it came near to being one.
    pub found: Option<FoundRep>,
}

impl NotCounted {
    /// How much it looks like a rep, for telling which of two looks at a movement says more.
    fn rank(&self) -> (bool, bool) {
        (self.found.is_some(), self.kind == RepKind::Swing)
    }
}

/// The movements that are not counted so far.
#[derive(Debug, Default)]
pub(super) struct NotCountedQueue {
    /// A later look may still count them.
    waiting: Vec<NotCounted>,
    /// Nothing counts them any more.
    certain: Vec<NotCounted>,
    /// The stretch of the last rep that counted.
    counted: Option<(CaptureTime, CaptureTime)>,
}

impl NotCountedQueue {
    /// One look has refused this.
    pub(super) fn refused(&mut self, seen: NotCounted) {
        if self
            .counted
            .is_some_and(|(from, to)| (from..=to).contains(&seen.at))
        {
            return;
        }
        let same = self
            .waiting
            .iter_mut()
            .find(|other| other.at.secs_since(seen.at).abs() < SAME_MOVEMENT_SECS);
        match same {
            Some(other) if seen.rank() > other.rank() => *other = seen,
            Some(_) => {}
            None => self.waiting.push(seen),
        }
        if self.waiting.len() > MOST_WAITING
            && let Some(least) = (0..self.waiting.len()).min_by_key(|&i| self.waiting[i].rank())
        {
            self.waiting.remove(least);
        }
    }

    /// A rep counted: what was refused of its movement is not told.
    pub(super) fn counted(&mut self, rep: &Rep) {
        let events = &rep.events;
        let from = [events.lift_off, events.plant, events.contact]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(rep.known_at);
        let to = rep.events.finish.unwrap_or(rep.known_at);
        self.counted = Some((from, to));
        self.waiting.retain(|seen| !(from..=to).contains(&seen.at));
    }

    /// Time goes on: what waited long enough is certain.
    pub(super) fn step(&mut self, now: CaptureTime) {
        let is_due = |seen: &NotCounted| now.secs_since(seen.at) > WAIT_SECS;
        if self.waiting.iter().any(is_due) {
            let (due, waiting) = std::mem::take(&mut self.waiting)
                .into_iter()
                .partition(is_due);
            self.waiting = waiting;
            self.give_out(due);
        }
    }

    /// Nothing more comes: what waits is certain.
    pub(super) fn end(&mut self) {
        let due = std::mem::take(&mut self.waiting);
        self.give_out(due);
    }

    fn give_out(&mut self, due: Vec<NotCounted>) {
        self.certain.extend(due);
        self.certain.sort_by_key(|seen| seen.at);
        // Whoever never asks for them has no use for them.
        let over = self.certain.len().saturating_sub(MOST_WAITING);
        self.certain.drain(..over);
    }

    /// What is certain by now, once, in the order of time.
    pub(super) fn take(&mut self) -> Vec<NotCounted> {
        std::mem::take(&mut self.certain)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rep::{Bats, Events, Style, View};
    use std::collections::BTreeMap;

    fn secs(secs: f64) -> CaptureTime {
        CaptureTime::from_secs(secs)
    }

    fn rep(kind: RepKind, plant: f64) -> Rep {
        Rep {
            kind,
            bats: Bats::Right,
            pitcher: None,
            view: View::OpenSide,
            fps: 60.0,
            events: Events {
                lift_off: Some(secs(plant - 0.4)),
                plant: Some(secs(plant)),
                finish: Some(secs(plant + 0.6)),
                ..Events::default()
            },
            measures: BTreeMap::new(),
            style: Style::default(),
            ruler: None,
            heard: None,
            known_at: secs(plant + 0.8),
        }
    }

    fn seen(at: f64, kind: RepKind, near: bool) -> NotCounted {
        NotCounted {
            kind,
            at: secs(at),
            missed: MissedCondition {
                reason: NotCountedReason::WayBack,
                value: 1.8,
                limit: 4.0,
            },
            found: near.then(|| FoundRep {
                rep: rep(kind, at),
                frames: Vec::new(),
            }),
        }
    }

    fn told(queue: &mut NotCountedQueue) -> Vec<(f64, RepKind)> {
        let taken = queue.take();
        taken.iter().map(|s| (s.at.secs(), s.kind)).collect()
    }

    #[test]
    fn looks_at_one_movement_give_one_entry_that_says_most() {
        use RepKind::{Swing, Take};
        let mut queue = NotCountedQueue::default();
        queue.refused(seen(5.0, Take, false));
        queue.refused(seen(5.2, Swing, true));
        queue.refused(seen(5.3, Take, true));
        queue.refused(seen(7.0, Take, true));
        queue.step(secs(5.2 + WAIT_SECS));
        assert_eq!(told(&mut queue), []);
        queue.step(secs(5.3 + WAIT_SECS));
        assert_eq!(told(&mut queue), [(5.2, Swing)]);
        queue.end();
        assert_eq!(told(&mut queue), [(7.0, Take)]);
        assert_eq!(told(&mut queue), []);
    }

    #[test]
    fn a_movement_that_counts_in_the_end_is_not_told_whichever_look_comes_first() {
        let mut queue = NotCountedQueue::default();
        queue.refused(seen(5.0, RepKind::Take, true));
        queue.refused(seen(3.0, RepKind::Swing, true));
        queue.counted(&rep(RepKind::Swing, 5.0));
        queue.refused(seen(5.4, RepKind::Swing, true));
        queue.refused(seen(6.5, RepKind::Swing, true));
        queue.end();
        assert_eq!(
            told(&mut queue),
            [(3.0, RepKind::Swing), (6.5, RepKind::Swing)]
        );
    }

    #[test]
    fn few_wait_and_the_least_promising_goes_first() {
        let mut queue = NotCountedQueue::default();
        for i in 0..3 * MOST_WAITING {
            let near = i % 3 == 0;
            queue.refused(seen(2.0 * i as f64, RepKind::Swing, near));
        }
        assert_eq!(queue.waiting.len(), MOST_WAITING);
        assert!(queue.waiting.iter().filter(|s| s.found.is_some()).count() >= MOST_WAITING - 1);
    }

    #[test]
    fn near_is_within_a_quarter_of_what_is_asked_and_any_circumstance() {
        use NotCountedReason as R;
        let near = |reason, value, limit| {
            MissedCondition::unless(reason, value, limit)
                .map(|missed| missed.is_near(RepKind::Take))
        };
        assert_eq!(near(R::ShortStride, 4.0, 5.0), Some(true));
        assert_eq!(near(R::ShortStride, 2.0, 5.0), Some(false));
        assert_eq!(near(R::ShortStride, 5.0, 5.0), None);
        assert_eq!(near(R::HandsQuick, 270.0, 220.0), Some(true));
        assert_eq!(near(R::HandsQuick, 300.0, 220.0), Some(false));
        assert_eq!(near(R::HandsQuick, 200.0, 220.0), None);
        assert_eq!(near(R::OtherSide, -40.0, 0.0), Some(true));
        assert_eq!(near(R::StrideAway, -10.0, 0.0), Some(false));
        let away = MissedCondition::unless(R::StrideAway, -30.0, -14.0);
        assert!(away.is_some_and(|missed| missed.is_near(RepKind::Swing)));
    }

    #[test]
    fn every_reason_has_words_of_its_own_and_reads_back() {
        for reason in NotCountedReason::ALL {
            assert_eq!(reason.as_str().parse(), Ok(*reason));
        }
    }
}
