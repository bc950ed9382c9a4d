//! Signs of the hitter's arms: what they ask with a bat in the hands and nothing to touch.
//!
//! In: pose frames in time order. Out: a [`Sign`] when it has been held. Pure: no clock, no files, no threads; the same frames
//! give the same signs.

mod arms;
mod watch;

pub use watch::SignWatch;

use crate::text_enum::text_enum;

text_enum! {
    /// A held sign.
    pub enum Sign {
        /// One hand straight up over the head, the other hanging down, for a second.
        HandUp = "hand up",
        /// The same hand kept up for three seconds; [`Sign::HandUp`] comes before it.
        HandKeptUp = "hand kept up",
        /// One hand straight up, the other arm straight out to its own side, for a second.
        HandUpArmOut = "hand up, arm out",
    }
}
