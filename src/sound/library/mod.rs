//! Every sound, decoded and ready to play.
//!
//! In: the built-in phrases of a language, or a coach's own folder over them. Out: samples of cues,
//! sentences and deliveries, shared and never changed afterwards. Loading runs once, at start or at a
//! change of settings; putting a sentence or a delivery together is copying.

mod builtin;
mod decode;
mod phrase;
mod sentence;

use std::collections::HashMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::output::Priority;
use super::request::Sound;
use super::synth::{self, DeliverySounds, Tone};
use super::{MAX_CUE, MAX_PART, MAX_SENTENCE, SoundError, duration_of, samples_in};
use crate::coach::{CueId, Said};
pub use builtin::Language;
use phrase::PhraseTone;
pub(in crate::sound) use phrase::{Phrase, to_text};
pub(crate) use phrase::{instruction_id, phrase_words};

/// The name of a list of phrases in its folder.
pub(super) const LIST: &str = "phrases.toml";
/// The silence before a sentence: it follows a cue more often than not.
const BREATH: Duration = Duration::from_millis(200);
/// Silence between the tone and the words, so that the first consonant is not covered.
const GAP: Duration = Duration::from_millis(70);

/// The sounds of one language: mono samples at 48 kHz, loudest sample below 1.
#[derive(Clone, Debug)]
pub struct CueLibrary {
    phrases: HashMap<String, LoadedPhrase>,
    in_band: Arc<[f32]>,
    out: Vec<f32>,
    /// What goes before a remark and before a sentence.
    notice: Vec<f32>,
    delivery: DeliverySounds,
}

/// A tone, a gap and words, or words alone.
#[derive(Clone, Debug)]
struct LoadedPhrase {
    samples: Arc<[f32]>,
    tone: PhraseTone,
    /// Where in `samples` the words begin.
    words_from: usize,
}

impl CueLibrary {
    /// [`Self::load_in`] in English.
    ///
    /// # Errors
    /// As [`Self::load_in`].
    pub fn load(folder: Option<&Path>) -> Result<Self, SoundError> {
        Self::load_in(Language::English, folder)
    }

    /// Loads the built-in phrases of a language and, where `folder` is given, replaces those that its
    /// `phrases.toml` lists by the files beside it. Recordings may have any rate and level and silent
    /// ends: they are trimmed and brought to the loudness of the built-in ones. A folder that holds
    /// all phrases is a language of its own.
    ///
    /// # Errors
    /// Where the folder's list cannot be read, names an unknown cue or one cue twice, or a sound
    /// cannot be decoded, is silent, or leaves a cue longer than [`MAX_CUE`], a part of a sentence
    /// longer than [`MAX_PART`].
    pub fn load_in(language: Language, folder: Option<&Path>) -> Result<Self, SoundError> {
        Self::load_some(language, folder, |_| true)
    }

    /// The same with no other phrases than those that are wanted.
    pub(super) fn load_some(
        language: Language,
        folder: Option<&Path>,
        wanted: impl Fn(&str) -> bool,
    ) -> Result<Self, SoundError> {
        let list = Path::new("the built-in phrases.toml");
        let mut library = Self::without_words()?;
        let phrases = read_list(language.phrases(), list)?;
        for phrase in phrases.into_iter().filter(|phrase| wanted(&phrase.id)) {
            let file = phrase.file.unwrap_or_default();
            let path = Path::new(&file);
            let bytes = language.file(&file).ok_or_else(|| SoundError::ReadSound {
                path: path.into(),
                source: std::io::ErrorKind::NotFound.into(),
            })?;
            let tone = phrase.tone.unwrap_or(PhraseTone::None);
            let loaded = library.tone_and_words(bytes.to_vec(), path, tone)?;
            library.phrases.insert(phrase.id, loaded);
        }
        if let Some(folder) = folder {
            library.replace_some(folder, wanted)?;
        }
        Ok(library)
    }

    /// Puts a coach's own words in place of the built-in ones. Numbers may be added: how they are
    /// built differs from language to language.
    ///
    /// # Errors
    /// As [`Self::load_in`]; phrases before the wrong one are then replaced already.
    pub fn replace_from(&mut self, folder: &Path) -> Result<(), SoundError> {
        self.replace_some(folder, |_| true)
    }

    fn replace_some(
        &mut self,
        folder: &Path,
        wanted: impl Fn(&str) -> bool,
    ) -> Result<(), SoundError> {
        let phrases = read_folder(folder)?.into_iter();
        phrases
            .filter(|phrase| wanted(&phrase.id))
            .try_for_each(|phrase| self.replace(phrase, folder))
    }

    /// The tones alone.
    fn without_words() -> Result<Self, SoundError> {
        Ok(Self {
            phrases: HashMap::new(),
            in_band: leveled_tone(Tone::InBand)?.into(),
            out: leveled_tone(Tone::Out)?,
            notice: leveled_tone(Tone::Notice)?,
            delivery: DeliverySounds::new()?,
        })
    }

    /// Puts one of a folder's phrases in place of the built-in one.
    pub(super) fn replace(&mut self, phrase: Phrase, folder: &Path) -> Result<(), SoundError> {
        let built_in = self.phrases.get(&phrase.id).map(|known| known.tone);
        let number = sentence::is_number_id(&phrase.id).then_some(PhraseTone::None);
        let Some(known) = built_in.or(number) else {
            let mut known: Vec<&str> = self.phrases.keys().map(String::as_str).collect();
            known.sort_unstable();
            return Err(SoundError::UnknownCue {
                path: folder.join(LIST),
                id: phrase.id,
                known: known.join(", "),
            });
        };
        // Words without a sound are only shown.
        let Some(file) = &phrase.file else {
            return Ok(());
        };
        let path = folder.join(file);
        let bytes = fs::read(&path).map_err(|source| SoundError::ReadSound {
            path: path.clone(),
            source,
        })?;
        let tone = phrase.tone.unwrap_or(known);
        let loaded = self.tone_and_words(bytes, &path, tone)?;
        self.phrases.insert(phrase.id, loaded);
        Ok(())
    }

    /// The words of a recording as they are heard where this phrase is said: trimmed, leveled, and with room after the tone.
    ///
    /// # Errors
    /// As [`Self::load_in`], and [`SoundError::NoSuchCue`] where this library has no such phrase.
    pub(super) fn fitted(
        &self,
        id: &str,
        bytes: Vec<u8>,
        path: &Path,
    ) -> Result<Vec<f32>, SoundError> {
        let known = self.phrases.get(id);
        let known = known.ok_or_else(|| SoundError::NoSuchCue { id: id.to_owned() })?;
        let fitted = self.tone_and_words(bytes, path, known.tone)?;
        Ok(fitted.words_alone().to_vec())
    }

    /// What is heard of a phrase by itself, the tone first.
    pub(super) fn phrase(&self, id: &str) -> Option<Arc<[f32]>> {
        let phrase = self.phrases.get(id);
        phrase.map(|phrase| Arc::clone(&phrase.samples))
    }

    /// The tone, where there is one, the gap and the words as one run of samples.
    fn tone_and_words(
        &self,
        bytes: Vec<u8>,
        path: &Path,
        tone: PhraseTone,
    ) -> Result<LoadedPhrase, SoundError> {
        let (mut samples, most) = match tone {
            PhraseTone::Out => (self.out.clone(), MAX_CUE),
            PhraseTone::Notice => (self.notice.clone(), MAX_CUE),
            PhraseTone::None => (Vec::new(), MAX_PART),
        };
        if !samples.is_empty() {
            samples.resize(samples.len() + samples_in(GAP), 0.0);
        }
        let words_from = samples.len();
        let speech = decode::decode(bytes, path)?;
        let room = samples_in(most).saturating_sub(words_from);
        if speech.len() > room {
            return Err(SoundError::LongSound {
                path: path.into(),
                millis: duration_of(speech.len()).as_millis(),
                most_millis: duration_of(room).as_millis(),
            });
        }
        samples.extend(speech);
        Ok(LoadedPhrase {
            samples: samples.into(),
            tone,
            words_from,
        })
    }

    /// What is heard for a cue: mono samples at 48 kHz, the tone first; `None` where the library lacks it.
    pub fn cue(&self, id: CueId) -> Option<Arc<[f32]>> {
        match id {
            CueId::InBand => Some(Arc::clone(&self.in_band)),
            id => self.spoken_cue(id).map(|cue| Arc::clone(&cue.samples)),
        }
    }

    fn spoken_cue(&self, id: CueId) -> Option<&LoadedPhrase> {
        self.phrases
            .get(id.as_str())
            .filter(|phrase| phrase.tone != PhraseTone::None)
    }

    /// The words that say what to do about what a cue names.
    fn instruction(&self, id: CueId) -> Option<&LoadedPhrase> {
        self.phrases.get(&instruction_id(id))
    }

    /// What is heard for a sentence: a tone, then the words; mono samples at 48 kHz.
    ///
    /// # Errors
    /// [`SoundError::CannotSay`] where a phrase or a number has no recording,
    /// [`SoundError::LongSentence`] beyond [`MAX_SENTENCE`].
    pub fn sentence(&self, said: &[Said]) -> Result<Arc<[f32]>, SoundError> {
        let parts = sentence::parts(said, &|id| self.phrases.contains_key(id))
            .map_err(|what| SoundError::CannotSay { what })?;
        let mut samples = vec![0.0; samples_in(BREATH)];
        samples.extend_from_slice(&self.notice);
        samples.resize(samples.len() + samples_in(GAP), 0.0);
        for part in parts {
            if let Some(phrase) = self.phrases.get(&part.id) {
                samples.extend_from_slice(phrase.words_alone());
                samples.resize(samples.len() + samples_in(part.pause), 0.0);
            }
        }
        let lasts = duration_of(samples.len());
        if lasts > MAX_SENTENCE {
            return Err(SoundError::LongSentence {
                secs: lasts.as_secs_f64(),
                most_secs: MAX_SENTENCE.as_secs_f64(),
            });
        }
        Ok(samples.into())
    }

    /// The samples of a sound, and its priority among others.
    ///
    /// # Errors
    /// [`SoundError::NoSuchCue`], [`SoundError::BadDelivery`], else as [`Self::sentence`].
    pub(super) fn samples(&self, sound: &Sound) -> Result<(Arc<[f32]>, Priority), SoundError> {
        Ok(match sound {
            Sound::Instruction(id) => match self.instruction(*id) {
                Some(words) => (Arc::clone(&words.samples), Priority::Swing),
                None => self.samples(&Sound::Cue(*id))?,
            },
            Sound::Cue(id) => {
                let samples = self.cue(*id);
                let samples =
                    samples.ok_or_else(|| SoundError::NoSuchCue { id: id.to_string() })?;
                let priority = match self.spoken_cue(*id).map(|cue| cue.tone) {
                    Some(PhraseTone::Notice | PhraseTone::None) => Priority::Remark,
                    // The in-band tone has no words.
                    Some(PhraseTone::Out) | None => Priority::Swing,
                };
                (samples, priority)
            }
            Sound::Sentence(said) => (self.sentence(said)?, Priority::Sentence),
            Sound::Answer(said) => (self.sentence(said)?, Priority::Swing),
            Sound::Delivery(marks) => (self.delivery.mix(marks)?, Priority::Delivery),
        })
    }
}

impl LoadedPhrase {
    fn words_alone(&self) -> &[f32] {
        self.samples.get(self.words_from..).unwrap_or_default()
    }
}

/// The list of a coach's folder.
///
/// # Errors
/// Where it cannot be read or parsed, or names one cue twice.
pub(super) fn read_folder(folder: &Path) -> Result<Vec<Phrase>, SoundError> {
    let list = folder.join(LIST);
    let text = fs::read_to_string(&list).map_err(|source| SoundError::ReadPhrases {
        path: list.clone(),
        source,
    })?;
    read_list(&text, &list)
}

/// A parsed list in which no cue stands twice.
fn read_list(text: &str, path: &Path) -> Result<Vec<Phrase>, SoundError> {
    let phrases = phrase::parse(text).map_err(|source| SoundError::ParsePhrases {
        path: path.into(),
        source: Box::new(source),
    })?;
    for (index, phrase) in phrases.iter().enumerate() {
        if phrases
            .iter()
            .take(index)
            .any(|earlier| earlier.id == phrase.id)
        {
            return Err(SoundError::RepeatedCue {
                path: path.into(),
                id: phrase.id.clone(),
            });
        }
    }
    Ok(phrases)
}

fn leveled_tone(tone: Tone) -> Result<Vec<f32>, SoundError> {
    let mut samples = synth::tone_samples(tone);
    synth::level(&mut samples)?;
    Ok(samples)
}

#[cfg(test)]
mod tests;
