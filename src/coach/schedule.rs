//! How often a hitter is cued: the schedules, and the scheduler that decides rep by rep.
//!
//! In: how each rep was judged, in order. Out: cue it, sum up, or stay quiet and why. Pure, and without chance: the
//! same reps in the same order are always cued alike.
//!
//! None of the studies cited here was made on hitters; they say why a schedule is offered, not that it works in a cage.

use std::collections::VecDeque;

use super::judged::JudgedAs;
use super::quiet::QuietReason;
use crate::text_enum::text_enum;

/// How many reps the faded schedule looks back over (our choice: two handfuls).
pub const FADED_OVER: usize = 10;

/// In-band share up to which the faded schedule cues every rep (our choice).
const FADED_FROM: f64 = 0.5;

/// In-band share from which it cues the fewest (our choice).
const FADED_TO: f64 = 0.9;

/// The fewest that it cues, as a share: one rep in five (our choice).
const FADED_LEAST: f64 = 0.2;

/// Which reps are cued.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CueSchedule {
    /// Every rep that could be judged, in band or out.
    ///
    /// For a movement that is new: performance in practice is best with a cue each time. Against it for longer: the
    /// guidance hypothesis, that a hitter comes to lean on the cue (Salmoni, Schmidt and Walter 1984, Psychol. Bull.
    /// 95, from memory), and Aoyagi et al. 2019 (J. Phys. Ther. Sci. 31, 46 people), whose group with a cue at each
    /// trial was no better at the later test while those with half or fewer were.
    /// Winstein and Schmidt 1990 (J. Exp. Psychol. Learn. Mem. Cogn. 16), first experiment: far fewer cues taught
    /// as well.
    EveryRep,
    /// Only reps that are out of band; silence means in band.
    ///
    /// The cues grow rarer by themselves as the hitter learns. A 10 % band gave the most even performance when
    /// tested without cues (Sherwood 1988, Percept. Mot. Skills 66, from memory); a band did better than as many
    /// cues without one (Lee and Carnahan 1990, Q. J. Exp. Psychol. 42A, from memory); a 15 % band was still ahead
    /// of a cue each trial a week later (Cruz et al. 2018, Motricidade 14, 22 students).
    OutOfBand,
    /// Every nth rep, in band or out.
    ///
    /// Half the cues taught more than all of them (Aoyagi et al. 2019). A cue on every other trial also offset the
    /// harm of a tone that runs with the movement (Park, Shea and Wright 2000, J. Mot. Behav. 32, citation from
    /// memory), so it is the one to take with the head tone. Against it: a first experiment found no difference for
    /// a lower frequency alone (Winstein and Schmidt 1990).
    EveryNth {
        /// n, from 1.
        every: u32,
    },
    /// More reps while few are in band, fewer as more are: see [`faded_share`].
    ///
    /// Cues that thin out over practice beat a cue each time when tested later without (Winstein and Schmidt 1990,
    /// second and third experiment, half the cues on average, from memory; Aoyagi et al. 2019). Those studies thinned
    /// them out by a fixed plan; following the hitter is our own step, as a band does by itself.
    Faded,
    /// Nothing after each rep; after so many, what they were like together.
    ///
    /// The best length was 15 trials for a simple task (Schmidt et al. 1989) and 5 for a harder one (Schmidt et al.
    /// 1990); in a later study 16 beat 8 and 1. What holds for one task does not for the next, so the number is the
    /// coach's.
    Summary {
        /// Reps per summary, from 2.
        after: u32,
    },
    /// Reps are logged and nothing is said.
    ///
    /// For a retention check: what was learned shows once the cues are taken away, as in the later tests of Winstein
    /// and Schmidt 1990.
    Silent,
}

text_enum! {
    /// The kinds of [`CueSchedule`]. The texts are those of plans.
    pub(crate) enum ScheduleKind {
        /// [`CueSchedule::EveryRep`].
        EveryRep = "every-rep",
        /// [`CueSchedule::OutOfBand`].
        OutOfBand = "out-of-band",
        /// [`CueSchedule::EveryNth`].
        EveryNth = "every-nth",
        /// [`CueSchedule::Faded`].
        Faded = "faded",
        /// [`CueSchedule::Summary`].
        Summary = "summary",
        /// [`CueSchedule::Silent`].
        Silent = "silent",
    }
}

/// The number that a plan gives with a kind of schedule.
#[derive(Clone, Copy)]
pub(super) struct ScheduleNumber {
    /// Its key in a plan.
    pub(super) key: &'static str,
    pub(super) least: u32,
    /// An example, for messages and comments.
    pub(super) example: u32,
}

impl ScheduleKind {
    /// The number that goes with it, if any.
    pub(super) const fn number(self) -> Option<ScheduleNumber> {
        match self {
            ScheduleKind::EveryNth => Some(ScheduleNumber {
                key: "every",
                least: 1,
                example: 2,
            }),
            ScheduleKind::Summary => Some(ScheduleNumber {
                key: "after",
                least: 2,
                example: 5,
            }),
            ScheduleKind::EveryRep
            | ScheduleKind::OutOfBand
            | ScheduleKind::Faded
            | ScheduleKind::Silent => None,
        }
    }
}

impl CueSchedule {
    /// A schedule of this kind; `number` counts only where the kind has one.
    pub(crate) const fn new(kind: ScheduleKind, number: u32) -> Self {
        match kind {
            ScheduleKind::EveryRep => CueSchedule::EveryRep,
            ScheduleKind::OutOfBand => CueSchedule::OutOfBand,
            ScheduleKind::EveryNth => CueSchedule::EveryNth { every: number },
            ScheduleKind::Faded => CueSchedule::Faded,
            ScheduleKind::Summary => CueSchedule::Summary { after: number },
            ScheduleKind::Silent => CueSchedule::Silent,
        }
    }

    /// Its kind.
    pub(crate) const fn kind(self) -> ScheduleKind {
        match self {
            CueSchedule::EveryRep => ScheduleKind::EveryRep,
            CueSchedule::OutOfBand => ScheduleKind::OutOfBand,
            CueSchedule::EveryNth { .. } => ScheduleKind::EveryNth,
            CueSchedule::Faded => ScheduleKind::Faded,
            CueSchedule::Summary { .. } => ScheduleKind::Summary,
            CueSchedule::Silent => ScheduleKind::Silent,
        }
    }

    /// The number that goes with its kind.
    pub(crate) const fn number(self) -> Option<u32> {
        match self {
            CueSchedule::EveryNth { every: number } | CueSchedule::Summary { after: number } => {
                Some(number)
            }
            _ => None,
        }
    }
}

/// What follows a rep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decision {
    /// Play the rep's own cue.
    Cue,
    /// Say what the reps since the last summary were like.
    Summary,
    /// Say nothing.
    Quiet(QuietReason),
}

/// Decides rep by rep under one schedule.
#[derive(Clone, Debug, PartialEq)]
pub struct Scheduler {
    schedule: CueSchedule,
    /// How many reps were judged.
    judged: u64,
    /// The last of them, in band or not.
    latest: VecDeque<bool>,
    /// What the faded schedule owes, in fractions of a cue of which [`WHOLE`] make one: integers, so that nothing is lost
    /// to rounding.
    owed: u32,
}

impl Scheduler {
    /// At the start of a session, or of a plan within one.
    pub fn new(schedule: CueSchedule) -> Self {
        Self {
            schedule,
            judged: 0,
            latest: VecDeque::with_capacity(FADED_OVER),
            owed: 0,
        }
    }

    /// The schedule it goes by.
    pub(crate) const fn schedule(&self) -> CueSchedule {
        self.schedule
    }

    /// What follows the next rep. Only judged reps count: a turn that falls on another rep passes to the next judged one.
    pub fn decide(&mut self, rep: JudgedAs) -> Decision {
        let in_band = match rep {
            JudgedAs::In => true,
            JudgedAs::Out => false,
            JudgedAs::Take => return Decision::Quiet(QuietReason::Take),
            JudgedAs::NoOrder => return Decision::Quiet(QuietReason::NoOrder),
            // A silent plan says nothing in any case, so that is the reason to give.
            _ if self.schedule == CueSchedule::Silent => {
                return Decision::Quiet(QuietReason::SilentPlan);
            }
            JudgedAs::NotMeasured => return Decision::Quiet(QuietReason::NotMeasured),
            JudgedAs::NoBand => return Decision::Quiet(QuietReason::NoBand),
        };
        self.judged += 1;
        let turn = |every: u32| self.judged.is_multiple_of(u64::from(every.max(1)));
        let decision = match self.schedule {
            CueSchedule::EveryRep => Decision::Cue,
            CueSchedule::OutOfBand if in_band => Decision::Quiet(QuietReason::InBand),
            CueSchedule::OutOfBand => Decision::Cue,
            CueSchedule::EveryNth { every } if turn(every) => Decision::Cue,
            CueSchedule::EveryNth { .. } => Decision::Quiet(QuietReason::NotItsTurn),
            CueSchedule::Summary { after } if turn(after) => Decision::Summary,
            CueSchedule::Summary { .. } => Decision::Quiet(QuietReason::SummaryLater),
            CueSchedule::Silent => Decision::Quiet(QuietReason::SilentPlan),
            CueSchedule::Faded => self.faded(),
        };
        // The share comes from the reps before this one, so that it does not depend on how this one came out.
        if self.latest.len() == FADED_OVER {
            self.latest.pop_front();
        }
        self.latest.push_back(in_band);
        decision
    }

    /// The share of reps that the faded schedule cues now, from 0.2 to 1.
    pub(crate) fn faded_share_now(&self) -> f64 {
        faded_share(self.latest.iter().filter(|in_band| **in_band).count())
    }

    /// Each rep adds the share to what is owed; a whole cue owed is given. So cues come as evenly as the share allows,
    /// without chance.
    fn faded(&mut self) -> Decision {
        self.owed += (self.faded_share_now() * f64::from(WHOLE)).round() as u32;
        if self.owed >= WHOLE {
            self.owed -= WHOLE;
            return Decision::Cue;
        }
        Decision::Quiet(QuietReason::Faded)
    }
}

/// Fractions of a cue that make a whole one: every [`faded_share`] is a whole number of them.
const WHOLE: u32 = 50;

/// The share of reps that the faded schedule cues when so many of the last [`FADED_OVER`] judged reps were in band:
/// every rep up to half of them, one in five from nine tenths on, a straight line between. Reps not made yet count
/// as out, so a session starts with a cue each rep.
pub fn faded_share(in_band: usize) -> f64 {
    let share = in_band as f64 / FADED_OVER as f64;
    let way = ((share - FADED_FROM) / (FADED_TO - FADED_FROM)).clamp(0.0, 1.0);
    1.0 - way * (1.0 - FADED_LEAST)
}

#[cfg(test)]
mod tests {
    use super::*;

    use JudgedAs::{In, NoBand, NoOrder, NotMeasured, Out, Take};

    fn check(schedule: CueSchedule, steps: &[(JudgedAs, Decision)]) {
        let mut scheduler = Scheduler::new(schedule);
        for (idx, (rep, expected)) in steps.iter().enumerate() {
            assert_eq!(scheduler.decide(*rep), *expected, "{schedule:?}, rep {idx}");
        }
    }

    fn cued(scheduler: &mut Scheduler, rep: JudgedAs, times: usize) -> usize {
        (0..times)
            .filter(|_| scheduler.decide(rep) == Decision::Cue)
            .count()
    }

    #[test]
    fn each_plain_schedule_does_what_its_name_says() {
        use Decision::{Cue, Quiet, Summary};
        check(CueSchedule::EveryRep, &[(In, Cue), (Out, Cue), (In, Cue)]);
        check(
            CueSchedule::OutOfBand,
            &[(In, Quiet(QuietReason::InBand)), (Out, Cue)],
        );
        let not = Quiet(QuietReason::NotItsTurn);
        check(
            CueSchedule::EveryNth { every: 3 },
            &[
                (In, not),
                (Out, not),
                (In, Cue),
                (Out, not),
                (In, not),
                (Out, Cue),
            ],
        );
        let later = Quiet(QuietReason::SummaryLater);
        check(
            CueSchedule::Summary { after: 2 },
            &[(In, later), (Out, Summary), (Out, later), (In, Summary)],
        );
        let silent = Quiet(QuietReason::SilentPlan);
        check(
            CueSchedule::Silent,
            &[(In, silent), (Out, silent), (NotMeasured, silent)],
        );
    }

    #[test]
    fn a_rep_that_was_not_judged_is_quiet_and_passes_its_turn_on() {
        use Decision::{Cue, Quiet};
        check(
            CueSchedule::EveryNth { every: 2 },
            &[
                (Out, Quiet(QuietReason::NotItsTurn)),
                (Take, Quiet(QuietReason::Take)),
                (NotMeasured, Quiet(QuietReason::NotMeasured)),
                (NoBand, Quiet(QuietReason::NoBand)),
                (NoOrder, Quiet(QuietReason::NoOrder)),
                (Out, Cue),
            ],
        );
        for schedule in [CueSchedule::EveryRep, CueSchedule::Faded] {
            check(
                schedule,
                &[(Take, Quiet(QuietReason::Take)), (In, Cue), (Out, Cue)],
            );
        }
    }

    #[test]
    fn faded_cues_all_at_half_and_one_in_five_at_nine_tenths() {
        let shares: Vec<f64> = (0..=10).map(faded_share).collect();
        let expected = [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.8, 0.6, 0.4, 0.2, 0.2];
        for (share, expected) in shares.iter().zip(expected) {
            assert!((share - expected).abs() < 1e-12, "{shares:?}");
            let units = share * f64::from(WHOLE);
            assert!((units - units.round()).abs() < 1e-9, "{units} is not whole");
        }
    }

    #[test]
    fn faded_starts_with_each_rep_thins_out_evenly_and_comes_back() {
        let mut scheduler = Scheduler::new(CueSchedule::Faded);
        // The first six see at most five reps in band behind them.
        assert_eq!(cued(&mut scheduler, In, 6), 6);
        cued(&mut scheduler, In, 10);
        // One in five, and no two gaps differ.
        let turns: Vec<usize> = (0..50)
            .filter(|_| scheduler.decide(In) == Decision::Cue)
            .collect();
        assert_eq!(turns.len(), 10);
        assert!(
            turns.windows(2).all(|pair| pair[1] - pair[0] == 5),
            "{turns:?}"
        );
        // A slump: after five misses each rep is cued again, and while it lasts.
        cued(&mut scheduler, Out, 5);
        assert_eq!(cued(&mut scheduler, Out, 30), 30);
    }
}
