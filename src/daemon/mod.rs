//! Threads, channels and shutdown: the only room that knows all the others.
//!
//! ```text
//! thread capture ──lane──▶ thread pose ──queue──▶ main thread: reps, coach ──▶ thread sound
//!                                                                        └──▶ thread journal
//! ```
//!
//! Where films are kept, the pose thread also hands its frames to the thread `video`, and the main thread says which to keep.
//! Where screens may show the camera's picture and one is asked for, a copy of a frame goes to the thread `picture`.
//!
//! Beside them the thread `settings` looks after the settings file and hands what changed to the main thread.
//!
//! The order of a shutdown: the capture thread stops and closes the lane; the pose thread empties it and ends; the
//! main thread judges what is still open and closes the journal, then the sound.

mod ears;
mod health;
mod heart;
mod lane;
mod line;
mod live;
mod picture;
mod pitcher;
mod posing;
mod rep_stage;
mod rep_text;
mod revise;
mod stop;

pub use ears::Ears;
pub(crate) use health::{Health, Times};
pub(crate) use heart::{tell_alive, tell_ready};
pub(crate) use lane::{LaneIn, Which};
pub use line::Posed;
pub(crate) use line::{Posing, run_line};
pub(crate) use picture::{PictureTap, Pictures, picture_notice};
pub(crate) use pitcher::Pitcher;
pub(crate) use posing::{NextTrackers, Trackers};
pub use rep_stage::{Outlets, RepStage, Training};
pub(crate) use rep_stage::{SessionChange, Tally, film_notice};
pub(crate) use revise::{Revision, Revisions, SettingsFollower, follow_settings};
pub(crate) use stop::{Stop, raise_on_hangup_signal, raise_on_user_signal};

use crate::capture::CaptureError;
use crate::journal::{JournalError, RepLogError};
use crate::pitch::PitchError;
use crate::pose::InferenceError;
use crate::pose::track::TrackError;
use crate::sound::SoundError;

/// Why a run ended before its time.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each variant carries another room's error")]
pub enum DaemonError {
    #[error(transparent)]
    Capture(#[from] CaptureError),
    #[error(transparent)]
    Pose(#[from] InferenceError),
    #[error(transparent)]
    Track(#[from] TrackError),
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    RepLog(#[from] RepLogError),
    #[error(transparent)]
    Pitch(#[from] PitchError),
    /// A thread could not be started.
    #[error("the system gives no more threads: {0}")]
    Thread(#[from] std::io::Error),
    /// A thread ended by a fault in this program.
    #[error("the {0} thread failed; this is a fault in cagehand, the log above says where")]
    Died(&'static str),
}
