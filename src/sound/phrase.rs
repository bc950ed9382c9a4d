//! The list of phrases, `phrases.toml`: which words belong to which cue, and in which file.
//!
//! Text in, plain values out. Used for the built-in list and for a coach's own folder alike.

use serde::Deserialize;

/// One spoken cue.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Phrase {
    /// The cue: what the hitter did, in snake case.
    pub id: String,
    /// What is said.
    pub words: String,
    /// WAV file in the same folder.
    pub file: String,
    /// The tone in front. A coach's list may leave it out and so keep the built-in one.
    pub tone: Option<PhraseTone>,
}

/// Which tone goes before the words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PhraseTone {
    /// A measure was out of its band.
    Out,
    /// A remark about the set-up: ready, not in view, too dark.
    Notice,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PhraseList {
    phrase: Vec<Phrase>,
}

/// Reads a list in the form of the built-in `phrases.toml`.
pub(super) fn parse(text: &str) -> Result<Vec<Phrase>, toml::de::Error> {
    Ok(toml::from_str::<PhraseList>(text)?.phrase)
}
