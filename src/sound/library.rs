//! Every cue, decoded and ready to play.
//!
//! In: the built-in phrases, or a coach's own folder over them. Out: samples by cue id, shared and
//! never changed afterwards. Loading runs once, at start or at a change of settings.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::phrase::{self, Phrase, PhraseTone};
use super::tone::{self, Tone};
use super::{MAX_CUE, SoundError, builtin, duration_of, frames_in, loudness, speech};

/// The cue that is a tone alone: the swing was in band.
pub const IN_BAND: &str = "in_band";

/// Silence between the tone and the words, so that the first consonant is not covered.
const GAP: Duration = Duration::from_millis(70);

/// Which of two cues gives way when both want to be heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rank {
    /// A remark about the set-up.
    Remark,
    /// About the swing that just happened.
    Swing,
}

/// The sounds of all cues: mono samples at [`super::SAMPLE_RATE_HZ`], loudest sample below 1.
#[derive(Debug)]
pub struct CueLibrary {
    cues: HashMap<String, LoadedCue>,
}

#[derive(Debug)]
pub(super) struct LoadedCue {
    pub(super) samples: Arc<[f32]>,
    pub(super) rank: Rank,
    words: String,
}

impl CueLibrary {
    /// Loads the built-in cues and, where `folder` is given, replaces those that its `phrases.toml`
    /// lists by the WAV files beside it. Recordings may have any rate and level and silent ends:
    /// they are trimmed and brought to the loudness of the built-in ones.
    ///
    /// # Errors
    /// Where the folder's list cannot be read, names an unknown cue or one cue twice, or a sound
    /// cannot be decoded, is silent, or leaves the cue longer than [`MAX_CUE`].
    pub fn load(folder: Option<&Path>) -> Result<Self, SoundError> {
        let list = Path::new("the built-in phrases.toml");
        let phrases = read_list(builtin::PHRASES, list)?;
        let mut library = Self {
            cues: HashMap::with_capacity(phrases.len() + 1),
        };
        library.cues.insert(IN_BAND.to_owned(), in_band()?);
        for phrase in phrases {
            let path = Path::new(&phrase.file);
            let bytes = builtin::FILES
                .iter()
                .find(|(name, _)| *name == phrase.file)
                .map(|(_, bytes)| bytes.to_vec())
                .ok_or_else(|| SoundError::ReadSound {
                    path: path.into(),
                    source: std::io::ErrorKind::NotFound.into(),
                })?;
            let tone = phrase.tone.unwrap_or(PhraseTone::Out);
            let cue = spoken(bytes, path, tone, phrase.words)?;
            library.cues.insert(phrase.id, cue);
        }
        if let Some(folder) = folder {
            library.replace_from(folder)?;
        }
        Ok(library)
    }

    /// Puts a coach's own words in place of the built-in ones.
    fn replace_from(&mut self, folder: &Path) -> Result<(), SoundError> {
        let list = folder.join("phrases.toml");
        let text = fs::read_to_string(&list).map_err(|source| SoundError::ReadPhrases {
            path: list.clone(),
            source,
        })?;
        for phrase in read_list(&text, &list)? {
            let known = self
                .ids()
                .filter(|id| *id != IN_BAND)
                .collect::<Vec<_>>()
                .join(", ");
            let Entry::Occupied(mut cue) = self.cues.entry(phrase.id.clone()) else {
                return Err(SoundError::UnknownCue {
                    path: list,
                    id: phrase.id,
                    known,
                });
            };
            if phrase.id == IN_BAND {
                return Err(SoundError::UnknownCue {
                    path: list,
                    id: phrase.id,
                    known,
                });
            }
            let path = folder.join(&phrase.file);
            let bytes = fs::read(&path).map_err(|source| SoundError::ReadSound {
                path: path.clone(),
                source,
            })?;
            let tone = phrase.tone.unwrap_or(match cue.get().rank {
                Rank::Swing => PhraseTone::Out,
                Rank::Remark => PhraseTone::Notice,
            });
            cue.insert(spoken(bytes, &path, tone, phrase.words)?);
        }
        Ok(())
    }

    /// What is heard for a cue: mono samples at [`super::SAMPLE_RATE_HZ`], the tone first; `None` for
    /// an unknown id.
    pub fn samples_for(&self, cue_id: &str) -> Option<Arc<[f32]>> {
        self.cues.get(cue_id).map(|cue| Arc::clone(&cue.samples))
    }

    /// What is said for a cue; empty for [`IN_BAND`], `None` for an unknown id.
    pub fn words_for(&self, cue_id: &str) -> Option<&str> {
        self.cues.get(cue_id).map(|cue| cue.words.as_str())
    }

    /// Every cue id, sorted.
    pub fn ids(&self) -> impl Iterator<Item = &str> {
        let mut ids: Vec<&str> = self.cues.keys().map(String::as_str).collect();
        ids.sort_unstable();
        ids.into_iter()
    }

    pub(super) fn cue(&self, cue_id: &str) -> Option<&LoadedCue> {
        self.cues.get(cue_id)
    }
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

fn in_band() -> Result<LoadedCue, SoundError> {
    Ok(LoadedCue {
        samples: levelled_tone(Tone::InBand)?.into(),
        rank: Rank::Swing,
        words: String::new(),
    })
}

/// The tone, the gap and the words as one run of samples.
fn spoken(
    bytes: Vec<u8>,
    path: &Path,
    tone: PhraseTone,
    words: String,
) -> Result<LoadedCue, SoundError> {
    let (tone, rank) = match tone {
        PhraseTone::Out => (Tone::Out, Rank::Swing),
        PhraseTone::Notice => (Tone::Notice, Rank::Remark),
    };
    let mut samples = levelled_tone(tone)?;
    samples.resize(samples.len() + frames_in(GAP), 0.0);
    let speech = speech::decode(bytes, path)?;
    let room = frames_in(MAX_CUE).saturating_sub(samples.len());
    if speech.len() > room {
        return Err(SoundError::LongSound {
            path: path.into(),
            millis: duration_of(speech.len()).as_millis(),
            most_millis: duration_of(room).as_millis(),
        });
    }
    samples.extend(speech);
    Ok(LoadedCue {
        samples: samples.into(),
        rank,
        words,
    })
}

fn levelled_tone(tone: Tone) -> Result<Vec<f32>, SoundError> {
    let mut samples = tone::samples(tone);
    loudness::level(&mut samples)?;
    Ok(samples)
}

#[cfg(test)]
mod tests {
    use hound::{SampleFormat, WavSpec, WavWriter};

    use super::super::SAMPLE_RATE_HZ;
    use super::super::loudness::{MAX_SAMPLE, TARGET_LUFS, loudest_momentary};
    use super::*;

    fn library() -> CueLibrary {
        CueLibrary::load(None).expect("the built-in cues load")
    }

    /// A coach's folder with one recording in it: `loud_secs` of a 440 Hz tone between half seconds
    /// of silence, stereo at 44.1 kHz.
    fn folder(list: &str, loud_secs: f32, level: f32) -> tempfile::TempDir {
        let folder = tempfile::tempdir().expect("a folder");
        fs::write(folder.path().join("phrases.toml"), list).expect("a list");
        let spec = WavSpec {
            channels: 2,
            sample_rate: 44_100,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let mut wav = WavWriter::create(folder.path().join("mine.wav"), spec).expect("a file");
        for index in 0..((1.0 + loud_secs) * 44_100.0) as usize {
            let secs = index as f32 / 44_100.0;
            let heard = secs > 0.5 && secs < 0.5 + loud_secs;
            let value = if heard {
                level * (secs * 440.0 * std::f32::consts::TAU).sin()
            } else {
                0.0
            };
            wav.write_sample((value * 32767.0) as i16).expect("left");
            wav.write_sample((value * 32767.0) as i16).expect("right");
        }
        wav.finalize().expect("a whole file");
        folder
    }

    const MINE: &str =
        "[[phrase]]\nid = \"head_forward\"\nwords = \"quiet head\"\nfile = \"mine.wav\"\n";

    #[test]
    fn every_phrase_has_its_file_and_every_file_its_phrase() {
        let phrases = phrase::parse(builtin::PHRASES).expect("the list parses");
        for phrase in &phrases {
            assert!(
                builtin::FILES.iter().any(|(name, _)| *name == phrase.file),
                "{} has no file",
                phrase.id
            );
            assert!(phrase.tone.is_some(), "{} names no tone", phrase.id);
        }
        assert_eq!(phrases.len(), builtin::FILES.len());
        assert_eq!(
            library().ids().count(),
            phrases.len() + 1,
            "and the tone alone"
        );
    }

    #[test]
    fn no_phrase_has_more_than_four_words_and_no_two_are_the_same() {
        let library = library();
        let mut said: Vec<&str> = library
            .ids()
            .filter_map(|id| library.words_for(id))
            .collect();
        assert!(
            said.iter()
                .all(|words| words.split_whitespace().count() <= 4),
            "{said:?}"
        );
        let all = said.len();
        said.sort_unstable();
        said.dedup();
        assert_eq!(said.len(), all);
    }

    #[test]
    fn no_cue_is_too_long_too_loud_or_clicks() {
        let library = library();
        for id in library.ids() {
            let samples = library.samples_for(id).expect("a sound");
            assert!(
                samples.len() <= frames_in(MAX_CUE),
                "{id} lasts {:?}",
                duration_of(samples.len())
            );
            let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
            assert!(
                (0.1..=MAX_SAMPLE + 1e-4).contains(&peak),
                "{id} peaks at {peak}"
            );
            let ends = [samples[0], samples[samples.len() - 1]];
            assert!(
                ends.iter().all(|s| s.abs() < 0.001),
                "{id} begins or ends with a step: {ends:?}"
            );
        }
    }

    #[test]
    fn a_cue_is_audible_within_5_ms() {
        let library = library();
        for id in library.ids() {
            let samples = library.samples_for(id).expect("a sound");
            let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
            let first = samples
                .iter()
                .position(|s| s.abs() > 0.05 * peak)
                .expect("a sound");
            assert!(
                first < frames_in(Duration::from_millis(5)),
                "{id} begins after {first} samples"
            );
        }
    }

    /// Measured by an implementation of EBU R128 that is not ours; words and tone apart, because the
    /// louder of the two would hide the other.
    #[test]
    fn all_cues_are_equally_loud_within_2_lu() {
        let library = library();
        for id in library.ids() {
            let samples = library.samples_for(id).expect("a sound");
            let gap = frames_in(GAP);
            let silent = |window: &[f32]| window.iter().all(|s| *s == 0.0);
            let split = samples
                .windows(gap)
                .position(silent)
                .unwrap_or(samples.len());
            let words = samples.get(split + gap..).unwrap_or_default();
            for part in [&samples[..split], words]
                .into_iter()
                .filter(|part| !part.is_empty())
            {
                let loudness = loudest_momentary(part).expect("a reading");
                assert!(
                    (loudness - TARGET_LUFS).abs() < 1.0,
                    "a part of {id} is at {loudness:.1} LUFS"
                );
            }
        }
    }

    #[test]
    fn a_coach_replaces_one_cue_and_keeps_the_rest() {
        let (built_in, folder) = (library(), folder(MINE, 0.6, 0.02));
        let own = CueLibrary::load(Some(folder.path())).expect("it loads");
        assert_eq!(own.words_for("head_forward"), Some("quiet head"));
        assert_eq!(
            own.samples_for("head_back"),
            built_in.samples_for("head_back")
        );
        let samples = own.samples_for("head_forward").expect("a sound");
        let tone = tone::samples(Tone::Out).len() + frames_in(GAP);
        let words_secs = (samples.len() - tone) as f32 / SAMPLE_RATE_HZ as f32;
        assert!(
            (words_secs - 0.6).abs() < 0.03,
            "the silence is trimmed: {words_secs} s are left"
        );
        let loudness = loudest_momentary(&samples[tone..]).expect("a reading");
        assert!(
            (loudness - TARGET_LUFS).abs() < 0.5,
            "and the level raised: {loudness} LUFS"
        );
    }

    #[test]
    fn a_faulty_folder_is_refused_by_name() {
        let message = |list: &str, secs: f32, level: f32| {
            let folder = folder(list, secs, level);
            CueLibrary::load(Some(folder.path()))
                .expect_err("it is faulty")
                .to_string()
        };
        assert!(
            message(&MINE.replace("head_forward", "head_frwd"), 0.5, 0.5)
                .contains("`head_frwd`, which is no cue")
        );
        assert!(
            message(&MINE.replace("head_forward", IN_BAND), 0.5, 0.5)
                .contains("`in_band`, which is no cue")
        );
        assert!(message(&MINE.repeat(2), 0.5, 0.5).contains("two entries for `head_forward`"));
        assert!(message(&MINE.replace("words", "wrds"), 0.5, 0.5).contains("wrds"));
        assert!(message(&MINE.replace("mine.wav", "yours.wav"), 0.5, 0.5).contains("yours.wav"));
        assert!(
            message(&MINE.replace("mine.wav", "phrases.toml"), 0.5, 0.5).contains("cannot decode")
        );
        assert!(message(MINE, 0.5, 0.0).contains("mine.wav is silent"));
        assert!(
            message(MINE, 2.0, 0.5).contains("has room for 13"),
            "a cue has room for 1.3 s of words"
        );
        let nowhere = CueLibrary::load(Some(Path::new("no/such/folder")))
            .expect_err("no folder")
            .to_string();
        assert!(nowhere.contains("no/such/folder/phrases.toml"), "{nowhere}");
    }
}
