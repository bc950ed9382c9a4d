//! The page's words in two languages, one list each.
//!
//! In: a key from a template or from code. Out: the words. Both lists have the same keys; a test holds them to it. The words of
//! cues are those that are heard, so that screen and ear agree.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use crate::coach::ScheduleKind;
use crate::sound::{Language, phrase_words};

/// The words of a language.
#[derive(Debug)]
pub(super) struct Words {
    language: Language,
    words: BTreeMap<String, String>,
    cues: BTreeMap<String, String>,
}

impl Words {
    /// The words of this language.
    pub(super) fn of(language: Language) -> &'static Self {
        static ALL: OnceLock<[Words; 2]> = OnceLock::new();
        let [english, spanish] = ALL.get_or_init(|| Language::ALL.map(Words::read));
        match language {
            Language::English => english,
            Language::Spanish => spanish,
        }
    }

    fn read(language: Language) -> Self {
        let text = match language {
            Language::English => include_str!("words/en.toml"),
            Language::Spanish => include_str!("words/es.toml"),
        };
        let words = toml::from_str(text).unwrap_or_else(|error| {
            tracing::error!(%error, "the page's words cannot be read");
            BTreeMap::new()
        });
        Self {
            language,
            words,
            cues: phrase_words(language),
        }
    }

    /// The language.
    pub(super) fn language(&self) -> Language {
        self.language
    }

    /// The words of a key; the key itself where it has none, so that a gap shows.
    pub(super) fn t<'a>(&'a self, key: &'a str) -> &'a str {
        self.words.get(key).map_or(key, String::as_str)
    }

    /// The words of a cue schedule.
    pub(super) fn schedule(&self, kind: &ScheduleKind) -> &str {
        self.t(match kind {
            ScheduleKind::EveryRep => "schedule.every_rep",
            ScheduleKind::OutOfBand => "schedule.out_of_band",
            ScheduleKind::EveryNth => "schedule.every_nth",
            ScheduleKind::Faded => "schedule.faded",
            ScheduleKind::Summary => "schedule.summary",
            ScheduleKind::Silent => "schedule.silent",
        })
    }

    /// The words of a key with `{}` filled in.
    pub(super) fn with(&self, key: &str, value: impl std::fmt::Display) -> String {
        self.t(key).replacen("{}", &value.to_string(), 1)
    }

    /// All cues and what they say.
    pub(super) fn cues(&self) -> impl Iterator<Item = (&str, &str)> {
        self.cues
            .iter()
            .map(|(id, words)| (id.as_str(), words.as_str()))
    }

    /// What a cue says; its id where it has no words.
    pub(super) fn cue<'a>(&'a self, id: &'a str) -> &'a str {
        self.cues.get(id).map_or(id, String::as_str)
    }

    /// A measure's name for people.
    pub(super) fn measure<'a>(&'a self, name: &'a str) -> &'a str {
        self.words
            .get(&format!("measure.{name}"))
            .map_or(name, String::as_str)
    }

    /// All words that scripts need, by key: those that begin with `js.`.
    pub(super) fn for_scripts(&self) -> BTreeMap<&str, &str> {
        self.words
            .iter()
            .filter_map(|(key, words)| Some((key.strip_prefix("js.")?, words.as_str())))
            .collect()
    }
}

/// The key of a verdict's words.
pub(super) fn verdict_key(verdict: &str) -> &'static str {
    match verdict {
        "low" => "verdict.low",
        "high" => "verdict.high",
        _ => "verdict.in",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rep::MeasureName;

    #[test]
    fn both_lists_have_the_same_keys_and_no_empty_words() {
        let [english, spanish] = Language::ALL.map(Words::of);
        let keys = |words: &Words| words.words.keys().cloned().collect::<Vec<_>>();
        assert!(keys(english).len() > 50);
        assert_eq!(keys(english), keys(spanish));
        for words in [english, spanish] {
            assert!(words.words.values().all(|text| !text.trim().is_empty()));
            for name in MeasureName::ALL {
                assert_ne!(words.measure(name.name()), name.name());
            }
            assert_ne!(words.cue("head_forward"), "head_forward");
        }
        // The same gaps in both, or one language would lose a number.
        for (key, text) in &english.words {
            assert_eq!(
                text.matches("{}").count(),
                spanish.t(key).matches("{}").count(),
                "{key}"
            );
        }
    }

    #[test]
    fn every_key_that_a_template_or_handler_asks_for_is_there() {
        let words = Words::of(Language::English);
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/page");
        let mut asked = 0;
        for place in [folder.join("templates"), folder] {
            for entry in std::fs::read_dir(place).unwrap() {
                let path = entry.unwrap().path();
                if !path.is_file() {
                    continue;
                }
                let text = std::fs::read_to_string(&path).unwrap();
                for call in [".t(\"", ".with(\""] {
                    for rest in text.split(call).skip(1) {
                        let key = rest.split('"').next().unwrap();
                        // Code here speaks of the calls themselves.
                        if path.ends_with("words.rs") || key.ends_with('.') {
                            continue;
                        }
                        asked += 1;
                        assert_ne!(words.t(key), key, "{key} in {}", path.display());
                    }
                }
            }
        }
        assert!(asked > 20, "{asked}");
    }
}
