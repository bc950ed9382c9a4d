//! The hitters of a journal: listed, and found by number or name.

use std::collections::{HashMap, HashSet};

use jiff::Timestamp;
use rusqlite::{OptionalExtension, ToSql};

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

/// So many hitters are in a list.
pub(crate) const MOST_LISTED: usize = 200;
/// So many of the last sessions are looked through for them.
const LOOKED_THROUGH: usize = 20 * MOST_LISTED;

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
        let select = format!(
            "SELECT {} FROM hitters ORDER BY id",
            HitterColumn::selection()
        );
        self.list_hitters(&select, &[])
    }

    /// The hitters to choose from: those of [`Self::hitters_lately`] that are not frozen.
    pub(crate) fn hitters_to_choose(
        &self,
        chosen: Option<HitterId>,
    ) -> Result<Vec<HitterRow>, JournalError> {
        let mut hitters = self.hitters_lately(chosen)?;
        hitters.retain(|hitter| !hitter.frozen);
        Ok(hitters)
    }

    /// The [`MOST_LISTED`] who hit or were added last, the latest first, and at the end the one who is chosen where it is none of them.
    pub(crate) fn hitters_lately(
        &self,
        chosen: Option<HitterId>,
    ) -> Result<Vec<HitterRow>, JournalError> {
        let columns = HitterColumn::selection();
        let select = format!(
            "SELECT {columns} FROM (
               SELECT hitter, max(at) AS at FROM (
                 SELECT * FROM (SELECT hitter, started_at AS at FROM sessions WHERE hitter IS NOT NULL
                                ORDER BY started_at DESC LIMIT {LOOKED_THROUGH}) AS hit
                 UNION ALL
                 SELECT * FROM (SELECT id AS hitter, created_at AS at FROM hitters ORDER BY id DESC LIMIT {MOST_LISTED}) AS added
               ) AS seen GROUP BY hitter ORDER BY at DESC, hitter DESC LIMIT {MOST_LISTED}
             ) AS lately JOIN hitters ON hitters.id = lately.hitter ORDER BY lately.at DESC, hitters.id DESC"
        );
        let mut hitters = self.list_hitters(&select, &[])?;
        if let Some(id) = chosen
            && hitters.iter().all(|hitter| hitter.id != id)
        {
            hitters.extend(self.hitter_of(id)?);
        }
        Ok(hitters)
    }

    /// Other hitters of the same name, as two cages that were both away can make them.
    pub(crate) fn namesakes(&self, of: &HitterRow) -> Result<Vec<HitterRow>, JournalError> {
        let select = format!(
            "SELECT {} FROM hitters WHERE name = ?1 AND id <> ?2 ORDER BY id",
            HitterColumn::selection()
        );
        self.list_hitters(&select, &[&of.name, &of.id.get()])
    }

    /// Names that several hitters have.
    pub(crate) fn shared_names(&self) -> Result<HashSet<String>, JournalError> {
        self.query("look for hitters of one name", |c| {
            c.prepare_cached(
                "SELECT name FROM hitters WHERE name IS NOT NULL GROUP BY name HAVING count(*) > 1",
            )?
            .query_map([], |row| row.get("name"))?
            .collect()
        })
    }

    /// How often these hitters were there; those who have no session are missing.
    pub(crate) fn attendance(
        &self,
        of: &[HitterRow],
    ) -> Result<HashMap<HitterId, Attendance>, JournalError> {
        if of.is_empty() {
            return Ok(HashMap::new());
        }
        let ids: Vec<String> = of.iter().map(|hitter| hitter.id.to_string()).collect();
        self.query("count the sessions", |c| {
            c.prepare(&format!(
                "SELECT hitter, count(*) AS sessions, max(started_at) AS last_at FROM sessions
                 WHERE hitter IN ({}) GROUP BY hitter",
                ids.join(", ")
            ))?
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

    fn hitter_of(&self, id: HitterId) -> Result<Option<HitterRow>, JournalError> {
        let select = format!(
            "SELECT {} FROM hitters WHERE id = ?1",
            HitterColumn::selection()
        );
        Ok(self.list_hitters(&select, &[&id.get()])?.pop())
    }

    fn list_hitters(
        &self,
        select: &str,
        values: &[&dyn ToSql],
    ) -> Result<Vec<HitterRow>, JournalError> {
        self.query("list the hitters", |c| {
            use HitterColumn as C;
            c.prepare_cached(select)?
                .query_map(values, |row| {
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
        let found = match choice {
            HitterChoice::Id(id) => self.hitter_of(*id)?,
            HitterChoice::Name(name) => {
                let select = format!(
                    "SELECT {} FROM hitters WHERE name = ?1 ORDER BY id LIMIT 1",
                    HitterColumn::selection()
                );
                self.list_hitters(&select, &[&name.trim()])?.pop()
            }
        };
        if let Some(found) = found {
            return Ok(found);
        }
        let hitters = self.hitters()?;
        let names: Vec<&str> = hitters.iter().filter_map(|h| h.name.as_deref()).collect();
        Err(JournalError::NoSuchHitter {
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
        })
    }
}
