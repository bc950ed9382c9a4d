//! A session under a plan: each rep judged, cued or not by the schedule, counted into its set.
//!
//! In: reps in order and the time between them. Out: for each rep the judged rep, with its cue or the reason for none, and
//! the [`Announcements`] that follow. Pure; the caller decides when something is heard.

use super::band::Bands;
use super::judge::Coach;
use super::judged::{JudgedAs, JudgedRep, PitchPlayed};
use super::plan::{Plan, SetShape};
use super::quiet::QuietReason;
use super::schedule::{CueSchedule, Decision, Scheduler};
use super::set::{SetEvent, SetRun, SetState};
use super::spoken::{PhraseId, Said};
use super::spread::SpreadWatch;
use super::tally::SetTally;
use crate::rep::{Measure, MeasureName, Rep, RepKind};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// What opens a session under a plan: it says what pain and dizziness mean.
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
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Announcements {
    /// What is to be said after the cue, sentence by sentence.
    pub(crate) sentences: Vec<Vec<Said>>,
    /// The same in print.
    pub(crate) lines: Vec<String>,
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
    pub fn rep(&mut self, rep: Rep, pitch: Option<PitchPlayed>) -> (JudgedRep, Announcements) {
        let mut judged = self.coach.judge(rep);
        judged.pitch = pitch;
        let mut announcements = Announcements::default();
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
                announcements.say(summary.said(), format!("summary: {}", summary.line()));
                self.since_summary = SetTally::new(&self.focus);
            }
        }
        if judged.cue.is_none() && judged.no_cue.is_none() {
            judged.no_cue = Some(Recorded::Known(QuietReason::NotMeasured));
        }
        if let Some(event) = self.set.rep(&judged) {
            announcements.set_event(&event, self.scheduler.schedule());
        }
        self.watch_spread(&judged, &mut announcements);
        (judged, announcements)
    }

    fn watch_spread(&mut self, judged: &JudgedRep, announcements: &mut Announcements) {
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
        if let Some(spread) = watch.add(&values) {
            let line = format!(
                "swings spread: {} lies about {:.1} times as far apart as before; tired swings are learnt too, think of stopping for today",
                spread.measure, spread.times
            );
            let said = vec![
                Said::Phrase(PhraseId::Spreading),
                Said::Pause,
                Said::Phrase(PhraseId::StopForToday),
            ];
            announcements.say(said, line);
        }
    }

    /// What is due by now, between reps.
    pub(crate) fn tick(&mut self, now: CaptureTime) -> Announcements {
        let mut announcements = Announcements::default();
        if let Some(event) = self.set.tick(now) {
            announcements.set_event(&event, self.scheduler.schedule());
        }
        announcements
    }

    /// Adds a measure to a rep that was judged before the measure was known; see [`Coach::complete`].
    pub(crate) fn complete(&mut self, judged: &mut JudgedRep, name: MeasureName, measure: Measure) {
        self.coach.complete(judged, name, measure);
    }

    /// The count, for a hitter who asks.
    pub(crate) fn count(&self) -> Announcements {
        let mut announcements = Announcements::default();
        let line = match self.set.to_go() {
            Some(left) => format!("{} swings, {left} to go", self.set.swings()),
            None => format!("{} swings", self.set.swings()),
        };
        announcements.say(self.set.count_said(), line);
        announcements
    }

    /// The set so far in print, for a session that ends before its set; `None` where it is over or has no swing.
    pub(crate) fn closing_line(&self) -> Option<String> {
        (!self.is_over() && self.set.swings() > 0)
            .then(|| format!("so far: {}", self.set.summary().line()))
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

impl Announcements {
    fn say(&mut self, said: Vec<Said>, line: String) {
        if !said.is_empty() {
            self.sentences.push(said);
        }
        self.lines.push(line);
    }

    fn set_event(&mut self, event: &SetEvent, schedule: CueSchedule) {
        let line = match event {
            SetEvent::RestDue { secs } => format!("rest for {secs} s"),
            SetEvent::RestOver => "the rest is over".to_owned(),
            SetEvent::Closed { why, summary } => {
                format!("set over ({why}): {}", summary.line())
            }
        };
        // A silent plan gives no numbers at the end of the set either.
        let said = match (event, schedule) {
            (SetEvent::Closed { .. }, CueSchedule::Silent) if !event.said().is_empty() => vec![
                Said::Phrase(PhraseId::SetDone),
                Said::Pause,
                Said::Phrase(PhraseId::Closing),
            ],
            _ => event.said(),
        };
        self.say(said, line);
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
            last = trainer.rep(rep, None).1.sentences;
        }
        assert!(trainer.is_over());
        last.concat()
    }

    #[test]
    fn a_silent_plan_tells_no_numbers_at_its_close() {
        let numbers = |said: &[Said]| {
            said.iter()
                .any(|s| matches!(s, Said::Number(_) | Said::Count(..)))
        };
        assert!(numbers(&close_of("head still")));
        let quiet = close_of("quiet check");
        assert!(quiet.contains(&Said::Phrase(PhraseId::SetDone)) && !numbers(&quiet));
    }
}
