//! One type for everything that gives frames, and the pace at which a clip gives them.
//!
//! Runs on the capture thread. A camera sets its own pace. A clip gives frames as fast as they
//! decode, or, paced, each when its time stamp says, so that a recording can stand in for a camera.

use std::time::{Duration, Instant};

use super::{CameraSource, CaptureClock, CaptureError, ClipSource, Frame};
use crate::time::CaptureTime;

/// How fast a clip's frames are given.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) enum PlaybackRate {
    /// Each frame when its own time stamp says, on a clock that runs this many times as fast as life; above zero.
    Timed(f64),
    /// Each frame as soon as it is decoded.
    #[default]
    Fast,
}

impl PlaybackRate {
    /// As it was recorded.
    pub(crate) const REAL: Self = Self::Timed(1.0);
}

/// Where frames come from.
#[derive(Debug)]
pub(crate) enum FrameSource {
    /// A live camera.
    Camera(Box<CameraSource>),
    /// A clip, as fast as it decodes.
    Clip(Box<ClipSource>),
    /// A clip that keeps a pace.
    PacedClip(Box<PacedClip>),
}

impl FrameSource {
    /// A clip at the pace asked for.
    pub(crate) fn from_clip(clip: ClipSource, pace: PlaybackRate) -> Self {
        match pace {
            PlaybackRate::Fast => Self::Clip(Box::new(clip)),
            PlaybackRate::Timed(rate) => Self::PacedClip(Box::new(PacedClip::new(clip, rate))),
        }
    }

    /// The next frame, into a buffer used again; false at the end of a clip, after which every call
    /// gives false. A camera never ends.
    ///
    /// # Errors
    ///
    /// For a camera, [`CaptureError::CameraTimeout`] and [`CaptureError::BadFrame`] pass: call
    /// again. Any other error means that the source is to be dropped and, if wanted, opened again.
    pub(crate) fn next_frame(&mut self, into: &mut Frame) -> Result<bool, CaptureError> {
        match self {
            Self::Camera(camera) => camera.next_frame(into).map(|()| true),
            Self::Clip(clip) => clip.next_frame(into),
            Self::PacedClip(paced) => paced.next_frame(into),
        }
    }

    /// Frames that come in a second: as the camera promises, or as the clip's stamps and its pace show; zero where unknown.
    pub(crate) fn fps(&self) -> f64 {
        match self {
            Self::Camera(camera) => camera.info().fps,
            Self::Clip(clip) => clip.info().fps,
            Self::PacedClip(paced) => paced.clip().info().fps * paced.schedule.rate,
        }
    }

    /// "Now" on the clock of this source's stamps. None where that has no meaning: a clip at full
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

/// A clip that gives each frame when its time stamp says, counted from the first frame.
///
/// Late frames (the machine was busy) are given at once and the schedule is kept, as a camera would. Where the clip is behind
/// by more than a second, those that no other picture is made from are passed over, as a camera drops them.
#[derive(Debug)]
pub(crate) struct PacedClip {
    clip: ClipSource,
    schedule: Schedule,
}

impl PacedClip {
    /// Starts the clock, `rate` times as fast as life, when the first frame is asked for.
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

    /// The clip behind it.
    pub(crate) fn clip(&self) -> &ClipSource {
        &self.clip
    }

    /// The clip's own clock, running; none before the first frame.
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

/// When frames are due: the first at once, the others as far after it as their stamps are.
#[derive(Debug)]
struct Schedule {
    clock: Option<CaptureClock>,
    rate: f64,
    /// Stamp of the frame before.
    last: Option<CaptureTime>,
}

/// A clip that is later than this is behind: a busy moment of the machine is over by then.
const BEHIND: Duration = Duration::from_secs(1);

impl Schedule {
    /// Whether the last frame was due longer ago than the odd busy moment takes.
    fn is_behind(&self, now: Instant) -> bool {
        let (Some(clock), Some(last)) = (self.clock, self.last) else {
            return false;
        };
        clock.real_time_for(clock.at(now) - last) > BEHIND
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
        // A clip whose first stamp is not zero starts at once all the same.
        assert_eq!(wait(0, 2.0), 0);
        assert_eq!(wait(10, 2.040), 30);
        // This frame took too long to decode: no wait, and the next keeps the schedule.
        assert_eq!(wait(130, 2.080), 0);
        assert_eq!(wait(135, 2.140), 5);
    }

    #[test]
    fn at_four_times_the_pace_frames_are_due_four_times_as_soon() {
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
        // Due two seconds after the start, at four times the pace.
        schedule.last = Some(CaptureTime::from_secs(8.0));
        assert!(!schedule.is_behind(at(0.5)), "ahead");
        assert!(!schedule.is_behind(at(2.9)));
        assert!(schedule.is_behind(at(3.1)));
    }
}
