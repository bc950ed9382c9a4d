//! A rep's film: from the folder beside a journal's file, or from the facility's store, where cages send films if their settings say so.
//!
//! In: a rep. Out: its film, of which no more is read than is asked for.

use std::io::{self, BufReader, Read, Seek, SeekFrom};

use rusqlite::{OptionalExtension, params};

use crate::journal::error::JournalError;
use crate::journal::record::{RepId, SessionId};
use crate::journal::store::open::JournalReader;
use crate::video::{Film, FilmError, FilmStore};

/// The store has films in parts of so many bytes; the last one is shorter.
pub(crate) const FILM_PART_BYTES: u64 = 1 << 20;
/// So much is asked of the store at once.
const READ_AHEAD: usize = 1 << 16;

impl JournalReader {
    /// The film of a rep; `None` where there is none.
    ///
    /// # Errors
    /// Those of the journal; of the film those of [`Film::open`].
    pub(crate) fn film(
        &self,
        rep: RepId,
    ) -> Result<Result<Option<Film<'_>>, FilmError>, JournalError> {
        if !self.is_store() {
            return Ok(FilmStore::of_journal(self.path()).film(self.film_id(rep)?));
        }
        let whole = self.query("look for a rep's film", |c| {
            c.prepare_cached(
                "SELECT bytes FROM films WHERE rep = ?1 AND kept_until > now()
                 AND parts = (SELECT count(*) FROM film_parts WHERE film_parts.rep = films.rep)",
            )?
            .query_row([rep.get()], |row| row.get::<_, i64>("bytes"))
            .optional()
        })?;
        let Some(bytes) = whole.and_then(|bytes| u64::try_from(bytes).ok()) else {
            return Ok(Ok(None));
        };
        let parts = StoredParts {
            reader: self,
            rep,
            bytes,
            at: 0,
        };
        let file = BufReader::with_capacity(READ_AHEAD, parts);
        Ok(Film::read(Box::new(file), bytes, self.path()).map(Some))
    }

    /// The uid of the rep with this number in its session, for the store.
    pub(crate) fn uid_of_rep(
        &self,
        session: SessionId,
        number: u32,
    ) -> Result<Option<(RepId, String)>, JournalError> {
        self.query("look up a rep", |c| {
            c.prepare_cached("SELECT id, uid FROM reps WHERE session = ?1 AND number = ?2")?
                .query_row(params![session.get(), number], |row| {
                    Ok((RepId::new(row.get("id")?), row.get("uid")?))
                })
                .optional()
        })
    }
}

/// A film as it lies in the store.
struct StoredParts<'r> {
    reader: &'r JournalReader,
    rep: RepId,
    bytes: u64,
    at: u64,
}

impl Read for StoredParts<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let (part, within) = (self.at / FILM_PART_BYTES, self.at % FILM_PART_BYTES);
        let left = self.bytes.saturating_sub(self.at);
        let count = left.min(FILM_PART_BYTES - within).min(into.len() as u64);
        if count == 0 {
            return Ok(0);
        }
        // All are less than a film's largest size.
        let [part, first, count] = [part, within + 1, count].map(|number| number as i64);
        let slice: Vec<u8> = self
            .reader
            .query("read a rep's film", |c| {
                c.prepare_cached(
                    "SELECT substring(bytes FROM ?3 FOR ?4) AS slice FROM film_parts WHERE rep = ?1 AND part = ?2",
                )?
                .query_row(
                    params![self.rep.get(), part, first, count],
                    |row| row.get("slice"),
                )
            })
            .map_err(io::Error::other)?;
        let slice = slice.get(..into.len()).unwrap_or(&slice);
        into[..slice.len()].copy_from_slice(slice);
        self.at += slice.len() as u64;
        Ok(slice.len())
    }
}

impl Seek for StoredParts<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(by) => self.bytes.checked_add_signed(by),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}
