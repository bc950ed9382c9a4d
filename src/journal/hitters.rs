//! The hitters of a journal: listed, and found by number or name.

use jiff::Timestamp;

use super::error::JournalError;
use super::open::JournalReader;
use super::record::HitterId;
use super::rows::{stamp_at, word_at};
use crate::rep::Bats;

/// A hitter as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct HitterRow {
    /// The hitter's number.
    pub id: HitterId,
    /// The name, if one was given.
    pub name: Option<String>,
    /// The usual side, where known.
    pub bats: Option<Bats>,
    /// Body height in centimetres, where known.
    pub height_cm: Option<f64>,
    /// When the hitter was added.
    pub created_at: Timestamp,
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

    /// All hitters, whoever hit last first.
    pub fn hitters_by_last_session(&self) -> Result<Vec<HitterRow>, JournalError> {
        self.list_hitters(
            "ORDER BY (SELECT max(sessions.id) FROM sessions WHERE sessions.hitter = hitters.id) DESC, id DESC",
        )
    }

    fn list_hitters(&self, order: &str) -> Result<Vec<HitterRow>, JournalError> {
        self.ask("list the hitters", |c| {
            c.prepare_cached(&format!(
                "SELECT id, name, bats, height_cm, created_at FROM hitters {order}"
            ))?
            .query_map([], |row| {
                let bats = match row.get_ref(2)? {
                    rusqlite::types::ValueRef::Null => None,
                    _ => Some(word_at(row, 2, &[Bats::Left, Bats::Right], Bats::name)?),
                };
                Ok(HitterRow {
                    id: HitterId::new(row.get(0)?),
                    name: row.get(1)?,
                    bats,
                    height_cm: row.get(3)?,
                    created_at: stamp_at(row, 4)?,
                })
            })?
            .collect()
        })
    }

    /// The hitter that is meant.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`], and those of the disk.
    pub fn hitter(&self, choice: &HitterChoice) -> Result<HitterRow, JournalError> {
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
