//! What can be wrong with a film.

use std::io;
use std::path::PathBuf;

/// Why a film cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum FilmError {
    /// The file cannot be read or written.
    #[error("{path}: {source}")]
    Disk {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file is no film of a rep, or a damaged one.
    #[error("{path} is no film of a rep: {why}")]
    NotFilm {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: &'static str,
    },
    /// There is no frame with this number.
    #[error("{path} has {frames} frames; there is no frame {asked} (they count from 0)")]
    NoFrame {
        /// The file.
        path: PathBuf,
        /// How many there are.
        frames: usize,
        /// The number.
        asked: usize,
    },
    /// Too little free space: a film would take what the journal needs.
    #[error("{path}: only {free} bytes are free, which are left to the journal")]
    NoRoom {
        /// The folder.
        path: PathBuf,
        /// What is free, bytes.
        free: u64,
    },
}
