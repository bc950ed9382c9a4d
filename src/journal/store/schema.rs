//! The journal's tables as a list of steps: step N brings a file from version N - 1 to version N.
//!
//! A step that has been released is never edited; a change is a new step at the end of the list.

use rusqlite::{Connection, TransactionBehavior};

use super::kept_settings;

/// Marks an SQLite file as a journal ("CGHJ"), so that no other program's database is written to.
pub(in crate::journal) const APPLICATION_ID: i32 = 0x4347_484A;

/// All steps, oldest first.
pub(in crate::journal) const STEPS: &[&str] = &[
    include_str!("schema/001_first.sql"),
    include_str!("schema/002_style.sql"),
    include_str!("schema/003_plans.sql"),
    include_str!("schema/004_review.sql"),
    include_str!("schema/005_moved.sql"),
    include_str!("schema/006_pitcher.sql"),
    include_str!("schema/007_back_side.sql"),
    include_str!("schema/008_not_counted.sql"),
    include_str!("schema/009_kept_settings.sql"),
    include_str!("schema/010_said_by.sql"),
    include_str!("schema/011_frozen.sql"),
    include_str!("schema/012_consents.sql"),
    include_str!("schema/013_heard.sql"),
    include_str!("schema/014_facility.sql"),
];

/// The newest version this program knows.
pub(in crate::journal) const VERSION: u32 = STEPS.len() as u32;

/// What a file is, found without writing to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::journal) enum FileKind {
    /// No tables and no marks: free to become a journal.
    Empty,
    /// A journal of this version.
    Journal {
        /// The file's schema version.
        version: u32,
    },
    /// Something of another program.
    Foreign,
}

/// Reads the marks of an open file.
pub(in crate::journal) fn identify(connection: &Connection) -> rusqlite::Result<FileKind> {
    let application: i32 = connection.pragma_query_value(None, "application_id", |r| r.get(0))?;
    let version: i32 = connection.pragma_query_value(None, "user_version", |r| r.get(0))?;
    let tables: i64 =
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))?;
    Ok(match (application, u32::try_from(version)) {
        (0, Ok(0)) if tables == 0 => FileKind::Empty,
        (APPLICATION_ID, Ok(version)) if version > 0 => FileKind::Journal { version },
        _ => FileKind::Foreign,
    })
}

/// Runs the steps that the file lacks, all of them in one transaction, so that a failure or a kill
/// leaves the old version whole.
///
/// A step may rebuild a table that others refer to: references are not enforced while the steps run, or dropping the old
/// table would delete the rows that refer to it. They are checked before anything is kept.
pub(in crate::journal) fn upgrade(
    connection: &mut Connection,
    steps: &[&str],
    from_version: u32,
) -> rusqlite::Result<()> {
    let missing = steps.get(from_version as usize..).unwrap_or_default();
    if missing.is_empty() {
        return Ok(());
    }
    let enforced: bool = connection.pragma_query_value(None, "foreign_keys", |r| r.get(0))?;
    connection.pragma_update(None, "foreign_keys", false)?;
    let done = run(connection, missing, steps.len());
    connection.pragma_update(None, "foreign_keys", enforced)?;
    done
}

fn run(connection: &mut Connection, missing: &[&str], version: usize) -> rusqlite::Result<()> {
    kept_settings::teach(connection)?;
    let change = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for step in missing {
        change.execute_batch(step)?;
    }
    change.pragma_update(None, "application_id", APPLICATION_ID)?;
    change.pragma_update(None, "user_version", version as i64)?;
    let dangling = change.prepare("PRAGMA foreign_key_check")?.exists([])?;
    if dangling {
        let error = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CONSTRAINT_FOREIGNKEY);
        let words = "a row would refer to one that is gone".to_owned();
        return Err(rusqlite::Error::SqliteFailure(error, Some(words)));
    }
    change.commit()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn version_of(connection: &Connection) -> FileKind {
        identify(connection).unwrap()
    }

    #[test]
    fn an_old_file_is_brought_up_step_by_step_and_keeps_its_rows() {
        let mut connection = Connection::open_in_memory().unwrap();
        assert_eq!(version_of(&connection), FileKind::Empty);
        upgrade(&mut connection, STEPS, 0).unwrap();
        assert_eq!(
            version_of(&connection),
            FileKind::Journal { version: VERSION }
        );
        connection
            .execute(
                "INSERT INTO hitters (name, created_at) VALUES ('Ana', '2026')",
                [],
            )
            .unwrap();

        let later: Vec<&str> = STEPS
            .iter()
            .copied()
            .chain([
                "ALTER TABLE hitters ADD COLUMN club TEXT",
                "UPDATE hitters SET club = 'none'",
            ])
            .collect();
        upgrade(&mut connection, &later, VERSION).unwrap();
        assert_eq!(
            version_of(&connection),
            FileKind::Journal {
                version: VERSION + 2
            }
        );
        let row: (String, String) = connection
            .query_row("SELECT name, club FROM hitters", [], |r| {
                Ok((r.get(0)?, r.get(1)?))
            })
            .unwrap();
        assert_eq!(row, ("Ana".into(), "none".into()));
    }

    #[test]
    fn a_table_that_is_rebuilt_keeps_what_refers_to_it_and_never_gives_an_id_twice() {
        let mut connection = Connection::open_in_memory().unwrap();
        connection
            .pragma_update(None, "foreign_keys", true)
            .unwrap();
        upgrade(&mut connection, &STEPS[..6], 0).unwrap();
        connection
            .execute_batch(
                "INSERT INTO sessions (started_at, source, settings, program_version) VALUES ('2026', 'a', '', '1');
                 INSERT INTO reps (session, number, kind, bats, view, fps, known_at_secs, logged_at)
                 VALUES (1, 1, 'swing', 'left', 'rear', 60.0, 1.0, '2026'), (1, 2, 'take', 'left', 'rear', 60.0, 2.0, '2026');
                 INSERT INTO notes (session, rep, text, made_at) VALUES (1, 1, 'so', '2026');
                 DELETE FROM reps WHERE id = 2;",
            )
            .unwrap();
        upgrade(&mut connection, STEPS, 6).unwrap();
        let noted: i64 = connection
            .query_row(
                "SELECT reps.id FROM notes JOIN reps ON reps.id = notes.rep",
                [],
                |r| r.get(0),
            )
            .unwrap();
        assert_eq!(noted, 1);
        connection
            .execute(
                "INSERT INTO reps (session, number, kind, bats, view, fps, known_at_secs, logged_at)
                 VALUES (1, 3, 'swing', 'left', 'back-side', 60.0, 3.0, '2026')",
                [],
            )
            .unwrap();
        assert_eq!(connection.last_insert_rowid(), 3);
        // The references are enforced as before.
        assert!(
            connection
                .execute(
                    "INSERT INTO notes (session, rep, text, made_at) VALUES (1, 9, 'so', '2026')",
                    []
                )
                .is_err()
        );
    }

    #[test]
    fn a_step_that_fails_leaves_the_old_version_whole() {
        let mut connection = Connection::open_in_memory().unwrap();
        upgrade(&mut connection, STEPS, 0).unwrap();
        let broken: Vec<&str> = STEPS
            .iter()
            .copied()
            .chain([
                "ALTER TABLE hitters ADD COLUMN club TEXT",
                "ALTER TABLE nothing ADD x TEXT",
            ])
            .collect();
        assert!(upgrade(&mut connection, &broken, VERSION).is_err());
        assert_eq!(
            version_of(&connection),
            FileKind::Journal { version: VERSION }
        );
        assert!(connection.prepare("SELECT club FROM hitters").is_err());
    }

    #[test]
    fn databases_of_others_are_told_apart() {
        let tables = Connection::open_in_memory().unwrap();
        tables
            .execute_batch("CREATE TABLE songs (title TEXT)")
            .unwrap();
        assert_eq!(version_of(&tables), FileKind::Foreign);
        let marked = Connection::open_in_memory().unwrap();
        marked.pragma_update(None, "application_id", 7).unwrap();
        assert_eq!(version_of(&marked), FileKind::Foreign);
    }
}
