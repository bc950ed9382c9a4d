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
pub use band::{AbsoluteBand, AbsoluteBands, Band, Bands};
pub use baseline::{Baselines, DEFAULT_SWINGS, Usual, has_usual};
pub use cue::{IN_BAND, cue_for};
pub use judge::Coach;
pub use plan::{PLAN_STARTS, PitchPlan, Plan, PlanStart, SetShape, SpeedUnit};
pub use plan_text::PlanError;
pub use readiness::{Readiness, ReadyState, Remark, Seen};
pub use schedule::{
    CueSchedule, Decision, FADED_OVER, JudgedAs, QuietReason, Scheduler, faded_share,
};
pub use set::{Closing, SetEvent, SetRun, SetState};
pub use spoken::{MOST_SAID, Rounded, SET_PHRASES, Said, rounded};
pub use spread::{Spread, SpreadWatch};
pub use tally::{Miss, SetSummary, Tally};
pub use trainer::{Followed, OPENING, Trainer};
pub use verdict::{CueGiven, JudgedRep, PitchPlayed, Verdict};

#[cfg(test)]
pub(crate) use tally::tests::judged as judged_for_tests;
