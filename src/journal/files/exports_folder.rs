//! A folder for exports alone, from which old ones are deleted.
//!
//! In: the folder of the settings. Out: the same without what is older than a limit. A marker file says that the folder is cagehand's to
//! delete from: a folder that holds something else is left alone.

use std::fs::{self, File};
use std::io;
use std::path::Path;

use jiff::Timestamp;

/// Says that what lies here may be deleted.
const MARKER: &str = ".cagehand-exports";

/// Makes the folder, readable by its owner alone, or takes an empty one.
///
/// # Errors
/// [`io::ErrorKind::AlreadyExists`] where it holds something and no marker, and those of the system.
pub(crate) fn prepare_exports_folder(folder: &Path) -> io::Result<()> {
    let marker = folder.join(MARKER);
    if marker.exists() {
        return Ok(());
    }
    let is_new = !folder.exists();
    fs::create_dir_all(folder)?;
    if fs::read_dir(folder)?.next().is_some() {
        return Err(io::Error::new(
            io::ErrorKind::AlreadyExists,
            "the folder for exports holds other files already, and old ones would be deleted from it; name a new or empty one",
        ));
    }
    #[cfg(unix)]
    if is_new {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(folder, fs::Permissions::from_mode(0o700))?;
    }
    File::create_new(marker)?.sync_all()
}

/// Deletes what was last changed before this; says how much that was. What a link leads to stays.
///
/// # Errors
/// Those of [`prepare_exports_folder`], and the first of the system's; the rest is deleted all the same.
pub(crate) fn delete_exports_before(folder: &Path, limit: Timestamp) -> io::Result<usize> {
    prepare_exports_folder(folder)?;
    let limit = std::time::SystemTime::from(limit);
    let (mut deleted, mut failed) = (0, None);
    for entry in fs::read_dir(folder)? {
        let removed = entry.and_then(|entry| {
            // Of a link itself, not of what it leads to.
            let found = entry.metadata()?;
            if entry.file_name() == MARKER || found.modified()? >= limit {
                return Ok(0);
            }
            match found.is_dir() {
                true => fs::remove_dir_all(entry.path())?,
                false => fs::remove_file(entry.path())?,
            }
            Ok(1)
        });
        match removed {
            Ok(count) => deleted += count,
            Err(error) => failed = failed.or(Some(error)),
        }
    }
    failed.map_or(Ok(deleted), Err)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::{Duration, SystemTime};

    fn age(path: &Path, days: u64) {
        let then = SystemTime::UNIX_EPOCH + Duration::from_secs(1_700_000_000 - days * 86_400);
        File::open(path).unwrap().set_modified(then).unwrap();
    }

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn old_exports_go_and_new_ones_stay() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("a/exports");
        let limit = Timestamp::from_second(1_700_000_000 - 30 * 86_400).unwrap();
        assert_eq!(delete_exports_before(&folder, limit).unwrap(), 0);
        for (name, days) in [("old", 31), ("new", 29)] {
            fs::create_dir(folder.join(name)).unwrap();
            fs::write(folder.join(name).join("reps.jsonl"), "{}").unwrap();
            fs::write(folder.join(name).with_extension("csv"), "x").unwrap();
            age(&folder.join(name), days);
            age(&folder.join(name).with_extension("csv"), days);
        }
        age(&folder.join(MARKER), 400);
        assert_eq!(delete_exports_before(&folder, limit).unwrap(), 2);
        assert_eq!(names(&folder), [MARKER, "new", "new.csv"]);
    }

    #[test]
    fn a_folder_with_something_else_and_what_a_link_leads_to_are_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let home = dir.path().join("home");
        fs::create_dir(&home).unwrap();
        fs::write(home.join("letter"), "dear").unwrap();
        age(&home.join("letter"), 400);
        let limit = Timestamp::from_second(1_700_000_000).unwrap();
        let refused = delete_exports_before(&home, limit).unwrap_err();
        assert_eq!(refused.kind(), io::ErrorKind::AlreadyExists);
        #[cfg(unix)]
        {
            let exports = dir.path().join("exports");
            prepare_exports_folder(&exports).unwrap();
            std::os::unix::fs::symlink(&home, exports.join("link")).unwrap();
            let limit = Timestamp::from_second(100_000_000_000).unwrap();
            assert_eq!(delete_exports_before(&exports, limit).unwrap(), 1);
            assert_eq!(names(&exports), [MARKER]);
        }
        assert_eq!(names(&home), ["letter"]);
    }
}
