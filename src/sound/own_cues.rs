//! What coaches recorded or typed at the page in place of the shipped cues: a folder a language beside the journal.
//!
//! In: the bytes of a recording, or words as they are to be shown. Out: a folder in the form of any coach's own, with recordings that
//! are trimmed and leveled already, so that what is kept is what is heard. Each change is whole or not made at all; files are
//! their owner's alone, and a recording that nothing names any more is deleted. Runs on the caller's thread.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use hound::{SampleFormat, WavSpec, WavWriter};
use jiff::Timestamp;

use super::library::{CueLibrary, LIST, Language, Phrase, instruction_id, read_folder, to_text};
use super::{SAMPLE_RATE_HZ, SoundError};
use crate::coach::CueId;
use crate::private_file::{create_private_folder, write_private};

/// The folder's name is the journal's with this suffix.
const FOLDER_ENDING: &str = ".cues";

/// Held while a list is read and written.
static CHANGES: Mutex<()> = Mutex::new(());

/// A cue that a coach changed.
pub(crate) type OwnCue = Phrase;

/// The cues that coaches changed beside one journal, in one language.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct OwnCues {
    folder: PathBuf,
    language: Language,
}

/// The cue whose words a phrase has: those of what happened, or of what to do. `None` for a part of a sentence and for the tone
/// that has no words.
pub(crate) fn cue_of_phrase(phrase: &str) -> Option<CueId> {
    let spoken = CueId::ALL.iter().filter(|id| **id != CueId::InBand);
    spoken
        .copied()
        .find(|id| id.as_str() == phrase || instruction_id(*id) == phrase)
}

impl OwnCues {
    /// Those of this journal. Nothing is created or read yet.
    pub(super) fn of_journal(journal: &Path, language: Language) -> Self {
        let stem = journal.file_stem().unwrap_or(journal.as_os_str());
        let mut name = stem.to_owned();
        name.push(FOLDER_ENDING);
        Self {
            folder: journal.with_file_name(name).join(language.code()),
            language,
        }
    }

    /// The folder, whether it exists or not.
    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    /// All of them; a folder that is not there has none.
    ///
    /// # Errors
    /// Where the list cannot be read.
    pub(crate) fn list(&self) -> Result<Vec<OwnCue>, SoundError> {
        match read_folder(&self.folder) {
            Err(SoundError::ReadPhrases { source, .. })
                if source.kind() == io::ErrorKind::NotFound =>
            {
                Ok(Vec::new())
            }
            read => read,
        }
    }

    /// Keeps a recording in the place of what was heard. `new` has the phrase, the words to be shown and who recorded it; its file is
    /// named here.
    ///
    /// # Errors
    /// [`SoundError::NoSuchCue`], where it is no recording that can be used, and where it cannot be kept; everything is then as
    /// before.
    pub(crate) fn record(&self, new: OwnCue, bytes: Vec<u8>) -> Result<(), SoundError> {
        if cue_of_phrase(&new.id).is_none() {
            return Err(SoundError::NoSuchCue { id: new.id });
        }
        // A name of its own: until the list names it, what was recorded before is what counts.
        let millis = new.recorded_at.map_or(0, Timestamp::as_millisecond);
        let name = format!("{}-{millis}.wav", new.id);
        let library = CueLibrary::load_some(self.language, None, |id| id == new.id)?;
        let samples = library.fitted(&new.id, bytes, Path::new(&name))?;
        let wav = wav_of(&samples)?;
        self.change(|cues| {
            self.write(&name, &wav)?;
            cues.retain(|cue| cue.id != new.id);
            cues.push(OwnCue {
                file: Some(name.clone()),
                ..new
            });
            Ok(())
        })
    }

    /// Has other words shown. A recording stays whose it is.
    ///
    /// # Errors
    /// Where they cannot be kept; everything is then as before.
    pub(crate) fn show(&self, new: OwnCue) -> Result<(), SoundError> {
        self.change(|cues| match cues.iter_mut().find(|cue| cue.id == new.id) {
            Some(cue) if cue.file.is_some() => {
                cue.words = new.words;
                Ok(())
            }
            _ => {
                cues.retain(|cue| cue.id != new.id);
                cues.push(OwnCue { file: None, ..new });
                Ok(())
            }
        })
    }

    /// Goes back to the shipped words and deletes the recording.
    ///
    /// # Errors
    /// Where the list or the recording cannot be changed.
    pub(crate) fn remove(&self, id: &str) -> Result<(), SoundError> {
        self.change(|cues| {
            cues.retain(|cue| cue.id != id);
            Ok(())
        })
    }

    /// Changes the list, and deletes recordings that it does not name after that.
    fn change(
        &self,
        change: impl FnOnce(&mut Vec<OwnCue>) -> Result<(), SoundError>,
    ) -> Result<(), SoundError> {
        let _alone = CHANGES.lock().unwrap_or_else(PoisonError::into_inner);
        let mut cues = self.list()?;
        let before = files_of(&cues);
        let changed = change(&mut cues).and_then(|()| {
            let after = files_of(&cues);
            self.write_list(cues)?;
            Ok(after)
        });
        match changed {
            Ok(after) => self.delete_all_but(&after),
            Err(error) => {
                let _ = self.delete_all_but(&before);
                Err(error)
            }
        }
    }

    fn write_list(&self, mut cues: Vec<OwnCue>) -> Result<(), SoundError> {
        if cues.is_empty() {
            return self.delete(LIST);
        }
        cues.sort_by(|a, b| a.id.cmp(&b.id));
        let text = to_text(cues)
            .map_err(|error| not_kept(&self.folder.join(LIST), io::Error::other(error)))?;
        self.write(LIST, text.as_bytes())
    }

    fn write(&self, name: &str, bytes: &[u8]) -> Result<(), SoundError> {
        let path = self.folder.join(name);
        create_private_folder(&self.folder)
            .and_then(|()| write_private(&path, bytes))
            .map_err(|source| not_kept(&path, source))
    }

    fn delete(&self, name: &str) -> Result<(), SoundError> {
        let path = self.folder.join(name);
        match fs::remove_file(&path) {
            Err(source) if source.kind() != io::ErrorKind::NotFound => Err(not_kept(&path, source)),
            _ => Ok(()),
        }
    }

    /// Recordings of before, and those of which a kill left half.
    fn delete_all_but(&self, kept: &[String]) -> Result<(), SoundError> {
        let Ok(entries) = fs::read_dir(&self.folder) else {
            return Ok(());
        };
        let names = entries
            .filter_map(Result::ok)
            .filter_map(|entry| entry.file_name().into_string().ok());
        let mut deleted = Ok(());
        for name in names.filter(|name| !kept.contains(name)) {
            if name.ends_with(".wav") || name.ends_with(".new") {
                deleted = deleted.and(self.delete(&name));
            }
        }
        // Only empty folders go.
        if fs::remove_dir(&self.folder).is_ok() {
            let _ = self.folder.parent().map(fs::remove_dir);
        }
        deleted
    }
}

fn files_of(cues: &[OwnCue]) -> Vec<String> {
    cues.iter().filter_map(|cue| cue.file.clone()).collect()
}

fn not_kept(path: &Path, source: io::Error) -> SoundError {
    SoundError::KeepSound {
        path: path.into(),
        source,
    }
}

/// Samples as a WAV file.
///
/// # Errors
/// Only where the writer itself fails.
pub(super) fn wav_of(samples: &[f32]) -> Result<Vec<u8>, SoundError> {
    let spec = WavSpec {
        channels: 1,
        sample_rate: SAMPLE_RATE_HZ,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let mut file = io::Cursor::new(Vec::new());
    let written = WavWriter::new(&mut file, spec).and_then(|mut writer| {
        for sample in samples {
            writer.write_sample((sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)).round() as i16)?;
        }
        writer.finalize()
    });
    written.map_err(|source| SoundError::WriteWav {
        path: PathBuf::new(),
        source,
    })?;
    Ok(file.into_inner())
}

#[cfg(test)]
mod tests;
