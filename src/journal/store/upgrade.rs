//! Brings the tables of an open journal up to date, with a copy of the file as it was beside it until that is through.

use std::fs;
use std::path::{Path, PathBuf};

use super::open::JournalReader;
use super::schema;
use crate::journal::error::JournalError;
use crate::private_file::with_suffix;

/// The version that cut names from the sessions' settings.
const WITHOUT_NAMES_SINCE: u32 = 9;

/// Upgrades a journal. A copy of it as it was lies beside it until the new tables are found sound.
pub(super) fn bring_up_to_date(
    reader: &mut JournalReader,
    version: u32,
) -> Result<(), JournalError> {
    let is_old = (1..schema::VERSION).contains(&version);
    let copy = is_old
        .then(|| copy_before_upgrade(reader, version))
        .transpose();
    let copy = match copy {
        Ok(copy) => copy,
        // The upgrade itself is one transaction; a full disk must not keep reps out for good.
        Err(error) => {
            tracing::warn!(%error, "the journal is upgraded without a copy of it as it was");
            None
        }
    };
    let doing = "bring its tables up to date";
    schema::upgrade(reader.file_mut(doing)?, schema::STEPS, version)
        .map_err(|error| reader.error(doing, error))?;
    if is_old && version < WITHOUT_NAMES_SINCE {
        clear_what_was_cut(reader);
    }
    if copy.is_some() {
        reader.refuse_unsound()?;
    }
    // Of this upgrade, and of one that was cut short at its very end.
    for version in 1..=schema::VERSION {
        let copy = copy_before(&reader.path, version);
        for file in [with_suffix(&copy, ".part"), copy] {
            match fs::remove_file(&file) {
                Ok(()) => {}
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                Err(error) => {
                    tracing::warn!(copy = %file.display(), %error, "a copy from before an upgrade stays");
                }
            }
        }
    }
    Ok(())
}

/// Rebuilds the file: names that were cut from its rows may stand in unused parts of its pages still.
fn clear_what_was_cut(reader: &JournalReader) {
    let rebuilt = reader.query_file("rebuild the file", |c| {
        c.execute_batch("VACUUM; PRAGMA wal_checkpoint(TRUNCATE);")
    });
    if let Err(error) = rebuilt {
        tracing::warn!(%error, "the upgraded journal could not be rebuilt; names that were cut from it may be left in it");
    }
}

fn copy_before(path: &Path, version: u32) -> PathBuf {
    with_suffix(path, &format!(".before-v{version}"))
}

fn copy_before_upgrade(reader: &JournalReader, version: u32) -> Result<PathBuf, JournalError> {
    let copy = copy_before(&reader.path, version + 1);
    match fs::remove_file(&copy) {
        // Of an upgrade that was cut short: the journal is as it was then.
        Ok(()) => {}
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Err(error) => return Err(JournalError::from_io(&copy, &error)),
    }
    reader.copy_to(&copy)?;
    Ok(copy)
}
