//! The `ffmpeg` and `ffprobe` programs: where they are, how a path is passed to them, and errors of starting them.

use std::ffi::OsString;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::capture::CaptureError;

/// The programs to run: names to be found on the search path, or paths.
#[derive(Clone, Debug)]
pub(in super::super) struct Programs {
    pub ffmpeg: PathBuf,
    pub ffprobe: PathBuf,
}

impl Default for Programs {
    fn default() -> Self {
        Self {
            ffmpeg: "ffmpeg".into(),
            ffprobe: "ffprobe".into(),
        }
    }
}

/// A path as an argument, written so that no name is taken for a URL or an option.
pub(super) fn file_argument(path: &Path) -> OsString {
    let mut argument = OsString::from("file:");
    argument.push(path);
    argument
}

/// The error for a program that could not be started. `codec` is for the message; `None` where nothing is
/// known of the file.
pub(super) fn not_started(path: &Path, codec: Option<&str>, error: std::io::Error) -> CaptureError {
    match (error.kind(), codec) {
        (ErrorKind::NotFound, Some(codec)) => CaptureError::NeedsFfmpeg {
            path: path.into(),
            codec: codec.into(),
        },
        (ErrorKind::NotFound, None) => CaptureError::NotVideo {
            path: path.into(),
            what: "its kind is not known here; with ffmpeg installed more kinds can be read".into(),
        },
        _ => failed(path, format!("it could not be started ({error})")),
    }
}

/// The error for a program that ran and failed.
pub(super) fn failed(path: &Path, reason: String) -> CaptureError {
    CaptureError::FfmpegFailed {
        path: path.into(),
        reason,
    }
}
