//! Films of reps: off by default, limited in size and age.
//!
//! ```text
//! thread pose ──frames──▶ thread video: JPEG, the last seconds ──films──▶ thread video-files: disk, limits
//! main thread ──cuts────▶
//! ```
//!
//! In flow frames from the pose thread and, for each rep that is logged, the stretch of time to be kept. Out flows one Motion-JPEG AVI
//! file a rep, with the true time of each frame, beside the journal; [`Film`] reads one. While films are off, a frame costs one atomic load
//! and nothing is written. While they are on, frames and films are dropped and counted rather than waited for: nothing here may
//! hold up a pose, a cue or a rep. The room knows journal sessions by their numbers only.
//! Its [`JpegEncoder`] also makes the pictures for screens.

mod avi;
mod cutting;
mod error;
mod film;
mod films;
mod jpeg;
mod store;
mod writing;

pub(crate) use error::FilmError;
pub use film::Film;
pub(crate) use film::FilmId;
pub(crate) use films::{FilmGate, FilmState, Films, FrameTap};
pub use jpeg::{JpegEncoder, SizeLimit};
pub(crate) use store::DeletedFilms;
pub use store::{FilmStore, StoredFilm};

/// Whether films are kept, and how much.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VideoSettings {
    /// Whether a film of each rep is kept.
    pub(crate) keep: bool,
    /// Older films are deleted, days.
    pub(crate) keep_days: u32,
    /// The oldest films beyond this are deleted, bytes.
    pub(crate) keep_bytes: u64,
}

impl VideoSettings {
    /// The limits in words, such as "7 days, 5 GB at most".
    pub(crate) fn limits_in_words(&self) -> String {
        let days = match self.keep_days {
            1 => "1 day".to_owned(),
            days => format!("{days} days"),
        };
        format!("{days}, {} GB at most", self.keep_bytes as f64 / 1e9)
    }
}

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) use tests::keep_film;
