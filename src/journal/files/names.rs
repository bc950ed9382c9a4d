//! People's names in text: found as whole words, whatever their length, and left out where they are somebody else's.

use std::ops::Range;

/// What stands in an export where a note names another hitter.
pub(in crate::journal) const SOMEBODY: &str = "[another hitter]";

/// Where the name stands as a whole word. "Ana" does not stand in "Anaïs".
pub(in crate::journal) fn find_name(text: &str, name: &str) -> Vec<Range<usize>> {
    if name.is_empty() {
        return Vec::new();
    }
    let is_free = |neighbor: Option<char>| neighbor.is_none_or(|c| !c.is_alphanumeric());
    text.match_indices(name)
        .map(|(at, _)| at..at + name.len())
        .filter(|found| {
            is_free(text[..found.start].chars().next_back())
                && is_free(text[found.end..].chars().next())
        })
        .collect()
}

/// Leaves out the names of others. A longer name goes before a shorter one within it, also where one of them is `own`.
#[derive(Debug)]
pub(in crate::journal) struct OtherNames {
    own: Option<String>,
    /// All names, `own` among them, the longest first.
    all: Vec<String>,
}

impl OtherNames {
    pub(in crate::journal) fn new(
        own: Option<&str>,
        names: impl IntoIterator<Item = String>,
    ) -> Self {
        let mut all: Vec<String> = names.into_iter().filter(|name| !name.is_empty()).collect();
        all.sort_by_key(|name| std::cmp::Reverse(name.len()));
        Self {
            own: own.map(str::to_owned),
            all,
        }
    }

    /// The text without them.
    pub(in crate::journal) fn left_out(&self, text: &str) -> String {
        let mut taken: Vec<(Range<usize>, bool)> = Vec::new();
        for name in &self.all {
            let is_own = self.own.as_ref() == Some(name);
            for found in find_name(text, name) {
                let is_free = |(other, _): &(Range<usize>, bool)| {
                    found.end <= other.start || other.end <= found.start
                };
                if taken.iter().all(is_free) {
                    taken.push((found, is_own));
                }
            }
        }
        taken.retain(|(_, is_own)| !is_own);
        taken.sort_by_key(|(found, _)| found.start);
        let mut out = String::new();
        let mut from = 0;
        for (found, _) in taken {
            out.push_str(&text[from..found.start]);
            out.push_str(SOMEBODY);
            from = found.end;
        }
        out.push_str(&text[from..]);
        out
    }

    /// The same in every text of a JSON value; its keys are the program's.
    pub(in crate::journal) fn left_out_of(&self, value: &mut serde_json::Value) {
        match value {
            serde_json::Value::String(text) => *text = self.left_out(text),
            serde_json::Value::Array(values) => values.iter_mut().for_each(|v| self.left_out_of(v)),
            serde_json::Value::Object(map) => map.values_mut().for_each(|v| self.left_out_of(v)),
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_others_are_left_out_as_whole_words_the_longest_first() {
        let names = ["Ana", "Ben", "Kim", "Ana Kim", "Zoë"].map(str::to_owned);
        let others = OtherNames::new(Some("Ana"), names);
        for (text, without) in [
            ("Ana, not Ben", "Ana, not [another hitter]"),
            (
                "Ana Kim waits; Kim's turn",
                "[another hitter] waits; [another hitter]'s turn",
            ),
            ("Bench, Anaïs and Kimono", "Bench, Anaïs and Kimono"),
            ("“Zoë”", "“[another hitter]”"),
            ("", ""),
        ] {
            assert_eq!(others.left_out(text), without);
        }
        let nobody = OtherNames::new(None, ["Ben".to_owned()]);
        assert_eq!(nobody.left_out("BenBen Ben"), "BenBen [another hitter]");
    }
}
