//! Events that the coach moved: the rep holds the moved times and the measures made with them; what was detected is kept in
//! tables of its own.
//!
//! Functions here work inside the caller's transaction. The first correction of a rep copies what was detected; going back
//! restores the copy bit for bit.

use rusqlite::OptionalExtension;
use rusqlite::types::Value;

use super::columns::{Column, CorrectionColumn, MeasureColumn, insert};
use super::insert::insert_measures;
use super::read::{event_columns, read_events};
use super::sql::{Sql, params_from_iter};
use crate::coach::JudgedRep;
use crate::journal::error::JournalError;
use crate::journal::record::RepId;
use crate::journal::stamp::stamp_text;
use crate::journal::store::open::JournalReader;
use crate::rep::{EventName, Events};
use crate::time::CaptureTime;
use crate::wall_clock::now_to_the_millisecond;

/// An event's new time and the rep that results.
#[derive(Clone, Debug, PartialEq)]
pub struct MovedEvent {
    /// The rep.
    pub rep: RepId,
    /// The event that was moved.
    pub event: EventName,
    /// The rep with it: its events, measures, verdicts and bands are stored; the rest stays as it was logged.
    pub judged: JudgedRep,
}

/// Stores a moved event. `None` where there is no such rep.
pub(in crate::journal) fn move_event(
    connection: &Sql<'_>,
    moved: &MovedEvent,
    by: &str,
) -> rusqlite::Result<Option<i64>> {
    let id = moved.rep.get();
    let Some(before) = events_now(connection, moved.rep)? else {
        return Ok(None);
    };
    let events = event_columns();
    let copied = connection.execute(
        &format!(
            "INSERT INTO found_events (rep, {events}) SELECT id, {events} FROM reps WHERE id = ?1
             ON CONFLICT DO NOTHING"
        ),
        [id],
    )?;
    if copied > 0 {
        copy_measures(connection, id, "measures", "found_measures")?;
    }
    let JudgedRep {
        rep,
        bands,
        verdicts,
        ..
    } = &moved.judged;
    put_events(connection, id, &rep.events)?;
    connection.execute("DELETE FROM measures WHERE rep = ?1", [id])?;
    insert_measures(
        connection,
        MeasureColumn::TABLE,
        id,
        &rep.measures,
        bands,
        verdicts,
    )?;
    note_changes(connection, id, (&before, &rep.events), by)?;
    Ok(Some(id))
}

/// Restores the events and measures that were detected. `None` where there is no such rep.
pub(in crate::journal) fn restore_events(
    connection: &Sql<'_>,
    rep: RepId,
    by: &str,
) -> rusqlite::Result<Option<i64>> {
    let id = rep.get();
    let Some(before) = events_now(connection, rep)? else {
        return Ok(None);
    };
    let Some(found) = events_found(connection, rep)? else {
        return Ok(Some(id));
    };
    put_events(connection, id, &found)?;
    connection.execute("DELETE FROM measures WHERE rep = ?1", [id])?;
    copy_measures(connection, id, "found_measures", "measures")?;
    connection.execute("DELETE FROM found_events WHERE rep = ?1", [id])?;
    note_changes(connection, id, (&before, &found), by)?;
    Ok(Some(id))
}

fn copy_measures(connection: &Sql<'_>, id: i64, from: &str, to: &str) -> rusqlite::Result<usize> {
    let columns = MeasureColumn::names();
    connection.execute(
        &format!("INSERT INTO {to} ({columns}) SELECT {columns} FROM {from} WHERE rep = ?1"),
        [id],
    )
}

fn put_events(connection: &Sql<'_>, id: i64, events: &Events) -> rusqlite::Result<usize> {
    let columns = event_columns();
    let places = ["?"; EventName::ALL.len()].join(", ");
    let secs = EventName::ALL.map(|event| Value::from(events.at(event).map(CaptureTime::secs)));
    connection.execute(
        &format!("UPDATE reps SET ({columns}) = ({places}) WHERE id = ?"),
        params_from_iter(secs.into_iter().chain([Value::from(id)])),
    )
}

/// Records a correction for each event whose time changed.
fn note_changes(
    connection: &Sql<'_>,
    id: i64,
    (before, after): (&Events, &Events),
    by: &str,
) -> rusqlite::Result<()> {
    let words = |at: Option<CaptureTime>| at.map(|at| format!("{:.3}", at.secs()));
    let now = stamp_text(now_to_the_millisecond());
    for event in EventName::ALL {
        let (was, became) = (before.at(event), after.at(event));
        if was != became {
            insert(
                connection,
                &[
                    (CorrectionColumn::Rep, &id),
                    (CorrectionColumn::What, &event.name()),
                    (CorrectionColumn::Was, &words(was)),
                    (CorrectionColumn::Became, &words(became)),
                    (CorrectionColumn::MadeAt, &now),
                    (CorrectionColumn::MadeBy, &by),
                ],
            )?;
        }
    }
    Ok(())
}

/// The events that the rep has now.
fn events_now(connection: &Sql<'_>, rep: RepId) -> rusqlite::Result<Option<Events>> {
    let sql = format!("SELECT {} FROM reps WHERE id = ?1", event_columns());
    query_events(connection, &sql, rep)
}

/// The detected events of a rep whose events the coach moved; `None` where they were not moved.
fn events_found(connection: &Sql<'_>, rep: RepId) -> rusqlite::Result<Option<Events>> {
    let sql = format!(
        "SELECT {} FROM found_events WHERE rep = ?1",
        event_columns()
    );
    query_events(connection, &sql, rep)
}

fn query_events(connection: &Sql<'_>, sql: &str, rep: RepId) -> rusqlite::Result<Option<Events>> {
    connection
        .prepare_cached(sql)?
        .query_row([rep.get()], read_events)
        .optional()
}

impl JournalReader {
    /// The events of a rep as they were detected, where the coach has moved any of them since.
    ///
    /// # Errors
    /// Those of the disk.
    pub fn found_events(&self, rep: RepId) -> Result<Option<Events>, JournalError> {
        self.query("read what was found", |c| events_found(c, rep))
    }
}
