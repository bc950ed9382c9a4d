//! Forgetting a hitter: deletes all of theirs, rebuilds the file without it, and looks whether anything is left.
//!
//! In: a hitter of an open journal. Out: what was deleted, and what a search through the bytes of the journal, its log
//! and the journals set aside beside it still found. Runs on the caller's thread.

use std::collections::HashSet;
use std::path::PathBuf;

use crate::journal::error::JournalError;
use crate::journal::files::byte_search::{count_in_file, count_marks};
use crate::journal::files::quarantine::{all_set_aside, with_side};
use crate::journal::record::SessionId;
use crate::journal::store::columns::{Holds, Listed, all_columns};
use crate::journal::store::hitters::HitterChoice;
use crate::journal::store::open::Journal;
use crate::journal::store::query::SessionFilter;
use crate::video::{FilmError, FilmStore, Gone};

/// The beginning of a stored timeline: long enough that no two reps of one camera share it by chance. SQLite keeps the
/// beginning of a row in one piece.
type Mark = [u8; 48];

/// Shorter names stand in compressed landmarks by chance.
const TELLING_NAME_BYTES: usize = 5;

/// What was found of a deleted hitter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Left {
    /// The file it was found in.
    pub file: PathBuf,
    /// How often the name stands in it.
    pub names: u64,
    /// How many beginnings of the hitter's landmark timelines stand in it.
    pub timelines: u64,
}

/// What forgetting a hitter did.
#[derive(Debug)]
pub struct Forgotten {
    /// Sessions deleted with the hitter.
    pub sessions: u32,
    /// Reps deleted with them.
    pub reps: u32,
    /// Films of them that were deleted, and those that would not go.
    pub films: Result<Gone, FilmError>,
    /// Why the file could not be rebuilt or its log not be emptied, where it could not. What was deleted is
    /// overwritten with zeros all the same.
    pub not_rebuilt: Option<JournalError>,
    /// The files that were searched, and their bytes.
    pub searched: Vec<(PathBuf, u64)>,
    /// How many timeline beginnings were searched for.
    pub marks: usize,
    /// Entries of others that hold the name as a text, such as "2 in sessions.settings"; they stay.
    pub named_by_others: Vec<String>,
    /// What was found in the journal or its log and is not explained by entries that stay. Empty proves the deletion.
    pub left: Vec<Left>,
    /// What was found in journals that were set aside. They are not touched.
    pub set_aside: Vec<Left>,
}

impl Journal {
    /// Deletes a hitter with all their sessions, plans, reps, measures, landmarks and films, overwrites the freed bytes,
    /// rebuilds the file, empties the write-ahead log, and searches for what is left.
    ///
    /// Rebuilding needs as much free space as the journal has bytes, twice; without it the deletion still counts.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`]; those of the disk and [`JournalError::Busy`], after which nothing is deleted.
    pub fn forget_hitter(&mut self, choice: &HitterChoice) -> Result<Forgotten, JournalError> {
        let hitter = self.reader().hitter(choice)?;
        let numbers = self.reader().ask("list the hitter's sessions", |c| {
            c.prepare("SELECT id FROM sessions WHERE hitter = ?1")?
                .query_map([hitter.id.get()], |row| row.get(0))?
                .collect::<Result<Vec<i64>, _>>()
        })?;
        let name = hitter.name.unwrap_or_default();
        self.forget(
            &numbers,
            name,
            "DELETE FROM hitters WHERE id = ?1",
            hitter.id.get(),
        )
    }

    /// Deletes one session with its reps, notes, measures, landmarks and films, whoever it is of, as thoroughly as
    /// [`Self::forget_hitter`] does: sessions of nobody named have no other way out.
    ///
    /// # Errors
    /// [`JournalError::NoSuchSession`], and as [`Self::forget_hitter`].
    pub fn forget_session(&mut self, session: SessionId) -> Result<Forgotten, JournalError> {
        let only = SessionFilter {
            only: Some(session),
            ..SessionFilter::default()
        };
        if self.reader().sessions_of(&only)?.is_empty() {
            return Err(JournalError::NoSuchSession {
                path: self.path().to_path_buf(),
                session,
            });
        }
        let number = session.get();
        self.forget(
            &[number],
            String::new(),
            "DELETE FROM sessions WHERE id = ?1",
            number,
        )
    }

    /// Deletes the row with this id, and with it these sessions; `name` is searched for afterwards.
    fn forget(
        &mut self,
        numbers: &[i64],
        name: String,
        delete: &str,
        id: i64,
    ) -> Result<Forgotten, JournalError> {
        let mut theirs = HashSet::new();
        let mut reps = 0;
        for number in numbers {
            let of_session = "JOIN reps ON reps.id = timelines.rep WHERE reps.session = ?1";
            theirs.extend(self.marks(of_session, &[*number])?);
            reps += self.reader().ask("count what is deleted", |c| {
                c.query_row(
                    "SELECT count(*) FROM reps WHERE session = ?1",
                    [number],
                    |row| row.get::<_, u32>(0),
                )
            })?;
        }
        let sessions = numbers.len() as u32;
        self.change("delete people's data", |change| {
            change.execute(delete, [id])
        })?;
        // By number: films of an older journal's session of that number, which nobody else can find, go with them.
        let films = FilmStore::of_journal(self.path()).delete_sessions(numbers);
        let not_rebuilt = self
            .empty_wal()
            .and_then(|()| {
                self.reader()
                    .ask("rebuild the file", |c| c.execute_batch("VACUUM"))
            })
            .and_then(|()| self.empty_wal())
            .err();

        // The same recording may have been kept for two hitters; what the other keeps is no remainder.
        let kept = self.marks("", &[])?;
        let marks: HashSet<Mark> = theirs.difference(&kept).copied().collect();
        let named_by_others = self.entries_that_name(&name)?;
        let telling = name.len() >= TELLING_NAME_BYTES;
        let explained = !named_by_others.is_empty() || !telling;

        let mut forgotten = Forgotten {
            sessions,
            reps,
            films,
            not_rebuilt,
            searched: Vec::new(),
            marks: marks.len(),
            named_by_others,
            left: Vec::new(),
            set_aside: Vec::new(),
        };
        let own = [self.path().to_path_buf(), with_side(self.path(), "-wal")];
        for file in own {
            if let Some(mut left) = forgotten.search(file, &name, &marks)? {
                if explained {
                    left.names = 0;
                }
                if left.names + left.timelines > 0 {
                    forgotten.left.push(left);
                }
            }
        }
        for file in all_set_aside(self.path()) {
            if let Some(mut left) = forgotten.search(file, &name, &marks)? {
                if !telling {
                    left.names = 0;
                }
                if left.names + left.timelines > 0 {
                    forgotten.set_aside.push(left);
                }
            }
        }
        Ok(forgotten)
    }

    fn marks(&self, which: &str, values: &[i64]) -> Result<HashSet<Mark>, JournalError> {
        self.reader().ask("read how landmarks begin", |c| {
            let sql = format!(
                "SELECT substr(timelines.landmarks, 1, {}) FROM timelines {which}",
                size_of::<Mark>()
            );
            let mut marks = HashSet::new();
            let mut select = c.prepare(&sql)?;
            let mut rows = select.query(rusqlite::params_from_iter(values))?;
            while let Some(row) = rows.next()? {
                // A timeline of two or three frames may be shorter; its name and rep are searched for all the same.
                if let Ok(mark) = Mark::try_from(row.get_ref(0)?.as_blob()?) {
                    marks.insert(mark);
                }
            }
            Ok(marks)
        })
    }

    /// Where the name stands as a text in entries that stay.
    fn entries_that_name(&self, name: &str) -> Result<Vec<String>, JournalError> {
        let mut found = Vec::new();
        if name.is_empty() {
            return Ok(found);
        }
        for Listed {
            table,
            column,
            holds,
        } in all_columns()
        {
            if holds != Holds::FreeText {
                continue;
            }
            let entries: u32 = self.reader().ask("search its texts", |c| {
                let sql = format!("SELECT count(*) FROM {table} WHERE instr({column}, ?1) > 0");
                c.query_row(&sql, [name], |row| row.get(0))
            })?;
            if entries > 0 {
                found.push(format!("{entries} in {table}.{column}"));
            }
        }
        Ok(found)
    }
}

impl Forgotten {
    /// Searches one file and notes that it was searched; `None` where there is no such file.
    fn search(
        &mut self,
        file: PathBuf,
        name: &str,
        marks: &HashSet<Mark>,
    ) -> Result<Option<Left>, JournalError> {
        let bytes = match std::fs::metadata(&file) {
            Ok(found) => found.len(),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(JournalError::from_io(&file, &error)),
        };
        let failed = |error| JournalError::from_io(&file, &error);
        let names = count_in_file(&file, &[name.as_bytes()], u64::MAX).map_err(failed)?;
        let timelines = count_marks(&file, *b"TL", marks).map_err(failed)?;
        self.searched.push((file.clone(), bytes));
        Ok(Some(Left {
            names: names.into_iter().sum(),
            timelines,
            file,
        }))
    }
}
