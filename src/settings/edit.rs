//! Edits a settings file in place: values change; comments, order and everything else stay.
//!
//! In: the file's text and what calibration measured. Out: the new text with a list of changes, and the file replaced
//! atomically with the old one kept beside it.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use toml_edit::{DocumentMut, Item, Table, TableLike, Value, value};

/// What calibration measured; `None` leaves what the file has.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CameraValues {
    /// A length where the hitter stands, in centimeters and in pixels.
    pub known_length: Option<(f64, f64)>,
    /// The camera's roll in degrees, positive where a level line falls to the right in the picture.
    pub roll_deg: Option<f64>,
}

impl CameraValues {
    /// The values that were measured, by their keys.
    pub fn numbers(self) -> Vec<(&'static str, f64)> {
        let (cm, px) = self.known_length.unzip();
        let all = [
            ("known_length_cm", cm),
            ("known_length_px", px),
            ("roll_deg", self.roll_deg),
        ];
        all.into_iter()
            .filter_map(|(key, number)| Some((key, number?)))
            .collect()
    }
}

/// One value that changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// The key within its section.
    pub(crate) key: &'static str,
    /// As it was written; "not set" where it was not.
    pub(crate) before: String,
    /// As it is written now.
    pub(crate) after: String,
}

/// Why a settings file was not changed.
#[derive(Debug, thiserror::Error)]
pub enum EditError {
    /// The text is not TOML, or `camera` is no table in it.
    #[error("{path}: the settings cannot be changed: {reason}")]
    Unfit {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
    /// The system did not let it be written.
    #[error("{path}: cannot be written: {source}. Check who owns the folder, and its free space")]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// Puts numbers into a section of a file's text; `path` is for messages.
///
/// # Errors
/// Where the text is not TOML or has something else under the section's name.
pub fn edit_numbers(
    text: &str,
    section: &str,
    numbers: &[(&'static str, f64)],
    path: &Path,
) -> Result<(String, Vec<Change>), EditError> {
    let unfit = |reason: String| EditError::Unfit {
        path: path.to_owned(),
        reason,
    };
    let mut document: DocumentMut = text
        .parse()
        .map_err(|error: toml_edit::TomlError| unfit(error.message().trim().to_owned()))?;
    let table = document
        .entry(section)
        .or_insert_with(|| Item::Table(Table::new()))
        .as_table_like_mut()
        .ok_or_else(|| unfit(format!("\"{section}\" is no table")))?;
    let changes = numbers
        .iter()
        .filter_map(|(key, number)| put(table, key, *number))
        .collect();
    Ok((document.to_string(), changes))
}

/// The switches that let pictures be kept and shown. Off is never put off.
const PICTURE_SWITCHES: [(&str, &str); 2] = [("video", "keep"), ("page", "picture")];

/// The text in force with every picture switch off that a newer text, which may be wrong elsewhere, has off; `None` where that
/// changes nothing, or one of the two is not TOML at all.
pub(super) fn with_pictures_off(in_force: &str, newer: &str) -> Option<String> {
    let newer: DocumentMut = newer.parse().ok()?;
    let mut document: DocumentMut = in_force.parse().ok()?;
    let is = |document: &DocumentMut, (table, key): (&str, &str)| {
        document
            .get(table)
            .and_then(|table| table.get(key))
            .and_then(Item::as_bool)
    };
    let mut differs = false;
    for switch in PICTURE_SWITCHES {
        if is(&newer, switch) == Some(false) && is(&document, switch) == Some(true) {
            document[switch.0][switch.1] = value(false);
            differs = true;
        }
    }
    differs.then(|| document.to_string())
}

/// What is said of the hitter and of where the camera stands.
const ABOUT_THIS_CAGE: [(&str, &str); 7] = [
    ("hitter", "name"),
    ("hitter", "height_cm"),
    ("hitter", "bats"),
    ("camera", "view"),
    ("camera", "known_length_cm"),
    ("camera", "known_length_px"),
    ("camera", "roll_deg"),
];

/// The text without what holds for this cage alone. A text that is no TOML stays as it is.
pub(super) fn without_this_cage(text: &str) -> String {
    let Ok(mut document) = text.parse::<DocumentMut>() else {
        return text.to_owned();
    };
    for (section, key) in ABOUT_THIS_CAGE {
        if let Some(table) = document.get_mut(section).and_then(Item::as_table_like_mut) {
            table.remove(key);
        }
    }
    document.to_string()
}

/// Sets one value; the comment after it stays. `None` where the value is already there.
fn put(table: &mut dyn TableLike, key: &'static str, number: f64) -> Option<Change> {
    let old = table.get(key).and_then(Item::as_value);
    // A whole number is written without a point, as people do.
    let mut new = match number.fract() == 0.0 && number.abs() < 1e6 {
        true => Value::from(number as i64),
        false => Value::from(number),
    };
    let after = new.to_string().trim().to_owned();
    let before = old.map_or_else(
        || "not set".to_owned(),
        |old| old.clone().decorated("", "").to_string(),
    );
    if before == after {
        return None;
    }
    if let Some(old) = old {
        *new.decor_mut() = old.decor().clone();
    }
    match table.get_mut(key) {
        // Through the item: inserting anew would lose the comments above the key.
        Some(item) => *item = Item::Value(new),
        None => drop(table.insert(key, value(new))),
    }
    Some(Change { key, before, after })
}

/// Replaces a file, which need not exist, by `text`; gives the name under which the old one was kept.
///
/// # Errors
/// Where the folder or the file cannot be written. The old file is then still in its place.
pub(crate) fn replace_file(path: &Path, text: &str) -> Result<Option<PathBuf>, EditError> {
    let unwritable = |source| EditError::Unwritable {
        path: path.to_owned(),
        source,
    };
    // A symbolic link stays; its target is replaced.
    let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let folder = match target.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    };
    fs::create_dir_all(&folder).map_err(unwritable)?;
    let kept = match target.is_file() {
        true => {
            let kept = kept_copy(&target);
            fs::copy(&target, &kept).map_err(unwritable)?;
            Some(kept)
        }
        false => None,
    };
    let unfinished = with_ending(&target, &format!("{}.new", std::process::id()));
    write_whole(&unfinished, &target, text)
        .and_then(|()| fs::rename(&unfinished, &target))
        .inspect_err(|_| {
            // The failure itself is reported; a temporary file that cannot be removed does no harm.
            let _ = fs::remove_file(&unfinished);
        })
        .map_err(unwritable)?;
    Ok(kept)
}

/// Where an edit keeps the file as it was.
pub(super) fn kept_copy(path: &Path) -> PathBuf {
    with_ending(path, "bak")
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".");
    name.push(ending);
    name.into()
}

/// Writes a file with the permissions of `like` and waits until the disk has it.
fn write_whole(path: &Path, like: &Path, text: &str) -> io::Result<()> {
    let mut file = File::create(path)?;
    if let Ok(old) = fs::metadata(like) {
        file.set_permissions(old.permissions())?;
    }
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::{DEFAULT_FILE, Settings};

    fn path() -> &'static Path {
        Path::new("s.toml")
    }

    const MEASURED: CameraValues = CameraValues {
        known_length: Some((84.0, 271.5)),
        roll_deg: Some(-1.25),
    };

    #[test]
    fn pictures_go_off_whatever_else_is_wrong() {
        let on = "[video]\nkeep = true\n[page]\npicture = true\n";
        let off = |newer: &str| with_pictures_off(on, newer);
        assert_eq!(
            off("[video]\nkeep = false\n[cues]\nvolume = 55\nnonsense = 1\n").as_deref(),
            Some("[video]\nkeep = false\n[page]\npicture = true\n")
        );
        assert_eq!(
            off("[page]\npicture = false\n[video]\nkeep = false").as_deref(),
            Some("[video]\nkeep = false\n[page]\npicture = false\n")
        );
        for nothing in [
            "[video]\nkeep = true\n",
            "",
            "[video]\nkeep = \"no\"\n",
            "[video\nkeep = false",
        ] {
            assert_eq!(off(nothing), None, "{nothing}");
        }
        // Never on by this way.
        assert_eq!(with_pictures_off("[video]\nkeep = false\n", on), None);
    }

    #[test]
    fn a_clip_of_another_camera_takes_over_nothing_about_this_one() {
        let text = "[hitter]\nname = \"Kim\"\nheight_cm = 150\nidle_minutes = 5\n[camera]\nknown_length_cm = 84\n\
                    known_length_px = 271.5\nroll_deg = 2.0\nview = \"rear\"\nfps = 60\n[bands.stride_cm]\nmin = 40\n";
        let kept = without_this_cage(text);
        assert_eq!(
            kept,
            "[hitter]\nidle_minutes = 5\n[camera]\nfps = 60\n[bands.stride_cm]\nmin = 40\n"
        );
        let default = Settings::parse(&without_this_cage(DEFAULT_FILE), path()).unwrap();
        assert_eq!(default.camera.cm_per_px, None);
        assert_eq!(without_this_cage("[hitter"), "[hitter");
    }

    #[test]
    fn only_the_three_lines_of_the_default_file_change() {
        let (text, changes) =
            edit_numbers(DEFAULT_FILE, "camera", &MEASURED.numbers(), path()).unwrap();
        let differ: Vec<(&str, &str)> = DEFAULT_FILE
            .lines()
            .zip(text.lines())
            .filter(|(old, new)| old != new)
            .collect();
        assert_eq!(
            differ,
            [
                ("known_length_cm = 0", "known_length_cm = 84"),
                ("known_length_px = 0", "known_length_px = 271.5"),
                ("roll_deg = \"auto\"", "roll_deg = -1.25"),
            ]
        );
        assert_eq!(text.lines().count(), DEFAULT_FILE.lines().count());
        assert_eq!(changes.len(), 3);
        let camera = Settings::parse(&text, path()).unwrap().camera;
        assert_eq!(camera.roll_deg, Some(-1.25));
        assert!((camera.cm_per_px.unwrap() - 84.0 / 271.5).abs() < 1e-12);
    }

    #[test]
    fn comments_order_and_an_unusual_way_of_writing_stay() {
        let text = "# mine\n[cues]\nvolume = 0.5 # loud enough\n\n[camera]\nroll_deg = 2   # by eye\nfps = 30\n";
        let (new, changes) = edit_numbers(text, "camera", &[("roll_deg", 1.5)], path()).unwrap();
        assert_eq!(new, text.replace("roll_deg = 2 ", "roll_deg = 1.5 "));
        assert_eq!(
            changes,
            [Change {
                key: "roll_deg",
                before: "2".into(),
                after: "1.5".into()
            }]
        );
        for text in [
            "",
            "[hitter]\nheight_cm = 150\n",
            "camera = { fps = 30 }\n",
            "camera.fps = 30\n",
        ] {
            let (new, _) = edit_numbers(text, "camera", &MEASURED.numbers(), path()).unwrap();
            let settings = Settings::parse(&new, path()).unwrap();
            assert_eq!(settings.camera.roll_deg, Some(-1.25), "{new}");
            assert!(
                new.contains(text.trim_end().trim_end_matches(" }")),
                "{new}"
            );
        }
    }

    #[test]
    fn what_is_there_already_is_no_change() {
        let (once, _) = edit_numbers(DEFAULT_FILE, "camera", &MEASURED.numbers(), path()).unwrap();
        let (twice, changes) = edit_numbers(&once, "camera", &MEASURED.numbers(), path()).unwrap();
        assert_eq!((twice, changes), (once, Vec::new()));
    }

    #[test]
    fn a_text_that_cannot_be_changed_is_refused() {
        for text in ["camera = 5", "[camera"] {
            let refused = edit_numbers(text, "camera", &MEASURED.numbers(), path());
            assert!(
                matches!(refused, Err(EditError::Unfit { .. })),
                "{text:?}: {refused:?}"
            );
        }
    }

    #[test]
    fn a_file_is_replaced_whole_and_the_old_one_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new/cagehand.toml");
        assert_eq!(replace_file(&path, "first").unwrap(), None);
        let kept = replace_file(&path, "second").unwrap().unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "second");
        assert_eq!(fs::read_to_string(&kept).unwrap(), "first");
        let names = fs::read_dir(path.parent().unwrap()).unwrap().count();
        assert_eq!(names, 2, "no unfinished file is left");
        // A folder in its place.
        assert!(replace_file(folder.path(), "third").is_err());
    }
}
