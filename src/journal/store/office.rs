//! What an office asks of the facility's store alone: how its cages are, and a deletion for all of them.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, params};
use serde_json::Value;

use super::people;
use super::read::{optional_stamp_of, stamp_of};
use super::sql::Sql;
use crate::journal::error::JournalError;
use crate::journal::files::deletion::{DeletionReport, DeletionTarget};
use crate::journal::record::HitterId;
use crate::journal::store::open::{Journal, JournalReader};
use crate::video::DeletedFilms;

/// A cage's journal as the store knows it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct CageRow {
    /// The journal's own id.
    pub(crate) journal: String,
    /// What the cage is called.
    pub(crate) cage: String,
    /// When it was heard from last.
    pub(crate) seen_at: Timestamp,
    /// How long ago that is by the store's clock, seconds.
    pub(crate) silent_secs: f64,
    /// When its last session that holds reps got the last of them.
    pub(crate) last_rep_at: Option<Timestamp>,
    /// What it said of itself then.
    pub(crate) state: Value,
    /// Deletions that it has not heard of.
    pub(crate) deletions_left: u32,
    /// Whether another journal of the same cage was heard from later: its machine was replaced, or its disk lost.
    pub(crate) is_replaced: bool,
}

impl CageRow {
    /// Whether its screen may be seen in the office: it is no earlier machine, and its settings allow it.
    pub(crate) fn shows_screen(&self) -> bool {
        !self.is_replaced && self.state["live"] == true
    }

    /// The address of the cage's own page, where others in the network may reach it.
    pub(crate) fn own_page(&self) -> Option<&str> {
        let told = self.state["page"].as_str()?;
        // A cage's login can tell anything, and this becomes a link.
        let is_page = told.starts_with("https://") || told.starts_with("http://");
        is_page.then_some(told)
    }
}

impl JournalReader {
    /// The cages of the facility, by name.
    ///
    /// # Errors
    /// Those of the store.
    pub(crate) fn cages(&self) -> Result<Vec<CageRow>, JournalError> {
        self.query("read how the cages are", |c| {
            c.prepare_cached(
                "SELECT CAST(uid AS text) AS journal, cage, seen_at, CAST(extract(epoch FROM now() - seen_at) AS double precision) AS silent_secs,
                        (SELECT max(logged_at) FROM reps WHERE session = (
                           SELECT id FROM sessions WHERE journal = journals.uid AND EXISTS (SELECT 1 FROM reps AS held WHERE held.session = sessions.id)
                           ORDER BY started_at DESC LIMIT 1)) AS last_rep_at,
                        CAST(state AS text) AS state,
                        (SELECT count(*) FROM changes WHERE what = 'deleted' AND number > journals.pulled) AS deletions_left,
                        EXISTS (SELECT 1 FROM journals AS later WHERE later.cage = journals.cage
                                AND later.seen_at > journals.seen_at) AS is_replaced
                 FROM journals WHERE retired_at IS NULL ORDER BY cage, seen_at DESC",
            )?
            .query_map([], |row| {
                let state: String = row.get("state")?;
                Ok(CageRow {
                    journal: row.get("journal")?,
                    cage: row.get("cage")?,
                    seen_at: stamp_of(row, "seen_at")?,
                    silent_secs: row.get("silent_secs")?,
                    last_rep_at: optional_stamp_of(row, "last_rep_at")?,
                    state: serde_json::from_str(&state).unwrap_or_default(),
                    deletions_left: row.get("deletions_left")?,
                    is_replaced: row.get("is_replaced")?,
                })
            })?
            .collect()
        })
    }

    /// The uid of a hitter, for the store.
    ///
    /// # Errors
    /// Those of the journal.
    pub(crate) fn uid_of_hitter(&self, hitter: HitterId) -> Result<Option<String>, JournalError> {
        self.query("look up a hitter", |c| {
            c.prepare_cached("SELECT uid FROM hitters WHERE id = ?1")?
                .query_row([hitter.get()], |row| row.get("uid"))
                .optional()
        })
    }

    /// What a cage's screen shows now, as its page has it; `None` where the cage tells nothing. It tells it while this is asked again
    /// and again, and begins within seconds.
    ///
    /// # Errors
    /// Those of the store.
    pub(crate) fn look_at_screen(&self, journal: &str) -> Result<Option<Value>, JournalError> {
        self.query("look at a cage's screen", |c| {
            c.prepare_cached(
                "INSERT INTO live_screens AS here (journal, watched_until)
                 SELECT uid, now() + interval '10 seconds' FROM journals WHERE CAST(uid AS text) = ?1
                 ON CONFLICT (journal) DO UPDATE SET watched_until = excluded.watched_until
                 WHERE here.watched_until < now() + interval '7 seconds'",
            )?
            .execute([journal])?;
            let told: Option<String> = c
                .prepare_cached(
                    "SELECT CAST(state AS text) AS state FROM live_screens
                     WHERE CAST(journal AS text) = ?1 AND told_at > now() - interval '5 seconds'",
                )?
                .query_row([journal], |row| row.get("state"))
                .optional()?
                .flatten();
            let Some(mut state) = told.and_then(|told| serde_json::from_str::<Value>(&told).ok())
            else {
                return Ok(None);
            };
            for key in ["hitter", "next", "whose"] {
                if let Some(uid) = state[key].get("uid") {
                    let number: Option<i64> = c
                        .prepare_cached("SELECT id FROM hitters WHERE replace(CAST(uid AS text), '-', '') = ?1")?
                        .query_row([uid.as_str().unwrap_or_default()], |row| row.get("id"))
                        .optional()?;
                    state[key] = number.into();
                }
            }
            Ok(Some(state))
        })
    }

    /// The cages where a hitter may hit; none where that is every cage.
    ///
    /// # Errors
    /// Those of the store.
    pub(crate) fn cages_of(&self, hitter: HitterId) -> Result<Vec<String>, JournalError> {
        self.query("read where a hitter may hit", |c| {
            c.prepare_cached("SELECT cage FROM may_hit WHERE hitter = ?1 ORDER BY cage")?
                .query_map([hitter.get()], |row| row.get("cage"))?
                .collect()
        })
    }
}

/// Lets a hitter into a cage, or no longer. `None` where the hitter is not there, or this is no store.
pub(super) fn let_in(
    connection: &Sql<'_>,
    (hitter, cage): (HitterId, &str),
    is_let_in: bool,
) -> rusqlite::Result<Option<i64>> {
    if !connection.is_far() || people::is_frozen(connection, hitter)?.is_none() {
        return Ok(None);
    }
    let sql = match is_let_in {
        true => "INSERT INTO may_hit (hitter, cage) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
        false => "DELETE FROM may_hit WHERE hitter = ?1 AND cage = ?2",
    };
    connection.execute(sql, params![hitter.get(), cage])?;
    Ok(Some(hitter.get()))
}

/// Waits for an earlier machine of a cage no longer. `None` where there is no such machine, or it is in use.
pub(super) fn retire(connection: &Sql<'_>, journal: &str) -> rusqlite::Result<Option<i64>> {
    if !connection.is_far() {
        return Ok(None);
    }
    let rows = connection.execute(
        "UPDATE journals SET retired_at = now()
         WHERE CAST(uid AS text) = ?1 AND EXISTS (
             SELECT 1 FROM journals AS later WHERE later.cage = journals.cage AND later.seen_at > journals.seen_at)",
        [journal],
    )?;
    Ok((rows > 0).then_some(0))
}

impl Journal {
    /// Deletes a hitter or a session in the store for good; every cage does the same when it is heard from next.
    ///
    /// # Errors
    /// [`JournalError::Refused`] for what has no row, or goes by age; those of the store.
    pub(in crate::journal) fn delete_in_store(
        &mut self,
        whom: DeletionTarget,
    ) -> Result<DeletionReport, JournalError> {
        let refused = |reason: &str| JournalError::Refused {
            path: self.reader().path().to_owned(),
            doing: "delete it",
            reason: reason.to_owned(),
        };
        let (sessions, table, id) = match whom {
            DeletionTarget::Hitter(hitter) => ("hitter = ?1", "hitters", hitter.get()),
            DeletionTarget::Session(session) => ("id = ?1", "sessions", session.get()),
            DeletionTarget::Before(_) => {
                return Err(refused("a store's rows have no age at which they go"));
            }
        };
        let gone = refused("it is not there (any more)");
        let counts = self.transaction("delete people's data", |change| {
            let counts: (u32, u32) = change.query_row(
                &format!(
                    "SELECT (SELECT count(*) FROM sessions WHERE {sessions}) AS sessions,
                            (SELECT count(*) FROM reps WHERE session IN (SELECT id FROM sessions WHERE {sessions})) AS reps"
                ),
                [id],
                |row| Ok((row.get("sessions")?, row.get("reps")?)),
            )?;
            let rows = change.execute(&format!("DELETE FROM {table} WHERE id = ?1"), [id])?;
            Ok((rows > 0).then_some(counts))
        })?;
        let (sessions, reps) = counts.ok_or(gone)?;
        let cages = self.reader().cages()?;
        let mut cages_left: Vec<String> = cages
            .into_iter()
            .filter(|cage| cage.deletions_left > 0)
            .map(|cage| cage.cage)
            .collect();
        cages_left.dedup();
        Ok(DeletionReport {
            sessions,
            reps,
            films: Ok(DeletedFilms::default()),
            not_rebuilt: None,
            not_noted: None,
            removed: Vec::new(),
            set_aside: Vec::new(),
            searched: Vec::new(),
            fingerprints: 0,
            named_by_others: Vec::new(),
            remnants: Vec::new(),
            remnants_aside: Vec::new(),
            named_in_files: Vec::new(),
            cages_left,
        })
    }
}
