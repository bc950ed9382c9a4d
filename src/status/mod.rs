//! The status of the run, as others read it: health figures, what goes on now, the camera's preview.
//!
//! In: figures and states, written by the daemon's threads. Out: the same, read by the page. Nothing here knows who writes
//! or who reads, and nothing waits for a reader.

mod figures;
mod health;
mod live;
mod model;
mod preview;

pub(crate) use figures::{
    CameraState, HealthFigures, JournalState, MicrophoneState, SoundState, StageFigures,
};
pub(crate) use health::{DurationWindow, Health, RunCounts};
pub(crate) use live::{Ask, Live, LiveFigure, LiveRep, LiveState, ShownHitter};
pub(crate) use model::{ModelReason, RateAndModel, Timed};
pub(crate) use preview::{Preview, PreviewPicture};
