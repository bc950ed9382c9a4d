//! What the coach changes: notes, marks, corrections, plans, hitters.
//!
//! In: one [`Edit`] at a time. Out: the number of the row. What was detected is never lost here: a rep
//! that is excluded, relabeled or whose events are moved keeps its detected values, and each correction is kept with its time.

use rusqlite::{OptionalExtension, params};

use super::columns::{Column, CorrectionColumn, NoteColumn, RepColumn, get, insert};
use super::consents::NewConsent;
use super::insert::{find_or_add_hitter, find_or_add_plan};
use super::read::stamp;
use super::sql::Sql;
use super::{consents, office, people};
use crate::journal::error::JournalError;
use crate::journal::files::deletion_list::note_merge;
use crate::journal::record::{
    HitterId, NewHitter, NewPlan, NotCountedId, NoteId, RepId, SessionId,
};
use crate::journal::stamp::stamp_text;
use crate::journal::store::moved_events::{MovedEvent, move_event, restore_events};
use crate::journal::store::not_counted::make_count;
use crate::journal::store::open::{Journal, JournalReader};
use crate::rep::RepKind;
use crate::wall_clock::now_to_the_millisecond;

/// The longest note, characters.
pub(crate) const LONGEST_NOTE: usize = 2000;

/// A change by the coach.
#[derive(Clone, Debug, PartialEq)]
pub enum Edit {
    /// A note on a session, or on one of its reps.
    AddNote {
        /// The session.
        session: SessionId,
        /// The rep, where it is about one.
        rep: Option<RepId>,
        /// What the coach says; 1 to [`LONGEST_NOTE`] characters.
        text: String,
    },
    /// A note is deleted.
    DeleteNote(NoteId),
    /// A rep is marked to be found again, or no longer.
    Mark {
        /// The rep.
        rep: RepId,
        /// Whether it is marked from now on.
        marked: bool,
    },
    /// A rep is excluded for a reason, or counts again.
    Exclude {
        /// The rep.
        rep: RepId,
        /// Why it does not count; `None` lets it count again.
        why: Option<String>,
    },
    /// A rep is labeled a swing or a take, whatever it was detected as.
    Relabel {
        /// The rep.
        rep: RepId,
        /// What it was; `None` goes back to what was detected.
        kind: Option<RepKind>,
    },
    /// One of a rep's events is moved; the detected time is kept.
    MoveEvent(Box<MovedEvent>),
    /// A rep's events and measures go back to what was detected.
    RestoreEvents(RepId),
    /// What was seen and not counted becomes a rep.
    MakeCount(NotCountedId),
    /// A plan is put in force from the next session on; one with an empty text removes it.
    SetPlan {
        /// Whose; `None` for everybody without one of their own.
        hitter: Option<HitterId>,
        /// The plan.
        plan: NewPlan,
    },
    /// A hitter is added, or side and height of one with this name are brought up to date.
    AddHitter(NewHitter),
    /// A session is another hitter's, or nobody's.
    GiveSession {
        /// The session.
        session: SessionId,
        /// Whose it is.
        hitter: Option<HitterId>,
    },
    /// A hitter gets another name, which nobody else has.
    RenameHitter {
        /// The hitter.
        hitter: HitterId,
        /// The new name.
        name: String,
    },
    /// Two entries are one hitter.
    MergeHitters {
        /// The entry that goes.
        from: HitterId,
        /// The entry that gets everything.
        into: HitterId,
    },
    /// A hitter is frozen, or hits again.
    FreezeHitter {
        /// The hitter.
        hitter: HitterId,
        /// Whether they are frozen from now on.
        frozen: bool,
    },
    /// A hitter may hit in a cage, or no longer; the office's alone.
    LetIn {
        /// The hitter.
        hitter: HitterId,
        /// The cage.
        cage: String,
        /// Whether they may from now on.
        is_let_in: bool,
    },
    /// An earlier machine of a cage is waited for no longer; the office's alone.
    Retire {
        /// The machine's journal.
        journal: String,
    },
    /// What a hitter allows from now on.
    RecordConsent {
        /// The hitter.
        hitter: HitterId,
        /// The decision.
        consent: NewConsent,
    },
}

/// A correction as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CorrectionRow {
    /// What was changed, see `corrections.what` in `docs/journal.md`.
    pub(crate) what: String,
    pub(crate) was: Option<String>,
    pub(crate) became: Option<String>,
    pub(crate) made_at: jiff::Timestamp,
    /// The account of whoever made it; `None` in rows of older versions.
    pub(crate) made_by: Option<String>,
}

/// A note as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct NoteRow {
    /// The note's number.
    pub id: NoteId,
    /// The rep it is about; `None` for the session as a whole.
    pub rep: Option<RepId>,
    /// What the coach says.
    pub(crate) text: String,
    /// When.
    pub(crate) made_at: jiff::Timestamp,
    /// The account of whoever wrote it; `None` in rows of older versions.
    pub(crate) made_by: Option<String>,
}

impl Journal {
    /// Makes a change and returns the number of the row that was added or changed. `by` is the account of whoever makes it.
    ///
    /// # Errors
    /// [`JournalError::Refused`] where the row does not exist or the text is empty or too long; those of the disk.
    pub fn edit(&mut self, edit: &Edit, by: &str) -> Result<i64, JournalError> {
        if let Some(reason) = reason_to_refuse(edit) {
            return Err(JournalError::Refused {
                path: self.reader().path().to_owned(),
                doing: "change an entry",
                reason: reason.to_owned(),
            });
        }
        // Backups are a file's.
        if let Edit::MergeHitters { from, into } = edit
            && !self.reader().is_store()
        {
            self.note_merge(*from, *into)?;
        }
        let row = self.transaction("change an entry", |change| apply(change, edit, by))?;
        if consents::deletes_landmarks(edit)
            && !self.reader().is_store()
            && let Err(error) = self.empty_wal()
        {
            tracing::warn!(%error, "landmarks that were refused stay in the log until it is written anew");
        }
        row.ok_or_else(|| JournalError::Refused {
            path: self.reader().path().to_owned(),
            doing: "change an entry",
            reason: "it is not there (any more)".to_owned(),
        })
    }
}

impl Journal {
    /// Noted before it is done: a deletion of the one must find the other in backups from before.
    fn note_merge(&self, from: HitterId, into: HitterId) -> Result<(), JournalError> {
        let mark = |id: HitterId| self.reader().row_mark("hitters", "created_at", id.get());
        match (mark(from)?, mark(into)?) {
            (Some(from), Some(into)) if from != into => note_merge(self.path(), &from, &into),
            _ => Ok(()),
        }
    }
}

fn reason_to_refuse(edit: &Edit) -> Option<&'static str> {
    let text = match edit {
        Edit::RenameHitter { name, .. } if !people::is_name(name) => {
            return Some("it is no name");
        }
        Edit::RecordConsent { consent, .. } => return consents::reason_to_refuse(consent),
        Edit::AddNote { text, .. } => text,
        Edit::Exclude { why: Some(why), .. } => why,
        _ => return None,
    };
    if text.trim().is_empty() {
        return Some("it has no words");
    }
    let is_text = |c: char| !c.is_control() || c.is_ascii_whitespace();
    if !text.chars().all(is_text) {
        return Some("it has characters that are no text");
    }
    (text.chars().count() > LONGEST_NOTE).then_some("it is too long")
}

/// The number of the row; `None` where there is none.
fn apply(connection: &Sql<'_>, edit: &Edit, by: &str) -> rusqlite::Result<Option<i64>> {
    let now = now_to_the_millisecond();
    match edit {
        Edit::AddNote { session, rep, text } => {
            let there = match rep {
                Some(rep) => connection
                    .prepare_cached("SELECT 1 FROM reps WHERE id = ?1 AND session = ?2")?
                    .exists([rep.get(), session.get()])?,
                None => connection
                    .prepare_cached("SELECT 1 FROM sessions WHERE id = ?1")?
                    .exists([session.get()])?,
            };
            if !there {
                return Ok(None);
            }
            insert(
                connection,
                &[
                    (NoteColumn::Session, &session.get()),
                    (NoteColumn::Rep, &rep.map(RepId::get)),
                    (NoteColumn::Text, &text.trim()),
                    (NoteColumn::MadeAt, &stamp_text(now)),
                    (NoteColumn::MadeBy, &by),
                ],
            )
            .map(Some)
        }
        Edit::DeleteNote(note) => {
            let rows = connection.execute("DELETE FROM notes WHERE id = ?1", [note.get()])?;
            Ok((rows > 0).then_some(note.get()))
        }
        Edit::Mark { rep, marked } => {
            let rows = connection.execute(
                "UPDATE reps SET marked = ?2 WHERE id = ?1",
                params![rep.get(), marked],
            )?;
            Ok((rows > 0).then_some(rep.get()))
        }
        Edit::Exclude { rep, why } => record_correction(
            connection,
            *rep,
            "struck",
            RepColumn::StruckWhy,
            why.as_deref().map(str::trim),
            by,
        ),
        Edit::Relabel { rep, kind } => record_correction(
            connection,
            *rep,
            "called",
            RepColumn::Called,
            kind.map(RepKind::name),
            by,
        ),
        Edit::MoveEvent(moved) => move_event(connection, moved, by),
        Edit::RestoreEvents(rep) => restore_events(connection, *rep, by),
        Edit::MakeCount(id) => make_count(connection, *id, by),
        Edit::SetPlan {
            hitter: Some(hitter),
            ..
        } if people::is_frozen(connection, *hitter)?.is_none() => Ok(None),
        Edit::SetPlan { hitter, plan } => {
            find_or_add_plan(connection, *hitter, plan, now, Some(by)).map(|id| Some(id.get()))
        }
        Edit::GiveSession { session, hitter } => {
            people::give_session(connection, *session, *hitter)
        }
        Edit::RenameHitter { hitter, name } => people::rename(connection, *hitter, name),
        Edit::MergeHitters { from, into } => people::merge(connection, *from, *into),
        Edit::FreezeHitter { hitter, frozen } => people::freeze(connection, *hitter, *frozen),
        Edit::LetIn {
            hitter,
            cage,
            is_let_in,
        } => office::let_in(connection, (*hitter, cage), *is_let_in),
        Edit::Retire { journal } => office::retire(connection, journal),
        Edit::RecordConsent { hitter, consent } => {
            consents::record(connection, *hitter, consent, by)
        }
        Edit::AddHitter(hitter) => {
            find_or_add_hitter(connection, hitter, now).map(|id| Some(id.get()))
        }
    }
}

/// Changes one column and records its old value.
fn record_correction(
    connection: &Sql<'_>,
    rep: RepId,
    what: &str,
    column: RepColumn,
    became: Option<&str>,
    by: &str,
) -> rusqlite::Result<Option<i64>> {
    let column = column.name();
    let was: Option<Option<String>> = connection
        .query_row(
            &format!("SELECT {column} FROM reps WHERE id = ?1"),
            [rep.get()],
            |row| row.get(0),
        )
        .optional()?;
    let Some(was) = was else { return Ok(None) };
    if was.as_deref() == became {
        return Ok(Some(rep.get()));
    }
    connection.execute(
        &format!("UPDATE reps SET {column} = ?2 WHERE id = ?1"),
        params![rep.get(), became],
    )?;
    insert(
        connection,
        &[
            (CorrectionColumn::Rep, &rep.get()),
            (CorrectionColumn::What, &what),
            (CorrectionColumn::Was, &was),
            (CorrectionColumn::Became, &became),
            (
                CorrectionColumn::MadeAt,
                &stamp_text(now_to_the_millisecond()),
            ),
            (CorrectionColumn::MadeBy, &by),
        ],
    )?;
    Ok(Some(rep.get()))
}

impl JournalReader {
    /// The notes on a session and its reps, the oldest first.
    pub(crate) fn notes(&self, session: SessionId) -> Result<Vec<NoteRow>, JournalError> {
        self.query("read the notes", |c| {
            use NoteColumn as C;
            let columns = C::selection();
            c.prepare_cached(&format!(
                "SELECT {columns} FROM notes WHERE session = ?1 ORDER BY id"
            ))?
            .query_map([session.get()], |row| {
                Ok(NoteRow {
                    id: NoteId::new(get(row, C::Id)?),
                    rep: get::<Option<i64>>(row, C::Rep)?.map(RepId::new),
                    text: get(row, C::Text)?,
                    made_at: stamp(row, C::MadeAt)?,
                    made_by: get(row, C::MadeBy)?,
                })
            })?
            .collect()
        })
    }

    /// The corrections of a rep, the oldest first.
    pub fn corrections(&self, rep: RepId) -> Result<Vec<CorrectionRow>, JournalError> {
        self.query("read the corrections", |c| {
            use CorrectionColumn as C;
            let columns = C::selection();
            c.prepare_cached(&format!(
                "SELECT {columns} FROM corrections WHERE rep = ?1 ORDER BY id"
            ))?
            .query_map([rep.get()], |row| {
                Ok(CorrectionRow {
                    what: get(row, C::What)?,
                    was: get(row, C::Was)?,
                    became: get(row, C::Became)?,
                    made_at: stamp(row, C::MadeAt)?,
                    made_by: get(row, C::MadeBy)?,
                })
            })?
            .collect()
        })
    }
}
