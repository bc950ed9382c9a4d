//! What was seen and not counted: kept beside the reps, in tables of its own, so that nothing counts it by mistake.
//!
//! In: a movement measured like a rep, and the condition that it missed. Out: the list of a session's, with the landmarks of
//! each; and a rep in their place where the coach makes one count. Functions that take a connection work inside the
//! caller's transaction.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, ToSql, params};

use super::columns::{
    Column, Extra, MeasureColumn, NotCountedColumn, NotCountedExtra, RepColumn, RepExtra,
    TimelineColumn, get, insert, joined,
};
use super::consents::keeps_landmarks;
use super::insert::{described, insert_measures, insert_timeline};
use super::read::{prepare_measures, read_measures, read_rep};
use super::sql::{Sql, SqlRow};
use crate::coach::{JudgedRep, QuietReason};
use crate::journal::error::JournalError;
use crate::journal::record::{NotCountedId, PackedRep, RepId, SessionId};
use crate::journal::stamp::stamp_text;
use crate::journal::store::open::{Journal, JournalReader};
use crate::journal::timeline::decode_timeline;
use crate::picture_size::PictureSize;
use crate::pose::PoseFrame;
use crate::rep::{MissedCondition, NotCountedReason};
use crate::text_enum::Recorded;
use crate::wall_clock::now_to_the_millisecond;

/// So many of a session are kept, the newest; those that the coach made count are reps and not among them.
pub(in crate::journal) const MOST_KEPT: u32 = 100;

/// The tables that hold what is `measures` and `timelines` for reps, with the same columns.
pub(in crate::journal) const MEASURES: &str = "not_counted_measures";
pub(in crate::journal) const TIMELINES: &str = "not_counted_timelines";

/// A movement as stored that does not count.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredNotCounted {
    /// Its number among what was not counted.
    pub id: NotCountedId,
    /// The session.
    pub session: SessionId,
    /// The hitter's name, where known.
    pub(crate) hitter_name: Option<String>,
    /// When it ended, by the wall clock.
    pub(crate) logged_at: Timestamp,
    /// Measured and judged like a rep, without a number or a cue.
    pub judged: JudgedRep,
    /// The condition that it missed.
    pub reason: Recorded<NotCountedReason>,
    /// What was seen, in the reason's unit.
    pub(crate) value: f64,
    /// What is asked for.
    pub(crate) asked: f64,
    /// The rep that it became, where the coach made it count.
    pub counted_as: Option<RepId>,
    /// The account that made it count.
    pub(crate) counted_by: Option<String>,
}

/// The columns that the tables of reps and of what is not counted share, but for the row's own number.
fn shared_columns() -> String {
    let shared: Vec<RepColumn> = RepColumn::ALL
        .iter()
        .copied()
        .filter(|column| *column != RepColumn::Id && counterpart(*column).is_some())
        .collect();
    joined(&shared)
}

fn counterpart(column: RepColumn) -> Option<NotCountedColumn> {
    NotCountedColumn::ALL
        .iter()
        .copied()
        .find(|own| own.name() == column.name())
}

/// Selects rows that [`read_rep`] reads: what only reps have is empty there.
fn select() -> String {
    let of_a_rep: Vec<String> = RepColumn::ALL
        .iter()
        .map(|column| match (counterpart(*column), column) {
            (Some(own), _) => format!("not_counted.{}", own.name()),
            (None, RepColumn::Number | RepColumn::Marked) => "0".to_owned(),
            (None, _) => "NULL".to_owned(),
        })
        .collect();
    format!(
        "SELECT {}, sessions.hitter, hitters.name, 0, 0, {} FROM not_counted
         JOIN sessions ON sessions.id = not_counted.session LEFT JOIN hitters ON hitters.id = sessions.hitter",
        of_a_rep.join(", "),
        NotCountedExtra::selection()
    )
}

fn read(row: &SqlRow<'_>) -> rusqlite::Result<StoredNotCounted> {
    debug_assert_eq!(RepExtra::ALL.len(), 4, "as many stand in the selection");
    let rep = read_rep(row)?;
    Ok(StoredNotCounted {
        id: NotCountedId::new(rep.id.get()),
        session: rep.session,
        hitter_name: rep.hitter_name,
        logged_at: rep.logged_at,
        judged: rep.judged,
        reason: Recorded::from(get::<String>(row, NotCountedExtra::Reason)?.as_str()),
        value: get(row, NotCountedExtra::Value)?,
        asked: get(row, NotCountedExtra::Asked)?,
        counted_as: get::<Option<i64>>(row, NotCountedExtra::CountedAs)?.map(RepId::new),
        counted_by: get(row, NotCountedExtra::CountedBy)?,
    })
}

/// Adds a movement that does not count; the oldest of the session go where there are too many.
pub(in crate::journal) fn insert_not_counted(
    connection: &Sql<'_>,
    session: SessionId,
    packed: &PackedRep,
    missed: MissedCondition,
) -> rusqlite::Result<NotCountedId> {
    let rep = &packed.judged.rep;
    let events = &rep.events;
    let same: Option<i64> = connection
        .query_row(
            "SELECT id FROM not_counted
             WHERE session = ?1 AND known_at_secs = ?2
             AND plant_secs IS NOT DISTINCT FROM ?3 AND contact_secs IS NOT DISTINCT FROM ?4",
            params![
                session.get(),
                rep.known_at.secs(),
                events.plant.map(|at| at.secs()),
                events.contact.map(|at| at.secs()),
            ],
            |row| row.get(0),
        )
        .optional()?;
    if let Some(id) = same {
        return Ok(NotCountedId::new(id));
    }
    let of_a_rep = described(session, packed);
    let mut values: Vec<(NotCountedColumn, &dyn ToSql)> = of_a_rep
        .iter()
        .filter_map(|(column, value)| Some((counterpart(*column)?, value as &dyn ToSql)))
        .collect();
    let reason = missed.reason.as_str();
    use NotCountedColumn as C;
    values.extend([
        (C::Reason, &reason as &dyn ToSql),
        (C::Value, &missed.value),
        (C::Asked, &missed.limit),
    ]);
    let id = insert(connection, &values)?;
    let JudgedRep {
        bands, verdicts, ..
    } = &packed.judged;
    insert_measures(connection, MEASURES, id, &rep.measures, bands, verdicts)?;
    if let Some(timeline) = &packed.timeline
        && keeps_landmarks(connection, session)?
    {
        insert_timeline(connection, TIMELINES, id, timeline)?;
    }
    drop_oldest(connection, session)?;
    Ok(NotCountedId::new(id))
}

/// Deletes those of the session that are too many.
pub(in crate::journal) fn drop_oldest(
    connection: &Sql<'_>,
    session: SessionId,
) -> rusqlite::Result<usize> {
    connection.execute(
        "DELETE FROM not_counted WHERE session = ?1 AND counted_as IS NULL AND id NOT IN
           (SELECT id FROM not_counted WHERE session = ?1 AND counted_as IS NULL ORDER BY id DESC LIMIT ?2)",
        params![session.get(), MOST_KEPT],
    )
}

/// Makes a rep of it, behind the session's other numbers. Gives the rep, an earlier one where it counts already; `None` where
/// it is not there.
pub(in crate::journal) fn make_count(
    connection: &Sql<'_>,
    id: NotCountedId,
    by: &str,
) -> rusqlite::Result<Option<i64>> {
    let found: Option<Option<i64>> = connection
        .query_row(
            "SELECT counted_as FROM not_counted WHERE id = ?1",
            [id.get()],
            |row| row.get(0),
        )
        .optional()?;
    match found {
        None => return Ok(None),
        Some(Some(rep)) => return Ok(Some(rep)),
        Some(None) => {}
    }
    let shared = shared_columns();
    let rep = connection.query_row(
        &format!(
            "INSERT INTO reps (number, no_cue, {shared})
             SELECT 1 + (SELECT coalesce(max(number), 0) FROM reps WHERE session = not_counted.session), ?2, {shared}
             FROM not_counted WHERE id = ?1 RETURNING id"
        ),
        params![id.get(), QuietReason::NotCounted.as_str()],
        |row| row.get(0),
    )?;
    move_rows::<MeasureColumn>(connection, MEASURES, id, rep)?;
    move_rows::<TimelineColumn>(connection, TIMELINES, id, rep)?;
    connection.execute(
        "UPDATE not_counted SET counted_as = ?2, counted_at = ?3, counted_by = ?4 WHERE id = ?1",
        params![id.get(), rep, stamp_text(now_to_the_millisecond()), by],
    )?;
    Ok(Some(rep))
}

/// Moves the rows of a table that has the columns of `C` to a rep.
fn move_rows<C: Column>(
    connection: &Sql<'_>,
    from: &str,
    id: NotCountedId,
    rep: i64,
) -> rusqlite::Result<()> {
    let columns: Vec<&str> = C::ALL
        .iter()
        .map(|column| column.name())
        .filter(|name| *name != "rep")
        .collect();
    let columns = columns.join(", ");
    connection.execute(
        &format!(
            "INSERT INTO {} (rep, {columns}) SELECT ?2, {columns} FROM {from} WHERE rep = ?1",
            C::TABLE
        ),
        [id.get(), rep],
    )?;
    connection.execute(&format!("DELETE FROM {from} WHERE rep = ?1"), [id.get()])?;
    Ok(())
}

/// Frees a number for a rep that is logged: one that the coach made count has no film and was never heard, and gives way.
pub(in crate::journal) fn free_number(
    connection: &Sql<'_>,
    session: SessionId,
    number: u32,
) -> rusqlite::Result<()> {
    let gives_way: Option<i64> = connection
        .prepare_cached(
            "SELECT id FROM reps WHERE session = ?1 AND number = ?2
             AND EXISTS (SELECT 1 FROM not_counted WHERE counted_as = reps.id)",
        )?
        .query_row(params![session.get(), number], |row| row.get("id"))
        .optional()?;
    let Some(rep) = gives_way else {
        return Ok(());
    };
    // As an edit: the facility's store has it under the old number.
    connection.execute("UPDATE facility SET rev = rev + 1", [])?;
    connection.execute(
        "UPDATE reps SET number = (SELECT 1 + max(number) FROM reps WHERE session = ?2),
             rev = (SELECT rev FROM facility), edits = edits + 1, edited_in = (SELECT journal FROM facility)
         WHERE id = ?1",
        [rep, session.get()],
    )?;
    Ok(())
}

impl Journal {
    pub(in crate::journal) fn log_not_counted_packed(
        &mut self,
        session: SessionId,
        packed: &PackedRep,
        missed: MissedCondition,
    ) -> Result<NotCountedId, JournalError> {
        self.transaction("keep what was not counted", |change| {
            insert_not_counted(change, session, packed, missed)
        })
    }
}

impl JournalReader {
    /// What of a session does not count, in the order in which it was seen; what the coach made count is left out.
    ///
    /// # Errors
    /// Those of the disk.
    pub fn not_counted_of(
        &self,
        session: SessionId,
    ) -> Result<Vec<StoredNotCounted>, JournalError> {
        self.query("read what was not counted", |c| {
            c.prepare_cached(&format!(
                "{} WHERE not_counted.session = ?1 AND not_counted.counted_as IS NULL ORDER BY not_counted.id",
                select()
            ))?
            .query_map([session.get()], read)?
            .collect()
        })
    }

    /// One of them with its measures, whether it counts by now or not; `None` where it is not there.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn not_counted(
        &self,
        id: NotCountedId,
    ) -> Result<Option<StoredNotCounted>, JournalError> {
        self.query("read what was not counted", |c| {
            let found = c
                .prepare_cached(&format!("{} WHERE not_counted.id = ?1", select()))?
                .query_row([id.get()], read)
                .optional()?;
            let Some(mut seen) = found else {
                return Ok(None);
            };
            let mut measures = prepare_measures(c, MEASURES)?;
            read_measures(&mut measures, id.get(), &mut seen.judged)?;
            Ok(Some(seen))
        })
    }

    /// The landmarks of one that does not count, and the size of their pictures; `None` where there are none to be read.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn not_counted_timeline(
        &self,
        id: NotCountedId,
    ) -> Result<Option<(PictureSize, Vec<PoseFrame>)>, JournalError> {
        let found = self.query("read the landmarks of what was not counted", |c| {
            c.prepare_cached(&format!(
                "SELECT width_px, height_px, landmarks FROM {TIMELINES} WHERE rep = ?1"
            ))?
            .query_row([id.get()], |row| {
                let picture = PictureSize {
                    width_px: row.get("width_px")?,
                    height_px: row.get("height_px")?,
                };
                Ok((
                    picture,
                    decode_timeline(row.get_ref("landmarks")?.as_blob()?),
                ))
            })
            .optional()
        })?;
        let Some((picture, frames)) = found else {
            return Ok(None);
        };
        match frames {
            Ok(frames) => Ok(Some((picture, frames))),
            Err(error) => {
                tracing::warn!(%error, id = id.get(), "landmarks of what was not counted cannot be read");
                Ok(None)
            }
        }
    }
}
