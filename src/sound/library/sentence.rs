//! Sentences: recorded words put one after the other, numbers among them.
//!
//! In: what is to be said as [`Said`] parts. Out: the ids of the recordings in their order with the
//! silences between them. How a language builds its numbers follows from the entries that its
//! `phrases.toml` has; this module knows no language. Pure.

use std::time::Duration;

use super::phrase::instruction_id;
use crate::coach::Said;

/// The largest number that can be said.
const MOST: u32 = 999;

/// Silence between the words of a number, between other words, and for a comma. Recorded words end
/// in a fade, so these are shorter than in running speech.
const WITHIN_NUMBER: Duration = Duration::from_millis(15);
const BETWEEN_WORDS: Duration = Duration::from_millis(50);
const COMMA: Duration = Duration::from_millis(280);

/// One recording of a sentence, and the silence after it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) id: String,
    pub(super) pause: Duration,
}

/// The recordings of a sentence; `has` tells whether there is a recording of this id.
///
/// # Errors
/// The id of the first phrase, or the first number, that cannot be said.
pub(super) fn parts(said: &[Said], has: &dyn Fn(&str) -> bool) -> Result<Vec<Part>, String> {
    let mut parts: Vec<Part> = Vec::new();
    for piece in said {
        let (ids, noun) = match piece {
            Said::Pause => {
                set_last_pause(&mut parts, COMMA);
                continue;
            }
            Said::Phrase(id) => (vec![id.to_string()], None),
            Said::Cue(id) => (vec![id.to_string()], None),
            Said::Instruction(id) => match instruction_id(*id) {
                id if has(&id) => (vec![id], None),
                _ => (vec![id.to_string()], None),
            },
            Said::Number(number) => (said_number(*number, false, has)?, None),
            Said::Count(number, noun) => {
                let one = format!("{noun}_one");
                let noun = if *number == 1 && has(&one) {
                    one
                } else {
                    noun.to_string()
                };
                (said_number(*number, true, has)?, Some(noun))
            }
        };
        if let Some(missing) = ids.iter().chain(&noun).find(|id| !has(id)) {
            return Err(missing.clone());
        }
        parts.extend(ids.into_iter().map(|id| Part {
            id,
            pause: WITHIN_NUMBER,
        }));
        set_last_pause(&mut parts, BETWEEN_WORDS);
        parts.extend(noun.map(|id| Part {
            id,
            pause: BETWEEN_WORDS,
        }));
    }
    set_last_pause(&mut parts, Duration::ZERO);
    Ok(parts)
}

fn set_last_pause(parts: &mut [Part], pause: Duration) {
    if let Some(last) = parts.last_mut() {
        last.pause = pause;
    }
}

fn said_number(number: u32, noun: bool, has: &dyn Fn(&str) -> bool) -> Result<Vec<String>, String> {
    if number > MOST {
        return Err(number.to_string());
    }
    number_ids(number, noun, has).ok_or_else(|| number.to_string())
}

/// The recordings of a number: its own where it has one, else its hundreds and the rest, else its
/// tens and its ones.
fn number_ids(number: u32, noun: bool, has: &dyn Fn(&str) -> bool) -> Option<Vec<String>> {
    let first = |ids: &[String]| ids.iter().find(|id| has(id)).cloned();
    let plain = format!("n{number}");
    let own = if noun {
        first(&[format!("{plain}_noun"), plain])
    } else {
        first(&[plain])
    };
    if let Some(own) = own {
        return Some(vec![own]);
    }
    let (head, joint, rest) = match number {
        0..=20 => return None,
        21..=99 => {
            let head = first(&[format!("n{}", number - number % 10)])?;
            (head, first(&["n_and".to_owned()]), number % 10)
        }
        _ => {
            let hundreds = number - number % 100;
            let head = first(&[format!("n{hundreds}_and"), format!("n{hundreds}")])?;
            (head, None, number % 100)
        }
    };
    // A round number is a recording of its own or cannot be said.
    if rest == 0 {
        return None;
    }
    let mut ids = vec![head];
    ids.extend(joint);
    ids.extend(number_ids(rest, noun, has)?);
    Some(ids)
}

/// Whether an id belongs to a number. Languages differ in which of them they need.
pub(super) fn is_number_id(id: &str) -> bool {
    let Some(rest) = id.strip_prefix('n') else {
        return false;
    };
    let digits = rest.trim_end_matches("_noun").trim_end_matches("_and");
    rest == "_and" || digits.parse::<u32>().is_ok_and(|number| number <= MOST)
}

#[cfg(test)]
mod tests {
    use super::super::{Language, phrase_words};
    use super::*;
    use crate::coach::{CueId, PhraseId};

    /// A sentence in writing; `None` where it cannot be said.
    fn written(language: Language, said: &[Said]) -> Option<String> {
        let words = phrase_words(language);
        let parts = parts(said, &|id| words.contains_key(id)).ok()?;
        let written: Vec<&str> = parts.iter().map(|part| words[&part.id].as_str()).collect();
        Some(written.join(" "))
    }

    fn words(language: Language, said: &[Said]) -> String {
        written(language, said).expect("it can be said")
    }

    /// As the PyPI package num2words 0.5.14 spells them, `lang="en"` and `"es"`, without hyphens and the
    /// English "and". All of 0 to 999 were compared once; these are the kinds there are.
    #[test]
    fn numbers_are_built_as_each_language_does() {
        let cases = [
            (0, "zero", "cero"),
            (7, "seven", "siete"),
            (16, "sixteen", "dieciséis"),
            (20, "twenty", "veinte"),
            (21, "twenty one", "veintiuno"),
            (31, "thirty one", "treinta y uno"),
            (48, "forty eight", "cuarenta y ocho"),
            (99, "ninety nine", "noventa y nueve"),
            (100, "one hundred", "cien"),
            (101, "one hundred one", "ciento uno"),
            (150, "one hundred fifty", "ciento cincuenta"),
            (285, "two hundred eighty five", "doscientos ochenta y cinco"),
            (500, "five hundred", "quinientos"),
            (
                999,
                "nine hundred ninety nine",
                "novecientos noventa y nueve",
            ),
        ];
        for (number, english, spanish) in cases {
            assert_eq!(words(Language::English, &[Said::Number(number)]), english);
            assert_eq!(words(Language::Spanish, &[Said::Number(number)]), spanish);
        }
    }

    /// Common grammar, from memory: Spanish "uno" loses its ending before a masculine noun, in compounds
    /// too.
    #[test]
    fn number_and_noun_agree() {
        let count = |language, n| words(language, &[Said::Count(n, PhraseId::Swings)]);
        assert_eq!(count(Language::English, 1), "one swing");
        assert_eq!(count(Language::English, 10), "ten swings");
        assert_eq!(count(Language::Spanish, 1), "un swing");
        assert_eq!(count(Language::Spanish, 21), "veintiún swings");
        assert_eq!(count(Language::Spanish, 31), "treinta y un swings");
        assert_eq!(count(Language::Spanish, 101), "ciento un swings");
        assert_eq!(count(Language::Spanish, 0), "cero swings");
    }

    #[test]
    fn every_number_up_to_999_can_be_said_and_no_two_alike() {
        for language in Language::ALL {
            let known = phrase_words(language);
            let has = |id: &str| known.contains_key(id);
            let mut all: Vec<Vec<String>> = (0..=999)
                .map(|number| number_ids(number, false, &has).expect("a number"))
                .map(|ids| ids.iter().map(|id| known[id].clone()).collect())
                .collect();
            all.sort_unstable();
            all.dedup();
            assert_eq!(all.len(), 1000, "{}", language.code());
            assert_eq!(written(language, &[Said::Number(1000)]), None);
        }
    }

    #[test]
    fn a_language_may_have_a_word_for_every_number() {
        let german = ["n1", "n20", "n21"];
        let has = |id: &str| german.contains(&id);
        assert_eq!(number_ids(21, false, &has), Some(vec!["n21".to_owned()]));
        assert_eq!(number_ids(22, false, &has), None);
        assert!(["n21", "n_and", "n100_and", "n21_noun"].map(is_number_id) == [true; 4]);
        assert!(["none", "n", "no", "n1000", "new_set"].map(is_number_id) == [false; 5]);
    }

    #[test]
    fn silences_follow_the_sense() {
        let has = |id: &str| !id.contains("_noun") && !id.contains("_and");
        let said = [
            Said::Count(35, PhraseId::Swings),
            Said::Pause,
            Said::Phrase(PhraseId::InRange),
        ];
        let pauses: Vec<(String, Duration)> = parts(&said, &|id| has(id) && id != "n35")
            .expect("it can be said")
            .into_iter()
            .map(|part| (part.id, part.pause))
            .collect();
        let expected = [
            ("n30", WITHIN_NUMBER),
            ("n5", BETWEEN_WORDS),
            ("swings", COMMA),
            ("in_range", Duration::ZERO),
        ];
        assert_eq!(pauses, expected.map(|(id, t)| (id.to_owned(), t)));
        assert_eq!(
            parts(&[Said::Cue(CueId::HeadBack)], &|_| false),
            Err("head_back".to_owned())
        );
    }
}
