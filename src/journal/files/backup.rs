//! Whole copies of a journal: made while reps are logged, checked before they are trusted, and restored.
//!
//! In: a journal, or a copy of one. Out: the copy, or the journal in its old place, and what they hold. Runs on the
//! caller's thread. Nothing here writes over an existing file.

use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use crate::journal::error::JournalError;
use crate::journal::files::lock::WriterLock;
use crate::journal::files::quarantine::{
    drop_second_name, link_aside, remove_logs, sync_folder_of,
};
use crate::journal::store::open::{
    Journal, JournalReader, OpenReport, create_for_owner_and_group, full_path, refuse_special_files,
};
use crate::journal::store::query::Counts;
use crate::journal::store::schema::{self, FileKind};
use crate::journal::store::sql::Sql;
use crate::private_file::with_suffix;

/// A journal restored from a copy.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Restored {
    /// Where the journal that it replaced is now, if there was one.
    pub(crate) replaced: Option<PathBuf>,
    /// What the journal holds now.
    pub(crate) counts: Counts,
    /// Decisions on what hitters allow that were recorded since the copy was made, and were taken over; `None` where the journal
    /// that was replaced could not be read.
    pub(crate) consents: Option<usize>,
    /// What opening it found and did.
    pub(crate) report: OpenReport,
}

impl Journal {
    /// Puts a copy in the journal's place. The copy is checked first, then copied beside the journal and checked again;
    /// only then does the old journal get the name `NAME.replaced-YYYYMMDD-HHMMSS.db` and the new one its place, which brings a
    /// copy of an older version up to date. Cut short at any step, the old journal or the new one is in its place, whole.
    ///
    /// # Errors
    /// [`JournalError::InUse`] while a cagehand writes the journal; [`JournalError::Missing`],
    /// [`JournalError::NotDatabase`], [`JournalError::NotJournal`], [`JournalError::Damaged`] and
    /// [`JournalError::NewerSchema`] about the copy, [`JournalError::NotJournal`] where something else is in the
    /// journal's place, and those of the disk. The old journal is then where it was, unless the very last step failed:
    /// then the message names the file.
    pub(crate) fn restore(path: &Path, copy: &Path) -> Result<Restored, JournalError> {
        let path = full_path(path)?;
        let lock = WriterLock::take(&path)?;
        drop_second_name(&path);
        let source = open_whole(copy)?;
        // What is counted has been in the tables since version 1.
        let counts = source.counts()?;
        let occupied = fs::metadata(&path).is_ok();
        if occupied
            && let Ok(FileKind::Foreign) = JournalReader::open(&path)
                .and_then(|reader| reader.query_file("read it", schema::identify))
        {
            return Err(JournalError::NotJournal { path });
        }
        let new = with_suffix(&path, ".restored");
        // Left by a restore that was killed: only a copy of a copy, and the lock keeps others from writing it.
        match fs::remove_file(&new) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(JournalError::from_io(&new, &error));
            }
            _ => {}
        }
        source.copy_to(&new)?;
        drop(source);
        let placed = (|| {
            let copied = open_whole(&new)?.counts()?;
            refuse_count_mismatch(&new, counts, copied)?;
            let replaced = match occupied {
                true => Some(keep_under_another_name(&path)?),
                false => None,
            };
            // Even where there is no journal: SQLite would apply an orphaned log to the new file.
            remove_logs(&path)?;
            fs::rename(&new, &path).map_err(|error| JournalError::NoAccess {
                path: path.clone(),
                reason: match &replaced {
                    Some(old) => format!("{error}; the old journal is now {}", old.display()),
                    None => error.to_string(),
                },
            })?;
            sync_folder_of(&path)?;
            Ok(replaced)
        })();
        if placed.is_err()
            && let Err(error) = fs::remove_file(&new)
        {
            tracing::debug!(path = %new.display(), %error, "unfinished copy not removed");
        }
        let replaced = placed?;
        let mut journal = Self::open_locked(&path, lock)?;
        journal.reader().refuse_unsound()?;
        refuse_count_mismatch(&path, counts, journal.reader().counts()?)?;
        journal.transaction("tell it from what it was", become_another)?;
        let deleted_again = journal.delete_again()?;
        let consents = match &replaced {
            Some(old) => journal
                .take_consents_of(old)
                .inspect_err(
                    |error| tracing::warn!(%error, "what hitters decided since could not be read"),
                )
                .ok(),
            None => Some(0),
        };
        let now = journal.reader().counts()?;
        Ok(Restored {
            consents,
            replaced,
            counts: now,
            report: OpenReport {
                deleted_again,
                ..journal.report().clone()
            },
        })
    }
}

/// Whatever the journal did after the copy was made is another past than the one that begins now: a facility's store must not take
/// changes of the one for those of the other.
fn become_another(change: &Sql<'_>) -> rusqlite::Result<usize> {
    change.execute(
        "UPDATE facility SET journal = lower(hex(randomblob(16)))",
        [],
    )?;
    change.execute("DELETE FROM sent", [])
}

impl JournalReader {
    /// Copies the whole journal to a new file as [`Self::copy_to`], then opens the copy and makes sure that it is sound
    /// and holds what the journal held at that moment. Returns how much that is.
    ///
    /// # Errors
    /// As [`Self::copy_to`]; [`JournalError::Damaged`] about the copy, which is then left where it is, to be examined.
    pub(crate) fn back_up_to(&self, target: &Path) -> Result<Counts, JournalError> {
        // Counting and copying see the same moment inside one read transaction; it ends with its drop.
        let doing = "hold a moment of it";
        let moment = self
            .file(doing)?
            .unchecked_transaction()
            .map_err(|error| self.error(doing, error))?;
        let counts = self.counts()?;
        self.copy_to(target)?;
        drop(moment);
        let copy = Journal::read_only(target)?;
        copy.refuse_unsound()?;
        refuse_count_mismatch(target, counts, copy.counts()?)?;
        Ok(counts)
    }

    /// What SQLite finds wrong with the file, in its own words: its structure, its indexes, its rules and its
    /// references. Empty for a sound journal. Reads the whole file.
    ///
    /// # Errors
    /// Those of the disk.
    pub fn findings(&self) -> Result<Vec<String>, JournalError> {
        let mut findings = self.query_file("check it", |c| {
            c.prepare("PRAGMA integrity_check(20)")?
                .query_map([], |row| row.get::<_, String>(0))?
                .collect::<rusqlite::Result<Vec<String>>>()
        })?;
        findings.retain(|finding| finding != "ok");
        let dangling = self.query_file("check its references", |c| {
            c.prepare("PRAGMA foreign_key_check")?
                .query_map([], |row| {
                    let (table, row, parent): (String, Option<i64>, String) =
                        (row.get(0)?, row.get(1)?, row.get(2)?);
                    let row = row.map_or("?".to_owned(), |row| row.to_string());
                    Ok(format!(
                        "row {row} of {table} refers to nothing in {parent}"
                    ))
                })?
                .take(20)
                .collect::<rusqlite::Result<Vec<String>>>()
        })?;
        findings.extend(dangling);
        Ok(findings)
    }

    pub(in crate::journal) fn refuse_unsound(&self) -> Result<(), JournalError> {
        match self.findings()?.into_iter().next() {
            None => Ok(()),
            Some(reason) => Err(JournalError::Damaged {
                path: self.path.clone(),
                reason,
            }),
        }
    }

    /// Copies the whole journal to a new file, consistent even while reps are being logged.
    ///
    /// # Errors
    /// [`JournalError::CopyExists`] where the target exists; [`JournalError::NoAccess`],
    /// [`JournalError::DiskFull`] and the like for the target.
    pub(crate) fn copy_to(&self, target: &Path) -> Result<(), JournalError> {
        if target.exists() {
            return Err(JournalError::CopyExists {
                path: target.to_path_buf(),
            });
        }
        let mut unfinished = target.as_os_str().to_owned();
        unfinished.push(".part");
        let unfinished = PathBuf::from(unfinished);
        let copied = self.copy_into(&unfinished).and_then(|()| {
            fs::File::open(&unfinished)
                .and_then(|file| file.sync_all())
                .and_then(|()| fs::rename(&unfinished, target))
                .map_err(|error| JournalError::from_io(target, &error))?;
            sync_folder_of(target)
        });
        if copied.is_err()
            && let Err(error) = fs::remove_file(&unfinished)
        {
            tracing::debug!(path = %unfinished.display(), %error, "unfinished copy not removed");
        }
        copied
    }

    fn copy_into(&self, target: &Path) -> Result<(), JournalError> {
        let own = self.file("copy the journal")?;
        create_for_owner_and_group(target)?;
        let at_target = |error| JournalError::from_sqlite(target, "copy the journal there", error);
        let mut copy = Connection::open(target).map_err(at_target)?;
        let backup = rusqlite::backup::Backup::new(own, &mut copy).map_err(at_target)?;
        // All pages in one step: a read lock for the length of the copy, and the writer goes on.
        let done = backup.step(-1).map_err(at_target)?;
        drop(backup);
        if done != rusqlite::backup::StepResult::Done {
            return Err(JournalError::Busy {
                path: self.path.clone(),
            });
        }
        // The copy is one file: no log beside it that could be forgotten when it is carried away.
        copy.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))
            .map_err(at_target)?;
        copy.close().map_err(|(_, error)| at_target(error))
    }
}

/// Gives the journal a second name, so that the new one can take the first in one step. Its logs are moved into it before; where
/// they cannot be, because it is damaged, they get the second name too.
fn keep_under_another_name(path: &Path) -> Result<PathBuf, JournalError> {
    let emptied =
        Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE).and_then(|journal| {
            journal.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| {
                row.get::<_, bool>(0)
            })
        });
    match emptied {
        Ok(false) => {}
        // Somebody still reads it: what the log holds would stay behind.
        Ok(true) => {
            return Err(JournalError::Busy {
                path: path.to_path_buf(),
            });
        }
        Err(error) => tracing::warn!(%error, "the old journal's log is kept beside it"),
    }
    link_aside(path, "replaced")
}

/// Opens a copy for reading, of this or an older version, and makes sure that it is sound.
fn open_whole(copy: &Path) -> Result<JournalReader, JournalError> {
    refuse_special_files(copy)?;
    if !copy.exists() {
        return Err(JournalError::Missing {
            path: copy.to_path_buf(),
        });
    }
    let reader = JournalReader::open(copy)?;
    match reader.query_file("read it", schema::identify)? {
        FileKind::Journal { version } if version <= schema::VERSION => {}
        FileKind::Journal { version } => {
            return Err(JournalError::NewerSchema {
                path: reader.path,
                found: version,
                known: schema::VERSION,
            });
        }
        FileKind::Empty => return Err(JournalError::Missing { path: reader.path }),
        FileKind::Foreign => return Err(JournalError::NotJournal { path: reader.path }),
    }
    reader.refuse_unsound()?;
    Ok(reader)
}

fn refuse_count_mismatch(path: &Path, wanted: Counts, found: Counts) -> Result<(), JournalError> {
    if wanted == found {
        return Ok(());
    }
    Err(JournalError::Damaged {
        path: path.to_path_buf(),
        reason: format!("it holds {found} where the original holds {wanted}"),
    })
}
