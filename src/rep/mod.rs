//! Phases, events and measures: from poses to reps.
//!
//! In: pose frames in time order. Out: [`FoundRep`]s and the live [`Phase`]. Pure: no clock, no files,
//! no threads; the same frames give the same reps.

mod again;
mod against_pitch;
mod analysis;
mod angles;
mod burst;
mod event_name;
mod events;
mod finder;
mod firing;
mod fit;
mod hold;
mod live;
mod measures;
mod not_measured;
mod pace;
mod place;
mod posture;
mod pulse;
#[cfg(test)]
mod stick_figure;
mod style;
mod swing;
mod tidy;
mod types;
mod weight;

pub use again::CannotMove;
pub(crate) use again::Corrected;
pub use event_name::EventName;
pub use finder::{FinderSettings, FoundRep, RepFinder};
pub use hold::HoldWatch;
pub use live::LiveHead;
pub use not_measured::NotMeasured;
pub(crate) use style::LoadStyle;
pub use style::Style;
pub use types::{Bats, Events, Measure, MeasureName, Phase, PitchTimes, Rep, RepKind, Unit, View};
pub(crate) use types::{Ruler, sequence_words};
