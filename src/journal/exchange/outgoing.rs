//! Rows that changed since a number, as a store takes them.

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row};
use serde_json::{Map, Value, json};

use crate::journal::error::JournalError;
use crate::journal::store::columns::{
    Column, ConsentColumn, CorrectionColumn, HitterColumn, MeasureColumn, NoteColumn, PlanColumn,
    RepColumn, SessionColumn, joined,
};
use crate::journal::store::open::JournalReader;

/// Rows of a batch at most.
const MOST_ROWS: usize = 200;
/// How many batches a journal remembers. A store whose last one it does not know is told everything again.
pub(super) const REMEMBERED: i64 = 1000;

/// The landmarks of a rep, beside the rows because they are bytes.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct OutgoingTimeline {
    /// The rep's uid.
    pub(crate) rep: String,
    pub(crate) start_secs: f64,
    pub(crate) width_px: i64,
    pub(crate) height_px: i64,
    pub(crate) landmarks: Vec<u8>,
}

/// What changed in a journal, in the order in which it changed.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Batch {
    /// The rows by table.
    pub(crate) rows: Value,
    pub(crate) timelines: Vec<OutgoingTimeline>,
    /// The number of the last change in it.
    pub(crate) rev: i64,
    /// How many rows it has.
    pub(crate) count: usize,
}

/// How a journal stands to its facility's store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Standing {
    /// The journal's uid.
    pub(crate) journal: String,
    /// The number of its last change.
    pub(crate) rev: i64,
    /// The store's change that it heard of last, with its mark.
    pub(crate) pulled: (i64, Option<String>),
}

/// A table whose rows are told, and what stands for the row numbers in it: uids of what it refers to.
struct Told {
    table: &'static str,
    select: fn() -> String,
}

const TOLD: [Told; 8] = [
    Told {
        table: "hitters",
        select: || select::<HitterColumn>(""),
    },
    Told {
        table: "plans",
        select: || {
            select::<PlanColumn>(
                ", (SELECT uid FROM hitters WHERE id = plans.hitter) AS hitter_uid",
            )
        },
    },
    Told {
        table: "consents",
        select: || {
            select::<ConsentColumn>(
                ", (SELECT uid FROM hitters WHERE id = consents.hitter) AS hitter_uid",
            )
        },
    },
    Told {
        table: "sessions",
        select: || {
            select::<SessionColumn>(
                ", (SELECT uid FROM hitters WHERE id = sessions.hitter) AS hitter_uid,
                 (SELECT uid FROM plans WHERE id = sessions.plan) AS plan_uid",
            )
        },
    },
    Told {
        table: "reps",
        select: || {
            select::<RepColumn>(
                ", (SELECT uid FROM sessions WHERE id = reps.session) AS session_uid",
            )
        },
    },
    Told {
        table: "notes",
        select: || {
            select::<NoteColumn>(
                ", (SELECT uid FROM sessions WHERE id = notes.session) AS session_uid,
                 (SELECT uid FROM reps WHERE id = notes.rep) AS rep_uid",
            )
        },
    },
    Told {
        table: "corrections",
        select: || {
            select::<CorrectionColumn>(
                ", (SELECT uid FROM reps WHERE id = corrections.rep) AS rep_uid,
                 (SELECT sessions.uid FROM reps JOIN sessions ON sessions.id = reps.session WHERE reps.id = corrections.rep)
                     AS session_uid",
            )
        },
    },
    Told {
        table: "deleted",
        select: || "SELECT uid, what, merged_into FROM deleted WHERE rev = ?1".to_owned(),
    },
];

/// Columns that mean something in one journal only.
const LOCAL: [&str; 6] = ["id", "rev", "hitter", "session", "plan", "rep"];

fn select<C: Column>(uids: &str) -> String {
    let told: Vec<C> = C::ALL
        .iter()
        .filter(|column| !LOCAL.contains(&column.name()))
        .copied()
        .collect();
    format!(
        "SELECT {}{uids} FROM {} WHERE rev = ?1",
        joined(&told),
        C::TABLE
    )
}

impl JournalReader {
    /// How the journal stands to its facility's store.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn standing(&self) -> Result<Standing, JournalError> {
        self.query("read how it stands to the facility", |c| {
            c.query_row(
                "SELECT journal, rev, pulled, pulled_mark FROM facility",
                [],
                |row| {
                    Ok(Standing {
                        journal: row.get("journal")?,
                        rev: row.get("rev")?,
                        pulled: (row.get("pulled")?, row.get("pulled_mark")?),
                    })
                },
            )
        })
    }

    /// Up to which change a batch went that was sent under this mark; `None` for one that this journal does not know.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn sent_up_to(&self, mark: &str) -> Result<Option<i64>, JournalError> {
        self.query("read what was sent", |c| {
            c.query_row(
                "SELECT rev FROM sent WHERE mark = ?1",
                [super::plain_uid(mark)],
                |row| row.get(0),
            )
            .optional()
        })
    }

    /// Up to which change a batch went that was sent last; `None` before the first.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn last_sent(&self) -> Result<Option<i64>, JournalError> {
        self.query("read what was sent", |c| {
            c.query_row("SELECT max(rev) FROM sent", [], |row| row.get(0))
        })
    }

    /// How many reps changed after a change.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn reps_after(&self, rev: i64) -> Result<u32, JournalError> {
        self.query("count what is not sent", |c| {
            c.prepare_cached("SELECT count(*) FROM reps WHERE rev > ?1")?
                .query_row([rev], |row| row.get(0))
        })
    }

    /// The next changes after one, from one snapshot; `None` where there are none. A batch is full with about so many bytes.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn batch_after(
        &self,
        rev: i64,
        full_bytes: usize,
    ) -> Result<Option<Batch>, JournalError> {
        self.query_file("read what is to be sent", |c| {
            let _snapshot = c.unchecked_transaction()?;
            let mut batch = Batch {
                rows: json!({}),
                timelines: Vec::new(),
                rev,
                count: 0,
            };
            let mut tables = Map::new();
            let mut bytes = 0;
            for (change, place) in changes_after(c, rev)? {
                let told = &TOLD[place];
                let row = c
                    .prepare_cached(&(told.select)())?
                    .query_row([change], row_json)
                    .optional()?;
                batch.rev = change;
                let Some(mut row) = row else { continue };
                if told.table == RepColumn::TABLE {
                    add_what_belongs(c, change, &mut row)?;
                    if let Some(timeline) = timeline(c, change)? {
                        bytes += timeline.landmarks.len();
                        batch.timelines.push(timeline);
                    }
                }
                let row = Value::Object(row);
                bytes += row.to_string().len();
                let rows = tables.entry(told.table).or_insert_with(|| json!([]));
                if let Value::Array(rows) = rows {
                    rows.push(row);
                }
                batch.count += 1;
                if bytes >= full_bytes {
                    break;
                }
            }
            batch.rows = Value::Object(tables);
            Ok((batch.count > 0).then_some(batch))
        })
    }
}

/// The numbers of the next changes, and the places of their tables in [`TOLD`].
fn changes_after(connection: &Connection, rev: i64) -> rusqlite::Result<Vec<(i64, usize)>> {
    let each: Vec<String> = TOLD
        .iter()
        .enumerate()
        .map(|(place, told)| {
            format!(
                "SELECT * FROM (SELECT rev, {place} AS place FROM {} WHERE rev > ?1 ORDER BY rev LIMIT {MOST_ROWS})",
                told.table
            )
        })
        .collect();
    connection
        .prepare_cached(&format!(
            "{} ORDER BY rev LIMIT {MOST_ROWS}",
            each.join(" UNION ALL ")
        ))?
        .query_map([rev], |row| Ok((row.get(0)?, row.get::<_, u8>(1)?.into())))?
        .collect()
}

fn row_json(row: &Row<'_>) -> rusqlite::Result<Map<String, Value>> {
    let mut json = Map::new();
    for (place, name) in row.as_ref().column_names().enumerate() {
        let value = match row.get_ref(place)? {
            ValueRef::Null | ValueRef::Blob(_) => Value::Null,
            ValueRef::Integer(number) => number.into(),
            ValueRef::Real(number) => number.into(),
            // The store's text has no NUL, and a row that it refuses holds up all that come after.
            ValueRef::Text(text) => String::from_utf8_lossy(text).replace('\0', " ").into(),
        };
        json.insert(name.to_owned(), value);
    }
    Ok(json)
}

/// The measures of a rep, and what was found where its events were moved.
fn add_what_belongs(
    connection: &Connection,
    rev: i64,
    rep: &mut Map<String, Value>,
) -> rusqlite::Result<()> {
    let measures = joined(&MeasureColumn::ALL[1..]);
    let events = joined(&RepColumn::events());
    let rows = |sql: String| -> rusqlite::Result<Vec<Value>> {
        connection
            .prepare_cached(&sql)?
            .query_map([rev], |row| row_json(row).map(Value::Object))?
            .collect()
    };
    let of = |table: &str, columns: &str| {
        format!("SELECT {columns} FROM {table} WHERE rep = (SELECT id FROM reps WHERE rev = ?1)")
    };
    rep.insert("measures".into(), rows(of("measures", &measures))?.into());
    let found = rows(of("found_events", &events))?.pop();
    rep.insert("found_events".into(), found.unwrap_or(Value::Null));
    rep.insert(
        "found_measures".into(),
        rows(of("found_measures", &measures))?.into(),
    );
    Ok(())
}

fn timeline(connection: &Connection, rev: i64) -> rusqlite::Result<Option<OutgoingTimeline>> {
    connection
        .prepare_cached(
            "SELECT reps.uid, start_secs, width_px, height_px, landmarks
             FROM timelines JOIN reps ON reps.id = timelines.rep WHERE reps.rev = ?1",
        )?
        .query_row([rev], |row| {
            Ok(OutgoingTimeline {
                rep: row.get(0)?,
                start_secs: row.get(1)?,
                width_px: row.get(2)?,
                height_px: row.get(3)?,
                landmarks: row.get(4)?,
            })
        })
        .optional()
}
