//! What each key of the settings means, its default, and its value in the file in force.
//!
//! In: the text of a settings file that was checked. Out: one [`Key`] for each key there is. Meanings and defaults are read
//! from the commented default file that is compiled in, which is where the program takes its defaults from, so that they
//! cannot disagree. Pure.

use std::collections::BTreeMap;

use toml_edit::{Document, DocumentMut, Item, RawString, TableLike, Value};

use super::DEFAULT_FILE;

/// The value of a band that is left out: its measure is not judged.
pub(crate) const NO_BAND: &str = "none";
/// The section whose keys are measures; a file replaces it as a whole.
const BANDS: &str = "bands";
/// The ends of a band, in the order in which they are shown.
const ENDS: [&str; 4] = ["low", "high", "below", "above"];

/// A section with its keys, as in the default file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// Its name, such as `cues`.
    pub(crate) name: String,
    /// The comment above it in the default file, line by line; empty without one.
    pub(crate) meaning: String,
    /// Its keys in the default file's order, those that only the file in force has at the end.
    pub(crate) keys: Vec<Key>,
}

/// A key with its meaning and values. Values are normalized: the same value always has the same text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Key {
    /// Section and key, such as `cues.volume`.
    pub(crate) name: String,
    /// The comment above it in the default file, line by line. Keys in consecutive lines share it.
    pub(crate) meaning: String,
    /// The value where the file has none.
    pub(crate) default: String,
    /// The value now.
    pub(crate) now: String,
    /// The line of the file in force that sets it, from 1; `None` where the default holds.
    pub(crate) line: Option<usize>,
}

/// A value as a file has it.
struct Written {
    value: String,
    line: usize,
}

/// All sections with all keys; `text` is the file in force. A text that is not TOML counts as empty.
pub fn explain(text: &str) -> Vec<Section> {
    let written = written(text);
    let replaces_bands = written.contains_key(BANDS);
    // A test reads the default file, so it is valid.
    let default: DocumentMut = DEFAULT_FILE.parse().unwrap_or_default();
    let mut sections = Vec::new();
    for (name, item) in default.iter() {
        let Some(table) = item.as_table() else {
            continue;
        };
        let given = written.get(name);
        let mut keys: Vec<Key> = Vec::new();
        for (key, item) in table.iter() {
            let prefix = table.key(key).and_then(|key| key.leaf_decor().prefix());
            let meaning = match (comment(prefix), keys.last()) {
                (Some(own), _) => own,
                (None, Some(above)) => above.meaning.clone(),
                (None, None) => String::new(),
            };
            let default = value_of(item);
            let (now, line) = match given.and_then(|given| given.get(key)) {
                Some(written) => (written.value.clone(), Some(written.line)),
                None if name == BANDS && replaces_bands => (NO_BAND.to_owned(), None),
                None => (default.clone(), None),
            };
            keys.push(Key {
                name: format!("{name}.{key}"),
                meaning,
                default,
                now,
                line,
            });
        }
        for (key, written) in given.into_iter().flatten() {
            if !table.contains_key(key) {
                keys.push(Key {
                    name: format!("{name}.{key}"),
                    meaning: String::new(),
                    default: NO_BAND.to_owned(),
                    now: written.value.clone(),
                    line: Some(written.line),
                });
            }
        }
        sections.push(Section {
            name: name.to_owned(),
            meaning: comment(table.decor().prefix()).unwrap_or_default(),
            keys,
        });
    }
    sections
}

/// A file that says every value of now, defaults included, without comments.
pub(super) fn spelled_out(sections: &[Section]) -> String {
    let mut text = String::new();
    for section in sections {
        text += &format!("[{}]\n", section.name);
        for key in section.keys.iter().filter(|key| key.now != NO_BAND) {
            let name = key.name.strip_prefix(&section.name).unwrap_or(&key.name);
            text += &format!("{} = {}\n", name.trim_start_matches('.'), key.now);
        }
    }
    text
}

/// The values that a text has, by section and key.
fn written(text: &str) -> BTreeMap<String, BTreeMap<String, Written>> {
    let Ok(document) = Document::parse(text) else {
        return BTreeMap::new();
    };
    let sections = document.iter().filter_map(|(section, item)| {
        let keys = item.as_table_like()?.iter().map(|(key, item)| {
            let at = item.span().map_or(0, |span| span.start);
            let written = Written {
                value: value_of(item),
                line: text[..at].matches('\n').count() + 1,
            };
            (key.to_owned(), written)
        });
        Some((section.to_owned(), keys.collect()))
    });
    sections.collect()
}

/// The comment directly above an item; `None` without one, or with a blank line between.
fn comment(above: Option<&RawString>) -> Option<String> {
    let mut lines: Vec<&str> = Vec::new();
    for line in above?.as_str()?.lines().map(str::trim) {
        match line.strip_prefix('#') {
            Some(words) => lines.push(words.strip_prefix(' ').unwrap_or(words)),
            None => lines.clear(),
        }
    }
    (!lines.is_empty()).then(|| lines.join("\n"))
}

/// A value, normalized.
fn value_of(item: &Item) -> String {
    match (item.as_value(), item.as_table_like()) {
        (Some(value), _) => normalized(value),
        (None, Some(table)) => band(table),
        // A list of tables, which the check refuses.
        (None, None) => item.to_string(),
    }
}

fn normalized(value: &Value) -> String {
    match value {
        Value::String(text) => Value::from(text.value().trim()).to_string(),
        Value::Integer(number) => number.value().to_string(),
        // A whole number is shown without a point, however it was written.
        Value::Float(number) => number.value().to_string(),
        Value::Boolean(yes) => yes.value().to_string(),
        Value::Datetime(time) => time.value().to_string(),
        Value::Array(values) => {
            let values: Vec<String> = values.iter().map(normalized).collect();
            format!("[{}]", values.join(", "))
        }
        Value::InlineTable(table) => band(table),
    }
}

fn band(table: &dyn TableLike) -> String {
    let rank = |key: &str| ENDS.iter().position(|end| *end == key);
    let mut ends: Vec<(&str, &Item)> = table.iter().collect();
    ends.sort_by_key(|(key, _)| rank(key));
    let ends: Vec<String> = ends
        .iter()
        .map(|(key, item)| format!("{key} = {}", value_of(item)))
        .collect();
    match ends.is_empty() {
        true => "{}".to_owned(),
        false => format!("{{ {} }}", ends.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::settings::{Settings, SettingsError};

    fn key(sections: &[Section], name: &str) -> Key {
        let mut keys = sections.iter().flat_map(|section| &section.keys);
        keys.find(|key| key.name == name).unwrap().clone()
    }

    const MINE: &str = "camera.fps = 30\nhitter = { name = \" Mia \", height_cm = 150.0 }\n[cues]\n# mine\norder = [\n  \
                        \"head_drop_cm\", # first\n  \"hands_back_cm\",\n]\nvolume = 5e-1\n\
                        [bands.head_drop_cm]\nhigh = 4.0\nlow = -2\n[bands.stride_length_cm]\nbelow = 6\n";

    #[test]
    fn what_is_explained_as_now_is_what_the_program_takes() {
        for text in [
            "",
            DEFAULT_FILE,
            MINE,
            "[bands]\n",
            "[cues]\nremarks = false",
        ] {
            let mut in_force = Settings::parse(text, Path::new("s.toml")).unwrap();
            let spelled = spelled_out(&explain(text));
            let again = Settings::parse(&spelled, Path::new("again.toml")).unwrap();
            in_force.text = spelled;
            assert_eq!(again, in_force, "{text:?}");
        }
    }

    #[test]
    fn every_key_that_a_file_may_have_is_explained() {
        // A key that does not exist is refused with a list of those that do: it comes from the reader, not from the file.
        let known = |text: &str| -> Vec<String> {
            let Err(SettingsError::Wrong { reason, .. }) = Settings::parse(text, Path::new("s"))
            else {
                panic!("{text} is no key");
            };
            let (_, known) = reason.split_once("expected").unwrap();
            known
                .split('`')
                .skip(1)
                .step_by(2)
                .map(str::to_owned)
                .collect()
        };
        let sections = explain("");
        let names: Vec<&str> = sections.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(known("[no_section]"), names);
        for section in sections.iter().filter(|section| section.name != BANDS) {
            let mut names: Vec<&str> = section
                .keys
                .iter()
                .filter_map(|key| key.name.split_once('.'))
                .map(|(_, key)| key)
                .collect();
            let mut known = known(&format!("[{}]\nno_key = 1", section.name));
            names.sort_unstable();
            known.sort_unstable();
            assert_eq!(known, names, "{}", section.name);
            assert!(
                section.keys.iter().all(|key| !key.meaning.is_empty()),
                "{section:?}"
            );
        }
    }

    #[test]
    fn meaning_default_value_and_line_are_those_of_the_files() {
        let sections = explain(MINE);
        let volume = key(&sections, "cues.volume");
        assert_eq!(
            (
                volume.meaning.as_str(),
                volume.default.as_str(),
                volume.now.as_str(),
                volume.line
            ),
            ("Loudness, 0 to 1.", "0.8", "0.5", Some(9))
        );
        assert_eq!(key(&sections, "camera.fps").line, Some(1));
        // Keys below one another share what stands above the first.
        let width = key(&sections, "camera.width").meaning;
        assert!(
            width.starts_with("The requested size")
                && key(&sections, "camera.height").meaning == width
        );
        // A comment with a blank line after it belongs to nobody.
        assert_eq!(sections[0].meaning, "");
        let bands = sections.last().unwrap();
        assert!(
            bands
                .meaning
                .contains("\n    stride_length_cm = { below = 6, above = 6 }\n")
        );
        let drop = key(&sections, "bands.head_drop_cm");
        assert_eq!(
            (drop.default.as_str(), drop.now.as_str()),
            ("{ low = -3, high = 10 }", "{ low = -2, high = 4 }")
        );
        assert_eq!(key(&sections, "bands.head_to_plant_cm").now, NO_BAND);
        let stride = key(&sections, "bands.stride_length_cm");
        assert_eq!(
            (stride.default.as_str(), stride.now.as_str()),
            (NO_BAND, "{ below = 6 }")
        );
    }
}
