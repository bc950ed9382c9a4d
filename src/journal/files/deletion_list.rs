//! The list of deletions beside a journal: what a backup brings back is deleted again.
//!
//! In: hitters and sessions that are deleted, hitters that are merged. Out: a text file without names: each entry is a row's number
//! and the moment at which it was made, which a backup of any version has too and another journal has not.

use std::collections::BTreeSet;
use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use rusqlite::params;

use crate::journal::error::JournalError;
use crate::journal::files::quarantine::sync_folder_of;
use crate::journal::stamp::stamp_text;
use crate::journal::store::sql::Sql;
use crate::private_file::with_suffix;
use crate::wall_clock::now_to_the_millisecond;

const HITTER: &str = "hitter";
const SESSION: &str = "session";
const DELETED: &str = "deleted";
const MERGED: &str = "merged";
/// More than a lifetime of deletions; what is larger is no list.
const MOST_BYTES: u64 = 64 << 20;

/// A row as the list knows it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::journal) struct RowMark {
    pub(in crate::journal) id: i64,
    /// When it was made: the column as it stands in the file.
    pub(in crate::journal) made_at: String,
}

impl fmt::Display for RowMark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.id, self.made_at)
    }
}

/// What is to be deleted wherever it turns up again.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(in crate::journal) struct DeletedRows {
    pub(in crate::journal) hitters: BTreeSet<RowMark>,
    pub(in crate::journal) sessions: BTreeSet<RowMark>,
}

/// The list of a journal.
pub(in crate::journal) fn list_path(journal: &Path) -> PathBuf {
    with_suffix(journal, ".deletions")
}

impl DeletedRows {
    /// Reads the list; lines that are none are passed over.
    pub(in crate::journal) fn read(journal: &Path) -> Result<Self, JournalError> {
        let path = list_path(journal);
        let mut text = String::new();
        match File::open(&path) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Ok(Self::default());
            }
            Err(error) => return Err(JournalError::from_io(&path, &error)),
            Ok(file) => {
                file.take(MOST_BYTES)
                    .read_to_string(&mut text)
                    .map_err(|error| JournalError::from_io(&path, &error))?;
            }
        }
        Ok(Self::parse(&text))
    }

    fn parse(text: &str) -> Self {
        let mut rows = Self::default();
        let mut merged = Vec::new();
        for line in text.lines() {
            let words: Vec<&str> = line.split(' ').collect();
            match words[..] {
                [HITTER, id, at, DELETED, _] => rows.hitters.extend(mark(id, at)),
                [SESSION, id, at, DELETED, _] => rows.sessions.extend(mark(id, at)),
                [HITTER, id, at, MERGED, into, into_at] => {
                    merged.extend(mark(id, at).zip(mark(into, into_at)));
                }
                _ => {}
            }
        }
        // Whoever was merged into a deleted hitter is that hitter; a merge may follow another.
        loop {
            let more: Vec<RowMark> = merged
                .iter()
                .filter(|(from, into)| rows.hitters.contains(into) && !rows.hitters.contains(from))
                .map(|(from, _)| from.clone())
                .collect();
            if more.is_empty() {
                return rows;
            }
            rows.hitters.extend(more);
        }
    }

    /// Adds these to the list; they are on disk when this returns.
    pub(in crate::journal) fn add_to_list(&self, journal: &Path) -> Result<(), JournalError> {
        let now = stamp_text(now_to_the_millisecond());
        let lines = |word: &str, rows: &BTreeSet<RowMark>| -> String {
            rows.iter()
                .map(|row| format!("{word} {row} {DELETED} {now}\n"))
                .collect()
        };
        append(
            journal,
            &(lines(HITTER, &self.hitters) + &lines(SESSION, &self.sessions)),
        )
    }

    /// Deletes those of them that are in this file; gives how many hitters and sessions that were.
    pub(in crate::journal) fn delete_from(
        &self,
        connection: &Sql<'_>,
    ) -> rusqlite::Result<(usize, usize)> {
        let delete = |sql: &str, rows: &BTreeSet<RowMark>| -> rusqlite::Result<usize> {
            let mut deleted = 0;
            let mut statement = connection.prepare(sql)?;
            for row in rows {
                deleted += statement.execute(params![row.id, row.made_at])?;
            }
            Ok(deleted)
        };
        let sessions = delete(
            "DELETE FROM sessions WHERE id = ?1 AND started_at = ?2",
            &self.sessions,
        )?;
        let hitters = delete(
            "DELETE FROM hitters WHERE id = ?1 AND created_at = ?2",
            &self.hitters,
        )?;
        Ok((hitters, sessions))
    }

    /// Whether any of them is in this file.
    pub(in crate::journal) fn stand_in(&self, connection: &Sql<'_>) -> rusqlite::Result<bool> {
        let any = |sql: &str, rows: &BTreeSet<RowMark>| -> rusqlite::Result<bool> {
            let mut statement = connection.prepare(sql)?;
            for row in rows {
                if statement.exists(params![row.id, row.made_at])? {
                    return Ok(true);
                }
            }
            Ok(false)
        };
        Ok(any(
            "SELECT 1 FROM sessions WHERE id = ?1 AND started_at = ?2",
            &self.sessions,
        )? || any(
            "SELECT 1 FROM hitters WHERE id = ?1 AND created_at = ?2",
            &self.hitters,
        )?)
    }
}

/// Notes that one hitter's entry became part of another's: a backup from before has both.
pub(in crate::journal) fn note_merge(
    journal: &Path,
    from: &RowMark,
    into: &RowMark,
) -> Result<(), JournalError> {
    append(journal, &format!("{HITTER} {from} {MERGED} {into}\n"))
}

fn mark(id: &str, made_at: &str) -> Option<RowMark> {
    Some(RowMark {
        id: id.parse().ok()?,
        made_at: made_at.to_owned(),
    })
}

fn append(journal: &Path, lines: &str) -> Result<(), JournalError> {
    let path = list_path(journal);
    let mut options = OpenOptions::new();
    options.append(true).create(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o640);
    options
        .open(&path)
        .and_then(|mut file| {
            file.write_all(lines.as_bytes())?;
            file.sync_all()
        })
        .map_err(|error| JournalError::from_io(&path, &error))?;
    sync_folder_of(&path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_merge_into_a_deleted_hitter_counts_as_deleted_and_nonsense_is_passed_over() {
        let rows = DeletedRows::parse(
            "hitter 1 A merged 2 B\nhitter 2 B merged 3 C\nhitter 3 C deleted T\n\nwhatever\n\
             session 9 S deleted T\nhitter x D deleted T\nhitter 4 D merged 5 E\nhitter 7",
        );
        let ids = |rows: &BTreeSet<RowMark>| rows.iter().map(|row| row.id).collect::<Vec<_>>();
        assert_eq!(
            (ids(&rows.hitters), ids(&rows.sessions)),
            (vec![1, 2, 3], vec![9])
        );
    }
}
