//! A session under a plan: each rep judged, cued or not by the schedule, counted into its set.
//!
//! In: reps in order and the time between them. Out: for each rep the judged rep, with its cue or the reason for none, and
//! the [`Announcement`]s that follow. Pure; the caller decides when something is heard.

use super::band::Bands;
use super::judge::Coach;
use super::judged::{JudgedAs, JudgedRep, PitchPlayed};
use super::plan::{Plan, SetShape};
use super::quiet::QuietReason;
use super::schedule::{CueSchedule, Decision, Scheduler};
use super::set::{SetEvent, SetRun, SetState, count_said};
use super::spoken::{PhraseId, Said};
use super::spread::{Spread, SpreadWatch};
use super::tally::{SetSummary, SetTally};
use crate::rep::{Lengths, Measure, MeasureName, Rep, RepKind};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// What a session is opened with: it says what pain and dizziness mean.
pub(crate) const OPENING: &[Said] = &[Said::Phrase(PhraseId::Opening)];

/// A session's coach, schedule and set.
pub struct Trainer {
    coach: Coach,
    /// What is cued, the most important first.
    focus: Vec<MeasureName>,
    scheduler: Scheduler,
    /// Reps since the last summary, for schedules that sum up.
    since_summary: SetTally,
    set: SetRun,
    /// Only a plan's set is watched for spread.
    spread: Option<SpreadWatch>,
}

/// What is said and printed after a rep, or as time passes.
#[derive(Clone, Debug, PartialEq)]
pub enum Announcement {
    /// A summary that was due.
    Summary(SetSummary),
    /// Something about the set.
    Set(SetEvent),
    /// Swings vary more than they did.
    Spread(Spread),
    /// The count, for a hitter who asks.
    Count {
        /// Swings so far.
        swings: u32,
        /// Swings left; `None` where the set is open.
        to_go: Option<u32>,
    },
}

impl Announcement {
    /// What the hitter hears, after the cue; empty for nothing.
    pub fn said(&self, lengths: Lengths) -> Vec<Said> {
        match self {
            Self::Summary(summary) => summary.said(lengths),
            Self::Set(event) => event.said(lengths),
            Self::Spread(_) => vec![
                Said::Phrase(PhraseId::Spreading),
                Said::Pause,
                Said::Phrase(PhraseId::StopForToday),
            ],
            Self::Count { swings, to_go } => count_said(*swings, *to_go),
        }
    }
}

impl Trainer {
    /// A session without a plan: each rep is cued by the coach's own order.
    pub fn without_plan(coach: Coach, order: Vec<MeasureName>) -> Self {
        Self::with(
            coach,
            order,
            CueSchedule::EveryRep,
            SetShape::default(),
            false,
        )
    }

    /// A session under a plan. The coach has its bands and its order already.
    pub(crate) fn under_plan(coach: Coach, plan: &Plan) -> Self {
        Self::with(coach, plan.focus.clone(), plan.schedule, plan.set, true)
    }

    fn with(
        coach: Coach,
        focus: Vec<MeasureName>,
        schedule: CueSchedule,
        shape: SetShape,
        watched: bool,
    ) -> Self {
        Self {
            coach,
            scheduler: Scheduler::new(schedule),
            since_summary: SetTally::new(&focus),
            set: SetRun::new(shape, &focus),
            spread: watched.then(|| SpreadWatch::new(&focus)),
            focus,
        }
    }

    /// Judges the next rep and decides what is heard. `pitch` is the one that was played for it.
    pub fn rep(&mut self, rep: Rep, pitch: Option<PitchPlayed>) -> (JudgedRep, Vec<Announcement>) {
        let mut judged = self.coach.judge(rep);
        judged.pitch = pitch;
        let mut announcements = Vec::new();
        self.since_summary.add(&judged);
        match self.scheduler.decide(JudgedAs::of(&judged, &self.focus)) {
            Decision::Cue => {}
            Decision::Quiet(reason) => {
                judged.cue = None;
                judged.no_cue = Some(Recorded::Known(reason));
            }
            Decision::Summary => {
                judged.cue = None;
                judged.no_cue = Some(Recorded::Known(QuietReason::SummedUp));
                let summary = self.since_summary.summary();
                announcements.push(Announcement::Summary(summary));
                self.since_summary = SetTally::new(&self.focus);
            }
        }
        if judged.cue.is_none() && judged.no_cue.is_none() {
            judged.no_cue = Some(Recorded::Known(QuietReason::NotMeasured));
        }
        if let Some(event) = self.set.rep(&judged) {
            announcements.push(self.set_event(event));
        }
        self.watch_spread(&judged, &mut announcements);
        (judged, announcements)
    }

    fn watch_spread(&mut self, judged: &JudgedRep, announcements: &mut Vec<Announcement>) {
        if judged.rep.kind == RepKind::Take {
            return;
        }
        let Some(watch) = &mut self.spread else {
            return;
        };
        let values = judged
            .rep
            .measures
            .iter()
            .filter_map(|(name, measure)| Some((*name, measure.value()?)))
            .collect();
        announcements.extend(watch.add(&values).map(Announcement::Spread));
    }

    fn set_event(&self, mut event: SetEvent) -> Announcement {
        if let SetEvent::Closed { silent, .. } = &mut event {
            *silent = self.scheduler.schedule() == CueSchedule::Silent;
        }
        Announcement::Set(event)
    }

    /// What is due by now, between reps.
    pub(crate) fn tick(&mut self, now: CaptureTime) -> Vec<Announcement> {
        let mut announcements = Vec::new();
        if let Some(event) = self.set.tick(now) {
            announcements.push(self.set_event(event));
        }
        announcements
    }

    /// Adds a measure to a rep that was judged before the measure was known; see [`Coach::complete`].
    pub(crate) fn complete(&mut self, judged: &mut JudgedRep, name: MeasureName, measure: Measure) {
        self.coach.complete(judged, name, measure);
    }

    /// The count, for a hitter who asks.
    pub(crate) fn count(&self) -> Announcement {
        Announcement::Count {
            swings: self.set.swings(),
            to_go: self.set.to_go(),
        }
    }

    /// The set so far, for a session that ends before its set; `None` where it is over or has no swing.
    pub(crate) fn unfinished(&self) -> Option<SetSummary> {
        (!self.is_over() && self.set.swings() > 0).then(|| self.set.summary())
    }

    /// What is worked on, the most important first.
    pub(crate) fn focus(&self) -> &[MeasureName] {
        &self.focus
    }

    /// Swings left in the set; `None` where it is open.
    pub(crate) fn to_go(&self) -> Option<u32> {
        self.set.to_go()
    }

    /// Whether the set is in a rest.
    pub(crate) fn is_resting(&self) -> bool {
        matches!(self.set.state(), SetState::Resting { .. })
    }

    /// Whether the set is over.
    pub(crate) fn is_over(&self) -> bool {
        self.set.state() == SetState::Closed
    }

    /// Puts other bands, another cue order and another baseline length in force. Counts go on; a measure that is new in the
    /// order is summed up from here on. Under a plan the caller passes the plan's own bands and order.
    pub(crate) fn apply_settings(
        &mut self,
        bands: Bands,
        order: Vec<MeasureName>,
        baseline_swings: usize,
    ) {
        self.since_summary.refocus(&order);
        self.set.refocus(&order);
        self.focus.clone_from(&order);
        self.coach.set_bands(bands, order);
        self.coach.set_baseline_swings(baseline_swings);
    }

    /// The coach of this session.
    pub(crate) fn coach(&self) -> &Coach {
        &self.coach
    }
}

#[cfg(test)]
mod tests {
    use super::super::plan_templates::PLAN_TEMPLATES;
    use super::super::tally::tests::judged;
    use super::*;

    /// The sentences of a set of ten swings under a start.
    fn close_of(start: &str) -> Vec<Said> {
        let text = PLAN_TEMPLATES
            .iter()
            .find(|s| s.name == start)
            .unwrap()
            .text;
        let mut plan = Plan::parse(text).unwrap();
        plan.set = SetShape {
            reps: 10,
            ..SetShape::default()
        };
        let coach = Coach::new(plan.bands.clone(), plan.focus.clone());
        let mut trainer = Trainer::under_plan(coach, &plan);
        let mut last = Vec::new();
        for turn in 0..10 {
            let rep = judged(RepKind::Swing, 8.0 * f64::from(turn), &[]).rep;
            last = trainer.rep(rep, None).1;
        }
        assert!(trainer.is_over());
        let said = last.iter().map(|told| told.said(Lengths::Metric));
        said.collect::<Vec<_>>().concat()
    }

    #[test]
    fn a_silent_plan_tells_no_numbers_at_its_close() {
        let numbers = |said: &[Said]| {
            said.iter()
                .any(|s| matches!(s, Said::Number(_) | Said::Count(..)))
        };
        assert!(numbers(&close_of("head still")));
        let quiet = close_of("test round");
        assert!(quiet.contains(&Said::Phrase(PhraseId::RoundDone)) && !numbers(&quiet));
    }
}
