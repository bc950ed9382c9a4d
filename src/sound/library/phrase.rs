//! The list of phrases, `phrases.toml`: which words belong to which cue, and in which file.
//!
//! Text in, plain values out. Used for the built-in lists and for a coach's own folder alike.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::coach::CueId;

/// One spoken cue, or one part of a sentence.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Phrase {
    /// The cue: what the hitter did, in snake case.
    pub id: String,
    /// What is said.
    pub words: String,
    /// WAV or FLAC file in the same folder. A coach's list may leave it out: then only what is shown changes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// The tone in front. A coach's list may leave it out and so keep the built-in one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tone: Option<PhraseTone>,
    /// How the words are spelled for a speech synthesizer that would misread them; the program ignores it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub say: Option<String>,
    /// The account that recorded or typed it at the page.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When that was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_at: Option<Timestamp>,
}

/// Which tone goes before the words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum PhraseTone {
    /// A measure was out of its band.
    Out,
    /// A remark about the setup: ready, not in view, too dark.
    Notice,
    /// None: the words are heard only as a part of a sentence.
    None,
}

#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct PhraseList {
    phrase: Vec<Phrase>,
}

/// Reads a list in the form of the built-in `phrases.toml`.
pub(super) fn parse(text: &str) -> Result<Vec<Phrase>, toml::de::Error> {
    Ok(toml::from_str::<PhraseList>(text)?.phrase)
}

/// A list as text that [`parse`] reads back.
pub(in crate::sound) fn to_text(phrases: Vec<Phrase>) -> Result<String, toml::ser::Error> {
    toml::to_string(&PhraseList { phrase: phrases })
}

/// The id of the words that say what to do about what a cue names.
pub(crate) fn instruction_id(cue: CueId) -> String {
    format!("do_{cue}")
}

/// The words of the built-in phrases of a language, by cue.
pub(crate) fn phrase_words(
    language: super::Language,
) -> std::collections::BTreeMap<String, String> {
    parse(language.phrases())
        .unwrap_or_default()
        .into_iter()
        .map(|phrase| (phrase.id, phrase.words))
        .collect()
}
