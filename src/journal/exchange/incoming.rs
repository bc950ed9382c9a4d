//! Rows that others changed, taken over where they are newer than the journal's.

use rusqlite::types::{ToSqlOutput, Value as SqlValue};
use rusqlite::{OptionalExtension, ToSql, params};
use serde_json::Value;

use super::outgoing::REMEMBERED;
use super::plain_uid;
use super::who::{forget_hitter, take_consent, take_deletion, take_hitter, take_plan};
use crate::journal::error::JournalError;
use crate::journal::files::deletion::DeletionTarget;
use crate::journal::record::{HitterId, SessionId};
use crate::journal::stamp::{parse_stamp, stamp_text};
use crate::journal::store::columns::{
    Column, CorrectionColumn, Holds, MeasureColumn, NoteColumn, RepColumn, joined,
};
use crate::journal::store::consents;
use crate::journal::store::open::{Journal, JournalReader};
use crate::journal::store::sql::{Sql, params_from_iter};

/// A change that the store tells of.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ToldChange {
    /// Its number and mark in the store.
    pub(crate) number: i64,
    pub(crate) mark: String,
    /// What it is about: `hitter`, `plan`, `consent`, `session`, `rep`, `note`, `correction`, `deleted`.
    pub(crate) what: String,
    pub(crate) uid: String,
    /// The row as it is now; nothing where it is nothing to this cage any more.
    pub(crate) content: Value,
}

/// What changes mean for whoever hits now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct TakenChanges {
    /// Hitters whose decisions or sessions changed.
    pub(crate) consents_of: Vec<HitterId>,
    /// Hitters under their old names, with the new one; without one they may not hit any more.
    pub(crate) renamed: Vec<(String, Option<String>)>,
}

impl Journal {
    /// Notes, before it is sent, under which mark a batch goes.
    ///
    /// # Errors
    /// Those of the disk.
    pub(in crate::journal) fn note_sent(
        &mut self,
        mark: &str,
        rev: i64,
    ) -> Result<(), JournalError> {
        self.transaction("note what is sent", |change| {
            change.execute(
                "INSERT INTO sent (mark, rev) VALUES (?1, ?2)",
                params![plain_uid(mark), rev],
            )?;
            change.execute(
                "DELETE FROM sent WHERE rev <= (SELECT rev FROM sent ORDER BY rev DESC LIMIT 1 OFFSET ?1)",
                [REMEMBERED],
            )
        })
        .map(drop)
    }

    /// Gives rows other uids, since the store has other rows under their numbers. What refers to them is told again. The moment in them
    /// is a quarter of a second off at most: where a clock stood before 2020, all have the same one, which has room for 4096.
    ///
    /// # Errors
    /// Those of the disk.
    pub(in crate::journal) fn renew_uids(&mut self, uids: &[String]) -> Result<(), JournalError> {
        const OTHER: &str = "substr(uid, 1, 10) || lower(hex(randomblob(1))) || '7' || substr(lower(hex(randomblob(2))), 2) || substr(uid, 17, 1) || substr(lower(hex(randomblob(8))), 2)";
        self.transaction("tell rows from others of the facility", |change| {
            for uid in uids {
                let uid = plain_uid(uid);
                let again = |sql: &str| change.execute(sql, [&uid]);
                // The row itself and what belongs to it get new numbers of change.
                for (table, belongs) in [
                    ("sessions", "hitter = (SELECT id FROM hitters WHERE uid = ?1)"),
                    ("plans", "hitter = (SELECT id FROM hitters WHERE uid = ?1)"),
                    ("consents", "hitter = (SELECT id FROM hitters WHERE uid = ?1)"),
                    ("reps", "session = (SELECT id FROM sessions WHERE uid = ?1)"),
                    ("notes", "session = (SELECT id FROM sessions WHERE uid = ?1) OR rep = (SELECT id FROM reps WHERE uid = ?1)"),
                    ("corrections", "rep = (SELECT id FROM reps WHERE uid = ?1)"),
                ] {
                    again(&format!(
                        "UPDATE {table} SET rev = (SELECT rev FROM facility) + id WHERE {belongs}"
                    ))?;
                    change.execute(
                        &format!("UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM {table})"),
                        [],
                    )?;
                }
                for table in ["hitters", "sessions", "plans", "consents", "reps", "notes", "corrections"] {
                    change.execute("UPDATE facility SET rev = rev + 1", [])?;
                    again(&format!(
                        "UPDATE {table} SET uid = {OTHER}, rev = (SELECT rev FROM facility) WHERE uid = ?1"
                    ))?;
                }
            }
            Ok(())
        })
    }

    /// Takes over what others changed, all of it or nothing, and how far the store was heard. Hitters and sessions that were deleted
    /// are noted as deleted; [`Self::delete`] deletes them before.
    ///
    /// # Errors
    /// Those of the disk.
    pub(in crate::journal) fn take_changes(
        &mut self,
        changes: &[ToldChange],
    ) -> Result<TakenChanges, JournalError> {
        self.transaction("take over what others changed", |change| {
            let mut taken = TakenChanges::default();
            for told in changes {
                take(change, told, &mut taken)?;
                change.execute(
                    "UPDATE facility SET pulled = ?1, pulled_mark = ?2",
                    params![told.number, told.mark],
                )?;
            }
            Ok(taken)
        })
    }
}

fn take(c: &Sql<'_>, told: &ToldChange, taken: &mut TakenChanges) -> rusqlite::Result<()> {
    let content = &told.content;
    match (told.what.as_str(), content.is_object()) {
        ("hitter", true) => match text(content, "name") {
            // Whoever has no name is in no list to choose from: only a session brings them, and one that is not used here is not deleted here.
            None if id_of(c, "hitters", uid_of(content, "uid"))?.is_none() => Ok(()),
            _ => take_hitter(c, content, taken).map(drop),
        },
        ("hitter", false) => forget_hitter(c, &plain_uid(&told.uid)),
        ("plan", true) => take_plan(c, content),
        ("consent", true) => take_consent(c, content, taken),
        ("session", true) => take_session(c, content, taken),
        ("rep", true) => take_rep(c, content),
        ("note", true) => take_note(c, content),
        ("correction", true) => take_correction(c, content),
        ("deleted", true) => take_deletion(c, content, taken),
        // What a newer store tells of besides.
        _ => Ok(()),
    }
}

/// A value of a row.
pub(super) struct Field<'a>(pub(super) &'a Value);

impl ToSql for Field<'_> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Owned(match self.0 {
            Value::Null | Value::Array(_) | Value::Object(_) => SqlValue::Null,
            Value::Bool(yes) => SqlValue::Integer(i64::from(*yes)),
            Value::Number(number) => match number.as_i64() {
                Some(whole) => SqlValue::Integer(whole),
                None => SqlValue::Real(number.as_f64().unwrap_or_default()),
            },
            Value::String(text) => SqlValue::Text(text.clone()),
        }))
    }
}

pub(super) fn text<'a>(content: &'a Value, key: &str) -> Option<&'a str> {
    content.get(key).and_then(Value::as_str)
}

pub(super) fn uid_of(content: &Value, key: &str) -> Option<String> {
    text(content, key).map(plain_uid)
}

pub(super) fn count(content: &Value, key: &str) -> i64 {
    content.get(key).and_then(Value::as_i64).unwrap_or_default()
}

/// A stamp as the journal writes it.
pub(super) fn stamp(content: &Value, key: &str) -> Option<String> {
    text(content, key)
        .and_then(|text| parse_stamp(text).ok())
        .map(stamp_text)
}

/// The row's number here.
pub(super) fn id_of(
    c: &Sql<'_>,
    table: &str,
    uid: Option<String>,
) -> rusqlite::Result<Option<i64>> {
    let Some(uid) = uid else { return Ok(None) };
    c.prepare_cached(&format!("SELECT id FROM {table} WHERE uid = ?1"))?
        .query_row([uid], |row| row.get(0))
        .optional()
}

pub(super) fn is_deleted(c: &Sql<'_>, uid: &str) -> rusqlite::Result<bool> {
    c.prepare_cached("SELECT 1 FROM deleted WHERE uid = ?1")?
        .exists([uid])
}

/// Whether a version is newer than the one here.
pub(super) fn is_newer(
    c: &Sql<'_>,
    table: &str,
    id: i64,
    content: &Value,
) -> rusqlite::Result<bool> {
    c.prepare_cached(&format!(
        "SELECT (?2, coalesce(?3, '')) > (edits, coalesce(edited_in, '')) FROM {table} WHERE id = ?1"
    ))?
    .query_row(
        params![id, count(content, "edits"), uid_of(content, "edited_in")],
        |row| row.get(0),
    )
}

/// The columns that are told under their own names, as the journal writes them.
fn fields<C: Column>(columns: &[C], content: &Value) -> Vec<SqlValue> {
    columns
        .iter()
        .map(|column| {
            let given = content.get(column.name()).unwrap_or(&Value::Null);
            match (column.holds(), column.name()) {
                (Holds::Stamp, name) => stamp(content, name).into(),
                (_, name @ ("uid" | "edited_in")) => uid_of(content, name).into(),
                _ => match Field(given).to_sql() {
                    Ok(ToSqlOutput::Owned(value)) => value,
                    _ => SqlValue::Null,
                },
            }
        })
        .collect()
}

/// Adds a row whose references are given.
pub(super) fn add<C: Column>(
    c: &Sql<'_>,
    content: &Value,
    columns: &[C],
    references: &[(C, Option<i64>)],
) -> rusqlite::Result<()> {
    let all: Vec<C> = columns
        .iter()
        .chain(references.iter().map(|(column, _)| column))
        .copied()
        .collect();
    let values = fields(columns, content)
        .into_iter()
        .chain(references.iter().map(|(_, id)| SqlValue::from(*id)));
    let places = vec!["?"; all.len()].join(", ");
    c.prepare_cached(&format!(
        "INSERT INTO {} ({}) VALUES ({places})",
        C::TABLE,
        joined(&all)
    ))?
    .execute(params_from_iter(values))
    .map(drop)
}

fn take_session(c: &Sql<'_>, content: &Value, taken: &mut TakenChanges) -> rusqlite::Result<()> {
    let Some(id) = id_of(c, "sessions", uid_of(content, "uid"))? else {
        return Ok(());
    };
    if !is_newer(c, "sessions", id, content)? {
        return Ok(());
    }
    let hitter = match content["hitter"].is_object() {
        true => Some(take_hitter(c, &content["hitter"], taken)?),
        false => None,
    };
    // Whose name another one has here cannot come yet. The session is nobody's until then, and does not go with whoever had it; as an older
    // version than was told, it is taken again.
    let waits = hitter == Some(None);
    let hitter = hitter.flatten();
    c.execute(
        "UPDATE sessions SET hitter = ?2, edits = ?3, edited_in = ?4 WHERE id = ?1",
        params![
            id,
            hitter,
            count(content, "edits"),
            uid_of(content, "edited_in").filter(|_| !waits)
        ],
    )?;
    if let Some(hitter) = hitter {
        consents::delete_refused_landmarks(c, HitterId::new(hitter))?;
        taken.consents_of.push(HitterId::new(hitter));
    }
    Ok(())
}

fn take_rep(c: &Sql<'_>, content: &Value) -> rusqlite::Result<()> {
    let Some(id) = id_of(c, "reps", uid_of(content, "uid"))? else {
        return Ok(());
    };
    if !is_newer(c, "reps", id, content)? {
        return Ok(());
    }
    use RepColumn as C;
    let mut told = vec![C::Marked, C::StruckWhy, C::Called, C::Edits, C::EditedIn];
    told.extend(C::events());
    let places = vec!["?"; told.len()].join(", ");
    let values = fields(&told, content).into_iter().chain([id.into()]);
    c.execute(
        &format!(
            "UPDATE reps SET ({}) = ({places}) WHERE id = ?",
            joined(&told)
        ),
        params_from_iter(values),
    )?;
    c.execute("DELETE FROM measures WHERE rep = ?1", [id])?;
    c.execute("DELETE FROM found_events WHERE rep = ?1", [id])?;
    take_measures(c, "measures", id, &content["measures"])?;
    if content["found_events"].is_object() {
        let events = C::events();
        let places = vec!["?"; events.len() + 1].join(", ");
        let values = [SqlValue::from(id)]
            .into_iter()
            .chain(fields(&events, &content["found_events"]));
        c.execute(
            &format!(
                "INSERT INTO found_events (rep, {}) VALUES ({places})",
                joined(&events)
            ),
            params_from_iter(values),
        )?;
        take_measures(c, "found_measures", id, &content["found_measures"])?;
    }
    Ok(())
}

fn take_measures(c: &Sql<'_>, table: &str, rep: i64, rows: &Value) -> rusqlite::Result<()> {
    let told = &MeasureColumn::ALL[1..];
    let places = vec!["?"; told.len() + 1].join(", ");
    let mut insert = c.prepare_cached(&format!(
        "INSERT INTO {table} (rep, {}) VALUES ({places})",
        joined(told)
    ))?;
    for row in rows.as_array().into_iter().flatten() {
        let values = [SqlValue::from(rep)].into_iter().chain(fields(told, row));
        insert.execute(params_from_iter(values))?;
    }
    Ok(())
}

fn take_note(c: &Sql<'_>, content: &Value) -> rusqlite::Result<()> {
    let uid = uid_of(content, "uid").unwrap_or_default();
    let session = id_of(c, "sessions", uid_of(content, "session_uid"))?;
    let is_here = id_of(c, "notes", Some(uid.clone()))?.is_some();
    if session.is_none() || is_here || is_deleted(c, &uid)? {
        return Ok(());
    }
    let rep = id_of(c, "reps", uid_of(content, "rep_uid"))?;
    use NoteColumn as C;
    let told = [C::Text, C::MadeAt, C::MadeBy, C::Uid];
    add(c, content, &told, &[(C::Session, session), (C::Rep, rep)])
}

fn take_correction(c: &Sql<'_>, content: &Value) -> rusqlite::Result<()> {
    let rep = id_of(c, "reps", uid_of(content, "rep_uid"))?;
    if rep.is_none() || id_of(c, "corrections", uid_of(content, "uid"))?.is_some() {
        return Ok(());
    }
    use CorrectionColumn as C;
    let told = [C::What, C::Was, C::Became, C::MadeAt, C::MadeBy, C::Uid];
    add(c, content, &told, &[(C::Rep, rep)])
}

impl ToldChange {
    /// What is to be deleted here for it; `None` where nothing is.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn deletes(
        &self,
        reader: &JournalReader,
    ) -> Result<Option<DeletionTarget>, JournalError> {
        if self.what != "deleted" || uid_of(&self.content, "merged_into").is_some() {
            return Ok(None);
        }
        let uid = Some(plain_uid(&self.uid));
        reader.query("look for what was deleted", |c| {
            Ok(match text(&self.content, "what") {
                Some("hitter") => {
                    id_of(c, "hitters", uid)?.map(|id| DeletionTarget::Hitter(HitterId::new(id)))
                }
                Some("session") => {
                    id_of(c, "sessions", uid)?.map(|id| DeletionTarget::Session(SessionId::new(id)))
                }
                _ => None,
            })
        })
    }
}
