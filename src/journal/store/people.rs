//! What a coach changes about who hit: a session's hitter, a hitter's name, two hitters that are one, a hitter who is frozen.
//!
//! Functions here work inside the caller's transaction.

use rusqlite::{OptionalExtension, params};

use super::columns::{Column, HitterColumn};
use super::consents;
use super::open::JournalReader;
use super::sql::Sql;
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, SessionId};
use crate::journal::stamp::stamp_text;
use crate::wall_clock::now_to_the_millisecond;

/// What a row is about that somebody opens or changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum RowOf {
    Hitter,
    Session,
    Rep,
    NotCounted,
    Note,
}

impl JournalReader {
    /// Whose row this is, and of which session; nothing where there is no such row.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn whose(
        &self,
        row: RowOf,
        id: i64,
    ) -> Result<(Option<SessionId>, Option<HitterId>), JournalError> {
        let sql = match row {
            RowOf::Hitter => "SELECT NULL, id FROM hitters WHERE id = ?1",
            RowOf::Session => "SELECT id, hitter FROM sessions WHERE id = ?1",
            RowOf::Rep => {
                "SELECT s.id, s.hitter FROM reps r JOIN sessions s ON s.id = r.session WHERE r.id = ?1"
            }
            RowOf::NotCounted => {
                "SELECT s.id, s.hitter FROM not_counted n JOIN sessions s ON s.id = n.session WHERE n.id = ?1"
            }
            RowOf::Note => {
                "SELECT s.id, s.hitter FROM notes n JOIN sessions s ON s.id = n.session WHERE n.id = ?1"
            }
        };
        let found: Option<(Option<i64>, Option<i64>)> = self.query("look whose a row is", |c| {
            c.prepare_cached(sql)?
                .query_row([id], |row| Ok((row.get(0)?, row.get(1)?)))
                .optional()
        })?;
        let (session, hitter) = found.unwrap_or_default();
        Ok((session.map(SessionId::new), hitter.map(HitterId::new)))
    }
}

/// The longest name, characters.
pub(crate) const LONGEST_NAME: usize = 60;

/// Whether this can be a hitter's name.
pub(crate) fn is_name(name: &str) -> bool {
    let name = name.trim();
    !name.is_empty() && name.chars().count() <= LONGEST_NAME && !name.chars().any(char::is_control)
}

/// Gives a session to another hitter, or to nobody. `None` where the session or the hitter is not there, or the hitter is frozen.
pub(super) fn give_session(
    connection: &Sql<'_>,
    session: SessionId,
    hitter: Option<HitterId>,
) -> rusqlite::Result<Option<i64>> {
    if let Some(hitter) = hitter
        && is_frozen(connection, hitter)? != Some(false)
    {
        return Ok(None);
    }
    let rows = connection.execute(
        "UPDATE sessions SET hitter = ?2 WHERE id = ?1",
        params![session.get(), hitter.map(HitterId::get)],
    )?;
    if let Some(hitter) = hitter {
        consents::delete_refused_landmarks(connection, hitter)?;
    }
    drop_unused_nameless(connection)?;
    Ok((rows > 0).then_some(session.get()))
}

/// Gives a hitter another name. `None` where the hitter is not there or another one has the name.
pub(super) fn rename(
    connection: &Sql<'_>,
    hitter: HitterId,
    name: &str,
) -> rusqlite::Result<Option<i64>> {
    let name = name.trim();
    let is_taken = connection
        .prepare_cached("SELECT 1 FROM hitters WHERE name = ?2 AND id <> ?1")?
        .exists(params![hitter.get(), name])?;
    if is_taken {
        return Ok(None);
    }
    let rows = connection.execute(
        "UPDATE hitters SET name = ?2 WHERE id = ?1",
        params![hitter.get(), name],
    )?;
    Ok((rows > 0).then_some(hitter.get()))
}

/// Makes two hitters one, who goes on as the other: side and height are filled in where the other has none; the plan in force of
/// the other stays in force. What either refuses is refused.
pub(super) fn merge(
    connection: &Sql<'_>,
    from: HitterId,
    into: HitterId,
) -> rusqlite::Result<Option<i64>> {
    let both = [from, into].map(HitterId::get);
    let there: i64 = connection.query_row(
        "SELECT count(*) FROM hitters WHERE id IN (?1, ?2)",
        both,
        |row| row.get(0),
    )?;
    if from == into || there != 2 {
        return Ok(None);
    }
    let newest: Option<i64> = connection
        .query_row(
            "SELECT id FROM plans WHERE hitter = ?1 ORDER BY turn DESC, uid DESC LIMIT 1",
            [into.get()],
            |row| row.get("id"),
        )
        .optional()?;
    let decided = consents::allowed_by_both(connection, both)?;
    // Elsewhere more may belong to the first: that goes to the other too.
    connection.execute(
        "INSERT INTO deleted (uid, what, merged_into)
         SELECT one.uid, 'hitter', other.uid FROM hitters AS one, hitters AS other
         WHERE one.id = ?1 AND other.id = ?2 ON CONFLICT DO NOTHING",
        both,
    )?;
    give_all(connection, from, into)?;
    if let Some(id) = newest {
        // The newest row is in force: the plan is put in force anew where one of the other's is newer.
        connection.execute(
            "INSERT INTO plans (hitter, name, text, made_at)
             SELECT hitter, name, text, ?2 FROM plans AS kept WHERE id = ?1
             AND EXISTS (SELECT 1 FROM plans WHERE hitter = kept.hitter AND id <> kept.id AND turn >= kept.turn)",
            params![id, stamp_text(now_to_the_millisecond())],
        )?;
    }
    consents::put_in_force(connection, &decided)?;
    consents::delete_refused_landmarks(connection, into)?;
    Ok(Some(into.get()))
}

/// Gives all that one hitter has to another, and removes the first.
pub(in crate::journal) fn give_all(
    connection: &Sql<'_>,
    from: HitterId,
    into: HitterId,
) -> rusqlite::Result<()> {
    let both = [from, into].map(HitterId::get);
    for table in ["sessions", "plans", "consents"] {
        connection.execute(
            &format!("UPDATE {table} SET hitter = ?2 WHERE hitter = ?1"),
            both,
        )?;
    }
    connection.execute(
        "UPDATE hitters SET bats = coalesce(bats, (SELECT bats FROM hitters WHERE id = ?1)),
                            height_cm = coalesce(height_cm, (SELECT height_cm FROM hitters WHERE id = ?1))
         WHERE id = ?2",
        both,
    )?;
    consents::delete_refused_landmarks(connection, into)?;
    connection.execute("DELETE FROM hitters WHERE id = ?1", [from.get()])?;
    Ok(())
}

/// Freezes a hitter, or lets them hit again.
pub(super) fn freeze(
    connection: &Sql<'_>,
    hitter: HitterId,
    frozen: bool,
) -> rusqlite::Result<Option<i64>> {
    let at = frozen.then(|| stamp_text(now_to_the_millisecond()));
    let rows = connection.execute(
        "UPDATE hitters SET frozen_at = ?2 WHERE id = ?1",
        params![hitter.get(), at],
    )?;
    Ok((rows > 0).then_some(hitter.get()))
}

/// Whether a hitter is frozen; `None` where there is none of this number.
pub(super) fn is_frozen(connection: &Sql<'_>, hitter: HitterId) -> rusqlite::Result<Option<bool>> {
    let column = HitterColumn::FrozenAt.name();
    connection
        .query_row(
            &format!("SELECT {column} IS NOT NULL FROM hitters WHERE id = ?1"),
            [hitter.get()],
            |row| row.get(0),
        )
        .optional()
}

/// Removes hitters without a name to whom nothing belongs: nobody could find them any more.
pub(in crate::journal) fn drop_unused_nameless(connection: &Sql<'_>) -> rusqlite::Result<()> {
    connection.execute(
        "DELETE FROM hitters WHERE name IS NULL
         AND NOT EXISTS (SELECT 1 FROM sessions WHERE hitter = hitters.id)
         AND NOT EXISTS (SELECT 1 FROM plans WHERE hitter = hitters.id)
         AND NOT EXISTS (SELECT 1 FROM consents WHERE hitter = hitters.id)",
        [],
    )?;
    Ok(())
}
