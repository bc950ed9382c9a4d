//! Phases, events and measures: from poses to reps.
//!
//! In: pose frames in time order. Out: [`FoundRep`]s and the live [`Phase`]. Pure: no clock, no files,
//! no threads; the same frames give the same reps.

mod against_pitch;
mod analysis;
mod angles;
mod balance;
mod change_point;
mod context;
mod ears;
mod estimates;
mod event_name;
mod events;
mod finder;
mod finish_hold;
mod fundamental;
mod heard;
mod hidden_landmarks;
mod judge;
mod kinetic_sequence;
mod landing_rows;
mod lengths;
mod live_head;
mod live_motion;
mod measures;
mod not_counted;
mod not_measured;
mod picture;
mod posture;
mod projection;
mod reanalyze;
mod replay;
mod setup;
mod slow_motion;
mod style;
mod swing;
mod swing_path;
mod take;
#[cfg(test)]
mod test_figure;
mod trunk_turns;
mod turn_reference;
mod types;
mod view;
mod weight;

pub use ears::{Ears, Lag, Listened, SharpSound};
pub use event_name::EventName;
pub use finder::{FoundRep, RepFinder};
pub use finish_hold::HoldWatch;
pub use fundamental::Fundamental;
pub use heard::Heard;
pub use judge::{SwingCandidate, swing_candidates};
pub use landing_rows::LandingRow;
pub use lengths::Lengths;
pub use live_head::LiveHead;
pub(crate) use not_counted::ReasonUnit;
pub use not_counted::{MissedCondition, NotCounted, NotCountedReason};
pub use not_measured::NotMeasured;
pub use reanalyze::CannotMove;
pub(crate) use reanalyze::Corrected;
pub(crate) use replay::ReplayGeometry;
pub use setup::HitterSetup;
pub(crate) use style::LoadStyle;
pub use style::Style;
pub(crate) use swing_path::{BARREL_CM, GRIP_SHARE, ON_PLANE_CM, bat_length_cm};
pub(crate) use turn_reference::TurnReference;
pub use types::{Bats, Events, Measure, MeasureName, Phase, PitchTimes, Rep, RepKind, Unit, View};
pub(crate) use types::{Ruler, path_shape_word, sequence_words};
pub(crate) use view::{StandingIn, standing_in};
