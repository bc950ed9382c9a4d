//! Bands, the hitter's baseline and plan, verdicts, which cue follows a rep and whether it is given.
//!
//! In: reps. Out: [`JudgedRep`]s. Pure: no sound is made here and nothing is stored.

mod band;
mod baseline;
mod cue;
mod judge;
mod plan;
mod plan_file;
mod plan_text;
mod plan_write;
mod readiness;
mod schedule;
mod set;
mod spoken;
mod spread;
mod tally;
mod trainer;
mod verdict;

pub(crate) use band::BandEnds;
pub(crate) use band::{AbsoluteBand, AbsoluteBands};
pub use band::{Band, Bands};
pub(crate) use baseline::Baselines;
pub use cue::CueId;
pub(crate) use cue::cue_for;
pub use judge::Coach;
pub use plan::{PLAN_STARTS, Plan};
pub(crate) use plan::{PitchPlan, PlanStart, SetShape, SpeedUnit};
pub(crate) use readiness::{Readiness, Seen};
pub use schedule::{
    CueSchedule, Decision, FADED_OVER, JudgedAs, QuietReason, Scheduler, faded_share,
};
pub use set::{Closing, SetEvent, SetRun};
pub use spoken::{PhraseId, Said};
pub use spread::SpreadWatch;
pub use trainer::Trainer;
pub(crate) use trainer::{Followed, OPENING};
pub use verdict::JudgedRep;
pub(crate) use verdict::{CueGiven, PitchPlayed, Verdict};

#[cfg(test)]
pub(crate) use tally::tests::judged as judged_for_tests;
#[cfg(test)]
pub(crate) use {baseline::DEFAULT_SWINGS, spoken::MOST_SAID};
