//! What a cage calls in the store: seven functions, each one transaction. A store that was not brought up to date lacks those about films
//! and screens, and gets the rest.

use postgres::{Client, Statement};
use serde_json::Value;

use super::{StoreAddress, StoreError, is_not_set_up};
use crate::journal::{Batch, Standing, ToldChange};

/// A connection to the store, for one journal.
pub(crate) struct StoreClient {
    client: Client,
    journal: String,
    // Kept prepared, so that each call is one way there and back; a part of a film is large beside that.
    hello: Statement,
    changes: Statement,
    receive: Statement,
    films_of: Option<Statement>,
    is_watched: Option<Statement>,
}

const FILMS_OF: &str =
    "SELECT replace(rep::text, '-', ''), here FROM films_of($1::text::uuid, $2::text[]::uuid[])";
const IS_WATCHED: &str = "SELECT is_watched($1::text::uuid)";
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
            films_of: None,
            is_watched: None,
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

    /// Says who this is and how it is, again and again; gives what was received of it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn hello(&mut self, cage: &str, state: &Value) -> Result<Received, StoreError> {
        // A store that lacks them can be brought up to date meanwhile.
        for (statement, sql) in [
            (&mut self.films_of, FILMS_OF),
            (&mut self.is_watched, IS_WATCHED),
        ] {
            if statement.is_none() {
                *statement = prepare_where_known(&mut self.client, sql)?;
            }
        }
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
        let Some(films_of) = &self.films_of else {
            return Ok(Vec::new());
        };
        let rows = self.client.query(films_of, &[&self.journal, &reps])?;
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

    /// Whether an office looks at this cage's screen now.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn is_watched(&mut self) -> Result<bool, StoreError> {
        let Some(is_watched) = &self.is_watched else {
            return Ok(false);
        };
        let row = self.client.query_one(is_watched, &[&self.journal])?;
        Ok(row.try_get(0)?)
    }
}

fn prepare_where_known(client: &mut Client, sql: &str) -> Result<Option<Statement>, StoreError> {
    match client.prepare(sql) {
        Ok(statement) => Ok(Some(statement)),
        Err(error)
            if error
                .as_db_error()
                .is_some_and(|refusal| is_not_set_up(refusal.code())) =>
        {
            Ok(None)
        }
        Err(error) => Err(error.into()),
    }
}

/// A connection over which a cage tells what its screen shows.
pub(crate) struct ScreenClient {
    client: Client,
    journal: String,
    show_live: Statement,
}

impl ScreenClient {
    /// Connects.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn connect(address: &StoreAddress, standing: &Standing) -> Result<Self, StoreError> {
        let mut client = address.connect()?;
        Ok(Self {
            show_live: client.prepare("SELECT show_live($1::text::uuid, $2::text::jsonb)")?,
            client,
            journal: standing.journal.clone(),
        })
    }

    /// Tells what the screen shows now; gives whether an office still looks.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn show(&mut self, shown: &Value) -> Result<bool, StoreError> {
        let row = self
            .client
            .query_one(&self.show_live, &[&self.journal, &shown.to_string()])?;
        Ok(row.try_get(0)?)
    }
}
