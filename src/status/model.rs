//! Which pose model is in use, and why.

use std::fmt;

use crate::pose::Model;

/// Why a pose model is in use. Times are what a frame takes and what it may take at the camera's rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum ModelReason {
    /// The settings name it.
    Configured(Model),
    /// The full model keeps up.
    FullKeepsUp {
        /// Time of the full model.
        full_ms: f64,
        /// Time that is free.
        free_ms: f64,
        /// The camera's frames a second.
        fps: f64,
    },
    /// The full model is too slow, so the lite one is in use; it may be too slow as well.
    FullTooSlow {
        /// Time of the lite model.
        lite_ms: f64,
        /// Time of the full model.
        full_ms: f64,
        /// Time that is free.
        free_ms: f64,
        /// The camera's frames a second.
        fps: f64,
    },
    /// The full model dropped frames in the run, so the lite one took over.
    FullDroppedFrames,
}

impl fmt::Display for ModelReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Configured(model) => write!(f, "{} model, as set.", model.name()),
            Self::FullKeepsUp {
                full_ms,
                free_ms,
                fps,
            } => write!(
                f,
                "full model: it takes {full_ms:.1} ms a frame here, {free_ms:.1} ms are free at {fps:.0} frames a second."
            ),
            Self::FullTooSlow {
                lite_ms,
                full_ms,
                free_ms,
                fps,
            } => {
                write!(
                    f,
                    "lite model: it takes {lite_ms:.1} ms a frame here, the full one {full_ms:.1}, {free_ms:.1} ms are free at {fps:.0} frames a second."
                )?;
                match lite_ms <= free_ms {
                    true => Ok(()),
                    false => f.write_str(" Neither has time to spare: frames may be dropped."),
                }
            }
            Self::FullDroppedFrames => {
                f.write_str("lite model: the full one did not keep up with the camera")
            }
        }
    }
}
