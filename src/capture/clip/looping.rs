//! A clip that is played several times in a row, as one long recording.
//!
//! In: how often. Out: the same frames again, with numbers and timestamps that continue where the last run ended: the first
//! frame of a run comes one frame after the last of the run before. The built-in reader goes back to the start of the file
//! and keeps its memory; ffmpeg is started again. Nothing is kept of the run before but what was wrong with it.

use std::num::NonZeroU32;

use super::{ClipSource, Reader};
use crate::capture::{CaptureError, Frame};
use crate::time::CaptureTime;

/// Frames per second where the timestamps do not say.
const UNKNOWN_FPS: f64 = 30.0;

/// The runs still to come, and what this one adds to numbers and timestamps.
#[derive(Debug, Default)]
pub(super) struct LoopState {
    runs_left: u32,
    offset: CaptureTime,
    frames_before: u64,
    /// Number and timestamp of the last frame, offsets included.
    last: Option<(u64, CaptureTime)>,
    /// The timestamp for the next frame, where it is the first of another run.
    resume_at: Option<CaptureTime>,
}

impl LoopState {
    /// Adds the offsets to the next frame.
    pub(super) fn apply(&mut self, frame: &mut Frame) {
        if let Some(resume_at) = self.resume_at.take() {
            self.offset = resume_at - frame.captured_at;
        }
        frame.captured_at = frame.captured_at + self.offset;
        frame.index += self.frames_before;
        self.last = Some((frame.index, frame.captured_at));
    }
}

impl ClipSource {
    /// Plays the clip this many times in a row; numbers and timestamps continue from one run to the next.
    #[must_use]
    pub(crate) fn looped(mut self, times: NonZeroU32) -> Self {
        self.looping.runs_left = times.get() - 1;
        self
    }

    /// Goes back to the start if another run is to come; false at the end of the last one.
    ///
    /// # Errors
    /// As [`ClipSource::open`].
    pub(super) fn rewind(&mut self) -> Result<bool, CaptureError> {
        let Some((last_index, last_at)) = self.looping.last.filter(|_| self.looping.runs_left > 0)
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
            // Where it took over half-way, the next run starts with the built-in reader again.
            Reader::Ffmpeg(_) => {
                self.lost_before = lost;
                let fresh = Self::open_with(&self.path, self.programs.clone())?;
                (self.reader, self.first) = (fresh.reader, fresh.first);
            }
        }
        self.last_at = None;
        self.looping.runs_left -= 1;
        self.looping.frames_before = last_index + 1;
        self.looping.resume_at = Some(last_at.plus_secs(1.0 / fps));
        Ok(true)
    }
}
