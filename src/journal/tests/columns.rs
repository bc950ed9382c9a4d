//! The lists of columns against the schema: nothing is missing, and deletion knows every place for people's words.

use std::collections::BTreeSet;

use super::super::store::columns::{Holds, all_columns};
use super::*;

/// Table, column and type of everything in the schema.
fn schema_columns(connection: &Connection) -> Vec<(String, String, String)> {
    connection
        .prepare(
            "SELECT tables.name, columns.name, columns.type
             FROM sqlite_schema AS tables, pragma_table_info(tables.name) AS columns
             WHERE tables.type = 'table' AND tables.name NOT LIKE 'sqlite_%'",
        )
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .unwrap()
        .map(Result::unwrap)
        .collect()
}

/// Where lists and schema disagree, in words.
fn disagreements(connection: &Connection) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut unseen: BTreeSet<(String, String)> = all_columns()
        .iter()
        .map(|listed| (listed.table.to_owned(), listed.column.to_owned()))
        .collect();
    assert_eq!(
        unseen.len(),
        all_columns().len(),
        "a column is listed twice"
    );
    for (table, column, sort) in schema_columns(connection) {
        let listed = all_columns()
            .into_iter()
            .find(|listed| (listed.table, listed.column) == (&*table, &*column));
        unseen.remove(&(table.clone(), column.clone()));
        let fits = match (listed.map(|listed| listed.holds), &*sort) {
            (Some(Holds::Number), "INTEGER" | "REAL") => true,
            (Some(Holds::Stamp), "TEXT") => column.ends_with("_at"),
            (Some(Holds::ProgramWord | Holds::FreeText), "TEXT") => !column.ends_with("_at"),
            (Some(Holds::Landmarks), "BLOB") => true,
            _ => false,
        };
        if !fits {
            wrong.push(format!("{table}.{column} {sort} is listed as {listed:?}"));
        }
    }
    wrong.extend(
        unseen
            .into_iter()
            .map(|(table, column)| format!("{table}.{column} is not in the schema")),
    );
    wrong
}

#[test]
fn every_column_is_listed_with_what_it_holds() {
    let dir = tempfile::tempdir().unwrap();
    let journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let connection = journal.reader().connection();
    assert_eq!(disagreements(connection), [""; 0]);
    // A column or a table that a later schema adds must not be forgotten.
    connection
        .execute_batch(
            "ALTER TABLE sessions ADD COLUMN weather TEXT;
             CREATE TABLE guests (name TEXT, face BLOB) STRICT;
             ALTER TABLE reps DROP COLUMN roll_deg;",
        )
        .unwrap();
    assert_eq!(
        disagreements(connection),
        [
            "sessions.weather TEXT is listed as None",
            "guests.name TEXT is listed as None",
            "guests.face BLOB is listed as None",
            "reps.roll_deg is not in the schema",
        ]
    );
}

/// Whatever is not deleted with its hitter would have to be deleted by name.
#[test]
fn every_table_goes_with_the_hitter() {
    let dir = tempfile::tempdir().unwrap();
    let journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let connection = journal.reader().connection();
    let mut left: BTreeSet<String> = schema_columns(connection)
        .into_iter()
        .map(|(table, _, _)| table)
        .collect();
    let mut gone = BTreeSet::from(["hitters".to_owned()]);
    left.remove("hitters");
    loop {
        let next = left.iter().find(|table| {
            let parents: Vec<String> = connection
                .prepare(
                    "SELECT \"table\" FROM pragma_foreign_key_list(?1) WHERE on_delete = 'CASCADE'",
                )
                .unwrap()
                .query_map([table], |row| row.get(0))
                .unwrap()
                .map(Result::unwrap)
                .collect();
            parents.iter().any(|parent| gone.contains(parent))
        });
        let Some(next) = next.cloned() else { break };
        left.remove(&next);
        gone.insert(next);
    }
    // These hold numbers and uids, nothing of anybody.
    let nobodys = ["deleted", "facility", "sent"].map(str::to_owned);
    assert_eq!(left, nobodys.into(), "no rule deletes their rows");
    assert!(gone.len() > 8, "{gone:?}");
}
