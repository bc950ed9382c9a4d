//! Where the sounds of a run come from: those that ship, a folder of the settings over them, and over both what coaches recorded or
//! typed at the page.
//!
//! In: the language, the folder, the journal. Out: the library, the words that are shown, and one cue as it would be heard. Whatever
//! is wrong with what was made at the page is logged and passed over: no run fails for it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::SoundError;
use super::library::{CueLibrary, Language, Phrase, phrase_words, read_folder};
use super::own_cues::{OwnCue, OwnCues, cue_of_phrase, wav_of};

/// What goes over what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct CueSources {
    language: Language,
    folder: Option<PathBuf>,
    own: Option<OwnCues>,
}

impl CueSources {
    /// The sources in this language; without a journal there is nothing that was made at the page.
    pub(crate) fn new(language: Language, folder: Option<&Path>, journal: Option<&Path>) -> Self {
        Self {
            language,
            folder: folder.map(Path::to_owned),
            own: journal.map(|journal| OwnCues::of_journal(journal, language)),
        }
    }

    /// The language that is heard.
    pub(crate) fn language(&self) -> Language {
        self.language
    }

    /// What was made at the page.
    pub(crate) fn own(&self) -> Option<&OwnCues> {
        self.own.as_ref()
    }

    /// Whether a phrase is a cue's: those can be changed at the page.
    pub(crate) fn has_cue(&self, phrase: &str) -> bool {
        cue_of_phrase(phrase).is_some() && phrase_words(self.language).contains_key(phrase)
    }

    /// Loads every sound.
    ///
    /// # Errors
    /// Where the settings' folder is wrong.
    pub(crate) fn load(&self) -> Result<CueLibrary, SoundError> {
        self.load_some(|_| true)
    }

    /// One phrase as it would be heard, the tone first, as a WAV file; `None` where there is no such phrase.
    ///
    /// # Errors
    /// Where the settings' folder is wrong.
    pub(crate) fn heard(&self, id: &str) -> Result<Option<Vec<u8>>, SoundError> {
        let library = self.load_some(|other| other == id)?;
        library
            .phrase(id)
            .map(|samples| wav_of(&samples))
            .transpose()
    }

    fn load_some(&self, wanted: impl Fn(&str) -> bool) -> Result<CueLibrary, SoundError> {
        let mut library = CueLibrary::load_some(self.language, self.folder.as_deref(), &wanted)?;
        let Some(own) = &self.own else {
            return Ok(library);
        };
        for cue in self.own_cues().into_iter().filter(|cue| wanted(&cue.id)) {
            if let Err(error) = library.replace(cue, own.folder()) {
                tracing::warn!(%error, "a cue that was recorded at the page is passed over");
            }
        }
        Ok(library)
    }

    /// The words that are shown in place of the program's, by phrase.
    pub(crate) fn other_words(&self) -> BTreeMap<String, String> {
        let all = self.of_settings().into_iter().chain(self.own_cues());
        all.map(|phrase| (phrase.id, phrase.words)).collect()
    }

    /// All words as they are shown, by phrase.
    pub(crate) fn words(&self) -> BTreeMap<String, String> {
        let mut words = phrase_words(self.language);
        words.extend(self.other_words());
        words
    }

    /// The same without what was made at the page.
    pub(crate) fn shipped_words(&self) -> BTreeMap<String, String> {
        let mut words = phrase_words(self.language);
        let of_settings = self.of_settings().into_iter();
        words.extend(of_settings.map(|phrase| (phrase.id, phrase.words)));
        words
    }

    /// The settings' folder, which was read without a fault when the run began.
    fn of_settings(&self) -> Vec<Phrase> {
        let folder = self.folder.as_deref().map(read_folder);
        folder.and_then(Result::ok).unwrap_or_default()
    }

    /// Those that were made at the page and stand for a cue.
    fn own_cues(&self) -> Vec<OwnCue> {
        let Some(own) = &self.own else {
            return Vec::new();
        };
        let listed = own.list().inspect_err(
            |error| tracing::warn!(%error, "what was recorded at the page is passed over"),
        );
        let mut cues = listed.unwrap_or_default();
        cues.retain(|cue| cue_of_phrase(&cue.id).is_some());
        cues
    }
}
