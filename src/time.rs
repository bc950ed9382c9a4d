//! The one clock: capture time, in nanoseconds since the source started counting.
//!
//! Every stage after capture speaks in [`CaptureTime`]; nothing after capture reads a system clock
//! to date an event in the swing.

use std::fmt;
use std::ops::{Add, Sub};

/// When a frame was taken, on the source's own monotonic clock.
///
/// For a camera this is the driver's stamp where there is one; for a clip it is the clip's own
/// time stamp, so the first frame of a clip is usually zero.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CaptureTime {
    nanos: i64,
}

impl CaptureTime {
    /// From whole nanoseconds.
    pub const fn from_nanos(nanos: i64) -> Self {
        Self { nanos }
    }

    /// From seconds; a fraction below a nanosecond is rounded.
    pub fn from_secs(secs: f64) -> Self {
        Self {
            nanos: (secs * 1e9).round() as i64,
        }
    }

    /// Whole nanoseconds.
    pub const fn nanos(self) -> i64 {
        self.nanos
    }

    /// Seconds.
    pub fn secs(self) -> f64 {
        self.nanos as f64 * 1e-9
    }

    /// This time moved by `secs` seconds (negative: earlier).
    pub fn plus_secs(self, secs: f64) -> Self {
        self + Self::from_secs(secs)
    }

    /// Seconds from `earlier` to this time; negative where `earlier` is in fact later.
    pub fn secs_since(self, earlier: Self) -> f64 {
        (self - earlier).secs()
    }
}

impl Add for CaptureTime {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            nanos: self.nanos.saturating_add(other.nanos),
        }
    }
}

impl Sub for CaptureTime {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self {
            nanos: self.nanos.saturating_sub(other.nanos),
        }
    }
}

impl fmt::Display for CaptureTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.3} s", self.secs())
    }
}
