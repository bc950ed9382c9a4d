//! The sounds that the settings name, and those that coaches made at the page.

use std::path::Path;

use crate::settings::Settings;
use crate::sound::{CueLibrary, CueSources, SoundError};

/// Where the sounds come from under these settings, with what was made at the page beside this journal.
pub(super) fn cue_sources(settings: &Settings, journal: Option<&Path>) -> CueSources {
    let cues = &settings.cues;
    CueSources::new(cues.language, cues.phrases.as_deref(), journal)
}

/// The sounds in the language of the settings, with the coach's own recordings where there are some.
///
/// # Errors
/// Where a recording of the settings' folder cannot be used.
pub(crate) fn cue_library(
    settings: &Settings,
    journal: Option<&Path>,
) -> Result<CueLibrary, SoundError> {
    cue_sources(settings, journal).load()
}
