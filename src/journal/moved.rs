//! Events that the coach moved: the rep holds the moved times and what is measured with them, what was found is kept beside it.
//!
//! Functions here work inside the caller's transaction. The first correction of a rep copies what was found; going back to it
//! puts the copy into its old place, to the last bit.

use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, params, params_from_iter};

use super::error::JournalError;
use super::open::JournalReader;
use super::record::RepId;
use super::rows::insert_measures;
use super::stamp::{now_to_the_millisecond, stamp_text};
use crate::coach::JudgedRep;
use crate::rep::{EventName, Events};
use crate::time::CaptureTime;

/// An event's new place and what the rep becomes by it.
#[derive(Clone, Debug, PartialEq)]
pub struct MovedEvent {
    /// The rep.
    pub rep: RepId,
    /// What was moved.
    pub event: EventName,
    /// The rep with it: its events, measures, verdicts and bands are stored; the rest stays as it was logged.
    pub judged: JudgedRep,
}

const COPY_EVENTS: &str = "INSERT OR IGNORE INTO found_events (rep, set_secs, gather_secs, lift_off_secs, plant_secs, heel_rise_secs,
        contact_secs, finish_secs)
     SELECT id, set_secs, gather_secs, lift_off_secs, plant_secs, heel_rise_secs, contact_secs, finish_secs
     FROM reps WHERE id = ?1";

const COPY_MEASURES: &str = "INSERT INTO found_measures (rep, name, value, plus_minus, confidence, verdict, band_low, band_high, why)
     SELECT rep, name, value, plus_minus, confidence, verdict, band_low, band_high, why FROM measures WHERE rep = ?1";

const PUT_EVENTS: &str =
    "UPDATE reps SET set_secs = ?2, gather_secs = ?3, lift_off_secs = ?4, plant_secs = ?5,
        heel_rise_secs = ?6, contact_secs = ?7, finish_secs = ?8
     WHERE id = ?1";

const PUT_MEASURES_BACK: &str = "INSERT INTO measures (rep, name, value, plus_minus, confidence, verdict, band_low, band_high, why)
     SELECT rep, name, value, plus_minus, confidence, verdict, band_low, band_high, why FROM found_measures WHERE rep = ?1";

const FOUND: &str = "SELECT set_secs, gather_secs, lift_off_secs, plant_secs, heel_rise_secs, contact_secs, finish_secs
     FROM found_events WHERE rep = ?1";

const NOW: &str = "SELECT set_secs, gather_secs, lift_off_secs, plant_secs, heel_rise_secs, contact_secs, finish_secs
     FROM reps WHERE id = ?1";

/// Stores a moved event. `None` where the rep is not there.
pub(super) fn move_event(
    connection: &Connection,
    moved: &MovedEvent,
) -> rusqlite::Result<Option<i64>> {
    let id = moved.rep.get();
    let Some(before) = events(connection, NOW, moved.rep)? else {
        return Ok(None);
    };
    if connection.execute(COPY_EVENTS, [id])? > 0 {
        connection.execute(COPY_MEASURES, [id])?;
    }
    let JudgedRep {
        rep,
        bands,
        verdicts,
        ..
    } = &moved.judged;
    put_events(connection, id, &rep.events)?;
    connection.execute("DELETE FROM measures WHERE rep = ?1", [id])?;
    insert_measures(connection, id, &rep.measures, bands, verdicts)?;
    note_changes(connection, id, &before, &rep.events)?;
    Ok(Some(id))
}

/// Puts events and measures back as they were found. `None` where the rep is not there.
pub(super) fn as_found(connection: &Connection, rep: RepId) -> rusqlite::Result<Option<i64>> {
    let id = rep.get();
    let Some(before) = events(connection, NOW, rep)? else {
        return Ok(None);
    };
    let Some(found) = events(connection, FOUND, rep)? else {
        return Ok(Some(id));
    };
    put_events(connection, id, &found)?;
    connection.execute("DELETE FROM measures WHERE rep = ?1", [id])?;
    connection.execute(PUT_MEASURES_BACK, [id])?;
    connection.execute("DELETE FROM found_events WHERE rep = ?1", [id])?;
    note_changes(connection, id, &before, &found)?;
    Ok(Some(id))
}

fn put_events(connection: &Connection, id: i64, events: &Events) -> rusqlite::Result<usize> {
    let secs = EventName::ALL.map(|event| Value::from(events.at(event).map(CaptureTime::secs)));
    connection.execute(
        PUT_EVENTS,
        params_from_iter([Value::from(id)].into_iter().chain(secs)),
    )
}

/// One correction for each event that is at another time now.
fn note_changes(
    connection: &Connection,
    id: i64,
    before: &Events,
    after: &Events,
) -> rusqlite::Result<()> {
    let words = |at: Option<CaptureTime>| at.map(|at| format!("{:.3}", at.secs()));
    let now = stamp_text(now_to_the_millisecond());
    for event in EventName::ALL {
        let (was, became) = (before.at(event), after.at(event));
        if was != became {
            connection.execute(
                "INSERT INTO corrections (rep, what, was, became, made_at) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![id, event.name(), words(was), words(became), now],
            )?;
        }
    }
    Ok(())
}

/// The events of a row of [`FOUND`] or [`NOW`].
fn events(connection: &Connection, sql: &str, rep: RepId) -> rusqlite::Result<Option<Events>> {
    connection
        .prepare_cached(sql)?
        .query_row([rep.get()], |row| {
            let mut events = Events::default();
            for (column, event) in EventName::ALL.into_iter().enumerate() {
                let secs: Option<f64> = row.get(column)?;
                events = events.with(event, secs.map(CaptureTime::from_secs));
            }
            Ok(events)
        })
        .optional()
}

impl JournalReader {
    /// The events of a rep as they were found, where the coach has moved any of them since.
    ///
    /// # Errors
    /// Those of the disk.
    pub fn found_events(&self, rep: RepId) -> Result<Option<Events>, JournalError> {
        self.ask("read what was found", |c| events(c, FOUND, rep))
    }
}
