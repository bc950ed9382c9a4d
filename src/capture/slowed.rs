//! Recordings that play slower than life, and how their times are brought back to life.
//!
//! In: how many times slower a recording plays, as somebody says or as the file does. Out: the times at which its frames were
//! taken. It is done where frames are read, so that all that comes after knows only true times.

use std::ops::RangeInclusive;

use crate::time::CaptureTime;

/// What somebody may say. The fastest phones film 960 frames a second and play 24 of them.
const TIMES: RangeInclusive<f64> = 1.0..=40.0;
/// No phone or webcam films more frames a second.
const MOST_FPS: f64 = 1000.0;
/// A file that plays at less than this share of its capture rate plays slower than life. Above, frames were exposed longer for
/// want of light, or left out.
const SLOWER_THAN_LIFE: f64 = 0.67;

/// How many times slower than life a recording plays; 1 for one that plays as it happened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SlowedBy(f64);

/// Why a recording cannot have been slowed like that; what to do about it is in the words.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NotSlowed {
    /// No such factor.
    #[error(
        "it must be auto, or how many times slower than life the recording plays: a number from {} to {}, such as 8 for 240 \
         frames a second that play as 30",
        TIMES.start(),
        TIMES.end()
    )]
    Times,
    /// More frames a second than there are cameras for.
    #[error(
        "it plays {played_fps:.0} frames a second, so it would have been filmed at {fps:.0}, more than any phone does; the factor is \
         the rate at which it was filmed, divided by {played_fps:.0}; where it plays as it happened, leave --slowed out"
    )]
    TooFast {
        /// Frames a second as it plays.
        played_fps: f64,
        /// What that would be in life.
        fps: f64,
    },
    /// The file says that it was filmed slower than it plays.
    #[error(
        "the file says that it was filmed at {capture_fps} frames a second, and it plays {played_fps:.0}: a time lapse, in which \
         a swing is over between two frames; where that is not so, say --slowed 1"
    )]
    TimeLapse {
        /// What the file says.
        capture_fps: f64,
        /// Frames a second as it plays.
        played_fps: f64,
    },
}

impl SlowedBy {
    /// As it happened.
    pub(crate) const NOT: Self = Self(1.0);

    /// This many times.
    ///
    /// # Errors
    /// For a number that no recording is slowed by.
    pub(crate) fn times(times: f64) -> Result<Self, NotSlowed> {
        match TIMES.contains(&times) {
            true => Ok(Self(times)),
            false => Err(NotSlowed::Times),
        }
    }

    /// From the rate at which it was filmed and the rate at which it plays, frames a second.
    ///
    /// # Errors
    /// Where it plays faster than life, or slower than any recording does. A rate that is not known, zero, tells nothing.
    pub(crate) fn from_rates(capture_fps: f64, played_fps: f64) -> Result<Self, NotSlowed> {
        if capture_fps > MOST_FPS {
            return Err(NotSlowed::TooFast {
                played_fps,
                fps: capture_fps,
            });
        }
        let share = played_fps / capture_fps;
        if share > 1.0 / SLOWER_THAN_LIFE {
            return Err(NotSlowed::TimeLapse {
                capture_fps,
                played_fps,
            });
        }
        match share > 0.0 && share <= SLOWER_THAN_LIFE {
            true => Self::times(1.0 / share),
            false => Ok(Self::NOT),
        }
    }

    /// Whether both say the same: rates are written with and without their fraction, as 30 and 29.97.
    pub(crate) fn is_about(self, other: Self) -> bool {
        (self.0 / other.0 - 1.0).abs() < 0.02
    }

    /// The factor.
    pub(crate) fn factor(self) -> f64 {
        self.0
    }

    /// Frames a second in life, of a recording that plays so many.
    ///
    /// # Errors
    /// Where there are no such cameras.
    pub(crate) fn life_fps(self, played_fps: f64) -> Result<f64, NotSlowed> {
        let fps = played_fps * self.0;
        match self == Self::NOT || fps <= MOST_FPS {
            true => Ok(fps),
            false => Err(NotSlowed::TooFast { played_fps, fps }),
        }
    }

    /// When it happened, from when it plays. Times that differ may come out the same where they are a few nanoseconds apart.
    pub(crate) fn in_life(self, played_at: CaptureTime) -> CaptureTime {
        match self == Self::NOT {
            true => played_at,
            false => CaptureTime::from_nanos((played_at.nanos() as f64 / self.0).round() as i64),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nonsense_is_no_factor() {
        for times in [0.0, -4.0, 0.5, 41.0, f64::NAN, f64::INFINITY] {
            assert_eq!(SlowedBy::times(times), Err(NotSlowed::Times), "{times}");
        }
        assert_eq!(SlowedBy::times(3.34).unwrap().factor(), 3.34);
    }

    #[test]
    fn rates_tell_slow_motion_from_frames_that_were_left_out_and_from_a_time_lapse() {
        let factor = |capture, played| SlowedBy::from_rates(capture, played).map(SlowedBy::factor);
        assert_eq!(factor(240.0, 30.0), Ok(8.0));
        assert!((factor(120.0, 29.97).unwrap() - 4.004).abs() < 0.001);
        // A phone that keeps the true times writes the same key.
        assert_eq!(factor(240.0, 239.98), Ok(1.0));
        // In weak light.
        assert_eq!(factor(30.0, 24.0), Ok(1.0));
        assert!(matches!(
            factor(2.0, 30.0),
            Err(NotSlowed::TimeLapse { .. })
        ));
        assert!(matches!(factor(1e9, 30.0), Err(NotSlowed::TooFast { .. })));
        assert_eq!(factor(900.0, 10.0), Err(NotSlowed::Times));
        assert_eq!(factor(240.0, 0.0), Ok(1.0));
    }

    #[test]
    fn times_and_rates_are_those_of_life() {
        let slowed = SlowedBy::times(8.0).unwrap();
        assert_eq!(slowed.in_life(CaptureTime::from_secs(4.0)).secs(), 0.5);
        assert_eq!(slowed.life_fps(30.0), Ok(240.0));
        assert!(matches!(
            slowed.life_fps(240.0),
            Err(NotSlowed::TooFast { .. })
        ));
        // An odd rate of a file that is not slowed is no concern of this.
        assert_eq!(SlowedBy::NOT.life_fps(5000.0), Ok(5000.0));
    }
}
