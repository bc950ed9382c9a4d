//! A clip that is run several times in a row, as one long recording.
//!
//! In: how often. Out: the same frames again, with numbers and stamps that go on where the last run ended: the first frame
//! of a run is dated one frame after the last of the run before. The built-in reader goes back to the file's beginning and keeps
//! its memory; ffmpeg is started afresh. Nothing of the run before is kept but what was wrong with it.

use std::num::NonZeroU32;

use super::{ClipSource, Reader};
use crate::capture::{CaptureError, Frame};
use crate::time::CaptureTime;

/// Frames a second where the stamps do not tell.
const UNKNOWN_FPS: f64 = 30.0;

/// Runs still to come, and what is added to numbers and stamps in this one.
#[derive(Debug, Default)]
pub(super) struct Again {
    runs_left: u32,
    later: CaptureTime,
    frames_before: u64,
    /// Number and stamp of the last frame, as they were given.
    last: Option<(u64, CaptureTime)>,
    /// Where the next frame is the first of another run: the stamp that it is to carry.
    resume_at: Option<CaptureTime>,
}

impl Again {
    /// Dates and numbers the next frame.
    pub(super) fn go_on(&mut self, frame: &mut Frame) {
        if let Some(resume_at) = self.resume_at.take() {
            self.later = resume_at - frame.captured_at;
        }
        frame.captured_at = frame.captured_at + self.later;
        frame.index += self.frames_before;
        self.last = Some((frame.index, frame.captured_at));
    }
}

impl ClipSource {
    /// Runs the clip this many times in a row; numbers and stamps go on from one run to the next.
    #[must_use]
    pub fn looped(mut self, times: NonZeroU32) -> Self {
        self.again.runs_left = times.get() - 1;
        self
    }

    /// Goes back to the beginning if another run is to come; false at the end of the last one.
    ///
    /// # Errors
    /// As [`ClipSource::open`].
    pub(super) fn begin_again(&mut self) -> Result<bool, CaptureError> {
        let Some((last_index, last_at)) = self.again.last.filter(|_| self.again.runs_left > 0)
        else {
            return Ok(false);
        };
        let fps = if self.info.fps > 0.0 {
            self.info.fps
        } else {
            UNKNOWN_FPS
        };
        self.problem = self.problem().map(str::to_owned);
        let lost = self.lost();
        match &mut self.reader {
            Reader::BuiltIn(reader) => reader.rewind(),
            // One that took over half-way gives way to the built-in reader again.
            Reader::Ffmpeg(_) => {
                self.lost_before = lost;
                let fresh = Self::open_with(&self.path, self.programs.clone())?;
                (self.reader, self.first) = (fresh.reader, fresh.first);
            }
        }
        self.last_given = None;
        self.again.runs_left -= 1;
        self.again.frames_before = last_index + 1;
        self.again.resume_at = Some(last_at.plus_secs(1.0 / fps));
        Ok(true)
    }
}
