//! Why a run could not begin, or ended before its time.

use std::path::PathBuf;

use crate::capture::{CaptureError, NotSlowed};
use crate::coach::PlanError;
use crate::hearing::HearingError;
use crate::journal::{JournalError, RepLogError};
use crate::paths::NoHomeFolder;
use crate::pitch::PitchError;
use crate::pose::InferenceError;
use crate::pose::track::TrackError;
use crate::sound::SoundError;

/// Why a run could not begin, or ended before its time.
#[derive(Debug, thiserror::Error)]
#[allow(
    missing_docs,
    reason = "each such variant carries another room's error"
)]
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
    Hearing(#[from] HearingError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    RepLog(#[from] RepLogError),
    #[error(transparent)]
    Pitch(#[from] PitchError),
    #[error(transparent)]
    Plan(#[from] PlanError),
    #[error(transparent)]
    NoHomeFolder(#[from] NoHomeFolder),
    /// The camera that the settings name does not exist.
    #[error(transparent)]
    NoSuchCamera(CaptureError),
    /// The pages cannot be served, and nothing else was asked for.
    #[error("{0}")]
    NoPage(String),
    /// The facility's store cannot be used.
    #[error("{0}")]
    NoStore(String),
    /// Neither a camera nor a recording to stand in for it.
    #[error("there is neither a camera nor the bundled recording; name one with --stand-in")]
    NothingToWatch,
    /// A plan was named that is neither a template nor a file.
    #[error("{name:?} is neither a file nor one of the plans to start from: {known}")]
    UnknownPlan { name: String, known: String },
    /// A plan's file cannot be read.
    #[error("{path}: cannot be read: {source}")]
    PlanFile {
        path: String,
        source: std::io::Error,
    },
    /// A recording that cannot have been slowed down as was said, or as it says.
    #[error("{}: {why}", path.display())]
    NotSlowed { path: PathBuf, why: NotSlowed },
    /// A recording was damaged, and read as far as it goes.
    #[error("{}: {reason}", path.display())]
    DamagedRecording { path: PathBuf, reason: String },
    /// A recording in which nobody is ever found.
    #[error("{}: no hitter was found in any of its {frames} frames; the whole body must be in the picture, lit, and large enough", path.display())]
    NobodyFound { path: PathBuf, frames: u64 },
    /// A clip whose frames cannot be encoded.
    #[error("{}: a picture cannot be packed", .0.display())]
    UnfitClip(PathBuf),
    /// A thread could not be started.
    #[error("the system gives no more threads: {0}")]
    Thread(#[from] std::io::Error),
    /// A thread ended by a fault in this program.
    #[error("the {0} thread failed; this is a fault in cagehand, the log above says where")]
    Died(&'static str),
}

impl DaemonError {
    /// Whether what was asked for cannot be done, in contrast to a failure while doing it.
    pub(crate) fn is_bad_request(&self) -> bool {
        matches!(
            self,
            Self::Plan(_)
                | Self::NoHomeFolder(_)
                | Self::NoSuchCamera(_)
                | Self::UnknownPlan { .. }
                | Self::PlanFile { .. }
                | Self::UnfitClip(_)
                | Self::NotSlowed { .. }
                | Self::Hearing(HearingError::Wav { .. })
        )
    }
}
