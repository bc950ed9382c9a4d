//! While the journal takes nothing: the spool, a file that is locked, taken away or damaged, and the end.

use std::time::{Duration, Instant};

use rusqlite::TransactionBehavior;

use super::super::worker::Job;
use super::super::worker::thread::Worker;
use super::writing::{QUICK, named, wait_for, worker};
use super::*;

fn later_session() -> NewSession {
    NewSession {
        started_at: stamp("2026-05-01T18:30:00Z"),
        ..session()
    }
}

fn numbers(reader: &JournalReader, session: i64) -> Vec<u32> {
    let reps = reader.reps_of(SessionId::new(session)).unwrap();
    reps.iter().map(|rep| rep.judged.number).collect()
}

#[test]
fn a_locked_file_keeps_nobody_waiting_and_its_reps_wait_on_disk() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let spool = dir.path().join("journal.db.spool");
    let writer = JournalWriter::start(&path, QUICK).unwrap();
    writer
        .begin_session(named("Ana"), session(), Instant::now())
        .unwrap();
    wait_for("the session", || writer.state().session.is_some());

    // Another program holds the file's write lock, longer than the writer waits in SQLite.
    let mut other = Connection::open(&path).unwrap();
    let hold = other
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .unwrap();
    let begun = Instant::now();
    (1..=60).for_each(|number| writer.log_rep(record(number)).unwrap());
    assert!(
        begun.elapsed() < Duration::from_millis(900),
        "nobody waits for the lock"
    );
    wait_for("the spool", || {
        let state = writer.state();
        state.spool.is_some() && state.waiting == 60
    });
    let state = writer.state();
    let StorageState::Waiting { why, .. } = &state.storage else {
        panic!("{state:?}")
    };
    assert!(why.contains("another program"), "{why}");
    assert_eq!(state.stored_reps, 0);
    drop(hold);
    wait_for("all reps", || writer.state().stored_reps == 60);
    let state = writer.state();
    assert_eq!(
        (state.waiting, state.spool, state.session),
        (0, None, Some(SessionId::new(1)))
    );
    writer.log_rep(record(61)).unwrap();
    writer.close(Duration::from_secs(5)).unwrap();
    let reader = Journal::read_only(&path).unwrap();
    assert_sound(reader.connection());
    assert_eq!(
        numbers(&reader, 1),
        (1..=61).collect::<Vec<_>>(),
        "in their order, in the session that ran"
    );
    assert!(reader.sessions().unwrap()[0].ended_at.is_some());
    assert!(!spool.exists(), "nothing is left of it");
    let left: Vec<_> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .filter(|name| name.to_string_lossy().contains("spool"))
        .collect();
    assert_eq!(left, Vec::<std::ffi::OsString>::new());
}

#[test]
fn sessions_that_change_while_nothing_can_be_stored_keep_their_own_reps() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let writer = JournalWriter::start(&path, QUICK).unwrap();
    writer
        .begin_session(named("Ana"), session(), Instant::now())
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    wait_for("Ana's rep", || writer.state().stored_reps == 1);
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    writer
        .begin_session(named("Bo"), session(), Instant::now())
        .unwrap();
    for number in 1..=3 {
        writer.log_rep(record(number)).unwrap();
    }
    writer
        .begin_session(named("Ana"), later_session(), Instant::now())
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    wait_for("the spool", || writer.state().waiting == 4);
    // Killed here: a new writer finds all of it.
    other.execute_batch("ROLLBACK").unwrap();
    wait_for("all reps", || writer.state().stored_reps == 5);
    writer.close(Duration::from_secs(5)).unwrap();
    let reader = Journal::read_only(&path).unwrap();
    let rows = reader.sessions().unwrap();
    let told: Vec<(Option<&str>, u32, bool)> = rows
        .iter()
        .map(|row| {
            (
                row.hitter_name.as_deref(),
                row.swings,
                row.ended_at.is_some(),
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            (Some("Ana"), 1, true),
            (Some("Bo"), 3, true),
            (Some("Ana"), 1, true)
        ]
    );
    assert_eq!(reader.hitters().unwrap().len(), 2);
}

#[test]
fn five_thousand_waiting_reps_survive_an_end_without_warning() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let (mut worker, _sender, _shared) = worker(&dir);
    worker.receive(Job::Session {
        hitter: named("Ana"),
        session: session(),
        chosen_at: Instant::now(),
    });
    assert!(worker.store_pending());
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    // Synced writes are what takes the time here; what is tested does not depend on them.
    let quick = |worker: &Worker| {
        if let Some(spool) = &worker.spool {
            spool.sync_off();
        }
    };
    worker.receive(Job::Rep(Box::new(record(1))));
    assert!(!worker.store_pending());
    quick(&worker);
    for number in 2..=5000 {
        worker.receive(Job::Rep(Box::new(record(number))));
        worker.spool_pending();
    }
    // As a kill leaves it: nothing is closed or moved.
    std::mem::forget(worker);
    other.execute_batch("ROLLBACK").unwrap();
    drop(other);
    let copy = tempfile::tempdir().unwrap();
    for entry in std::fs::read_dir(dir.path()).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), copy.path().join(entry.file_name())).unwrap();
    }
    let journal = Journal::open(&copy.path().join("journal.db")).unwrap();
    assert_eq!(journal.report().taken_in, 5000);
    assert_eq!(
        journal.report().spools_left,
        Vec::<std::path::PathBuf>::new()
    );
    assert_eq!(numbers(journal.reader(), 1), (1..=5000).collect::<Vec<_>>());
    assert_sound(journal.reader().connection());
}

#[test]
fn a_journal_that_breaks_while_running_is_set_aside_and_costs_no_waiting_rep() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let (mut worker, _sender, shared) = worker(&dir);
    worker.receive(Job::Session {
        hitter: named("Ana"),
        session: session(),
        chosen_at: Instant::now(),
    });
    for number in 1..=20 {
        worker.receive(Job::Rep(Box::new(record(number))));
    }
    assert!(worker.store_pending());
    let journal = worker.journal.as_ref().unwrap();
    journal.empty_wal().unwrap();
    // What SQLite has in memory would hide the damage from the next reps.
    let connection = journal.reader.connection();
    connection
        .execute_batch("PRAGMA cache_size = 0; PRAGMA shrink_memory")
        .unwrap();
    let size = std::fs::metadata(&path).unwrap().len();
    {
        use std::os::unix::fs::FileExt;
        let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
        // Every page but the first.
        let rubbish = vec![0x5a; (size - 4096) as usize];
        file.write_all_at(&rubbish, 4096).unwrap();
    }
    for number in 21..=25 {
        worker.receive(Job::Rep(Box::new(record(number))));
    }
    let begun = Instant::now();
    while !worker.store_pending() {
        assert!(
            begun.elapsed() < Duration::from_secs(10),
            "{:?}",
            shared.state()
        );
    }
    let state = shared.state().clone();
    assert_eq!(
        (state.storage, state.waiting, state.refused_reps),
        (StorageState::Working, 0, 0)
    );
    let quarantined = state.opened.unwrap().quarantined.unwrap();
    assert!(quarantined.path.exists());
    let reader = worker.journal.as_ref().unwrap().reader();
    assert_sound(reader.connection());
    assert_eq!(numbers(reader, 1), (21..=25).collect::<Vec<_>>());
    let row = &reader.sessions().unwrap()[0];
    assert_eq!(row.hitter_name.as_deref(), Some("Ana"));
}

#[test]
fn a_session_that_is_deleted_while_it_runs_is_begun_again() {
    let dir = tempfile::tempdir().unwrap();
    let (mut worker, _sender, shared) = worker(&dir);
    worker.receive(Job::Session {
        hitter: named("Ana"),
        session: session(),
        chosen_at: Instant::now(),
    });
    worker.receive(Job::Rep(Box::new(record(1))));
    assert!(worker.store_pending());
    worker
        .journal
        .as_ref()
        .unwrap()
        .reader
        .connection()
        .execute("DELETE FROM sessions", [])
        .unwrap();
    worker.receive(Job::Rep(Box::new(record(2))));
    worker.receive(Job::Session {
        hitter: named("Bo"),
        session: later_session(),
        chosen_at: Instant::now(),
    });
    worker.receive(Job::Rep(Box::new(record(1))));
    assert!(worker.store_pending());
    let state = shared.state().clone();
    assert_eq!((state.refused_reps, state.stored_reps), (0, 3));
    let reader = worker.journal.as_ref().unwrap().reader();
    let rows = reader.sessions().unwrap();
    assert_eq!(
        rows.iter().map(|row| row.swings).collect::<Vec<_>>(),
        [1, 1]
    );
}

#[test]
fn an_end_that_cannot_store_leaves_the_reps_for_the_next_start() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let writer = JournalWriter::start(&path, QUICK).unwrap();
    writer
        .begin_session(None, session(), Instant::now())
        .unwrap();
    wait_for("the session", || writer.state().session.is_some());
    let mut other = Connection::open(&path).unwrap();
    let hold = other
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    writer.log_rep(record(2)).unwrap();
    writer.close(Duration::from_millis(50)).unwrap();
    assert!(dir.path().join("journal.db.spool").exists());
    drop(hold);
    drop(other);
    let journal = Journal::open(&path).unwrap();
    assert_eq!(journal.report().taken_in, 2);
    assert_eq!(numbers(journal.reader(), 1), [1, 2]);
    let (ended, note): (Option<String>, Option<String>) = journal
        .reader()
        .connection()
        .query_row("SELECT ended_at, end_note FROM sessions", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .unwrap();
    assert!(ended.is_some());
    assert_eq!(
        note, None,
        "it ended as it should, though not in the journal"
    );
}

#[test]
fn an_end_that_can_store_nowhere_says_how_many_reps_are_lost() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    // A folder stands where the spool would be.
    std::fs::create_dir(dir.path().join("journal.db.spool")).unwrap();
    let writer = JournalWriter::start(&path, QUICK).unwrap();
    writer
        .begin_session(None, session(), Instant::now())
        .unwrap();
    wait_for("the session", || writer.state().session.is_some());
    let mut other = Connection::open(&path).unwrap();
    let _hold = other
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    writer.log_rep(record(2)).unwrap();
    match writer.close(Duration::from_millis(50)) {
        Err(JournalError::NotStored {
            reps: 2, reason, ..
        }) => {
            assert!(reason.contains("another program"), "{reason}");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn reps_go_to_a_new_journal_when_the_old_one_is_taken_away() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let moved = dir.path().join("moved.db");
    let writer = JournalWriter::start(&path, QUICK).unwrap();
    writer
        .begin_session(named("Ana"), session(), Instant::now())
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    wait_for("the rep", || writer.state().stored_reps == 1);
    std::fs::rename(&path, &moved).unwrap();
    writer.log_rep(record(2)).unwrap();
    wait_for("the rep", || writer.state().stored_reps == 2);
    std::fs::remove_file(&path).unwrap();
    writer.log_rep(record(3)).unwrap();
    wait_for("the rep", || writer.state().stored_reps == 3);
    assert_eq!(writer.state().refused_reps, 0);
    writer.close(Duration::from_secs(5)).unwrap();

    for (path, number) in [(moved, 1), (path, 3)] {
        let reader = Journal::read_only(&path).unwrap();
        assert_sound(reader.connection());
        let rep = reader.last_rep().unwrap().unwrap();
        assert_eq!(
            (rep.judged.number, rep.hitter_name.as_deref()),
            (number, Some("Ana"))
        );
        assert_eq!(reader.counts().unwrap().swings, 1);
    }
}
