//! Checks a file before anything is written to it: is it a journal, of which version, and undamaged?

use std::fs::{self, File};
use std::io::Read;
use std::path::Path;

use rusqlite::Connection;

use crate::journal::error::JournalError;
use crate::journal::files::quarantine::{APPLICATION_ID_AT, HEADER_BYTES};
use crate::journal::store::open::{JournalReader, writer_flags};
use crate::journal::store::schema::{self, APPLICATION_ID, FileKind};
use crate::private_file::with_suffix;

/// Up to this size the whole file is checked at the start, beyond it everything but the timelines: reading
/// gigabytes would keep the hitter waiting.
const FULL_CHECK_BYTES: u64 = 256 << 20;
const ALL_BUT_TIMELINES: [Option<&str>; 4] = [
    Some("hitters"),
    Some("sessions"),
    Some("reps"),
    Some("measures"),
];

/// Checks an existing file through a connection that cannot write: whatever the file is, it stays as it is.
pub(in crate::journal) fn check_before_writing(path: &Path) -> Result<FileKind, JournalError> {
    roll_back_what_was_cut_short(path)?;
    let reader = JournalReader::open(path)?;
    let found = reader.query_file("read it", schema::identify)?;
    match found {
        FileKind::Foreign => return Err(JournalError::NotJournal { path: reader.path }),
        FileKind::Journal { version } if version > schema::VERSION => {
            let known = schema::VERSION;
            return Err(JournalError::NewerSchema {
                path: reader.path,
                found: version,
                known,
            });
        }
        FileKind::Journal { .. } | FileKind::Empty => {}
    }
    let whole = fs::metadata(path).is_ok_and(|file| file.len() <= FULL_CHECK_BYTES);
    check_tables(&reader, if whole { &[None] } else { &ALL_BUT_TIMELINES })?;
    // An upgrade changes much at once, and is refused where anything is wrong before it.
    if matches!(found, FileKind::Journal { version } if version < schema::VERSION) {
        reader.refuse_unsound()?;
    }
    Ok(found)
}

/// Looks at a journal that is being written to: its own connection goes on with what it has in memory, whatever becomes of the
/// file beneath. `whole` checks as much as [`check_before_writing`], else only what takes a few milliseconds is read.
pub(in crate::journal) fn check_beside_writer(
    path: &Path,
    whole: bool,
) -> Result<(), JournalError> {
    if whole {
        return check_before_writing(path).map(drop);
    }
    let reader = JournalReader::open(path)?;
    reader.query_file("read it", schema::identify)?;
    check_tables(&reader, &[Some("sessions")])
}

fn check_tables(reader: &JournalReader, tables: &[Option<&str>]) -> Result<(), JournalError> {
    for table in tables {
        let verdict: String = reader.query_file("check it", |c| {
            // One finding is enough to know that the file must not be written to.
            match table {
                None => c.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)),
                Some(table) => c.query_row(&format!("PRAGMA quick_check({table})"), [], |row| {
                    row.get(0)
                }),
            }
        })?;
        if verdict != "ok" {
            return Err(JournalError::Damaged {
                path: reader.path.clone(),
                reason: verdict,
            });
        }
    }
    Ok(())
}

/// A kill while a journal is being created, or brought into the mode in which reps are stored, can leave pages with a rollback
/// log beside them, which only a writer can play back. Done where the file was empty before, so that nobody's data is in it, and
/// where it is a journal.
fn roll_back_what_was_cut_short(path: &Path) -> Result<(), JournalError> {
    // SQLite's file format, "the rollback journal": a magic number, and at 16 how many pages there were before.
    const MAGIC: [u8; 8] = [0xd9, 0xd5, 0x05, 0xf9, 0x20, 0xa1, 0x63, 0xd7];
    let log = head_of::<28>(&with_suffix(path, "-journal"));
    let Some(log) = log.filter(|head| head[..8] == MAGIC) else {
        return Ok(());
    };
    let was_empty = log[16..20] == [0; 4];
    let is_journal = head_of::<HEADER_BYTES>(path).is_some_and(|head| {
        head[APPLICATION_ID_AT..APPLICATION_ID_AT + 4] == APPLICATION_ID.to_be_bytes()
    });
    if !was_empty && !is_journal {
        return Ok(());
    }
    tracing::warn!(journal = %path.display(), "a change of it was cut short; it is taken back");
    let connection = Connection::open_with_flags(path, writer_flags())
        .map_err(|error| JournalError::from_sqlite(path, "open it", error))?;
    schema::identify(&connection)
        .map(drop)
        .map_err(|error| JournalError::from_sqlite(path, "take back what was half made", error))
}

fn head_of<const BYTES: usize>(file: &Path) -> Option<[u8; BYTES]> {
    let mut head = [0; BYTES];
    File::open(file).ok()?.read_exact(&mut head).ok()?;
    Some(head)
}
