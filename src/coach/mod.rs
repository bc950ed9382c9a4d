//! Bands, verdicts, and which cue follows a rep.
//!
//! In: reps. Out: [`JudgedRep`]s. Pure: no sound is made here and nothing is stored.

mod band;
mod cue;
mod judge;
mod verdict;

pub use band::{Band, Bands};
pub use cue::{IN_BAND, cue_for};
pub use judge::Coach;
pub use verdict::{CueGiven, JudgedRep, Verdict};
