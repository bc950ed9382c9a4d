//! The shape of a set: it counts, rests, and closes.
//!
//! In: judged reps and the time between them, in capture time. Out: what is due now. Pure.

use super::judged::JudgedRep;
use super::plan::SetShape;
use super::spoken::{MOST_SAID, PhraseId, Said};
use super::tally::{SetSummary, SetTally};
use crate::rep::{Lengths, MeasureName, RepKind};
use crate::text_enum::text_enum;
use crate::time::CaptureTime;

/// After this long without a rep the hitter is taken to have left (our choice).
const LEFT_ALONE_SECS: f64 = 600.0;

/// A set from its first rep to its close.
#[derive(Clone, Debug)]
pub struct SetRun {
    shape: SetShape,
    tally: SetTally,
    /// Swings since the last rest.
    since_rest: u32,
    last_rep: Option<CaptureTime>,
    state: SetState,
}

/// Where a set stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SetState {
    /// Swings are counted.
    Open,
    /// The hitter heard that it is time to rest.
    Resting {
        /// When the rest is over, in capture time.
        until: CaptureTime,
    },
    /// Over; nothing more is counted.
    Closed,
}

/// What is due.
#[derive(Clone, Debug, PartialEq)]
pub enum SetEvent {
    /// Say that it is time to rest.
    RestDue {
        /// How long, seconds.
        secs: u32,
    },
    /// Say that the rest is over.
    RestOver,
    /// The set is over.
    Closed {
        /// Why.
        why: CloseReason,
        /// What it was like.
        summary: SetSummary,
        /// Whether the hitter is told no numbers.
        silent: bool,
    },
}

text_enum! {
    /// Why a set was closed.
    pub enum CloseReason {
        /// All its swings were made.
        Target = "target",
        /// Nobody has swung for ten minutes, so nothing is said.
        LeftAlone = "left_alone",
    }
}

impl SetEvent {
    /// What the hitter hears; empty where nobody is there.
    pub fn said(&self, lengths: Lengths) -> Vec<Said> {
        match self {
            SetEvent::RestDue { secs } => vec![
                Said::Phrase(PhraseId::Rest),
                Said::Pause,
                match secs.is_multiple_of(60) {
                    true => Said::Count(secs / 60, PhraseId::Minutes),
                    false => Said::Count(*secs, PhraseId::Seconds),
                },
            ],
            SetEvent::RestOver => vec![Said::Phrase(PhraseId::RestOver)],
            SetEvent::Closed {
                why: CloseReason::LeftAlone,
                ..
            } => Vec::new(),
            SetEvent::Closed {
                summary, silent, ..
            } => {
                let mut said = vec![Said::Phrase(PhraseId::RoundDone), Said::Pause];
                // A silent plan gives no numbers at the end either.
                if !silent {
                    said.extend(summary.said(lengths));
                    said.push(Said::Pause);
                }
                said.push(Said::Phrase(PhraseId::Closing));
                said
            }
        }
    }
}

/// The count, as it is said.
pub(super) fn count_said(swings: u32, to_go: Option<u32>) -> Vec<Said> {
    let mut said = vec![Said::Count(swings, PhraseId::Swings)];
    match to_go {
        Some(left) => said.extend([
            Said::Pause,
            Said::Number(left.min(MOST_SAID)),
            Said::Phrase(PhraseId::ToGo),
        ]),
        None => said.push(Said::Phrase(PhraseId::SoFar)),
    }
    said
}

impl SetRun {
    /// A set of this shape that is summed up by these measures.
    pub fn new(shape: SetShape, focus: &[MeasureName]) -> Self {
        Self {
            shape,
            tally: SetTally::new(focus),
            since_rest: 0,
            last_rep: None,
            state: SetState::Open,
        }
    }

    /// Sums up by these measures from here on; what was counted stays.
    pub(crate) fn refocus(&mut self, focus: &[MeasureName]) {
        self.tally.refocus(focus);
    }

    /// Where it stands.
    pub(crate) const fn state(&self) -> SetState {
        self.state
    }

    /// Swings so far.
    pub(crate) const fn swings(&self) -> u32 {
        self.tally.swings()
    }

    /// Swings still to make; `None` where the end is open.
    pub(crate) fn to_go(&self) -> Option<u32> {
        (self.shape.reps > 0).then(|| self.shape.reps.saturating_sub(self.swings()))
    }

    /// What it is like so far.
    pub(crate) fn summary(&self) -> SetSummary {
        self.tally.summary()
    }

    /// Adds the next rep at its `known_at`. A swing during a rest counts and ends the rest silently.
    pub fn rep(&mut self, judged: &JudgedRep) -> Option<SetEvent> {
        if self.state == SetState::Closed {
            return None;
        }
        let now = judged.rep.known_at;
        let pause_secs = self.last_rep.map_or(0.0, |last| now.secs_since(last));
        self.last_rep = Some(now);
        self.tally.add(judged);
        if judged.rep.kind == RepKind::Take {
            return None;
        }
        self.state = SetState::Open;
        // A break as long as a rest is a rest, even where nobody called it.
        if self.shape.rest_secs > 0 && pause_secs >= f64::from(self.shape.rest_secs) {
            self.since_rest = 0;
        }
        self.since_rest += 1;
        if self.to_go() == Some(0) {
            return Some(self.closed(CloseReason::Target));
        }
        if self.shape.rest_after > 0 && self.since_rest >= self.shape.rest_after {
            self.since_rest = 0;
            self.state = SetState::Resting {
                until: now.plus_secs(f64::from(self.shape.rest_secs)),
            };
            return Some(SetEvent::RestDue {
                secs: self.shape.rest_secs,
            });
        }
        None
    }

    /// What is due by now, between reps.
    pub(crate) fn tick(&mut self, now: CaptureTime) -> Option<SetEvent> {
        let last = self.last_rep?;
        match self.state {
            SetState::Closed => None,
            SetState::Resting { until } if now >= until => {
                self.state = SetState::Open;
                Some(SetEvent::RestOver)
            }
            _ if now.secs_since(last) >= LEFT_ALONE_SECS + f64::from(self.shape.rest_secs) => {
                Some(self.closed(CloseReason::LeftAlone))
            }
            _ => None,
        }
    }

    fn closed(&mut self, why: CloseReason) -> SetEvent {
        self.state = SetState::Closed;
        SetEvent::Closed {
            why,
            summary: self.summary(),
            silent: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tally::tests::judged;
    use super::*;

    const FOCUS: [MeasureName; 1] = [MeasureName::HeadToPlant];

    fn run(shape: SetShape) -> SetRun {
        SetRun::new(shape, &FOCUS)
    }

    fn swing(at_secs: f64) -> JudgedRep {
        judged(RepKind::Swing, at_secs, &[(FOCUS[0], 5.0)])
    }

    #[test]
    fn swings_count_and_takes_do_not_and_the_target_closes_it() {
        let mut set = run(SetShape {
            reps: 3,
            ..SetShape::default()
        });
        assert_eq!(set.to_go(), Some(3));
        assert_eq!(set.rep(&swing(1.0)), None);
        assert_eq!(set.rep(&judged(RepKind::Take, 9.0, &[])), None);
        assert_eq!(set.rep(&swing(17.0)), None);
        assert_eq!(
            count_said(set.swings(), set.to_go()),
            [
                Said::Count(2, PhraseId::Swings),
                Said::Pause,
                Said::Number(1),
                Said::Phrase(PhraseId::ToGo)
            ]
        );
        let Some(SetEvent::Closed { why, summary, .. }) = set.rep(&swing(25.0)) else {
            panic!("the third swing closes it");
        };
        assert_eq!(
            (why, summary.swings, summary.takes),
            (CloseReason::Target, 3, 1)
        );
        assert_eq!(
            (set.state(), set.rep(&swing(33.0))),
            (SetState::Closed, None)
        );
        assert_eq!(set.tick(CaptureTime::from_secs(1e4)), None);
        assert_eq!(set.swings(), 3);
    }

    #[test]
    fn a_rest_is_called_for_once_and_its_end_is_said_once() {
        let mut set = run(SetShape {
            reps: 0,
            rest_after: 2,
            rest_secs: 60,
        });
        let at = CaptureTime::from_secs;
        assert_eq!((set.to_go(), set.rep(&swing(0.0))), (None, None));
        assert_eq!(set.rep(&swing(8.0)), Some(SetEvent::RestDue { secs: 60 }));
        assert_eq!(set.tick(at(67.9)), None);
        assert_eq!(set.tick(at(68.0)), Some(SetEvent::RestOver));
        assert_eq!(set.tick(at(69.0)), None);
        // Swings on without a rest are counted, and the next rest is called for in its turn.
        assert_eq!(set.rep(&swing(70.0)), None);
        assert_eq!(set.rep(&swing(78.0)), Some(SetEvent::RestDue { secs: 60 }));
        assert_eq!(set.rep(&swing(86.0)), None);
        assert_eq!(set.state(), SetState::Open);
        assert_eq!(set.tick(at(140.0)), None);
        // The break of a minute that the hitter took alone is a rest.
        assert_eq!(set.rep(&swing(146.0)), None);
        assert_eq!(set.rep(&swing(150.0)), Some(SetEvent::RestDue { secs: 60 }));
    }

    #[test]
    fn the_last_swing_closes_and_does_not_call_for_a_rest() {
        let mut set = run(SetShape {
            reps: 2,
            rest_after: 2,
            rest_secs: 60,
        });
        set.rep(&swing(0.0));
        assert!(matches!(
            set.rep(&swing(8.0)),
            Some(SetEvent::Closed { .. })
        ));
    }

    #[test]
    fn a_set_closes_when_left_alone_but_not_before_its_first_rep() {
        let at = CaptureTime::from_secs;
        let mut set = run(SetShape::default());
        assert_eq!(set.tick(at(1e5)), None);
        set.rep(&swing(0.0));
        assert_eq!(set.tick(at(599.0)), None);
        let left = set.tick(at(600.0)).unwrap();
        assert!(matches!(
            left,
            SetEvent::Closed {
                why: CloseReason::LeftAlone,
                ..
            }
        ));
        assert!(left.said(Lengths::Metric).is_empty(), "nobody is there");
    }
}
