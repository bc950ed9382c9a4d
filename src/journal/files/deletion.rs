//! Deletes a hitter or a session for good, and searches the files for anything that is left.
//!
//! In: a hitter or session of an open journal. Out: what was deleted and what was still found. Runs on the caller's thread.
//!
//! SQLite overwrites what it deletes (`secure_delete`) and `VACUUM` rebuilds the file. The search finds what neither can
//! reach: pages in the write-ahead log that a reader still holds, a file that could not be rebuilt for lack of space, and
//! earlier journals that were moved aside.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use crate::journal::error::JournalError;
use crate::journal::files::byte_search::{count_fingerprints, count_in_file};
use crate::journal::files::quarantine::{earlier_journals, with_side};
use crate::journal::record::SessionId;
use crate::journal::store::columns::{Holds, Listed, all_columns};
use crate::journal::store::hitters::HitterChoice;
use crate::journal::store::open::{Journal, JournalReader};
use crate::journal::store::query::SessionFilter;
use crate::video::{DeletedFilms, FilmError, FilmStore};

/// The beginning of a stored timeline: long enough that no two reps of one camera share it by chance. SQLite keeps the
/// beginning of a row in one piece.
type Fingerprint = [u8; 48];

/// The tables of landmarks, and those whose rows they belong to.
const TIMELINES: [(&str, &str); 2] = [
    ("timelines", "reps"),
    ("not_counted_timelines", "not_counted"),
];

/// Shorter names stand in compressed landmarks by chance.
const DISTINCTIVE_NAME_BYTES: usize = 5;

/// What was found of a deleted hitter in one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Remnant {
    /// The file.
    pub(crate) file: PathBuf,
    /// How often the name stands in it.
    pub(crate) names: u64,
    /// How many beginnings of the hitter's landmark timelines stand in it.
    pub(crate) timelines: u64,
}

/// What a deletion did.
#[derive(Debug)]
pub struct DeletionReport {
    /// Sessions deleted.
    pub(crate) sessions: u32,
    /// Reps deleted with them.
    pub(crate) reps: u32,
    /// Films of them that were deleted, and those that could not be.
    pub(crate) films: Result<DeletedFilms, FilmError>,
    /// Why the file could not be rebuilt or its log not be emptied, where that is so. What was deleted is
    /// overwritten with zeros all the same.
    pub(crate) not_rebuilt: Option<JournalError>,
    /// The files that were searched, and their bytes.
    pub(crate) searched: Vec<(PathBuf, u64)>,
    /// How many timeline beginnings were searched for.
    pub(crate) fingerprints: usize,
    /// Entries of others that contain the name, such as "2 in sessions.settings"; they stay.
    pub(crate) named_by_others: Vec<String>,
    /// What was found in the journal or its log and is not explained by entries that stay. Empty proves the deletion.
    pub(crate) remnants: Vec<Remnant>,
    /// What was found in earlier journals that were moved aside. They are not touched.
    pub(crate) remnants_aside: Vec<Remnant>,
}

/// What to delete, and what to search for afterwards.
struct Deletion<'a> {
    /// SQL that deletes the row with the id `?1`.
    sql: &'a str,
    id: i64,
    /// The sessions that go with it.
    sessions: &'a [i64],
    /// The hitter's name; empty where there is none.
    name: &'a str,
}

impl Journal {
    /// Deletes a hitter with all their sessions, plans, reps, measures, landmarks and films, overwrites the freed bytes,
    /// rebuilds the file, empties the write-ahead log, and searches for what is left.
    ///
    /// Rebuilding needs free space of twice the journal's size; without it the deletion still counts.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`]; [`JournalError::SpoolLeft`], those of the disk and [`JournalError::Busy`], after which
    /// nothing is deleted.
    pub(crate) fn delete_hitter(
        &mut self,
        choice: &HitterChoice,
    ) -> Result<DeletionReport, JournalError> {
        let hitter = self.reader().hitter(choice)?;
        let sessions = self.reader().query("list the hitter's sessions", |c| {
            c.prepare("SELECT id FROM sessions WHERE hitter = ?1")?
                .query_map([hitter.id.get()], |row| row.get("id"))?
                .collect::<Result<Vec<i64>, _>>()
        })?;
        self.delete(&Deletion {
            sql: "DELETE FROM hitters WHERE id = ?1",
            id: hitter.id.get(),
            sessions: &sessions,
            name: &hitter.name.unwrap_or_default(),
        })
    }

    /// Deletes one session with its reps, notes, measures, landmarks and films, whoever it is of, as thoroughly as
    /// [`Self::delete_hitter`] does: there is no other way to delete sessions that no hitter is named for.
    ///
    /// # Errors
    /// [`JournalError::NoSuchSession`], and as [`Self::delete_hitter`].
    pub fn delete_session(&mut self, session: SessionId) -> Result<DeletionReport, JournalError> {
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
        self.delete(&Deletion {
            sql: "DELETE FROM sessions WHERE id = ?1",
            id: session.get(),
            sessions: &[session.get()],
            name: "",
        })
    }

    fn delete(&mut self, deletion: &Deletion<'_>) -> Result<DeletionReport, JournalError> {
        if let Some(spool) = self.report().spools_left.first() {
            return Err(JournalError::SpoolLeft {
                path: self.path().to_path_buf(),
                spool: spool.clone(),
            });
        }
        let Deletion { sessions, name, .. } = *deletion;
        let theirs = self.reader().fingerprints_of(sessions)?;
        let reps = self.reader().count_reps(sessions)?;
        self.transaction("delete people's data", |change| {
            change.execute(deletion.sql, [deletion.id])
        })?;
        // By number: films of an older journal's session of that number, which nobody else can find, go with them.
        let films = FilmStore::of_journal(self.path()).delete_sessions(sessions);
        let not_rebuilt = self.rebuild().err();

        // The same recording may have been kept for two hitters; what the other keeps is no remnant.
        let kept = self.reader().all_fingerprints()?;
        let fingerprints: HashSet<Fingerprint> = theirs.difference(&kept).copied().collect();
        let mut report = DeletionReport {
            sessions: sessions.len() as u32,
            reps,
            films,
            not_rebuilt,
            searched: Vec::new(),
            fingerprints: fingerprints.len(),
            named_by_others: self.reader().entries_that_name(name)?,
            remnants: Vec::new(),
            remnants_aside: Vec::new(),
        };
        let distinctive = name.len() >= DISTINCTIVE_NAME_BYTES;
        let unexplained = distinctive && report.named_by_others.is_empty();
        let own = vec![self.path().to_path_buf(), with_side(self.path(), "-wal")];
        report.remnants = report.search(own, unexplained.then_some(name), &fingerprints)?;
        let aside = earlier_journals(self.path());
        report.remnants_aside = report.search(aside, distinctive.then_some(name), &fingerprints)?;
        Ok(report)
    }

    fn rebuild(&self) -> Result<(), JournalError> {
        self.empty_wal()?;
        self.reader()
            .query("rebuild the file", |c| c.execute_batch("VACUUM"))?;
        self.empty_wal()
    }
}

impl JournalReader {
    fn fingerprints_of(&self, sessions: &[i64]) -> Result<HashSet<Fingerprint>, JournalError> {
        let mut all = HashSet::new();
        for session in sessions {
            for (timelines, owners) in TIMELINES {
                let which = format!(
                    "JOIN {owners} ON {owners}.id = {timelines}.rep WHERE {owners}.session = ?1"
                );
                all.extend(self.fingerprints(timelines, &which, &[*session])?);
            }
        }
        Ok(all)
    }

    fn all_fingerprints(&self) -> Result<HashSet<Fingerprint>, JournalError> {
        let mut all = HashSet::new();
        for (timelines, _) in TIMELINES {
            all.extend(self.fingerprints(timelines, "", &[])?);
        }
        Ok(all)
    }

    fn fingerprints(
        &self,
        timelines: &str,
        which: &str,
        values: &[i64],
    ) -> Result<HashSet<Fingerprint>, JournalError> {
        self.query("read how landmarks begin", |c| {
            let sql = format!(
                "SELECT substr({timelines}.landmarks, 1, {}) AS fingerprint FROM {timelines} {which}",
                size_of::<Fingerprint>()
            );
            let mut found = HashSet::new();
            let mut select = c.prepare(&sql)?;
            let mut rows = select.query(rusqlite::params_from_iter(values))?;
            while let Some(row) = rows.next()? {
                // A timeline of two or three frames may be shorter; its name and rep are searched for all the same.
                if let Ok(fingerprint) =
                    Fingerprint::try_from(row.get_ref("fingerprint")?.as_blob()?)
                {
                    found.insert(fingerprint);
                }
            }
            Ok(found)
        })
    }

    fn count_reps(&self, sessions: &[i64]) -> Result<u32, JournalError> {
        let mut reps = 0;
        for session in sessions {
            reps += self.query("count what is deleted", |c| {
                c.query_row(
                    "SELECT count(*) FROM reps WHERE session = ?1",
                    [session],
                    |row| row.get::<_, u32>(0),
                )
            })?;
        }
        Ok(reps)
    }

    /// Where the name stands in the text of entries that stay.
    fn entries_that_name(&self, name: &str) -> Result<Vec<String>, JournalError> {
        let mut found = Vec::new();
        if name.is_empty() {
            return Ok(found);
        }
        for Listed { table, column, .. } in all_columns()
            .into_iter()
            .filter(|listed| listed.holds == Holds::FreeText)
        {
            let entries: u32 = self.query("search its texts", |c| {
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

impl DeletionReport {
    /// Searches those of the files that exist, and notes that it did. The name is counted where it is given: elsewhere
    /// it proves nothing.
    fn search(
        &mut self,
        files: Vec<PathBuf>,
        name: Option<&str>,
        fingerprints: &HashSet<Fingerprint>,
    ) -> Result<Vec<Remnant>, JournalError> {
        let mut remnants = Vec::new();
        for file in files {
            let bytes = match std::fs::metadata(&file) {
                Ok(found) => found.len(),
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
                Err(error) => return Err(JournalError::from_io(&file, &error)),
            };
            let (names, timelines) = count(&file, name.unwrap_or_default(), fingerprints)
                .map_err(|error| JournalError::from_io(&file, &error))?;
            self.searched.push((file.clone(), bytes));
            if names + timelines > 0 {
                remnants.push(Remnant {
                    file,
                    names,
                    timelines,
                });
            }
        }
        Ok(remnants)
    }
}

fn count(
    file: &Path,
    name: &str,
    fingerprints: &HashSet<Fingerprint>,
) -> std::io::Result<(u64, u64)> {
    let names = count_in_file(file, &[name.as_bytes()], u64::MAX)?;
    // Every stored timeline begins with these two bytes.
    let timelines = count_fingerprints(file, *b"TL", fingerprints)?;
    Ok((names.into_iter().sum(), timelines))
}
