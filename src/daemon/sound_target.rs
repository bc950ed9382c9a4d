//! Where cues are heard.

use std::path::PathBuf;
use std::sync::Arc;

use crate::capture::PlaybackRate;
use crate::settings::Settings;
use crate::sound::{CueLibrary, SoundError, WavRender};

use super::Ears;

/// Where cues are heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum SoundTarget {
    /// Nowhere.
    Silent,
    /// At the default output device.
    Device,
    /// In a WAV file.
    File(PathBuf),
}

impl SoundTarget {
    /// Opens it. A recording that is read as fast as possible renders its file on the recording's time line.
    ///
    /// # Errors
    /// Where a recording of the library, the file or a thread cannot be had.
    pub(super) fn open(&self, settings: &Settings, rate: PlaybackRate) -> Result<Ears, SoundError> {
        let library = || cue_library(settings).map(Arc::new);
        let volume = settings.cues.volume;
        Ok(match (self, rate) {
            (Self::Silent, _) => Ears::None,
            (Self::Device, _) => Ears::device(library()?, volume)?,
            (Self::File(path), PlaybackRate::Timed(_)) => Ears::wav_file(path, library()?, volume)?,
            (Self::File(path), PlaybackRate::Fast) => {
                Ears::render(WavRender::create(path, library()?)?.with_volume(volume))
            }
        })
    }
}

/// The sounds in the language of the settings, with the coach's own recordings where there are some.
///
/// # Errors
/// Where a recording cannot be used.
pub(crate) fn cue_library(settings: &Settings) -> Result<CueLibrary, SoundError> {
    CueLibrary::load_in(settings.cues.language, settings.cues.phrases.as_deref())
}
