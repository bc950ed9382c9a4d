//! From landmarks in pixels to signals in centimeters and seconds.
//!
//! In: pose frames. Out: [`Signals`]. Pure: no clock, no files, no threads.

pub(crate) mod filter;
mod leg_swaps;
mod level;
mod mass;
mod scale;
mod series;
mod signals;
mod stance;
mod steadying;

pub(crate) use level::{CameraYaw, roll, yaw_from_pelvis};
pub(crate) use mass::{SegmentTable, center_of_mass};
pub(crate) use scale::{Scale, UNKNOWN_HEIGHT_CM};
pub(crate) use series::{BatLine, BodySeries, PointSeries};
pub(crate) use signals::{Foot, Pair, Path, Signals};
pub(crate) use stance::Direction;
pub(crate) use stance::{Side, Stance};
pub(crate) use steadying::Steadying;
