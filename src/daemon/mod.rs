//! Threads, channels and shutdown: the only room that knows all the others.
//!
//! ```text
//! thread capture ─frames─▶ thread pose ──queue──▶ main thread: reps, coach ──▶ thread sound
//!                                                                        └──▶ thread journal
//! ```
//!
//! Where films are kept, the pose thread also hands its frames to the thread `video`, and the main thread says which to keep.
//! Where screens may show the camera's picture and one is asked for, a copy of a frame goes to the thread `picture`.
//!
//! Beside them the thread `settings` looks after the settings file and hands what changed to the main thread.
//!
//! The order of a shutdown: the capture thread stops and closes the frame channel; the pose thread empties it and ends; the
//! main thread judges what is still open and closes the journal, then the sound.

mod ears;
mod frame_channel;
mod live_publisher;
mod pipeline;
mod pitcher;
mod pose_stage;
mod preview_encoder;
mod rep_stage;
mod rep_text;
mod revise;
mod stop;
mod watchdog;

pub use ears::Ears;
pub(crate) use frame_channel::{Delivery, FrameSender};
pub use pipeline::PoseSample;
pub(crate) use pipeline::{PoseSetup, run_pipeline};
pub(crate) use pitcher::Pitcher;
pub(crate) use pose_stage::{PendingTrackers, TrackerSet};
pub(crate) use preview_encoder::{PreviewTap, picture_notice};
pub use rep_stage::{Outlets, RepStage, Training};
pub(crate) use rep_stage::{SessionChange, film_notice};
pub(crate) use revise::{Revision, Revisions, SettingsFollower, follow_settings};
pub(crate) use stop::{Stop, raise_on_hangup_signal, raise_on_user_signal};
pub(crate) use watchdog::{notify_alive, notify_ready};

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
