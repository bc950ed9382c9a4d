//! The facility's store: how its rows come, what breaks, and what only a file has.

mod contract;

use cagehand_stage::database::new_database;
use postgres::{Config, NoTls};

use super::*;
use crate::journal::store::history::{select_swings_measured, select_values_before};
use crate::journal::store::read::select_reps;
use crate::journal::store::sql::{StoreConnector, StorePool, params_from_iter};

/// A new store with the journal's tables.
pub(super) fn new_store() -> StorePool {
    let config = new_database();
    let mut client = config.connect(NoTls).unwrap();
    make_tables(&mut client);
    pool(config, 4)
}

/// The store's tables. Here rows are numbered from 1 as in a file, those too that only cages add, and a name stands once.
fn make_tables(client: &mut postgres::Client) {
    crate::facility::make_tables(client).unwrap();
    let numbered = [
        "hitters",
        "sessions",
        "plans",
        "consents",
        "notes",
        "corrections",
        "reps",
        "not_counted",
    ];
    client
        .batch_execute(
            "CREATE FUNCTION small_number() RETURNS trigger LANGUAGE plpgsql AS $$
             BEGIN NEW.id := nextval('small_' || TG_TABLE_NAME); RETURN NEW; END $$;
             ALTER TABLE reps ALTER COLUMN uid SET DEFAULT new_uid();
             ALTER TABLE sessions ALTER COLUMN journal SET DEFAULT new_uid();
             ALTER TABLE hitters ADD UNIQUE (name);",
        )
        .unwrap();
    for table in numbered {
        let number = match table {
            "reps" | "not_counted" => {
                format!("ALTER TABLE {table} ALTER COLUMN id SET DEFAULT nextval('small_{table}')")
            }
            // Triggers go by their names: this one after that which makes the number.
            _ => format!(
                "CREATE TRIGGER small_number BEFORE INSERT ON {table} FOR EACH ROW EXECUTE FUNCTION small_number()"
            ),
        };
        client
            .batch_execute(&format!("CREATE SEQUENCE small_{table}; {number}"))
            .unwrap();
    }
}

fn pool(config: Config, connections: u32) -> StorePool {
    StorePool::builder()
        .max_size(connections)
        .min_idle(Some(0))
        .connection_timeout(std::time::Duration::from_secs(20))
        .build(StoreConnector::new(config, NoTls))
        .unwrap()
}

fn named(name: &str) -> NewHitter {
    NewHitter {
        name: Some(name.into()),
        ..NewHitter::default()
    }
}

/// Reps of one session, so many that they are read in several parts; each has one measure.
fn many_reps(pool: &StorePool, reps: u32) -> SessionId {
    let mut store = Journal::of_store(pool.clone(), "the store");
    let session = store.begin_session(&session()).unwrap();
    store
        .transaction("log reps", |change| {
            change.execute(
                "INSERT INTO reps (session, number, kind, bats, view, fps, known_at_secs, logged_at)
                 SELECT ?1, n, 'swing', 'left', 'rear', 60, 8.0 * n, '2026-05-01T17:00:00Z' FROM generate_series(1, ?2) AS n",
                [session.get(), reps.into()],
            )?;
            change.execute(
                "INSERT INTO measures (rep, name, value, plus_minus, confidence)
                 SELECT id, 'head_drop_cm', number, 1, 1 FROM reps WHERE session = ?1",
                [session.get()],
            )
        })
        .unwrap();
    session
}

#[test]
fn reps_that_are_too_many_to_hold_come_in_parts_of_one_moment() {
    let pool = new_store();
    let session = many_reps(&pool, 701);
    let reader = JournalReader::of_store(pool.clone(), "the store");
    let filter = RepFilter {
        session: Some(session),
        ..RepFilter::default()
    };
    let mut numbers = Vec::new();
    let count = reader
        .for_each_rep(&filter, |rep| {
            if rep.judged.number == 1 {
                // Another connection deletes the last of them meanwhile.
                let mut other = Journal::of_store(pool.clone(), "the store");
                let deleted = other.transaction("delete a rep", |change| {
                    change.execute("DELETE FROM reps WHERE number = ?", [701])
                });
                assert_eq!(deleted.unwrap(), 1);
                // What is asked in between is of the same moment.
                assert_eq!(reader.counts().unwrap().swings, 701);
            }
            let measure = &rep.judged.rep.measures[&MeasureName::HeadDrop];
            let value = f64::from(rep.judged.number);
            assert!(matches!(measure, Measure::Made { value: made, .. } if *made == value));
            numbers.push(rep.judged.number);
            Ok(())
        })
        .unwrap();
    assert_eq!(count, 701);
    assert_eq!(numbers, (1..=701).collect::<Vec<u32>>());
    assert_eq!(reader.reps_of(session).unwrap().len(), 700);
    // Whoever stops early leaves the connection usable.
    let stopped = reader.for_each_rep(&filter, |rep| {
        Err(JournalError::NoTimeline {
            path: "the store".into(),
            rep: rep.id,
        })
    });
    assert!(matches!(stopped, Err(JournalError::NoTimeline { .. })));
    assert_eq!(reader.reps_of(session).unwrap().len(), 700);
}

#[test]
fn a_change_that_fails_leaves_nothing_behind() {
    let pool = new_store();
    let mut store = Journal::of_store(pool, "the store");
    let ana = store.find_or_add_hitter(&named("Ana")).unwrap();
    let refused: Result<usize, JournalError> = store.transaction("rename everybody", |change| {
        change.execute(
            "INSERT INTO hitters (name, created_at) VALUES ('Ben', ?)",
            ["2026-05-01T17:00:00Z"],
        )?;
        change.execute(
            "UPDATE hitters SET name = ? WHERE id <> ?",
            rusqlite::params!["Ana", ana.get()],
        )
    });
    let Err(JournalError::Refused { reason, .. }) = refused else {
        panic!("{refused:?}");
    };
    assert!(reason.contains("hitters_name_key"), "{reason}");
    let names = |store: &Journal| -> Vec<Option<String>> {
        let hitters = store.reader().hitters().unwrap();
        hitters.into_iter().map(|hitter| hitter.name).collect()
    };
    assert_eq!(names(&store), [Some("Ana".to_owned())]);
    let wrong = store.transaction("do what is not there", |change| {
        change.execute(
            "INSERT INTO hitters (name, created_at) VALUES ('Ben', ?)",
            ["2026-05-01T17:00:00Z"],
        )?;
        change.execute("DELETE FROM nothing", [])
    });
    assert!(
        matches!(wrong, Err(JournalError::StoreNotSetUp { .. })),
        "{wrong:?}"
    );
    assert_eq!(names(&store), [Some("Ana".to_owned())]);
    // A value of the wrong type is an error, whatever SQLite would make of it.
    let wrong = store.reader().query("look", |c| {
        c.query_row("SELECT id FROM hitters WHERE id = ?", ["Ana"], |row| {
            row.get::<_, i64>(0)
        })
    });
    assert!(
        matches!(wrong, Err(JournalError::Store { .. })),
        "{wrong:?}"
    );
    // And so are too few.
    let wrong = store.reader().query("look", |c| {
        c.query_row("SELECT id FROM hitters WHERE id = ?2", [1], |row| {
            row.get::<_, i64>(0)
        })
    });
    assert!(
        matches!(wrong, Err(JournalError::Store { .. })),
        "{wrong:?}"
    );
}

/// Ends every other connection to the database.
fn end_connections(config: &Config) {
    let mut admin = config.connect(NoTls).unwrap();
    let ended = admin
        .query(
            "SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity
             WHERE datname = current_database() AND pid <> pg_backend_pid()",
            &[],
        )
        .unwrap();
    assert!(!ended.is_empty());
}

#[test]
fn a_store_that_was_not_brought_up_to_date_is_said() {
    let config = new_database();
    let mut client = config.connect(NoTls).unwrap();
    make_tables(&mut client);
    client
        .batch_execute("DROP TABLE film_parts, films")
        .unwrap();
    let store = JournalReader::of_store(pool(config, 1), "the store");
    let error = store.film(RepId::new(1)).map(drop).unwrap_err();
    assert!(
        matches!(error, JournalError::StoreNotSetUp { .. }),
        "{error}"
    );
    assert!(!error.is_passing());
    assert_eq!(store.hitters().unwrap().len(), 0);
}

#[test]
fn a_connection_that_broke_is_said_and_the_next_question_gets_another() {
    let config = new_database();
    let mut client = config.connect(NoTls).unwrap();
    make_tables(&mut client);
    drop(client);
    let pool = pool(config.clone(), 1);
    let mut store = Journal::of_store(pool.clone(), "the store");
    store.find_or_add_hitter(&named("Ana")).unwrap();

    end_connections(&config);
    let error = store.reader().hitters().unwrap_err();
    assert!(
        matches!(error, JournalError::StoreUnreachable { .. }),
        "{error}"
    );
    assert!(error.is_passing());
    assert_eq!(store.reader().hitters().unwrap().len(), 1);

    // In the middle of a change.
    let cut = store.transaction("add hitters", |change| {
        change.execute(
            "INSERT INTO hitters (name, created_at) VALUES ('Ben', ?)",
            ["2026-05-01T17:00:00Z"],
        )?;
        end_connections(&config);
        change.execute(
            "INSERT INTO hitters (name, created_at) VALUES ('Cleo', ?)",
            ["2026-05-01T17:00:00Z"],
        )
    });
    assert!(
        matches!(cut, Err(JournalError::StoreUnreachable { .. })),
        "{cut:?}"
    );
    assert_eq!(store.reader().hitters().unwrap().len(), 1);

    // In the middle of a long answer, and while something else is asked.
    let session = many_reps_in(&mut store, 2);
    let filter = RepFilter::default();
    let cut = store.reader().for_each_rep(&filter, |_| {
        end_connections(&config);
        store.reader().counts().map(drop)
    });
    assert!(
        matches!(cut, Err(JournalError::StoreUnreachable { .. })),
        "{cut:?}"
    );
    assert_eq!(store.reader().reps_of(session).unwrap().len(), 2);

    // The only connection was given back each time.
    drop(store);
    let reader = JournalReader::of_store(pool, "the store");
    assert_eq!(reader.hitters().unwrap().len(), 1);
}

fn many_reps_in(store: &mut Journal, reps: u32) -> SessionId {
    let session = store.begin_session(&session()).unwrap();
    for number in 1..=reps {
        store.log_rep(session, &record(number)).unwrap();
    }
    session
}

#[test]
fn a_store_that_is_not_there_is_named_with_what_to_do() {
    let mut config = new_database();
    config.dbname("of_nobody");
    let pool = StorePool::builder()
        .max_size(1)
        .min_idle(Some(0))
        .connection_timeout(std::time::Duration::from_millis(300))
        .build(StoreConnector::new(config, NoTls))
        .unwrap();
    let error = JournalReader::of_store(pool, "the store")
        .hitters()
        .unwrap_err();
    let said = error.to_string();
    assert!(
        said.starts_with("the store: the facility's store cannot be reached to list the hitters: "),
        "{said}"
    );
    assert!(said.contains("of_nobody"), "{said}");
}

#[test]
fn what_only_a_file_has_is_refused() {
    let store = Journal::of_store(new_store(), "the store");
    let reader = store.reader();
    let dir = tempfile::tempdir().unwrap();
    let copy = dir.path().join("copy.db");
    let refused = [
        reader.version().map(drop),
        reader.findings().map(drop),
        reader.back_up_to(&copy).map(drop),
        store.empty_wal(),
    ];
    for answer in refused {
        assert!(
            matches!(answer, Err(JournalError::NoFile { .. })),
            "{answer:?}"
        );
    }
    assert!(!copy.exists());
}

#[test]
fn a_measure_stands_once_in_a_rep_and_goes_without_the_others() {
    let pool = new_store();
    many_reps(&pool, 2);
    let mut store = Journal::of_store(pool, "the store");
    let mut change = |sql: &str| store.transaction("change a measure", |c| c.execute(sql, []));
    for refused in [
        "INSERT INTO measures (rep, name, value) VALUES (1, 'head_drop_cm', 2)",
        "INSERT INTO measures (rep, name) VALUES (1, 'stride_length_cm')",
        "INSERT INTO measures (rep, name, value, why) VALUES (1, 'stride_length_cm', 1, 'hidden')",
        "INSERT INTO measures (rep, name, value, verdict) VALUES (1, 'stride_length_cm', 1, 'lower')",
        "INSERT INTO measures (rep, name, value) VALUES (1, 'Ana B', 1)",
    ] {
        let answer = change(refused);
        assert!(
            matches!(answer, Err(JournalError::Refused { .. })),
            "{refused}: {answer:?}"
        );
    }
    let in_place = change("UPDATE measures SET value = 3 WHERE rep = 1");
    assert!(
        matches!(in_place, Err(JournalError::Store { .. })),
        "{in_place:?}"
    );
    let added = "INSERT INTO measures (rep, name, value) VALUES (1, 'stride_length_cm', 1)";
    assert_eq!(change(added).unwrap(), 1);
    let deleted = "DELETE FROM measures WHERE rep = 1 AND name = 'head_drop_cm'";
    assert_eq!(change(deleted).unwrap(), 1);
    let left = store.reader().query("look", |c| {
        c.prepare("SELECT rep || ' ' || name FROM measures ORDER BY 1")?
            .query_map([], |row| row.get::<_, String>(0))?
            .collect::<rusqlite::Result<Vec<_>>>()
    });
    assert_eq!(left.unwrap(), ["1 stride_length_cm", "2 head_drop_cm"]);
    // A rep's row goes with its last measure.
    let deleted = store.transaction("delete the other", |c| {
        c.execute("DELETE FROM measures WHERE rep = 1", [])
    });
    assert_eq!(deleted.unwrap(), 1);
    let rows = store.reader().query("count", |c| {
        c.query_row("SELECT count(*) FROM packed_measures", [], |row| {
            row.get::<_, i64>(0)
        })
    });
    assert_eq!(rows.unwrap(), 1);
}

/// As for a file: each must go by index. So small a store is read through sooner than by index, which is therefore ruled out.
#[test]
fn what_pages_ask_of_a_store_goes_by_index() {
    let pool = new_store();
    many_reps(&pool, 50);
    let reader = JournalReader::of_store(pool, "the store");
    let ana = Some(HitterId::new(1));
    let reps = select_reps();
    let sessions = |which: &str| {
        format!("SELECT id FROM sessions WHERE {which} ORDER BY started_at DESC, id DESC LIMIT 40")
    };
    reader
        .query("never read through", |c| {
            c.execute("SET enable_seqscan = off", [])
        })
        .unwrap();
    for (sql, values) in [
        (select_swings_measured(ana, false), 3),
        (select_swings_measured(ana, true), 4),
        (select_swings_measured(None, true), 4),
        (select_values_before(ana), 3),
        (select_values_before(None), 3),
        (format!("{reps} WHERE reps.session = ? ORDER BY reps.id"), 1),
        (
            format!("{reps} WHERE sessions.hitter = ? ORDER BY reps.id"),
            1,
        ),
        (format!("{reps} ORDER BY reps.id DESC LIMIT 1"), 0),
        (sessions("hitter = ?"), 1),
        (sessions("hitter IS NULL"), 0),
        (
            sessions(
                "(started_at, id) < (SELECT started_at, id FROM sessions AS other WHERE other.id = ?)",
            ),
            1,
        ),
        (
            "SELECT value FROM measures WHERE rep IN (1, 2, 3)".to_owned(),
            0,
        ),
    ] {
        let given = (0..values).map(|place| match (values, place) {
            (3 | 4, 2) if sql.contains("measures.name = ?3") => {
                rusqlite::types::Value::from("head_drop_cm".to_owned())
            }
            _ => 1.into(),
        });
        let plan: Vec<String> = reader
            .query("explain it", |c| {
                c.prepare(&format!("EXPLAIN {sql}"))?
                    .query_map(params_from_iter(given), |row| row.get(0))?
                    .collect()
            })
            .unwrap();
        let plan = plan.join("\n");
        assert!(plan.contains("Index"), "{sql}\n{plan}");
        for table in ["reps", "packed_measures", "sessions"] {
            assert!(
                !plan.contains(&format!("Seq Scan on {table}")),
                "{sql}\n{plan}"
            );
        }
    }
}
