//! The pose track of a run: frames wait until the rep that they may belong to is found, for a turn is told by how hitter and
//! camera stand, which a rep shows.

use std::collections::VecDeque;

use crate::pose::PoseFrame;
use crate::pose::track::{TrackError, TrackWriter};
use crate::rep::{Bats, FoundRep, TurnReference};

/// Frames wait this long: a rep is found within that of its gather.
const WAIT_SECS: f64 = 10.0;

/// Writes a track, some seconds late.
pub(super) struct TrackRecorder {
    writer: TrackWriter,
    waiting: VecDeque<PoseFrame>,
    /// The side that the operator named.
    bats: Option<Bats>,
    /// Of the last rep.
    reference: Option<TurnReference>,
}

impl TrackRecorder {
    /// Records into this track.
    pub(super) fn new(writer: TrackWriter, bats: Option<Bats>) -> Self {
        Self {
            writer,
            waiting: VecDeque::new(),
            bats,
            reference: None,
        }
    }

    /// Adds a frame.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub(super) fn frame(&mut self, frame: &PoseFrame) -> Result<(), TrackError> {
        let now = frame.captured_at;
        self.waiting.push_back(frame.clone());
        let over = |frame: &PoseFrame| now.secs_since(frame.captured_at) > WAIT_SECS;
        while self.waiting.front().is_some_and(over) {
            self.write_first()?;
        }
        Ok(())
    }

    /// Tells the turns of a rep's frames, and of all after it, by the rep.
    pub(super) fn found(&mut self, found: &FoundRep) {
        if self.waiting.iter().all(|frame| frame.turn.is_none()) {
            return;
        }
        let (reference, turns) = found.rep.turns_from_plate(&found.frames);
        for (of_rep, turn) in found.frames.iter().zip(turns) {
            let at = self
                .waiting
                .binary_search_by_key(&of_rep.index, |frame| frame.index);
            if let (Ok(at), Some(turn)) = (at, turn) {
                self.waiting[at].turn = Some(turn);
            }
        }
        self.reference = reference.or(self.reference);
    }

    /// Writes what waits, and closes the file.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub(super) fn finish(mut self) -> Result<(), TrackError> {
        while !self.waiting.is_empty() {
            self.write_first()?;
        }
        self.writer.finish()
    }

    fn write_first(&mut self) -> Result<(), TrackError> {
        let Some(mut frame) = self.waiting.pop_front() else {
            return Ok(());
        };
        let reference = self
            .reference
            .or_else(|| TurnReference::guessed(&frame, self.bats));
        frame.turn = frame
            .turn
            .and_then(|turn| Some(reference?.open_turn(turn, 0.0)));
        self.writer.frame(&frame)
    }
}
