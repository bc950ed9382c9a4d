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
            Self::PacedClip(paced) => {
                paced.clip().info().fps * paced.schedule.rate / paced.thinning.every as f64
            }
        }
    }

    /// The rates that it can give, frames a second, the fastest first: those that a camera lists for the size of its pictures;
    /// for a paced clip its own, and what is left of it where every second, fourth, ... frame is given.
    pub(crate) fn rates(&self) -> Vec<f64> {
        let own = self.fps();
        match self {
            Self::Camera(camera) => camera.rates(),
            Self::Clip(_) => vec![own],
            Self::PacedClip(paced) => thinned_rates(own * paced.thinning.every as f64),
        }
    }

    /// Gives frames at one of [`Self::rates`] from the next one on. False where that needs another source: a camera changes
    /// its rate only when it is opened.
    pub(crate) fn set_rate(&mut self, fps: f64) -> bool {
        let own = self.fps();
        match self {
            Self::Camera(_) | Self::Clip(_) => false,
            Self::PacedClip(paced) => {
                let own = own * paced.thinning.every as f64;
                paced.thinning.set_every((own / fps).round() as u64);
                true
            }
        }
    }

    /// Gives every frame of a paced clip from now on, however late it is: to see the same of it on any machine.
    pub(crate) fn drop_none(&mut self) {
        if let Self::PacedClip(paced) = self {
            paced.schedule.most_late = Duration::MAX;
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
    thinning: Thinning,
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
                most_late: MAX_LATE,
            },
            thinning: Thinning::default(),
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
        loop {
            self.clip
                .skip_disposable(self.schedule.is_behind(Instant::now()));
            if !self.clip.next_frame(into)? {
                return Ok(false);
            }
            self.schedule.last = Some(into.captured_at);
            if let Some(index) = self.thinning.index_of(into.index) {
                into.index = index;
                std::thread::sleep(self.schedule.wait(Instant::now(), into.captured_at));
                return Ok(true);
            }
        }
    }
}

/// A clip is not thinned to less: what it shows is known to fit an ordinary camera.
const LEAST_THINNED_FPS: f64 = 48.0;

/// The rates that a clip of `fps` frames a second can stand in for: its own, and a half and a quarter of a fast one's.
pub(crate) fn thinned_rates(fps: f64) -> Vec<f64> {
    let thinned = [2.0, 4.0].map(|every| fps / every).into_iter();
    std::iter::once(fps)
        .chain(thinned.filter(|fps| *fps >= LEAST_THINNED_FPS))
        .collect()
}

/// Gives every so-manyth frame of a clip, numbered as if the others had never been.
#[derive(Debug)]
struct Thinning {
    every: u64,
    /// A frame of the clip and its number, from which the others are counted; none after a change.
    from: Option<(u64, u64)>,
    /// The number of the next frame.
    next: u64,
}

impl Default for Thinning {
    fn default() -> Self {
        Self {
            every: 1,
            from: None,
            next: 0,
        }
    }
}

impl Thinning {
    fn set_every(&mut self, every: u64) {
        (self.every, self.from) = (every.max(1), None);
    }

    /// The number of the clip's frame `index`; `None` where it is left out. A number that is skipped is a frame that was lost.
    fn index_of(&mut self, index: u64) -> Option<u64> {
        let (first, number) = *self.from.get_or_insert((index, self.next));
        let since = index.saturating_sub(first);
        if !since.is_multiple_of(self.every) {
            return None;
        }
        let number = number + since / self.every;
        self.next = number + 1;
        Some(number)
    }
}

/// When frames are due: the first at once, the others as long after it as their timestamps are.
#[derive(Debug)]
struct Schedule {
    clock: Option<CaptureClock>,
    rate: f64,
    /// Timestamp of the previous frame.
    last: Option<CaptureTime>,
    /// How late it may be before it drops frames.
    most_late: Duration,
}

/// How late a clip may be before it drops frames; longer than a short stall of the machine.
const MAX_LATE: Duration = Duration::from_secs(1);

impl Schedule {
    /// Whether the last frame was due so long ago that frames are dropped.
    fn is_behind(&self, now: Instant) -> bool {
        let (Some(clock), Some(last)) = (self.clock, self.last) else {
            return false;
        };
        clock.real_time_for(clock.at(now) - last) > self.most_late
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
    fn a_thinned_clips_frames_are_numbered_as_if_it_had_no_others_and_lost_ones_show() {
        let mut thinning = Thinning::default();
        let mut given = |indices: &[u64]| -> Vec<u64> {
            let given = |index: &u64| thinning.index_of(*index);
            indices.iter().filter_map(given).collect()
        };
        assert_eq!(given(&[0, 1, 2]), [0, 1, 2]);
        thinning.set_every(2);
        let mut given = |indices: &[u64]| -> Vec<u64> {
            let given = |index: &u64| thinning.index_of(*index);
            indices.iter().filter_map(given).collect()
        };
        // Frames 7 to 10 of the clip were lost, and with them two that were to be given.
        assert_eq!(given(&[3, 4, 5, 6, 11, 12]), [3, 4, 7]);
        assert_eq!(given(&[13]), [8]);
    }

    #[test]
    fn a_fast_clip_can_stand_in_for_a_slower_camera() {
        assert_eq!(thinned_rates(240.0), [240.0, 120.0, 60.0]);
        assert_eq!(thinned_rates(100.0), [100.0, 50.0]);
        for fps in [0.0, 30.0, 60.0] {
            assert_eq!(thinned_rates(fps), [fps]);
        }
    }

    #[test]
    fn frames_are_due_as_far_apart_as_their_stamps() {
        let start = Instant::now();
        let mut schedule = Schedule {
            clock: None,
            rate: 1.0,
            last: None,
            most_late: MAX_LATE,
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
            most_late: MAX_LATE,
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
            most_late: MAX_LATE,
        };
        assert!(!schedule.is_behind(at(9.0)), "nothing was due yet");
        schedule.wait(start, CaptureTime::from_secs(0.0));
        // Due two seconds after the start, at four times the rate.
        schedule.last = Some(CaptureTime::from_secs(8.0));
        assert!(!schedule.is_behind(at(0.5)), "ahead");
        assert!(!schedule.is_behind(at(2.9)));
        assert!(schedule.is_behind(at(3.1)));
        schedule.most_late = Duration::MAX;
        assert!(!schedule.is_behind(at(3600.0)), "none are dropped");
    }
}
