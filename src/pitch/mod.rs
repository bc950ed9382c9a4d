//! The paced pitch: which one comes next, how long it flies, and when a hitter hears its wind-up, release and arrival.
//!
//! In: a level of play, a choice of speeds, the air. Out: a [`Delivery`], marks on a time line that starts with the
//! first beat. Pure: no clock, no thread, no sound; the caller decides when a delivery starts and draws the seed.

mod air;
mod delivery;
mod flight;
mod level;
mod order;

pub use air::Air;
pub use delivery::{Delivery, Pitch, WindUp};
pub(crate) use delivery::{Mark, MarkKind};
pub(crate) use flight::PitchError;
pub use flight::{Ball, Flight, Speed, Throw};
pub use level::{Level, SpeedClass};
pub(crate) use order::PitchOrder;
