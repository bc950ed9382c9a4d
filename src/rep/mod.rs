//! Phases, events and measures: from poses to reps.
//!
//! In: pose frames in time order. Out: [`FoundRep`]s and the live [`Phase`]. Pure: no clock, no files,
//! no threads; the same frames give the same reps.

mod analysis;
mod events;
mod finder;
mod fit;
mod measures;
mod pulse;
mod swing;
mod types;
mod weight;

pub use finder::{FinderSettings, FoundRep, RepFinder};
pub use types::{
    Bats, Events, FIRING, Measure, MeasureName, Phase, Rep, RepKind, Unit, View, sequence_value,
    sequence_words,
};
