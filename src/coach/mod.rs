//! Bands, the hitter's baseline, verdicts, and which cue follows a rep.
//!
//! In: reps. Out: [`JudgedRep`]s. Pure: no sound is made here and nothing is stored.

mod band;
mod baseline;
mod cue;
mod judge;
mod verdict;

pub use band::{AbsoluteBand, AbsoluteBands, Band, Bands};
pub use baseline::{Baselines, DEFAULT_SWINGS, Usual, has_usual};
pub use cue::{IN_BAND, cue_for};
pub use judge::Coach;
pub use verdict::{CueGiven, JudgedRep, Verdict};
