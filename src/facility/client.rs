//! What a cage calls in the store: five functions, each one transaction.

use postgres::{Client, Statement};
use serde_json::Value;

use super::{StoreAddress, StoreError};
use crate::journal::{Batch, Standing, ToldChange};

/// A connection to the store, for one journal.
pub(crate) struct StoreClient {
    client: Client,
    journal: String,
    // Kept prepared, so that each call is one way there and back; those about films are rare beside a film's size.
    hello: Statement,
    changes: Statement,
    receive: Statement,
}

const FILMS_OF: &str =
    "SELECT replace(rep::text, '-', ''), here FROM films_of($1::text::uuid, $2::text[]::uuid[])";
const RECEIVE_FILM: &str =
    "SELECT receive_film($1::text::uuid, $2::text::uuid, $3, $4, $5, $6, $7)";

/// Which parts of a rep's film the store has.
#[derive(Clone, Debug)]
pub(crate) struct FilmThere {
    /// The rep's uid.
    pub(crate) rep: String,
    /// Numbers of parts.
    pub(crate) here: Vec<i32>,
}

/// A part of a film on its way.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FilmPart<'b> {
    /// The rep's uid.
    pub(crate) rep: &'b str,
    /// After so many seconds the store deletes it.
    pub(crate) keep_secs: f64,
    /// The whole film's bytes, and its parts.
    pub(crate) whole: (u64, i32),
    /// The number of this one, from 0.
    pub(crate) number: i32,
    pub(crate) content: &'b [u8],
}

/// What the store has received of a journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Received {
    /// Up to which change.
    pub(crate) rev: i64,
    /// The mark of the last batch; `None` before the first.
    pub(crate) mark: Option<String>,
}

impl StoreClient {
    /// Connects and says who this is.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn connect(address: &StoreAddress, standing: &Standing) -> Result<Self, StoreError> {
        let mut client = address.connect()?;
        Ok(Self {
            hello: client.prepare(
                "SELECT received, mark::text FROM hello($1::text::uuid, $2, $3::text::jsonb)",
            )?,
            changes: client.prepare(
                "SELECT number, mark::text, what, uid::text, content::text
                 FROM changes_for($1::text::uuid, $2, $3::text::uuid, $4)",
            )?,
            receive: client.prepare(
                "SELECT receive($1::text::uuid, $2::text::uuid, $3, $4::text::jsonb, $5::text[]::uuid[], $6, $7, $8, $9)::text[]",
            )?,
            client,
            journal: standing.journal.clone(),
        })
    }

    /// Says who this is and how it is; gives what was received of it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn hello(&mut self, cage: &str, state: &Value) -> Result<Received, StoreError> {
        let row = self
            .client
            .query_one(&self.hello, &[&self.journal, &cage, &state.to_string()])?;
        Ok(Received {
            rev: row.try_get(0)?,
            mark: row.try_get(1)?,
        })
    }

    /// The next changes that others made, after one that is known by its number and mark.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn changes_after(
        &mut self,
        (number, mark): (i64, Option<&str>),
        at_most: i32,
    ) -> Result<Vec<ToldChange>, StoreError> {
        let rows = self
            .client
            .query(&self.changes, &[&self.journal, &number, &mark, &at_most])?;
        rows.iter()
            .map(|row| {
                let content: Option<&str> = row.try_get(4)?;
                Ok(ToldChange {
                    number: row.try_get(0)?,
                    mark: row.try_get(1)?,
                    what: row.try_get(2)?,
                    uid: row.try_get(3)?,
                    content: content
                        .and_then(|text| serde_json::from_str(text).ok())
                        .unwrap_or(Value::Null),
                })
            })
            .collect()
    }

    /// Sends a batch; the store has all of it or nothing. Gives uids whose row numbers other rows have.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn send(&mut self, batch: &Batch, mark: &str) -> Result<Vec<String>, StoreError> {
        let of = &batch.timelines;
        let reps: Vec<&str> = of.iter().map(|timeline| timeline.rep.as_str()).collect();
        let starts: Vec<f64> = of.iter().map(|timeline| timeline.start_secs).collect();
        let widths: Vec<i64> = of.iter().map(|timeline| timeline.width_px).collect();
        let heights: Vec<i64> = of.iter().map(|timeline| timeline.height_px).collect();
        let packed: Vec<&[u8]> = of.iter().map(|timeline| &timeline.landmarks[..]).collect();
        let row = self.client.query_one(
            &self.receive,
            &[
                &self.journal,
                &mark,
                &batch.rev,
                &batch.rows.to_string(),
                &reps,
                &starts,
                &widths,
                &heights,
                &packed,
            ],
        )?;
        Ok(row.try_get(0)?)
    }

    /// What the store has of the films of these reps; a rep that may have none there is left out.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn films_of(&mut self, reps: &[&str]) -> Result<Vec<FilmThere>, StoreError> {
        let rows = self.client.query(FILMS_OF, &[&self.journal, &reps])?;
        rows.iter()
            .map(|row| {
                Ok(FilmThere {
                    rep: row.try_get(0)?,
                    here: row.try_get(1)?,
                })
            })
            .collect()
    }

    /// Sends a part of a film; gives whether the store takes that film.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn send_film(&mut self, part: &FilmPart<'_>) -> Result<bool, StoreError> {
        let (bytes, parts) = part.whole;
        let bytes = i64::try_from(bytes).unwrap_or(i64::MAX);
        let row = self.client.query_one(
            RECEIVE_FILM,
            &[
                &self.journal,
                &part.rep,
                &part.keep_secs,
                &bytes,
                &parts,
                &part.number,
                &part.content,
            ],
        )?;
        Ok(row.try_get(0)?)
    }
}
