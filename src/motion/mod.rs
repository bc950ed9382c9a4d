//! From landmarks in pixels to signals in centimetres and seconds.
//!
//! In: pose frames. Out: [`Signals`]. Pure: no clock, no files, no threads.

pub mod filter;
mod level;
mod mass;
mod scale;
mod series;
mod signals;

pub use level::{roll, yaw_from_pelvis};
pub use mass::{Segment, SegmentTable, centre_of_mass};
pub use scale::Scale;
pub use series::{BodySeries, PointSeries, WorldSeries};
pub use signals::{Foot, MissingLandmark, Pair, Path, Signals};
