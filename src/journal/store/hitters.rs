//! The hitters of a journal: listed, and found by number or name.

use jiff::Timestamp;

use super::columns::{Column, HitterColumn, get};
use super::read::{BATS, optional_word, stamp};
use crate::journal::error::JournalError;
use crate::journal::record::HitterId;
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

    /// All hitters, the latest to hit first.
    pub(crate) fn hitters_by_last_session(&self) -> Result<Vec<HitterRow>, JournalError> {
        self.list_hitters(
            "ORDER BY (SELECT max(sessions.id) FROM sessions WHERE sessions.hitter = hitters.id) DESC, id DESC",
        )
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
                    })
                })?
                .collect()
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
