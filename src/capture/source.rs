//! One type for everything that gives frames, and how fast a clip is played.
//!
//! Runs on the capture thread. A camera sets its own pace. A clip gives frames as fast as they
//! decode, or, paced, each one when its timestamp is due, so that a recording can stand in for a camera.

use std::time::{Duration, Instant};

use super::{CameraSource, CaptureClock, CaptureError, ClipSource, Frame};
use crate::time::CaptureTime;

/// How fast a clip is played.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) enum PlaybackRate {
    /// Each frame when its own timestamp is due, on a clock that runs this many times as fast as real time; above zero.
    Timed(f64),
    /// Each frame as soon as it is decoded.
    #[default]
    Fast,
}

impl PlaybackRate {
    /// In real time, as it was recorded.
    pub(crate) const REAL: Self = Self::Timed(1.0);
}

/// Where frames come from.
#[derive(Debug)]
pub(crate) enum FrameSource {
    /// A live camera.
    Camera(Box<CameraSource>),
    /// A clip, as fast as it decodes.
    Clip(Box<ClipSource>),
    /// A clip that is played against a clock.
    PacedClip(Box<PacedClip>),
}

impl FrameSource {
    /// A clip, played at `rate`.
    pub(crate) fn from_clip(clip: ClipSource, rate: PlaybackRate) -> Self {
        match rate {
            PlaybackRate::Fast => Self::Clip(Box::new(clip)),
            PlaybackRate::Timed(times) => Self::PacedClip(Box::new(PacedClip::new(clip, times))),
        }
    }

    /// Writes the next frame into a reused buffer; false at the end of a clip, and on every call after
    /// that. A camera never ends.
    ///
    /// # Errors
    ///
    /// For a camera, [`CaptureError::CameraTimeout`] and [`CaptureError::BadFrame`] are temporary: call
    /// again. After any other error, drop the source and open it again if it is still wanted.
    pub(crate) fn next_frame(&mut self, into: &mut Frame) -> Result<bool, CaptureError> {
        match self {
            Self::Camera(camera) => camera.next_frame(into).map(|()| true),
            Self::Clip(clip) => clip.next_frame(into),
            Self::PacedClip(paced) => paced.next_frame(into),
        }
    }

    /// Frames per second: what the camera promises, or the clip's own rate times its playback rate; zero where unknown.
    pub(crate) fn fps(&self) -> f64 {
        match self {
            Self::Camera(camera) => camera.mode().fps,
            Self::Clip(clip) => clip.info().fps,
            Self::PacedClip(paced) => paced.clip().info().fps * paced.schedule.rate,
        }
    }

    /// "Now" on the clock of this source's timestamps. `None` where that has no meaning: a clip at full
    /// speed, and a paced clip before its first frame.
    pub(crate) fn clock(&self) -> Option<CaptureClock> {
        match self {
            Self::Camera(_) => Some(CaptureClock::monotonic()),
            Self::Clip(_) => None,
            Self::PacedClip(paced) => paced.clock(),
        }
    }

    /// The clip, if this source is one.
    pub(crate) fn clip(&self) -> Option<&ClipSource> {
        match self {
            Self::Camera(_) => None,
            Self::Clip(clip) => Some(clip),
            Self::PacedClip(paced) => Some(paced.clip()),
        }
    }
}

/// A clip that gives each frame when its timestamp is due, counted from the first frame.
///
/// Late frames (the machine was busy) are given at once and the schedule is kept, as with a camera. Once the clip is more than
/// a second late, frames that no other frame refers to are skipped, as a camera drops them.
#[derive(Debug)]
pub(crate) struct PacedClip {
    clip: ClipSource,
    schedule: Schedule,
}

impl PacedClip {
    /// The clock starts with the first frame that is asked for and runs `rate` times as fast as real time.
    pub(crate) fn new(clip: ClipSource, rate: f64) -> Self {
        Self {
            clip,
            schedule: Schedule {
                clock: None,
                rate,
                last: None,
            },
        }
    }

    /// The clip that is played.
    pub(crate) fn clip(&self) -> &ClipSource {
        &self.clip
    }

    /// The clip's running clock; `None` before the first frame.
    pub(crate) fn clock(&self) -> Option<CaptureClock> {
        self.schedule.clock
    }

    /// As [`ClipSource::next_frame`], but returns no earlier than the frame is due.
    ///
    /// # Errors
    ///
    /// As [`ClipSource::next_frame`].
    pub(crate) fn next_frame(&mut self, into: &mut Frame) -> Result<bool, CaptureError> {
        self.clip
            .skip_disposable(self.schedule.is_behind(Instant::now()));
        let more = self.clip.next_frame(into)?;
        if more {
            self.schedule.last = Some(into.captured_at);
            std::thread::sleep(self.schedule.wait(Instant::now(), into.captured_at));
        }
        Ok(more)
    }
}

/// When frames are due: the first at once, the others as long after it as their timestamps are.
#[derive(Debug)]
struct Schedule {
    clock: Option<CaptureClock>,
    rate: f64,
    /// Timestamp of the previous frame.
    last: Option<CaptureTime>,
}

/// How late a clip may be before it drops frames; longer than a short stall of the machine.
const MAX_LATE: Duration = Duration::from_secs(1);

impl Schedule {
    /// Whether the last frame was due more than [`MAX_LATE`] ago.
    fn is_behind(&self, now: Instant) -> bool {
        let (Some(clock), Some(last)) = (self.clock, self.last) else {
            return false;
        };
        clock.real_time_for(clock.at(now) - last) > MAX_LATE
    }

    fn wait(&mut self, now: Instant, stamp: CaptureTime) -> Duration {
        let clock = self
            .clock
            .get_or_insert_with(|| CaptureClock::anchored(now, stamp).at_rate(self.rate));
        clock.real_time_for(stamp - clock.at(now))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_are_due_as_far_apart_as_their_stamps() {
        let start = Instant::now();
        let mut schedule = Schedule {
            clock: None,
            rate: 1.0,
            last: None,
        };
        let mut wait = |after_millis: u64, stamp_secs: f64| {
            schedule
                .wait(
                    start + Duration::from_millis(after_millis),
                    CaptureTime::from_secs(stamp_secs),
                )
                .as_secs_f64()
                .mul_add(1e3, 0.5) as u64
        };
        // A clip whose first timestamp is not zero still starts at once.
        assert_eq!(wait(0, 2.0), 0);
        assert_eq!(wait(10, 2.040), 30);
        // This frame took too long to decode: no wait, and the next frame keeps the schedule.
        assert_eq!(wait(130, 2.080), 0);
        assert_eq!(wait(135, 2.140), 5);
    }

    #[test]
    fn at_four_times_the_rate_frames_are_due_four_times_as_soon() {
        let start = Instant::now();
        let mut schedule = Schedule {
            clock: None,
            rate: 4.0,
            last: None,
        };
        assert_eq!(
            schedule.wait(start, CaptureTime::from_secs(1.0)),
            Duration::ZERO
        );
        let wait = schedule.wait(
            start + Duration::from_millis(10),
            CaptureTime::from_secs(1.2),
        );
        assert!((wait.as_secs_f64() - 0.040).abs() < 1e-6, "{wait:?}");
    }

    #[test]
    fn a_clip_is_behind_once_it_is_later_than_a_second_of_the_clock() {
        let start = Instant::now();
        let at = |secs: f64| start + Duration::from_secs_f64(secs);
        let mut schedule = Schedule {
            clock: None,
            rate: 4.0,
            last: None,
        };
        assert!(!schedule.is_behind(at(9.0)), "nothing was due yet");
        schedule.wait(start, CaptureTime::from_secs(0.0));
        // Due two seconds after the start, at four times the rate.
        schedule.last = Some(CaptureTime::from_secs(8.0));
        assert!(!schedule.is_behind(at(0.5)), "ahead");
        assert!(!schedule.is_behind(at(2.9)));
        assert!(schedule.is_behind(at(3.1)));
    }
}
