//! The sounds that the settings name.

use crate::settings::Settings;
use crate::sound::{CueLibrary, SoundError};

/// The sounds in the language of the settings, with the coach's own recordings where there are some.
///
/// # Errors
/// Where a recording cannot be used.
pub(crate) fn cue_library(settings: &Settings) -> Result<CueLibrary, SoundError> {
    CueLibrary::load_in(settings.cues.language, settings.cues.phrases.as_deref())
}
