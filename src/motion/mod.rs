//! From landmarks in pixels to signals in centimetres and seconds.
//!
//! In: pose frames. Out: [`Signals`]. Pure: no clock, no files, no threads.

pub mod filter;
mod level;
mod scale;
mod series;
mod signals;

pub use level::{roll_from_plumb_line, yaw_from_pelvis};
pub use scale::Scale;
pub use series::{BodySeries, PointSeries, WorldSeries};
pub use signals::{Foot, MissingLandmark, Pair, Path, Signals};
