//! All that the journal holds of one hitter, as files for the hitter to keep.
//!
//! In: a hitter. Out: a folder with who they are, their sessions and plans (`hitter.json`), their reps (`reps.jsonl`)
//! and the landmarks of each rep as a pose track; films of reps where some were kept. Runs on the caller's thread.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use rusqlite::OptionalExtension;
use serde_json::json;

use super::export::exported_line;
use super::names::OtherNames;
use crate::journal::error::JournalError;
use crate::journal::record::{RepId, SessionId};
use crate::journal::rep_json::rounded;
use crate::journal::stamp::stamp_text;
use crate::journal::store::hitters::{HitterChoice, HitterRow};
use crate::journal::store::open::JournalReader;
use crate::journal::store::query::{RepFilter, StoredRep};
use crate::journal::store::read::stamp_of;
use crate::journal::store::sessions::SessionFilter;
use crate::video::{FilmError, FilmId, FilmStore};

/// How much was exported of a hitter.
#[derive(Debug, Default)]
pub(crate) struct HitterExport {
    /// Their reps.
    pub(crate) reps: u64,
    /// Reps with their landmarks.
    pub(crate) tracks: u64,
    /// Reps that were stored without landmarks.
    pub(crate) without_landmarks: u64,
    /// Films of their reps.
    pub(crate) films: u64,
    /// Reps whose landmarks cannot be read; everything else of them is exported.
    pub(crate) unreadable: Vec<JournalError>,
    /// Files in the place of films that cannot be read as films.
    pub(crate) bad_films: Vec<FilmError>,
}

impl JournalReader {
    /// Writes all that the journal holds of a hitter into a new or empty folder: `hitter.json`, `reps.jsonl`,
    /// `session-S-rep-N.track.jsonl` for each rep with landmarks and `session-S-rep-N.avi` for each with a film. Nobody but
    /// the owner can read them. Where a text names another hitter, that name is left out.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`]; [`JournalError::FolderInUse`] where the folder holds anything;
    /// [`JournalError::NoAccess`], [`JournalError::Output`], and those of the disk.
    pub(crate) fn export_hitter(
        &self,
        choice: &HitterChoice,
        folder: &Path,
    ) -> Result<HitterExport, JournalError> {
        let hitter = self.hitter(choice)?;
        let names = self.hitters()?.into_iter().filter_map(|row| row.name);
        let others = OtherNames::new(hitter.name.as_deref(), names);
        prepare_folder(folder)?;
        let new = |name: String| new_file(folder.join(name));

        let (path, mut file) = new("hitter.json".to_owned())?;
        let mut who = self.hitter_object(&hitter)?;
        others.left_out_of(&mut who);
        writeln!(file, "{who:#}").map_err(at(&path))?;

        let (path, file) = new("reps.jsonl".to_owned())?;
        let mut out = BufWriter::new(file);
        let mut stored = Vec::new();
        let filter = RepFilter {
            hitter: Some(HitterChoice::Id(hitter.id)),
            ..RepFilter::default()
        };
        let mut files = HitterExport {
            reps: self.for_each_rep(&filter, |rep| {
                stored.push((rep.id, rep.session, rep.judged.number));
                let rep = StoredRep {
                    excluded: rep.excluded.map(|why| others.left_out(&why)),
                    ..rep
                };
                writeln!(out, "{}", exported_line(rep)).map_err(at(&path))
            })?,
            ..HitterExport::default()
        };
        out.flush().map_err(at(&path))?;

        let store = FilmStore::of_journal(self.path());
        for (rep, session, number) in stored {
            let film = self.film_id(rep)?;
            match store.film(film) {
                Ok(None) => {}
                Ok(Some(_)) => {
                    let (path, mut file) = new(format!("session-{session}-rep-{number}.avi"))?;
                    let from = store.path(film.session, number);
                    File::open(&from)
                        .and_then(|mut film| io::copy(&mut film, &mut file))
                        .map_err(at(&path))?;
                    files.films += 1;
                }
                Err(error) => files.bad_films.push(error),
            }
            // Read first, so that no empty file is left where there is nothing to write.
            match self.timeline(rep) {
                Ok(Some(_)) => {}
                Ok(None) => {
                    files.without_landmarks += 1;
                    continue;
                }
                Err(error @ JournalError::Timeline { .. }) => {
                    files.unreadable.push(error);
                    continue;
                }
                Err(error) => return Err(error),
            }
            let (_, file) = new(format!("session-{session}-rep-{number}.track.jsonl"))?;
            self.export_timeline(rep, file)?;
            files.tracks += 1;
        }
        Ok(files)
    }

    /// Which film would show this rep.
    ///
    /// # Errors
    /// [`JournalError::NoSuchRep`], and those of the disk.
    pub(crate) fn film_id(&self, rep: RepId) -> Result<FilmId, JournalError> {
        let found = self.query("find a rep's session", |c| {
            c.prepare_cached(
                "SELECT session, started_at, number FROM reps JOIN sessions ON sessions.id = reps.session
                 WHERE reps.id = ?1",
            )?
            .query_row([rep.get()], |row| {
                Ok(FilmId {
                    session: row.get("session")?,
                    session_started_ms: stamp_of(row, "started_at")?.as_millisecond(),
                    rep: row.get("number")?,
                })
            })
            .optional()
        })?;
        found.ok_or_else(|| JournalError::NoSuchRep {
            path: self.path.clone(),
            rep,
        })
    }

    fn hitter_object(&self, hitter: &HitterRow) -> Result<serde_json::Value, JournalError> {
        let of_the_hitter = SessionFilter {
            hitter: Some(hitter.id),
            ..SessionFilter::default()
        };
        let sessions = self
            .sessions_of(&of_the_hitter)?
            .into_iter()
            .rev()
            .map(|session| {
                let notes: Vec<_> = self
                    .notes(session.id)?
                    .into_iter()
                    .map(|note| {
                        json!({
                            "rep": note.rep.map(|rep| rep.get()),
                            "text": note.text,
                            "made_at": stamp_text(note.made_at),
                            "made_by": note.made_by,
                        })
                    })
                    .collect();
                let not_counted: Vec<_> = self
                    .not_counted_of(session.id)?
                    .into_iter()
                    .map(|seen| {
                        json!({
                            "kind": seen.judged.rep.kind,
                            "logged_at": stamp_text(seen.logged_at),
                            "reason": seen.reason,
                            "value": rounded(seen.value, 2),
                            "asked": rounded(seen.asked, 2),
                        })
                    })
                    .collect();
                Ok(json!({
                    "notes": notes,
                    "corrections": self.corrections_of(session.id)?,
                    "not_counted": not_counted,
                    "session": session.id.get(),
                    "started_at": stamp_text(session.started_at),
                    "ended_at": session.ended_at.map(stamp_text),
                    "end_note": session.end_note,
                    "source": session.source,
                    "settings": session.settings,
                    "program_version": session.program_version,
                    "plan": session.plan.map(|plan| plan.get()),
                    "swings": session.swings,
                    "takes": session.takes,
                }))
            })
            .collect::<Result<Vec<_>, JournalError>>()?;
        let plans: Vec<_> = self
            .plans()?
            .into_iter()
            .filter(|plan| plan.hitter == Some(hitter.id))
            .map(|plan| {
                json!({
                    "plan": plan.id.get(),
                    "name": plan.name,
                    "text": plan.text,
                    "made_at": stamp_text(plan.made_at),
                    "made_by": plan.made_by,
                })
            })
            .collect();
        let consents: Vec<_> = self
            .consent_rows(hitter.id)?
            .into_iter()
            .map(|row| {
                json!({
                    "purpose": row.purpose,
                    "decision": row.decision,
                    "decided_by": row.decided_by,
                    "decided_on": row.decided_on,
                    "recorded_by": row.recorded_by,
                    "recorded_at": stamp_text(row.recorded_at),
                })
            })
            .collect();
        Ok(json!({
            "hitter": hitter.id.get(),
            "name": hitter.name,
            "bats": hitter.bats.map(crate::rep::Bats::name),
            "height_cm": hitter.height_cm,
            "created_at": stamp_text(hitter.created_at),
            "sessions": sessions,
            "plans": plans,
            "consents": consents,
        }))
    }

    /// The coach's corrections of a session's reps.
    fn corrections_of(&self, session: SessionId) -> Result<Vec<serde_json::Value>, JournalError> {
        let mut corrections = Vec::new();
        for rep in self.reps_of(session)? {
            for row in self.corrections(rep.id)? {
                corrections.push(json!({
                    "rep": rep.judged.number,
                    "what": row.what,
                    "was": row.was,
                    "became": row.became,
                    "made_at": stamp_text(row.made_at),
                    "made_by": row.made_by,
                }));
            }
        }
        Ok(corrections)
    }
}

fn at(path: &Path) -> impl Fn(io::Error) -> JournalError {
    move |error| JournalError::from_io(path, &error)
}

/// Makes the folder where there is none. Nobody but the owner can look into it, where the file system knows owners.
fn prepare_folder(folder: &Path) -> Result<(), JournalError> {
    fs::create_dir_all(folder).map_err(at(folder))?;
    if fs::read_dir(folder).map_err(at(folder))?.next().is_some() {
        return Err(JournalError::FolderInUse {
            path: folder.to_path_buf(),
        });
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        if let Err(error) = fs::set_permissions(folder, fs::Permissions::from_mode(0o700)) {
            tracing::warn!(folder = %folder.display(), %error, "the folder can be read by others");
        }
    }
    Ok(())
}

fn new_file(path: PathBuf) -> Result<(PathBuf, File), JournalError> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let file = options.open(&path).map_err(at(&path))?;
    Ok((path, file))
}
