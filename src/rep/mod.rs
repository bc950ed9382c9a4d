//! Phases, events and measures: from poses to reps.
//!
//! In: pose frames in time order. Out: [`FoundRep`]s and the live [`Phase`]. Pure: no clock, no files,
//! no threads; the same frames give the same reps.

mod analysis;
mod angles;
mod events;
mod finder;
mod firing;
mod fit;
mod measures;
mod pulse;
#[cfg(test)]
mod stick_figure;
mod style;
mod swing;
mod types;
mod weight;

pub use finder::{FinderSettings, FoundRep, RepFinder};
pub use style::{LoadStyle, Style};
pub use types::{
    Bats, Events, FIRING, Measure, MeasureName, Phase, Rep, RepKind, Unit, View, sequence_value,
    sequence_words,
};
