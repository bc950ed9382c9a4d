//! Takes the sessions and reps of another journal into this one: of a spool, which was written while this one could not be, and of a clip
//! that a second cagehand has read.
//!
//! In: a journal open for writing and a reader of the other. Out: which session became which. Each row is one transaction, and a
//! row that is there already is passed over, so that a run that was cut short can be done again.

use jiff::{SignedDuration, Timestamp};
use rusqlite::types::Value;
use rusqlite::{OptionalExtension, params};

use super::columns::{
    Column, HitterColumn, MeasureColumn, NotCountedColumn, PlanColumn, RepColumn, SessionColumn,
    TimelineColumn, joined,
};
use super::read::BATS;
use super::sql::{Sql, params_from_iter};
use super::{consents, insert, not_counted, people};
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, NewHitter, NewPlan, PlanId, SessionId};
use crate::journal::stamp::stamp_text;
use crate::journal::store::open::{Journal, JournalReader};
use crate::wall_clock::now_to_the_millisecond;

/// What was taken in.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(in crate::journal) struct TakenIn {
    /// Each session's number there and here.
    pub(in crate::journal) sessions: Vec<(SessionId, SessionId)>,
    /// Reps that were not here before.
    pub(in crate::journal) reps: u64,
    /// Reps that this journal refuses, such as a second one with a number that is taken.
    pub(in crate::journal) refused: u64,
}

/// What the session of a clip is here.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct ClipSession {
    /// Who hits; `None` for nobody named.
    pub(crate) hitter: Option<HitterId>,
    /// The plan that it went by.
    pub(crate) plan: Option<PlanId>,
    /// When the clip was filmed.
    pub(crate) began_at: Timestamp,
    pub(crate) source: String,
}

/// What became of a clip's session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TakenClip {
    Session(SessionId),
    /// There is a session of this hitter with the same source.
    HereBefore,
    /// The hitter was deleted or frozen meanwhile.
    HitterGone,
}

/// A row's values in the order of `C::ALL`.
type Values = Vec<Value>;

/// A rep or a movement that was not counted, with the rows that belong to it.
struct Movement {
    row: Values,
    measures: Vec<Values>,
    timeline: Vec<Values>,
}

impl Journal {
    /// Takes in all that the other journal holds but notes and corrections, which only a person at the page makes. A session
    /// of the same hitter that began here at the same moment with the same source is the same session.
    ///
    /// # Errors
    /// Those of the disk on either side; what was taken in by then stays.
    pub(in crate::journal) fn take_in(
        &mut self,
        other: &JournalReader,
    ) -> Result<TakenIn, JournalError> {
        let mut taken = TakenIn::default();
        for row in other.rows_of::<SessionColumn>("1 = 1 ORDER BY id", &[])? {
            let there = integer(&row[SessionColumn::Id as usize]);
            let here = self.take_in_session(other, &row)?;
            taken.sessions.push((SessionId::new(there), here));
            for id in other.movement_ids(RepColumn::TABLE, there)? {
                let tables = (MeasureColumn::TABLE, TimelineColumn::TABLE);
                let Some(rep) = other.movement::<RepColumn>(id, tables)? else {
                    continue;
                };
                match self.take_in_rep(here, &rep) {
                    Ok(is_new) => taken.reps += u64::from(is_new),
                    Err(error @ JournalError::Refused { .. }) => {
                        tracing::error!(%error, "a rep of the spool is lost");
                        taken.refused += 1;
                    }
                    Err(error) => return Err(error),
                }
            }
            for id in other.movement_ids(NotCountedColumn::TABLE, there)? {
                let tables = (not_counted::MEASURES, not_counted::TIMELINES);
                if let Some(movement) = other.movement::<NotCountedColumn>(id, tables)? {
                    self.take_in_not_counted(here, &movement)?;
                }
            }
        }
        Ok(taken)
    }

    /// Takes in what was found in a clip, all of it or nothing. Its times are those of the day on which it was filmed.
    ///
    /// # Errors
    /// Those of the disk on either side.
    pub(in crate::journal) fn take_in_clip(
        &mut self,
        other: &JournalReader,
        clip: &ClipSession,
    ) -> Result<TakenClip, JournalError> {
        let mut reps = Vec::new();
        let mut not_counted = Vec::new();
        let sessions = other.rows_of::<SessionColumn>("1 = 1 ORDER BY id", &[])?;
        for row in &sessions {
            let there = integer(&row[SessionColumn::Id as usize]);
            for id in other.movement_ids(RepColumn::TABLE, there)? {
                let tables = (MeasureColumn::TABLE, TimelineColumn::TABLE);
                reps.extend(other.movement::<RepColumn>(id, tables)?);
            }
            for id in other.movement_ids(NotCountedColumn::TABLE, there)? {
                let tables = (not_counted::MEASURES, not_counted::TIMELINES);
                not_counted.extend(other.movement::<NotCountedColumn>(id, tables)?);
            }
        }
        let known_at = |row: &Values, column: usize| match row[column] {
            Value::Real(secs) => secs,
            _ => 0.0,
        };
        let mut last_secs = 0.0f64;
        for rep in &mut reps {
            let secs = known_at(&rep.row, RepColumn::KnownAtSecs as usize);
            rep.row[RepColumn::LoggedAt as usize] = clip.stamp_after(secs).into();
            // A uid has the time of its row.
            rep.row[RepColumn::Uid as usize] = Value::Null;
            last_secs = last_secs.max(secs);
        }
        for movement in &mut not_counted {
            let secs = known_at(&movement.row, NotCountedColumn::KnownAtSecs as usize);
            movement.row[NotCountedColumn::LoggedAt as usize] = clip.stamp_after(secs).into();
            last_secs = last_secs.max(secs);
        }
        let Some(session) = sessions.first().map(|row| clip.row(row, last_secs)) else {
            return Err(JournalError::Refused {
                path: other.path().to_owned(),
                doing: "take in a clip",
                reason: "it has no session".to_owned(),
            });
        };
        self.transaction("take in a clip", |change| {
            if let Some(hitter) = clip.hitter
                && people::is_frozen(change, hitter)? != Some(false)
            {
                return Ok(TakenClip::HitterGone);
            }
            let is_here = change
                .prepare_cached("SELECT 1 FROM sessions WHERE hitter IS ?1 AND source = ?2")?
                .exists(params![clip.hitter.map(HitterId::get), clip.source])?;
            if is_here {
                return Ok(TakenClip::HereBefore);
            }
            let id = insert_without_id::<SessionColumn>(change, SessionColumn::TABLE, &session)?;
            let session = SessionId::new(id);
            for rep in &reps {
                insert_rep(change, session, rep)?;
            }
            for movement in &not_counted {
                insert_not_counted(change, session, movement)?;
            }
            Ok(TakenClip::Session(session))
        })
    }

    fn take_in_session(
        &mut self,
        other: &JournalReader,
        row: &Values,
    ) -> Result<SessionId, JournalError> {
        use SessionColumn as C;
        let hitter = other.hitter_row(&row[C::Hitter as usize])?;
        let plan = other.plan_row(&row[C::Plan as usize])?;
        let text = |column: C| row[column as usize].clone();
        self.transaction("take in a session", |change| {
            let same: Option<i64> = change
                .query_row(
                    "SELECT id FROM sessions WHERE started_at = ?1 AND source = ?2
                     AND (SELECT name FROM hitters WHERE hitters.id = sessions.hitter) IS ?3",
                    params![
                        text(C::StartedAt),
                        text(C::Source),
                        hitter.as_ref().and_then(|hitter| hitter.name.as_deref())
                    ],
                    |row| row.get("id"),
                )
                .optional()?;
            let id = match same {
                Some(id) => id,
                None => {
                    let now = now_to_the_millisecond();
                    let hitter = hitter
                        .as_ref()
                        .map(|hitter| insert::find_or_add_hitter(change, hitter, now))
                        .transpose()?;
                    let plan = plan
                        .as_ref()
                        .map(|plan| insert::find_or_add_plan(change, hitter, plan, now, None))
                        .transpose()?;
                    let mut values = row.clone();
                    values[C::Hitter as usize] = hitter.map(HitterId::get).into();
                    values[C::Plan as usize] = plan.map(|plan| plan.get()).into();
                    insert_without_id::<C>(change, C::TABLE, &values)?
                }
            };
            // It went on there after it was last written here: what is said of its end there holds.
            change.execute(
                "UPDATE sessions SET ended_at = ?2, end_note = ?3 WHERE id = ?1 AND ?2 IS NOT NULL",
                params![id, text(C::EndedAt), text(C::EndNote)],
            )?;
            Ok(SessionId::new(id))
        })
    }

    /// Gives whether it was new here.
    fn take_in_rep(&mut self, session: SessionId, rep: &Movement) -> Result<bool, JournalError> {
        use RepColumn as C;
        self.transaction("take in a rep", |change| {
            let number = &rep.row[C::Number as usize];
            let known = &rep.row[C::KnownAtSecs as usize];
            let is_here = change
                .prepare_cached(
                    "SELECT 1 FROM reps WHERE session = ?1 AND number = ?2 AND known_at_secs = ?3",
                )?
                .exists(params![session.get(), number, known])?;
            if is_here {
                return Ok(false);
            }
            insert_rep(change, session, rep)?;
            Ok(true)
        })
    }

    fn take_in_not_counted(
        &mut self,
        session: SessionId,
        movement: &Movement,
    ) -> Result<(), JournalError> {
        use NotCountedColumn as C;
        self.transaction("take in a movement that does not count", |change| {
            let value = |column: C| &movement.row[column as usize];
            let is_here = change
                .prepare_cached(
                    "SELECT 1 FROM not_counted
                     WHERE session = ?1 AND known_at_secs = ?2 AND plant_secs IS ?3 AND contact_secs IS ?4",
                )?
                .exists(params![
                    session.get(),
                    value(C::KnownAtSecs),
                    value(C::PlantSecs),
                    value(C::ContactSecs)
                ])?;
            if !is_here {
                insert_not_counted(change, session, movement)?;
            }
            Ok(())
        })
    }
}

impl ClipSession {
    fn stamp_after(&self, secs: f64) -> String {
        let after = SignedDuration::from_millis((1e3 * secs) as i64);
        stamp_text(self.began_at.saturating_add(after).unwrap_or(self.began_at))
    }

    /// The session's row, as the other journal has it but for what is known of it here.
    fn row(&self, there: &Values, last_secs: f64) -> Values {
        use SessionColumn as C;
        let mut row = there.clone();
        row[C::Hitter as usize] = self.hitter.map(HitterId::get).into();
        row[C::Plan as usize] = self.plan.map(PlanId::get).into();
        row[C::StartedAt as usize] = self.stamp_after(0.0).into();
        row[C::EndedAt as usize] = self.stamp_after(last_secs).into();
        row[C::EndNote as usize] = Value::Null;
        row[C::Uid as usize] = Value::Null;
        row[C::Source as usize] = self.source.clone().into();
        // It says nothing of who hits at the cage now.
        row[C::SaidBy as usize] = Value::Null;
        row
    }
}

impl JournalReader {
    /// Whole rows, in the order of the columns.
    fn rows_of<C: Column>(
        &self,
        condition: &str,
        values: &[i64],
    ) -> Result<Vec<Values>, JournalError> {
        self.rows_in::<C>(C::TABLE, condition, values)
    }

    fn rows_in<C: Column>(
        &self,
        table: &str,
        condition: &str,
        values: &[i64],
    ) -> Result<Vec<Values>, JournalError> {
        let columns = C::names();
        self.query("read it", |c| {
            c.prepare_cached(&format!("SELECT {columns} FROM {table} WHERE {condition}"))?
                .query_map(params_from_iter(values), |row| {
                    (0..C::ALL.len()).map(|at| row.get(at)).collect()
                })?
                .collect()
        })
    }

    /// The numbers of a session's movements, oldest first. They are read one by one: a spool can hold a night's landmarks.
    fn movement_ids(&self, table: &str, session: i64) -> Result<Vec<i64>, JournalError> {
        self.query("list its reps", |c| {
            c.prepare_cached(&format!(
                "SELECT id FROM {table} WHERE session = ?1 ORDER BY id"
            ))?
            .query_map([session], |row| row.get("id"))?
            .collect()
        })
    }

    fn movement<C: Column>(
        &self,
        id: i64,
        (measures, timelines): (&str, &str),
    ) -> Result<Option<Movement>, JournalError> {
        let Some(row) = self.rows_of::<C>("id = ?1", &[id])?.pop() else {
            return Ok(None);
        };
        Ok(Some(Movement {
            row,
            measures: self.rows_in::<MeasureColumn>(measures, "rep = ?1", &[id])?,
            timeline: self.rows_in::<TimelineColumn>(timelines, "rep = ?1", &[id])?,
        }))
    }

    fn hitter_row(&self, id: &Value) -> Result<Option<NewHitter>, JournalError> {
        use HitterColumn as C;
        let Value::Integer(id) = id else {
            return Ok(None);
        };
        let rows = self.rows_of::<C>("id = ?1", &[*id])?;
        Ok(rows.first().map(|row| NewHitter {
            name: text(&row[C::Name as usize]),
            bats: text(&row[C::Bats as usize])
                .and_then(|bats| BATS.into_iter().find(|side| side.name() == bats)),
            height_cm: match row[C::HeightCm as usize] {
                Value::Real(cm) => Some(cm),
                _ => None,
            },
        }))
    }

    fn plan_row(&self, id: &Value) -> Result<Option<NewPlan>, JournalError> {
        use PlanColumn as C;
        let Value::Integer(id) = id else {
            return Ok(None);
        };
        let rows = self.rows_of::<C>("id = ?1", &[*id])?;
        Ok(rows.first().map(|row| NewPlan {
            name: text(&row[C::Name as usize]).unwrap_or_default(),
            text: text(&row[C::Text as usize]).unwrap_or_default(),
        }))
    }
}

/// Inserts a whole row under a new number, which it gives.
fn insert_without_id<C: Column>(
    connection: &Sql<'_>,
    table: &str,
    values: &Values,
) -> rusqlite::Result<i64> {
    // Changes are numbered in each journal for itself.
    let kept = |column: &&C| column.index() > 0 && column.name() != SessionColumn::Rev.name();
    let columns: Vec<C> = C::ALL.iter().filter(kept).copied().collect();
    let places = vec!["?"; columns.len()].join(", ");
    connection
        .prepare_cached(&format!(
            "INSERT INTO {table} ({}) VALUES ({places}) RETURNING id",
            joined(&columns)
        ))?
        .query_row(
            params_from_iter(columns.iter().map(|column| &values[column.index()])),
            |row| row.get(0),
        )
}

/// The same in another session. The session is the second column of the tables that have one.
fn insert_in_session<C: Column>(
    connection: &Sql<'_>,
    session: SessionId,
    row: &Values,
) -> rusqlite::Result<i64> {
    let mut values = row.clone();
    values[1] = session.get().into();
    insert_without_id::<C>(connection, C::TABLE, &values)
}

fn insert_rep(connection: &Sql<'_>, session: SessionId, rep: &Movement) -> rusqlite::Result<()> {
    let number = integer(&rep.row[RepColumn::Number as usize]);
    not_counted::free_number(connection, session, number.try_into().unwrap_or_default())?;
    let id = insert_in_session::<RepColumn>(connection, session, &rep.row)?;
    let tables = (MeasureColumn::TABLE, TimelineColumn::TABLE);
    insert_belonging(connection, session, id, rep, tables)
}

fn insert_not_counted(
    connection: &Sql<'_>,
    session: SessionId,
    movement: &Movement,
) -> rusqlite::Result<()> {
    let id = insert_in_session::<NotCountedColumn>(connection, session, &movement.row)?;
    let tables = (not_counted::MEASURES, not_counted::TIMELINES);
    insert_belonging(connection, session, id, movement, tables)?;
    not_counted::drop_oldest(connection, session).map(drop)
}

/// Inserts what belongs to a movement of a session, whose number is the first column there.
fn insert_belonging(
    connection: &Sql<'_>,
    session: SessionId,
    id: i64,
    movement: &Movement,
    (measures, timelines): (&str, &str),
) -> rusqlite::Result<()> {
    let landmarks = match consents::keeps_landmarks(connection, session)? {
        true => movement.timeline.as_slice(),
        false => &[],
    };
    let tables = [
        (
            measures,
            MeasureColumn::names(),
            movement.measures.as_slice(),
        ),
        (timelines, TimelineColumn::names(), landmarks),
    ];
    for (table, columns, rows) in tables {
        for row in rows {
            let places = vec!["?"; row.len()].join(", ");
            let mut values = row.clone();
            values[0] = id.into();
            connection
                .prepare_cached(&format!(
                    "INSERT INTO {table} ({columns}) VALUES ({places})"
                ))?
                .execute(params_from_iter(&values))?;
        }
    }
    Ok(())
}

fn integer(value: &Value) -> i64 {
    match value {
        Value::Integer(number) => *number,
        _ => 0,
    }
}

fn text(value: &Value) -> Option<String> {
    match value {
        Value::Text(text) => Some(text.clone()),
        _ => None,
    }
}
