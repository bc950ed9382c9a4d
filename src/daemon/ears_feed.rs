//! From the microphone, or a WAV file in its place, to the ears of the rep finder.
//!
//! In: pieces of what was heard, and what our own speaker played. Out: sharp sounds on the camera's clock.

use std::collections::VecDeque;
use std::sync::{Arc, OnceLock};

use crate::capture::CaptureClock;
use crate::hearing::{Listener, MicrophoneState, Onset, Piece};
use crate::rep::{Ears, Listened, SharpSound};
use crate::sound::{Played, Sound, SoundRequest};
use crate::time::CaptureTime;

/// How long the sound of one mark of a delivery lasts, seconds.
const MARK_SECS: f64 = 0.2;

/// Where the ears get what they hear from.
pub(super) enum EarsFeed {
    /// A microphone, on the machine's clock.
    Microphone {
        listener: Arc<Listener>,
        clock: Arc<OnceLock<CaptureClock>>,
    },
    /// A file, on the recording's time line.
    File(VecDeque<Piece<CaptureTime>>),
}

impl EarsFeed {
    /// A file's pieces, in seconds of the recording.
    pub(super) fn file(pieces: Vec<Piece<f64>>) -> Self {
        Self::File(
            pieces
                .into_iter()
                .map(|piece| dated(piece, CaptureTime::from_secs))
                .collect(),
        )
    }

    /// Whether a microphone listens to the cage, or would.
    pub(super) fn listens(&self) -> bool {
        matches!(self, Self::Microphone { .. })
    }

    /// What the microphone does.
    pub(super) fn state(&self) -> MicrophoneState {
        match self {
            Self::Microphone { listener, .. } => listener.state(),
            Self::File(_) => MicrophoneState::Off,
        }
    }

    /// Gives the ears what was heard by `now`.
    pub(super) fn feed(&mut self, ears: &mut Ears, now: CaptureTime) {
        match self {
            Self::Microphone { listener, clock } => {
                let Some(clock) = clock.get() else { return };
                for piece in listener.pieces() {
                    give(ears, dated(piece, |instant| clock.at(instant)));
                }
            }
            Self::File(pieces) => {
                while pieces.front().is_some_and(|piece| piece.to <= now) {
                    if let Some(piece) = pieces.pop_front() {
                        give(ears, piece);
                    }
                }
            }
        }
    }
}

fn dated<T: Copy>(piece: Piece<T>, at: impl Fn(T) -> CaptureTime) -> Piece<CaptureTime> {
    Piece {
        from: at(piece.from),
        to: at(piece.to),
        room_db: piece.room_db,
        onsets: piece
            .onsets
            .into_iter()
            .map(|(when, onset)| (at(when), onset))
            .collect(),
    }
}

fn give(ears: &mut Ears, piece: Piece<CaptureTime>) {
    for (at, onset) in piece.onsets {
        let Onset {
            above_db,
            level_db,
            rise_secs,
            bright,
            ..
        } = onset;
        tracing::trace!(at = at.secs(), level_db, above_db, "sharp sound");
        ears.push_sound(SharpSound {
            at,
            above_db,
            level_db,
            rise_secs,
            bright,
        });
    }
    ears.push_listened(Listened {
        from: piece.from,
        to: piece.to,
        room_db: piece.room_db,
    });
}

/// Tells the ears what our own speaker plays from `heard_at` on.
pub(super) fn tell_own(
    ears: &mut Ears,
    request: &SoundRequest,
    played: &Played,
    heard_at: CaptureTime,
) {
    match &request.sound {
        Sound::Delivery(marks) => {
            for mark in marks {
                let from = heard_at.plus_secs(mark.at_secs);
                ears.push_own(from, from.plus_secs(MARK_SECS));
            }
        }
        Sound::Cue(_) | Sound::Instruction(_) | Sound::Sentence(_) | Sound::Answer(_) => {
            let lasts = played.lasts.as_secs_f64();
            ears.push_own(heard_at, heard_at.plus_secs(lasts));
        }
    }
}
