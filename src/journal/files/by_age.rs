//! What goes by its age.

use jiff::Timestamp;

use crate::journal::error::JournalError;
use crate::journal::files::deletion::{Going, row_mark};
use crate::journal::files::deletion_list::{DeletedRows, RowMark};
use crate::journal::stamp::stamp_text;
use crate::journal::store::open::JournalReader;

impl JournalReader {
    /// What is older than a limit.
    ///
    /// # Errors
    /// Those of the disk.
    pub(super) fn going_before(&self, limit: Timestamp) -> Result<Going, JournalError> {
        let limit = stamp_text(limit);
        let rows = |sql: &str| {
            self.query("look for what is old", |c| {
                c.prepare(sql)?
                    .query_map([&limit], row_mark)?
                    .collect::<Result<Vec<RowMark>, _>>()
            })
        };
        let sessions = rows(
            "SELECT id, started_at FROM sessions WHERE started_at < ?1 AND ended_at IS NOT NULL
             AND NOT EXISTS (SELECT 1 FROM hitters WHERE id = sessions.hitter AND frozen_at IS NOT NULL) ORDER BY id",
        )?;
        let hitters = rows(
            // In a facility a hitter may hit in another cage, and what they refuse must be known here when they come.
            "SELECT id, created_at FROM hitters WHERE created_at < ?1 AND frozen_at IS NULL
             AND (SELECT pulled FROM facility) = 0
             AND NOT EXISTS (SELECT 1 FROM sessions WHERE hitter = hitters.id
                             AND (started_at >= ?1 OR ended_at IS NULL))
             AND NOT EXISTS (SELECT 1 FROM consents WHERE hitter = hitters.id AND recorded_at >= ?1)",
        )?;
        Ok(Going {
            decided_by: self.who_decided(hitters.iter().map(|row| row.id))?,
            sessions: sessions.iter().map(|row| row.id).collect(),
            rows: DeletedRows {
                hitters: hitters.into_iter().collect(),
                sessions: sessions.into_iter().collect(),
            },
            name: String::new(),
        })
    }

    /// Whether anything is older than a limit.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn has_before(&self, limit: Timestamp) -> Result<bool, JournalError> {
        let going = self.going_before(limit)?;
        Ok(going.rows != DeletedRows::default())
    }
}
