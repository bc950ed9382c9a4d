//! Numbers of things, in the form that a language has for one and for more.
//!
//! English and Spanish both have one form for 1 and another for every other number, 0 among them (Unicode CLDR plural rules:
//! `one` where the number is 1; the Spanish `many` is for millions, which nothing here counts).

use std::fmt::Display;

use super::Messages;

/// What the key of the form for one thing ends with.
const ONE: &str = ".one";

impl Messages {
    /// So many of something: the text of a key, or of its form for one, with the number filled in first and then `rest`.
    pub(crate) fn counted_with(
        &self,
        key: &str,
        count: impl TryInto<u64>,
        rest: &[&dyn Display],
    ) -> String {
        let count = count.try_into().unwrap_or(u64::MAX);
        let one = format!("{key}{ONE}");
        let key = match count {
            1 => one.as_str(),
            _ => key,
        };
        let values: Vec<&dyn Display> = std::iter::once(&count as &dyn Display)
            .chain(rest.iter().copied())
            .collect();
        self.fill(key, &values)
    }

    /// So many of something.
    pub(crate) fn counted(&self, key: &str, count: impl TryInto<u64>) -> String {
        self.counted_with(key, count, &[])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rep::Lengths;
    use crate::sound::Language;

    #[test]
    fn one_is_told_in_the_singular_and_nothing_and_more_in_the_plural() {
        let [english, spanish] =
            Language::ALL.map(|language| Messages::of(language, Lengths::Metric));
        for (count, in_english, in_spanish) in [
            (0, "0 cues heard", "0 indicaciones oídas"),
            (1, "1 cue heard", "1 indicación oída"),
            (2, "2 cues heard", "2 indicaciones oídas"),
            (21, "21 cues heard", "21 indicaciones oídas"),
        ] {
            assert_eq!(english.counted("count.cues", count), in_english);
            assert_eq!(spanish.counted("count.cues", count), in_spanish);
        }
    }

    #[test]
    fn whatever_has_a_form_for_one_has_another_and_whatever_is_counted_has_both() {
        for messages in Language::ALL.map(|language| Messages::of(language, Lengths::Metric)) {
            let keys = &messages.messages;
            for key in keys.keys() {
                if let Some(many) = key.strip_suffix(ONE) {
                    assert!(keys.contains_key(many), "{many}");
                }
                if key.starts_with("count.") && !key.ends_with(ONE) {
                    let one = format!("{key}{ONE}");
                    let text = keys.get(&one).unwrap_or_else(|| panic!("{one}"));
                    assert!(text.contains("{}"), "{one}");
                }
            }
        }
    }
}
