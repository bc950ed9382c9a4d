//! Every sound, decoded and ready to play.
//!
//! In: the built-in phrases of a language, or a coach's own folder over them. Out: samples of cues,
//! sentences and deliveries, shared and never changed afterwards. Loading runs once, at start or at a
//! change of settings; putting a sentence or a delivery together is copying.

use std::collections::HashMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::delivery::{DeliveryMark, DeliverySounds};
use super::phrase::{self, Phrase, PhraseTone};
use super::schedule::Rank;
use super::sentence::{self, Said};
use super::tone::{self, Tone};
use super::{
    Language, MAX_CUE, MAX_PART, MAX_SENTENCE, SoundError, duration_of, frames_in, loudness, speech,
};
use crate::coach::CueId;

/// The silence before a sentence: it follows a cue more often than not.
const BREATH: Duration = Duration::from_millis(200);
/// Silence between the tone and the words, so that the first consonant is not covered.
pub(super) const GAP: Duration = Duration::from_millis(70);

/// The sounds of one language: mono samples at [`super::SAMPLE_RATE_HZ`], loudest sample below 1.
#[derive(Debug)]
pub struct CueLibrary {
    language: Language,
    phrases: HashMap<String, LoadedPhrase>,
    in_band: Arc<[f32]>,
    out: Vec<f32>,
    /// What goes before a remark and before a sentence.
    notice: Vec<f32>,
    delivery: DeliverySounds,
}

/// A tone, a gap and words, or words alone.
#[derive(Debug)]
struct LoadedPhrase {
    samples: Arc<[f32]>,
    tone: PhraseTone,
    /// Where in `samples` the words begin.
    words_from: usize,
    words: String,
}

/// What is to be heard.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Sound {
    /// A tone, with words or without.
    Cue(Arc<str>),
    /// Words put together.
    Sentence(Vec<Said>),
    /// Sounds of a pitch at their times.
    Delivery(Vec<DeliveryMark>),
}

/// A sound that can be played.
#[derive(Debug)]
pub(super) struct Ready {
    pub(super) samples: Arc<[f32]>,
    pub(super) rank: Rank,
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
        let list = Path::new("the built-in phrases.toml");
        let phrases = read_list(language.phrases(), list)?;
        let mut library = Self {
            language,
            phrases: HashMap::with_capacity(phrases.len()),
            in_band: levelled_tone(Tone::InBand)?.into(),
            out: levelled_tone(Tone::Out)?,
            notice: levelled_tone(Tone::Notice)?,
            delivery: DeliverySounds::new()?,
        };
        for phrase in phrases {
            let path = Path::new(&phrase.file);
            let bytes = language
                .file(&phrase.file)
                .ok_or_else(|| SoundError::ReadSound {
                    path: path.into(),
                    source: std::io::ErrorKind::NotFound.into(),
                })?;
            let tone = phrase.tone.unwrap_or(PhraseTone::None);
            let loaded = library.spoken(bytes.to_vec(), path, tone, phrase.words)?;
            library.phrases.insert(phrase.id, loaded);
        }
        if let Some(folder) = folder {
            library.replace_from(folder)?;
        }
        Ok(library)
    }

    /// Puts a coach's own words in place of the built-in ones. Numbers may be added: how they are
    /// built differs from language to language.
    fn replace_from(&mut self, folder: &Path) -> Result<(), SoundError> {
        let list = folder.join("phrases.toml");
        let text = fs::read_to_string(&list).map_err(|source| SoundError::ReadPhrases {
            path: list.clone(),
            source,
        })?;
        for phrase in read_list(&text, &list)? {
            let built_in = self.phrases.get(&phrase.id).map(|known| known.tone);
            let number = sentence::is_number_id(&phrase.id).then_some(PhraseTone::None);
            let Some(known) = built_in.or(number) else {
                let mut known: Vec<&str> = self.phrases.keys().map(String::as_str).collect();
                known.sort_unstable();
                return Err(SoundError::UnknownCue {
                    path: list,
                    id: phrase.id,
                    known: known.join(", "),
                });
            };
            let path = folder.join(&phrase.file);
            let bytes = fs::read(&path).map_err(|source| SoundError::ReadSound {
                path: path.clone(),
                source,
            })?;
            let tone = phrase.tone.unwrap_or(known);
            let loaded = self.spoken(bytes, &path, tone, phrase.words)?;
            self.phrases.insert(phrase.id, loaded);
        }
        Ok(())
    }

    /// The tone, where there is one, the gap and the words as one run of samples.
    fn spoken(
        &self,
        bytes: Vec<u8>,
        path: &Path,
        tone: PhraseTone,
        words: String,
    ) -> Result<LoadedPhrase, SoundError> {
        let (mut samples, most) = match tone {
            PhraseTone::Out => (self.out.clone(), MAX_CUE),
            PhraseTone::Notice => (self.notice.clone(), MAX_CUE),
            PhraseTone::None => (Vec::new(), MAX_PART),
        };
        if !samples.is_empty() {
            samples.resize(samples.len() + frames_in(GAP), 0.0);
        }
        let words_from = samples.len();
        let speech = speech::decode(bytes, path)?;
        let room = frames_in(most).saturating_sub(words_from);
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
            words,
        })
    }

    /// Whose built-in phrases these are.
    pub fn language(&self) -> Language {
        self.language
    }

    /// What is heard for a cue: mono samples at [`super::SAMPLE_RATE_HZ`], the tone first; `None` for
    /// an unknown id.
    pub fn samples_for(&self, cue_id: &str) -> Option<Arc<[f32]>> {
        if cue_id == CueId::InBand.as_str() {
            return Some(Arc::clone(&self.in_band));
        }
        self.cue(cue_id).map(|cue| Arc::clone(&cue.samples))
    }

    /// What is said for a cue or a part of a sentence; empty for [`CueId::InBand`], `None` for an unknown id.
    pub fn words_for(&self, id: &str) -> Option<&str> {
        if id == CueId::InBand.as_str() {
            return Some("");
        }
        self.phrases.get(id).map(|phrase| phrase.words.as_str())
    }

    /// A sentence in writing; `None` where it cannot be said.
    pub fn words_of(&self, said: &[Said]) -> Option<String> {
        let spoken = sentence::spoken(said, &|id| self.phrases.contains_key(id)).ok()?;
        let words: Vec<&str> = spoken
            .iter()
            .filter_map(|spoken| self.words_for(&spoken.id))
            .collect();
        Some(words.join(" "))
    }

    /// What is heard for a sentence: a tone, then the words; mono samples at
    /// [`super::SAMPLE_RATE_HZ`].
    ///
    /// # Errors
    /// [`SoundError::CannotSay`] where a phrase or a number has no recording,
    /// [`SoundError::LongSentence`] beyond [`MAX_SENTENCE`].
    pub fn sentence(&self, said: &[Said]) -> Result<Arc<[f32]>, SoundError> {
        let spoken = sentence::spoken(said, &|id| self.phrases.contains_key(id))
            .map_err(|what| SoundError::CannotSay { what })?;
        let mut samples = vec![0.0; frames_in(BREATH)];
        samples.extend_from_slice(&self.notice);
        samples.resize(samples.len() + frames_in(GAP), 0.0);
        for spoken in spoken {
            if let Some(phrase) = self.phrases.get(&spoken.id) {
                samples.extend_from_slice(phrase.spoken());
                samples.resize(samples.len() + frames_in(spoken.then), 0.0);
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

    /// Every cue id, sorted.
    pub fn ids(&self) -> impl Iterator<Item = &str> {
        let cues = self
            .phrases
            .iter()
            .filter(|(_, phrase)| phrase.tone != PhraseTone::None);
        let mut ids: Vec<&str> = cues
            .map(|(id, _)| id.as_str())
            .chain([CueId::InBand.as_str()])
            .collect();
        ids.sort_unstable();
        ids.into_iter()
    }

    /// Every id that may stand in a [`Said::Phrase`], sorted: the cues and the parts of sentences.
    pub fn phrase_ids(&self) -> impl Iterator<Item = &str> {
        let mut ids: Vec<&str> = self.phrases.keys().map(String::as_str).collect();
        ids.sort_unstable();
        ids.into_iter()
    }

    /// The samples of a sound, with its place among the others.
    pub(super) fn ready(&self, sound: &Sound) -> Result<Ready, SoundError> {
        match sound {
            Sound::Cue(id) if **id == *CueId::InBand.as_str() => Ok(Ready {
                samples: Arc::clone(&self.in_band),
                rank: Rank::Swing,
            }),
            Sound::Cue(id) => {
                let cue = self
                    .cue(id)
                    .ok_or_else(|| SoundError::NoSuchCue { id: id.to_string() })?;
                Ok(Ready {
                    samples: Arc::clone(&cue.samples),
                    rank: match cue.tone {
                        PhraseTone::Out => Rank::Swing,
                        PhraseTone::Notice | PhraseTone::None => Rank::Remark,
                    },
                })
            }
            Sound::Sentence(said) => Ok(Ready {
                samples: self.sentence(said)?,
                rank: Rank::Sentence,
            }),
            Sound::Delivery(marks) => Ok(Ready {
                samples: self.delivery.mix(marks)?,
                rank: Rank::Delivery,
            }),
        }
    }

    fn cue(&self, id: &str) -> Option<&LoadedPhrase> {
        self.phrases
            .get(id)
            .filter(|phrase| phrase.tone != PhraseTone::None)
    }

    /// The words of a phrase alone.
    #[cfg(test)]
    pub(super) fn words_alone(&self, id: &str) -> Option<&[f32]> {
        self.phrases.get(id).map(LoadedPhrase::spoken)
    }
}

impl LoadedPhrase {
    fn spoken(&self) -> &[f32] {
        self.samples.get(self.words_from..).unwrap_or_default()
    }
}

/// A parsed list in which no cue stands twice.
pub(super) fn read_list(text: &str, path: &Path) -> Result<Vec<Phrase>, SoundError> {
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

fn levelled_tone(tone: Tone) -> Result<Vec<f32>, SoundError> {
    let mut samples = tone::samples(tone);
    loudness::level(&mut samples)?;
    Ok(samples)
}

#[cfg(test)]
#[path = "library_tests.rs"]
mod tests;
