//! What a session keeps of the settings: values that say how reps are found and judged, and nothing that a person could be
//! named in.
//!
//! In: the text of a settings file. Out: a shorter one, without comments. The settings' hitter need not be the session's, so
//! that their name and height would go out with somebody else's reps.

use rusqlite::Connection;
use rusqlite::functions::FunctionFlags;
use toml::{Table, Value};

/// The sections and keys that are kept. Texts beside them name places, devices and people.
const KEPT: [(&str, &[&str]); 5] = [
    (
        "camera",
        &[
            "width",
            "height",
            "fps",
            "view",
            "known_length_cm",
            "known_length_px",
            "roll_deg",
            "exposure_ms",
            "gain_pct",
            "power_line_hz",
            "focus_pct",
        ],
    ),
    ("pose", &["model"]),
    (
        "microphone",
        &["on", "distance_m", "lag_ms", "lag_plus_minus_ms"],
    ),
    ("cues", &["order"]),
    ("baseline", &["swings"]),
];
/// The section whose keys are measures.
const BANDS: &str = "bands";
/// The SQL function that migration 9 calls.
const FUNCTION: &str = "kept_settings";

/// What is kept of a settings text; nothing of one that is not TOML.
pub(in crate::journal) fn kept_settings(text: &str) -> String {
    let Ok(all) = text.parse::<Table>() else {
        return String::new();
    };
    let mut kept = Table::new();
    let mut keep = |section: &str, is_kept: &dyn Fn(&str) -> bool| {
        let values: Table = all
            .get(section)
            .and_then(Value::as_table)
            .into_iter()
            .flatten()
            .filter(|(key, value)| is_kept(key) && is_of_words(value))
            .map(|(key, value)| (key.clone(), value.clone()))
            .collect();
        if !values.is_empty() {
            kept.insert(section.to_owned(), Value::Table(values));
        }
    };
    for (section, keys) in KEPT {
        keep(section, &|key| keys.contains(&key));
    }
    keep(BANDS, &is_word);
    toml::to_string(&kept).unwrap_or_default()
}

/// Numbers, and the words of the program's own lists, such as `open-side`.
fn is_of_words(value: &Value) -> bool {
    match value {
        Value::String(text) => is_word(text),
        Value::Array(values) => values.iter().all(is_of_words),
        Value::Table(table) => table
            .iter()
            .all(|(key, value)| is_word(key) && is_of_words(value)),
        _ => true,
    }
}

fn is_word(text: &str) -> bool {
    text.bytes()
        .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || b"_-".contains(&byte))
}

/// Lets SQL on this connection call [`kept_settings`].
pub(in crate::journal) fn teach(connection: &Connection) -> rusqlite::Result<()> {
    let flags = FunctionFlags::SQLITE_UTF8 | FunctionFlags::SQLITE_DETERMINISTIC;
    connection.create_scalar_function(FUNCTION, 1, flags, |arguments| {
        Ok(kept_settings(arguments.get_raw(0).as_str().unwrap_or("")))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_judges_reps_is_kept_and_what_could_name_anybody_is_not() {
        let text = "# Kim's cage, 12 Elm Street\nhitter = { name = \"Kim\", height_cm = 151.5, bats = \"left\" }\n\
                    [camera] # Kim's camera\ndevice = \"Kim's\"\nfps = 60\nview = \"open-side\"\nroll_deg = 1.5\n\
                    [pose]\nmodel = \"Kim\"\n[cues]\norder = [\"head_drop_cm\"] # for Kim\nvolume = 0.5\nphrases = \"/home/kim\"\n\
                    [journal]\npath = \"/home/kim/j.db\"\n[page]\nlisten = \"127.0.0.1:1\"\n\
                    [bands]\nhead_drop_cm = { low = -2, high = 4.5 } # Kim\n";
        assert_eq!(
            kept_settings(text),
            "[bands.head_drop_cm]\nhigh = 4.5\nlow = -2\n\n[camera]\nfps = 60\nroll_deg = 1.5\nview = \"open-side\"\n\n\
             [cues]\norder = [\"head_drop_cm\"]\n"
        );
        let once = kept_settings(text);
        assert_eq!(kept_settings(&once), once);
        for nothing in [
            "",
            "# Kim",
            "name = Kim",
            "[hitter",
            "\u{0}Kim",
            "camera = \"Kim\"",
        ] {
            assert_eq!(kept_settings(nothing), "", "{nothing:?}");
        }
    }
}
