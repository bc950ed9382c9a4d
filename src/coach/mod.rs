//! Bands, baselines and plans; verdicts on a rep; which cue follows it, and whether it is given.
//!
//! In: reps. Out: [`JudgedRep`]s. Pure: no sound is made here and nothing is stored.

mod band;
mod baseline;
mod change;
mod cue;
mod judge;
mod judged;
mod plan;
mod plan_file;
mod plan_templates;
mod plan_text;
mod plan_write;
mod quiet;
mod readiness;
mod schedule;
mod set;
mod spoken;
mod spread;
mod tally;
pub(crate) mod toml_values;
mod trainer;
mod verdict;

pub(crate) use band::BandEnds;
pub(crate) use band::{AbsoluteBand, AbsoluteBands};
pub use band::{Band, Bands};
pub(crate) use baseline::Baselines;
pub(crate) use change::is_change;
pub use cue::{CueId, CueWords};
pub(crate) use cue::{can_be_cued, cue_for};
pub use judge::Coach;
pub(crate) use judged::{CueGiven, PitchPlayed};
pub use judged::{JudgedAs, JudgedRep};
pub use plan::Plan;
pub(crate) use plan::{PitchPlan, SetShape, SpeedUnit};
pub use plan_templates::PLAN_TEMPLATES;
pub(crate) use plan_templates::PlanTemplate;
pub use plan_text::PlanError;
pub(crate) use plan_text::PlanPart;
pub use quiet::QuietReason;
pub(crate) use readiness::{Readiness, ReadyState, Remark, Sighting};
pub(crate) use schedule::ScheduleKind;
pub use schedule::{CueSchedule, Decision, FADED_OVER, Scheduler, faded_share};
pub use set::{CloseReason, SetEvent, SetRun};
pub use spoken::{PhraseId, Said};
pub use spread::SpreadWatch;
pub(crate) use tally::SetSummary;
pub(crate) use trainer::OPENING;
pub use trainer::{Announcement, Trainer};
pub(crate) use verdict::Verdict;

#[cfg(test)]
pub(crate) use tally::tests::judged as judged_for_tests;
#[cfg(test)]
pub(crate) use {baseline::DEFAULT_SWINGS, spoken::MOST_SAID};
