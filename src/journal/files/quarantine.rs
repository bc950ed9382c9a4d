//! Quarantine of damaged journals: the file and its log are renamed together, and nothing is ever overwritten.
//!
//! In: the path of a journal whose writer lock is held, and what is wrong with it. Out: its new name. A damaged file is
//! renamed only where something shows that it was a journal; other programs' files stay where they are.

use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::journal::error::JournalError;
use crate::journal::files::byte_search::count_in_file;
use crate::journal::store::schema::{APPLICATION_ID, VERSION};
use crate::private_file::{folder_of, with_suffix};

/// The first bytes of every SQLite file, and where its header keeps the marks (SQLite, "Database File Format", 1.3).
const MAGIC: &[u8] = b"SQLite format 3\0";
pub(in crate::journal) const HEADER_BYTES: usize = 100;
const VERSION_AT: usize = 60;
pub(in crate::journal) const APPLICATION_ID_AT: usize = 68;
/// What every journal holds in its list of tables, outside the first page too.
const TABLE_MARK: &[u8] = b"CREATE TABLE timelines (";
/// How far into a file the mark is looked for; the list of tables stands among the first pages.
const MARK_WITHIN_BYTES: u64 = 16 << 20;
/// The logs first: if the program dies in between, a file without its log still holds the older reps, but SQLite would
/// discard a log without its file. A rollback log left behind would undo whatever file comes into this place.
pub(in crate::journal) const SIDES: [&str; 4] = ["-journal", "-wal", "-shm", ""];

/// A damaged journal that was replaced by a new one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quarantined {
    /// Where it is now; its `-wal` file, if it had one, is beside it.
    pub path: PathBuf,
    /// What was wrong with it.
    pub(crate) why: String,
}

/// Whether this damaged file was a journal of a version this program writes: judged by its header where it has one, else by
/// the tables' SQL in it or in its log, or because a journal was once opened under its lock.
pub(in crate::journal) fn was_a_journal(
    path: &Path,
    error: &JournalError,
    known_by_lock: bool,
) -> bool {
    if !matches!(
        error,
        JournalError::Damaged { .. } | JournalError::NotDatabase { .. }
    ) {
        return false;
    }
    let mut head = [0; HEADER_BYTES];
    let has_header = File::open(path)
        .and_then(|mut file| file.read_exact(&mut head))
        .is_ok()
        && head.starts_with(MAGIC);
    let number_at =
        |at: usize| i32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    if has_header {
        let version = number_at(VERSION_AT);
        return match number_at(APPLICATION_ID_AT) {
            APPLICATION_ID => u32::try_from(version).is_ok_and(|version| version <= VERSION),
            // Killed before the marks moved from the log into the file.
            0 if version == 0 => known_by_lock,
            _ => false,
        };
    }
    known_by_lock
        || [path.to_path_buf(), with_suffix(path, "-wal")]
            .iter()
            .any(|file| holds_tables(file))
}

/// Renames the damaged journal to `NAME.damaged-YYYYMMDD-HHMMSS.db` (UTC).
pub(in crate::journal) fn quarantine_damaged(
    path: &Path,
    error: &JournalError,
) -> Result<Quarantined, JournalError> {
    let why = match error {
        // SQLite puts a heading on a line of its own before what it found.
        JournalError::Damaged { reason, .. } => reason
            .lines()
            .filter(|line| !line.starts_with("***"))
            .collect::<Vec<_>>()
            .join("; "),
        _ => "it is not an SQLite database any more".to_owned(),
    };
    let path = move_aside(path, "damaged")?;
    Ok(Quarantined { path, why })
}

/// Renames the journal and its side files to `NAME.WORD-YYYYMMDD-HHMMSS.db`, those that exist; the lock file stays.
/// Returns the new name.
pub(in crate::journal) fn move_aside(path: &Path, word: &str) -> Result<PathBuf, JournalError> {
    let target = free_name(path, word, crate::wall_clock::now());
    for side in SIDES {
        let from = with_suffix(path, side);
        match fs::rename(&from, with_suffix(&target, side)) {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(JournalError::from_io(&from, &error)),
        }
    }
    sync_folder_of(path)?;
    Ok(target)
}

/// Gives the journal and its logs, those that exist, the names that [`move_aside`] would give them; they keep the old ones too.
/// Returns the new name.
pub(in crate::journal) fn link_aside(path: &Path, word: &str) -> Result<PathBuf, JournalError> {
    let target = free_name(path, word, crate::wall_clock::now());
    for side in SIDES {
        let (from, to) = (with_suffix(path, side), with_suffix(&target, side));
        let kept = fs::hard_link(&from, &to).or_else(|error| match error.kind() {
            std::io::ErrorKind::NotFound => Err(error),
            // A file system without links, as on USB sticks.
            _ => fs::copy(&from, &to).and_then(|_| File::open(&to)?.sync_all()),
        });
        match kept {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(JournalError::from_io(&from, &error)),
        }
    }
    sync_folder_of(path)?;
    Ok(target)
}

/// Deletes what SQLite would apply to the next file in this place.
pub(in crate::journal) fn remove_logs(path: &Path) -> Result<(), JournalError> {
    for side in SIDES.iter().filter(|side| !side.is_empty()) {
        let log = with_suffix(path, side);
        match fs::remove_file(&log) {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(JournalError::from_io(&log, &error)),
        }
    }
    sync_folder_of(path)
}

/// Takes away the second name that a restore which was cut short has left: one file must not be a journal under two names.
pub(in crate::journal) fn drop_second_name(path: &Path) {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let identity = |path: &Path| fs::metadata(path).map(|found| (found.dev(), found.ino()));
        let Ok(own) = identity(path) else { return };
        for earlier in earlier_journals(path) {
            if !identity(&earlier).is_ok_and(|found| found == own) {
                continue;
            }
            let dropped = remove_logs(&earlier).and_then(|()| {
                fs::remove_file(&earlier).map_err(|error| JournalError::from_io(&earlier, &error))
            });
            match dropped {
                Ok(()) => tracing::info!("a restore was cut short; the journal before it goes on"),
                Err(error) => tracing::warn!(%error, "the journal keeps a second name"),
            }
        }
    }
    #[cfg(not(unix))]
    let _ = path;
}

/// Makes renames in the journal's folder survive a power cut.
pub(in crate::journal) fn sync_folder_of(path: &Path) -> Result<(), JournalError> {
    crate::private_file::sync_folder_of(path)
        .map_err(|error| JournalError::from_io(folder_of(path), &error))
}

/// The journals that were moved aside from this path, damaged or replaced, oldest first.
pub(in crate::journal) fn earlier_journals(path: &Path) -> Vec<PathBuf> {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let (damaged, replaced) = (format!("{stem}.damaged-"), format!("{stem}.replaced-"));
    let spool = format!(
        "{}.damaged-",
        path.file_name().unwrap_or_default().to_string_lossy()
    );
    let entries = path.parent().and_then(|folder| fs::read_dir(folder).ok());
    let mut found: Vec<PathBuf> = entries
        .into_iter()
        .flatten()
        .filter_map(Result::ok)
        .filter(|entry| {
            let name = entry.file_name();
            let name = name.to_string_lossy();
            name.starts_with(&damaged) || name.starts_with(&replaced) || name.starts_with(&spool)
        })
        .map(|entry| entry.path())
        .collect();
    found.sort();
    found
}

/// Whether a journal was moved aside from this path: what stands in it may be missing here.
pub(crate) fn has_set_aside(path: &Path) -> bool {
    !earlier_journals(path).is_empty()
}

fn free_name(path: &Path, word: &str, now: Timestamp) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let extension = path
        .extension()
        .map(|extension| format!(".{}", extension.to_string_lossy()))
        .unwrap_or_default();
    let stamp = now.strftime("%Y%m%d-%H%M%S");
    let mut again = String::new();
    for number in 2u64.. {
        let name = format!("{stem}.{word}-{stamp}{again}{extension}");
        let target = path.with_file_name(name);
        let is_free = |side: &&str| fs::symlink_metadata(with_suffix(&target, side)).is_err();
        if SIDES.iter().all(is_free) {
            return target;
        }
        again = format!("-{number}");
    }
    unreachable!("there are more numbers than files in a folder")
}

/// Whether the file holds the text of a journal's tables among zero bytes, which a text file does not have.
fn holds_tables(file: &Path) -> bool {
    count_in_file(file, &[TABLE_MARK, b"\0"], MARK_WITHIN_BYTES)
        .is_ok_and(|counts| counts.iter().all(|count| *count > 0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_is_taken_is_not_used() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal.db");
        let now: Timestamp = "2026-05-01T17:03:09.25Z".parse().unwrap();
        let mut names = Vec::new();
        // The third is taken by a log alone.
        for side in ["", "", "-wal", ""] {
            let target = free_name(&path, "damaged", now);
            fs::write(with_suffix(&target, side), "").unwrap();
            names.push(target.file_name().unwrap().to_str().unwrap().to_owned());
        }
        assert_eq!(
            names,
            [
                "journal.damaged-20260501-170309.db",
                "journal.damaged-20260501-170309-2.db",
                "journal.damaged-20260501-170309-3.db",
                "journal.damaged-20260501-170309-4.db",
            ]
        );
        assert_eq!(earlier_journals(&path).len(), 4);
    }

    /// A header alone tells: our mark up to this version; without marks only a file whose making was cut short under its lock.
    #[test]
    fn a_header_tells_whether_a_damaged_file_was_a_journal() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal.db");
        let damaged = JournalError::Damaged {
            path: path.clone(),
            reason: "*** in database main ***\nPage 3 is never used\nPage 4 too".into(),
        };
        for (id, version, known, expected) in [
            (APPLICATION_ID, VERSION, false, true),
            (APPLICATION_ID, VERSION + 1, false, false),
            (0, 0, true, true),
            (0, 0, false, false),
            (0, 7, true, false),
            (7, 0, true, false),
        ] {
            let mut head = vec![0; HEADER_BYTES];
            head[..MAGIC.len()].copy_from_slice(MAGIC);
            head[VERSION_AT..][..4].copy_from_slice(&version.to_be_bytes());
            head[APPLICATION_ID_AT..][..4].copy_from_slice(&id.to_be_bytes());
            fs::write(&path, head).unwrap();
            let was = was_a_journal(&path, &damaged, known);
            assert_eq!(was, expected, "{id} {version} {known}");
        }
        let moved = quarantine_damaged(&path, &damaged).unwrap();
        assert_eq!(moved.why, "Page 3 is never used; Page 4 too");
    }
}
