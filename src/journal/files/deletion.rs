//! Deletes a hitter or a session for good, and searches the files for anything that is left.
//!
//! In: a hitter or session of an open journal. Out: what was deleted and what was still found. Runs on the caller's thread.
//!
//! SQLite overwrites what it deletes (`secure_delete`) and `VACUUM` rebuilds the file. Journals that were replaced beside it are treated
//! alike, copies that were cut short are removed, and the deletion is noted, so that it is done again to a backup. The search finds what none
//! of this can reach: pages in the write-ahead log that a reader still holds, a file that could not be rebuilt for lack of space,
//! damaged journals that were set aside.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::OptionalExtension;

use crate::journal::error::JournalError;
use crate::journal::files::deletion_list::{DeletedRows, RowMark};
use crate::journal::files::quarantine::{SIDES, earlier_journals};
use crate::journal::files::remnants::{Fingerprint, NamingEntries, Remnant, Search};
use crate::journal::record::{HitterId, SessionId};
use crate::journal::store::hitters::HitterChoice;
use crate::journal::store::open::{Journal, JournalReader};
use crate::journal::store::people::drop_unused_nameless;
use crate::journal::store::sessions::SessionFilter;
use crate::journal::store::sql::{SqlRow, params_from_iter};
use crate::video::{DeletedFilms, FilmError, FilmStore};

/// The tables of landmarks, and those whose rows they belong to.
pub(in crate::journal) const TIMELINES: [(&str, &str); 2] = [
    ("timelines", "reps"),
    ("not_counted_timelines", "not_counted"),
];
/// Copies that a kill left unfinished, or an upgrade that found its journal unsound: only ever copies of the journal beside them.
const UNFINISHED_COPIES: [&str; 3] = [".restored", ".part", ".before-v"];
/// How often to try to empty the log while somebody reads; each try waits for a lock as long as the journal always does.
const REBUILD_TRIES: u32 = 5;

/// What is to be deleted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum DeletionTarget {
    /// A hitter with everything of theirs.
    Hitter(HitterId),
    /// One session, whoever it is of.
    Session(SessionId),
    /// Every session that began before this and has ended, and hitters from before it who have none left. What belongs to a frozen
    /// hitter stays: who asked for that may need it.
    Before(Timestamp),
}

/// A journal that was set aside, and what a deletion did to it.
#[derive(Debug)]
pub(crate) struct SetAside {
    /// The file.
    pub(crate) file: PathBuf,
    /// Sessions deleted from it, or why it could not be opened.
    pub(crate) sessions: Result<u32, JournalError>,
}

/// What a deletion did.
#[derive(Debug)]
pub struct DeletionReport {
    /// Sessions deleted.
    pub(crate) sessions: u32,
    /// Reps deleted with them.
    pub(crate) reps: u32,
    /// Films of them that were deleted, and of sessions that are in no journal any more; and those that could not be.
    pub(crate) films: Result<DeletedFilms, FilmError>,
    /// Why the file could not be rebuilt or its log not be emptied, where that is so. What was deleted is
    /// overwritten with zeros all the same.
    pub(crate) not_rebuilt: Option<JournalError>,
    /// Why the deletion could not be noted for backups, where that is so.
    pub(crate) not_noted: Option<JournalError>,
    /// Unfinished copies of the journal, and a copy of the settings that named the hitter, that were removed.
    pub(crate) removed: Vec<PathBuf>,
    /// The journals that were set aside.
    pub(crate) set_aside: Vec<SetAside>,
    /// The files that were searched, and their bytes.
    pub(crate) searched: Vec<(PathBuf, u64)>,
    /// How many timeline beginnings were searched for.
    pub(crate) fingerprints: usize,
    /// Entries of others that contain the name; they stay.
    pub(crate) named_by_others: Vec<NamingEntries>,
    /// What was found in the journal or its log and is not explained by entries that stay. Empty proves the deletion.
    pub(crate) remnants: Vec<Remnant>,
    /// What is left in journals that were set aside.
    pub(crate) remnants_aside: Vec<Remnant>,
    /// Settings files and logs that name the hitter.
    pub(crate) named_in_files: Vec<Remnant>,
    /// Cages of the facility that have not heard of it yet, where the facility's store was asked.
    pub(crate) cages_left: Vec<String>,
}

/// What goes, and what to search for afterwards.
pub(super) struct Going {
    /// The sessions that go with it.
    pub(super) sessions: Vec<i64>,
    pub(super) rows: DeletedRows,
    /// The hitter's name; empty where there is none.
    pub(super) name: String,
    /// Who decided what they allow, in somebody's words.
    pub(super) decided_by: Vec<String>,
}

impl Journal {
    /// Deletes a hitter with all their sessions, plans, reps, measures, landmarks and films, or one session with what belongs to
    /// it, overwrites the freed bytes, rebuilds the file, empties the write-ahead log, does the same to journals that were
    /// replaced, and searches for what is left; `texts` are settings files and logs to search too.
    ///
    /// Rebuilding needs free space of twice the journal's size; without it the deletion still counts.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`], [`JournalError::NoSuchSession`]; [`JournalError::SpoolLeft`], those of the disk and
    /// [`JournalError::Busy`], after which films at most are deleted.
    pub(crate) fn delete(
        &mut self,
        whom: DeletionTarget,
        texts: &[PathBuf],
    ) -> Result<DeletionReport, JournalError> {
        if let Some(spool) = self.report().spools_left.first() {
            return Err(JournalError::SpoolLeft {
                path: self.path().to_path_buf(),
                spool: spool.clone(),
            });
        }
        let going = self.reader().going(whom)?;
        let theirs = self.reader().fingerprints_of(&going.sessions)?;
        let reps = self.reader().count_reps(&going.sessions)?;
        // Films first: where the program ends in between, whoever wanted it finds the rows and asks again.
        let films_before = self.delete_films(&going.sessions)?;
        // What is too old for this journal is not deleted for the whole facility.
        let is_quiet = matches!(whom, DeletionTarget::Before(_));
        self.transaction("delete people's data", |change| {
            change.execute("UPDATE facility SET is_quiet = ?1", [is_quiet])?;
            going.rows.delete_from(change)?;
            drop_unused_nameless(change)?;
            change.execute("UPDATE facility SET is_quiet = 0", [])
        })?;
        // Nor when a backup brings it back: its age tells again what is to go.
        let not_noted = match is_quiet {
            true => None,
            false => going.rows.add_to_list(self.path()).err(),
        };
        // And again: one can have come to the disk meanwhile.
        let films = self.delete_films(&going.sessions)?.map(|mut films| {
            films.total += films_before.map(|before| before.total).unwrap_or_default();
            films
        });
        let not_rebuilt = self.rebuild().err();
        let mut removed = remove_unfinished_copies(self.path());
        let set_aside = delete_from_set_aside(self.path(), &going);

        // The same recording may have been kept for two hitters; what the other keeps is no remnant.
        let kept = self.reader().all_fingerprints()?;
        let fingerprints: HashSet<Fingerprint> = theirs.difference(&kept).copied().collect();
        // Likewise: many a decision is of "mother, paper form".
        let decided_by = self.reader().standing_nowhere(&going.decided_by)?;
        let mut search = Search {
            name: &going.name,
            decided_by: &decided_by,
            fingerprints: &fingerprints,
            searched: Vec::new(),
        };
        let remnants = search.in_journal(self.reader())?;
        let mut remnants_aside = Vec::new();
        for file in earlier_journals(self.path()) {
            remnants_aside.extend(search.in_set_aside(&file)?);
        }
        let mut named_in_files = Vec::new();
        for file in texts {
            let Some(found) = search.in_text(file)? else {
                continue;
            };
            // Nobody needs the copy that an edit of the settings kept.
            let is_copy = file.extension().is_some_and(|ending| ending == "bak");
            match is_copy && fs::remove_file(file).is_ok() {
                true => removed.push(file.clone()),
                false => named_in_files.push(found),
            }
        }
        let named_by_others = self.reader().entries_that_name(&going.name)?;
        Ok(DeletionReport {
            sessions: going.sessions.len() as u32,
            reps,
            films,
            not_rebuilt,
            not_noted,
            removed,
            set_aside,
            searched: search.searched,
            fingerprints: fingerprints.len(),
            named_by_others,
            remnants,
            remnants_aside,
            named_in_files,
            cages_left: Vec::new(),
        })
    }

    /// [`Self::delete`] for one session.
    ///
    /// # Errors
    /// As there.
    pub fn delete_session(&mut self, session: SessionId) -> Result<DeletionReport, JournalError> {
        self.delete(DeletionTarget::Session(session), &[])
    }

    /// By number: films of an older journal's session of that number, which nobody else can find, go with them. So do films of
    /// sessions that are in the journal no more: nobody can tell whose they are.
    fn delete_films(
        &self,
        sessions: &[i64],
    ) -> Result<Result<DeletedFilms, FilmError>, JournalError> {
        let there: HashSet<i64> = self.reader().query("list its sessions", |c| {
            c.prepare("SELECT id FROM sessions")?
                .query_map([], |row| row.get("id"))?
                .collect()
        })?;
        let store = FilmStore::of_journal(self.path());
        let gone = store.films().map(|films| {
            films
                .iter()
                .map(|film| film.session)
                .filter(|session| !there.contains(session))
                .chain(sessions.iter().copied())
                .collect::<Vec<i64>>()
        });
        Ok(gone.and_then(|sessions| store.delete_sessions(&sessions)))
    }

    /// Deletes again what the list beside the journal names: a backup brings it back. Gives how many hitters and sessions.
    ///
    /// # Errors
    /// Those of the disk.
    pub(in crate::journal) fn delete_again(&mut self) -> Result<(usize, usize), JournalError> {
        let rows = DeletedRows::read(self.path())?;
        if !self
            .reader()
            .query("look for what was deleted", |c| rows.stand_in(c))?
        {
            return Ok((0, 0));
        }
        let sessions: Vec<i64> = rows.sessions.iter().map(|row| row.id).collect();
        if let Err(error) = self.delete_films(&sessions)? {
            tracing::warn!(%error, "films of what was deleted again are left");
        }
        let deleted = self.transaction("delete people's data again", |change| {
            rows.delete_from(change)
        })?;
        if let Err(error) = self.rebuild() {
            tracing::warn!(%error, "what was deleted again is overwritten, but the journal could not be rebuilt");
        }
        Ok(deleted)
    }

    /// Somebody who reads the page holds up the log for a moment only.
    fn rebuild(&self) -> Result<(), JournalError> {
        let once = || {
            self.empty_wal()?;
            self.reader()
                .query_file("rebuild the file", |c| c.execute_batch("VACUUM"))?;
            self.empty_wal()
        };
        for _ in 1..REBUILD_TRIES {
            match once() {
                Err(JournalError::Busy { .. }) => {}
                rebuilt => return rebuilt,
            }
        }
        once()
    }
}

/// Removes unfinished copies beside the journal, whose lock is held; gives those that are gone.
fn remove_unfinished_copies(journal: &Path) -> Vec<PathBuf> {
    let name = journal.file_name().unwrap_or_default().to_string_lossy();
    let entries = journal
        .parent()
        .and_then(|folder| fs::read_dir(folder).ok());
    let mut removed: Vec<PathBuf> = entries
        .into_iter()
        .flatten()
        .filter_map(Result::ok)
        .filter(|entry| {
            let found = entry.file_name();
            found
                .to_string_lossy()
                .strip_prefix(&*name)
                .is_some_and(|rest| UNFINISHED_COPIES.iter().any(|copy| rest.starts_with(copy)))
        })
        .map(|entry| entry.path())
        .filter(|path| {
            fs::remove_file(path)
                .inspect_err(|error| tracing::warn!(file = %path.display(), %error, "not removed"))
                .is_ok()
        })
        .collect();
    removed.sort();
    removed
}

/// Deletes the same from journals that were set aside and can still be opened.
fn delete_from_set_aside(journal: &Path, going: &Going) -> Vec<SetAside> {
    earlier_journals(journal)
        .into_iter()
        .filter(|file| {
            SIDES[..3]
                .iter()
                .all(|side| !file.to_string_lossy().ends_with(side))
        })
        .filter(|file| !file.to_string_lossy().ends_with(".lock"))
        .map(|file| SetAside {
            sessions: delete_from_one(&file, going),
            file,
        })
        .collect()
}

fn delete_from_one(file: &Path, going: &Going) -> Result<u32, JournalError> {
    let mut aside = Journal::open_alone(file)?;
    let mut rows = going.rows.clone();
    let same = aside
        .reader()
        .hitter(&HitterChoice::Name(going.name.clone()));
    let hitters: Vec<i64> = same.iter().map(|hitter| hitter.id.get()).collect();
    let deleted = aside.transaction("delete people's data", |change| {
        for hitter in &hitters {
            let marks = change
                .prepare("SELECT id, started_at FROM sessions WHERE hitter = ?1")?
                .query_map([hitter], row_mark)?
                .collect::<rusqlite::Result<Vec<RowMark>>>()?;
            rows.sessions.extend(marks);
        }
        let deleted = rows.delete_from(change)?;
        for hitter in &hitters {
            change.execute("DELETE FROM hitters WHERE id = ?1", [hitter])?;
        }
        Ok(deleted)
    })?;
    aside.rebuild()?;
    let path = aside.path().to_path_buf();
    drop(aside);
    let _ = fs::remove_file(crate::journal::files::lock::lock_path(&path));
    Ok(deleted.1 as u32)
}

pub(super) fn row_mark(row: &SqlRow<'_>) -> rusqlite::Result<RowMark> {
    Ok(RowMark {
        id: row.get(0)?,
        made_at: row.get(1)?,
    })
}

impl JournalReader {
    fn going(&self, whom: DeletionTarget) -> Result<Going, JournalError> {
        match whom {
            DeletionTarget::Hitter(id) => {
                let hitter = self.hitter(&HitterChoice::Id(id))?;
                let sessions = self.query("list the hitter's sessions", |c| {
                    c.prepare("SELECT id, started_at FROM sessions WHERE hitter = ?1")?
                        .query_map([id.get()], row_mark)?
                        .collect::<Result<Vec<RowMark>, _>>()
                })?;
                let hitters = self.row_mark("hitters", "created_at", id.get())?;
                Ok(Going {
                    sessions: sessions.iter().map(|row| row.id).collect(),
                    rows: DeletedRows {
                        hitters: hitters.into_iter().collect(),
                        sessions: sessions.into_iter().collect(),
                    },
                    name: hitter.name.unwrap_or_default(),
                    decided_by: self.who_decided([id.get()])?,
                })
            }
            DeletionTarget::Before(limit) => self.going_before(limit),
            DeletionTarget::Session(session) => {
                let only = SessionFilter {
                    only: Some(session),
                    ..SessionFilter::default()
                };
                if self.sessions_of(&only)?.is_empty() {
                    return Err(JournalError::NoSuchSession {
                        path: self.path.clone(),
                        session,
                    });
                }
                let sessions = self.row_mark("sessions", "started_at", session.get())?;
                Ok(Going {
                    sessions: vec![session.get()],
                    rows: DeletedRows {
                        sessions: sessions.into_iter().collect(),
                        ..DeletedRows::default()
                    },
                    name: String::new(),
                    decided_by: Vec::new(),
                })
            }
        }
    }

    /// How the list of deletions knows a row.
    pub(in crate::journal) fn row_mark(
        &self,
        table: &str,
        column: &str,
        id: i64,
    ) -> Result<Option<RowMark>, JournalError> {
        self.query("read when it was made", |c| {
            let sql = format!("SELECT id, {column} FROM {table} WHERE id = ?1");
            c.query_row(&sql, [id], row_mark).optional()
        })
    }

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
            let mut rows = select.query(params_from_iter(values))?;
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
                let sql = "SELECT count(*) FROM reps WHERE session = ?1";
                c.query_row(sql, [session], |row| row.get::<_, u32>(0))
            })?;
        }
        Ok(reps)
    }
}
