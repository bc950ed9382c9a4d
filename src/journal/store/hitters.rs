//! The hitters of a journal: listed, and found by number or name.

use std::collections::HashMap;

use jiff::Timestamp;
use rusqlite::OptionalExtension;

use super::columns::{Column, HitterColumn, get};
use super::read::{BATS, optional_word, stamp, stamp_of};
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, SaidBy, SessionId};
use crate::journal::store::open::JournalReader;
use crate::rep::Bats;

/// A hitter as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct HitterRow {
    /// The hitter's number.
    pub id: HitterId,
    /// The name, if one was given.
    pub(crate) name: Option<String>,
    /// The usual side, where known.
    pub(crate) bats: Option<Bats>,
    /// Body height in centimeters, where known.
    pub(crate) height_cm: Option<f64>,
    /// When the hitter was added.
    pub(crate) created_at: Timestamp,
    /// Whether they get no new sessions and are in no list to choose from.
    pub(crate) frozen: bool,
}

/// How often a hitter was there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Attendance {
    /// How many sessions.
    pub(crate) sessions: u32,
    /// When the last one began.
    pub(crate) last_at: Timestamp,
}

/// Who was last said to hit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct LastSaid {
    /// At the page; else by the settings.
    pub(crate) by_page: bool,
    /// Their name; `None` for nobody named.
    pub(crate) name: Option<String>,
    /// When they last hit, or began.
    pub(crate) active_at: Timestamp,
}

/// A hitter by number or by name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HitterChoice {
    /// By the journal's number.
    Id(HitterId),
    /// By the exact name.
    Name(String),
}

impl JournalReader {
    /// All hitters, in the order in which they were added.
    pub fn hitters(&self) -> Result<Vec<HitterRow>, JournalError> {
        self.list_hitters("ORDER BY id")
    }

    /// All hitters but the frozen ones, the latest to hit first.
    pub(crate) fn hitters_by_last_session(&self) -> Result<Vec<HitterRow>, JournalError> {
        let mut hitters = self.all_by_last_session()?;
        hitters.retain(|hitter| !hitter.frozen);
        Ok(hitters)
    }

    /// All hitters, the latest to hit first.
    pub(crate) fn all_by_last_session(&self) -> Result<Vec<HitterRow>, JournalError> {
        self.list_hitters(
            "ORDER BY (SELECT max(sessions.id) FROM sessions WHERE sessions.hitter = hitters.id) DESC NULLS LAST, id DESC",
        )
    }

    /// How often each hitter was there; those who have no session are missing.
    pub(crate) fn attendance(&self) -> Result<HashMap<HitterId, Attendance>, JournalError> {
        self.query("count the sessions", |c| {
            c.prepare_cached(
                "SELECT hitter, count(*) AS sessions, max(started_at) AS last_at FROM sessions
                 WHERE hitter IS NOT NULL GROUP BY hitter",
            )?
            .query_map([], |row| {
                let attendance = Attendance {
                    sessions: row.get("sessions")?,
                    last_at: stamp_of(row, "last_at")?,
                };
                Ok((HitterId::new(row.get("hitter")?), attendance))
            })?
            .collect()
        })
    }

    fn list_hitters(&self, order: &str) -> Result<Vec<HitterRow>, JournalError> {
        self.query("list the hitters", |c| {
            use HitterColumn as C;
            let columns = C::selection();
            c.prepare_cached(&format!("SELECT {columns} FROM hitters {order}"))?
                .query_map([], |row| {
                    Ok(HitterRow {
                        id: HitterId::new(get(row, C::Id)?),
                        name: get(row, C::Name)?,
                        bats: optional_word(row, C::Bats, &BATS, Bats::name)?,
                        height_cm: get(row, C::HeightCm)?,
                        created_at: stamp(row, C::CreatedAt)?,
                        frozen: get::<Option<String>>(row, C::FrozenAt)?.is_some(),
                    })
                })?
                .collect()
        })
    }

    /// Who was last said to hit; `None` where nobody ever said.
    pub(crate) fn last_said(&self) -> Result<Option<LastSaid>, JournalError> {
        self.query("read who hit last", |c| {
            c.query_row(
                "SELECT said_by, hitters.name,
                        max(started_at, coalesce((SELECT max(logged_at) FROM reps WHERE session = sessions.id), '')) AS active
                 FROM sessions LEFT JOIN hitters ON hitters.id = sessions.hitter
                 WHERE said_by IS NOT NULL ORDER BY sessions.id DESC LIMIT 1",
                [],
                |row| {
                    Ok(LastSaid {
                        by_page: row.get::<_, String>("said_by")? == SaidBy::Page.as_str(),
                        name: row.get("name")?,
                        active_at: stamp_of(row, "active")?,
                    })
                },
            )
            .optional()
        })
    }

    /// Whose a session is.
    pub(crate) fn hitter_of_session(
        &self,
        session: SessionId,
    ) -> Result<Option<HitterId>, JournalError> {
        self.query("read whose a session is", |c| {
            let whose: Option<Option<i64>> = c
                .query_row(
                    "SELECT hitter FROM sessions WHERE id = ?1",
                    [session.get()],
                    |row| row.get(0),
                )
                .optional()?;
            Ok(whose.flatten().map(HitterId::new))
        })
    }

    /// Finds a hitter.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`], and those of the disk.
    pub(crate) fn hitter(&self, choice: &HitterChoice) -> Result<HitterRow, JournalError> {
        let hitters = self.hitters()?;
        let found = match choice {
            HitterChoice::Id(id) => hitters.iter().find(|h| h.id == *id),
            HitterChoice::Name(name) => hitters
                .iter()
                .find(|h| h.name.as_deref() == Some(name.trim())),
        };
        found.cloned().ok_or_else(|| {
            let names: Vec<&str> = hitters.iter().filter_map(|h| h.name.as_deref()).collect();
            JournalError::NoSuchHitter {
                path: self.path.clone(),
                hitter: match choice {
                    HitterChoice::Id(id) => format!("number {id}"),
                    HitterChoice::Name(name) => format!("named '{}'", name.trim()),
                },
                known: if names.is_empty() {
                    "no names".to_owned()
                } else {
                    names.join(", ")
                },
            }
        })
    }
}
