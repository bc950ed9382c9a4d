//! The writer thread: order, a disk that does not take reps, and the end.

use std::sync::Arc;
use std::time::{Duration, Instant};

use super::super::worker::thread::Worker;
use super::super::worker::{Job, Shared};
use super::*;

pub(super) const QUICK: WriterOptions = WriterOptions {
    retry_every: Duration::from_millis(20),
    waiting_limit: 4,
};

pub(super) fn named(name: &str) -> Option<NewHitter> {
    Some(NewHitter {
        name: Some(name.into()),
        ..NewHitter::default()
    })
}

pub(super) fn wait_for(what: &str, mut is_so: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(
            begun.elapsed() < Duration::from_secs(20),
            "waited too long for {what}"
        );
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn reps_go_to_the_session_begun_last_and_the_end_is_clean() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let writer = JournalWriter::start(&path, WriterOptions::default()).unwrap();
    writer
        .begin_session(named("Ana"), session(), Instant::now())
        .unwrap();
    for number in 1..=3 {
        writer.log_rep(record(number)).unwrap();
    }
    writer
        .begin_session(named("Bo"), session(), Instant::now())
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    assert!(matches!(
        JournalWriter::start(&path, WriterOptions::default()),
        Err(JournalError::InUse { .. })
    ));
    wait_for("the reps", || writer.state().stored_reps == 4);
    let state = writer.state();
    assert_eq!(state.session, Some(SessionId::new(2)));
    assert_eq!(
        (state.storage, state.waiting, state.refused_reps),
        (StorageState::Working, 0, 0)
    );
    assert!(state.opened.unwrap().created);
    assert!(state.last_commit_ms.unwrap() > 0.0);
    writer.close(Duration::from_secs(5)).unwrap();

    let journal = Journal::open(&path).unwrap();
    assert_eq!(journal.report().unclean, []);
    let reps = journal.reader().reps_of(SessionId::new(1)).unwrap();
    let numbers: Vec<u32> = reps.iter().map(|rep| rep.judged.number).collect();
    assert_eq!(numbers, [1, 2, 3]);
    assert_eq!(reps[0].hitter_name.as_deref(), Some("Ana"));
    assert_eq!(
        journal.reader().reps_of(SessionId::new(2)).unwrap().len(),
        1
    );
}

/// A worker without its thread, so that each step can be looked at.
pub(super) fn worker(
    dir: &tempfile::TempDir,
) -> (Worker, crossbeam_channel::Sender<Job>, Arc<Shared>) {
    let path = dir.path().join("journal.db");
    let shared = Arc::new(Shared::default());
    let (sender, receiver) = crossbeam_channel::bounded(64);
    let worker = Worker::new(
        path.clone(),
        Journal::open(&path),
        QUICK,
        Arc::clone(&shared),
        receiver,
    );
    (worker, sender, shared)
}

#[test]
fn reps_wait_while_the_disk_is_full_and_are_stored_in_order_after() {
    let dir = tempfile::tempdir().unwrap();
    let (mut worker, _sender, shared) = worker(&dir);
    let limit = |worker: &Worker, pages: i64| {
        let connection = worker.journal.as_ref().unwrap().reader.connection();
        connection
            .pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
            .unwrap();
    };
    worker.receive(Job::Session {
        hitter: None,
        session: session(),
        chosen_at: Instant::now(),
    });
    assert!(worker.store_pending());
    limit(&worker, 40);
    for number in 1..=30 {
        worker.receive(Job::Rep(Box::new(record(number))));
    }
    assert!(!worker.store_pending());
    let state = shared.state().clone();
    let StorageState::Waiting { why, .. } = &state.storage else {
        panic!("{:?}", state.storage)
    };
    assert!(
        why.contains("the disk is full") && why.contains("journal.db"),
        "{why}"
    );
    assert!(state.waiting > 0 && state.stored_reps + state.waiting as u64 == 30);
    assert!(!worker.store_pending(), "still full");

    limit(&worker, 100_000);
    assert!(worker.store_pending());
    let state = shared.state().clone();
    assert_eq!(
        (state.storage, state.waiting, state.stored_reps),
        (StorageState::Working, 0, 30)
    );
    let reader = worker.journal.as_ref().unwrap().reader();
    let numbers: Vec<u32> = reader
        .reps_of(SessionId::new(1))
        .unwrap()
        .iter()
        .map(|rep| rep.judged.number)
        .collect();
    assert_eq!(numbers, (1..=30).collect::<Vec<_>>());
}

#[test]
fn an_entry_that_breaks_a_rule_does_not_hold_up_the_others() {
    let dir = tempfile::tempdir().unwrap();
    let (mut worker, _sender, shared) = worker(&dir);
    worker.receive(Job::Rep(Box::new(record(1))));
    worker.receive(Job::Session {
        hitter: None,
        session: session(),
        chosen_at: Instant::now(),
    });
    worker.receive(Job::Rep(Box::new(record(1))));
    assert!(worker.store_pending());
    let state = shared.state().clone();
    assert_eq!((state.refused_reps, state.stored_reps), (1, 1));
}

#[test]
fn a_fault_while_storing_costs_at_most_the_entry_that_brings_it_on() {
    for (faults, stored, refused) in [(1, 3, 0), (2, 2, 1)] {
        let dir = tempfile::tempdir().unwrap();
        let (mut worker, _sender, shared) = worker(&dir);
        worker.receive(Job::Session {
            hitter: None,
            session: session(),
            chosen_at: Instant::now(),
        });
        for number in 1..=3 {
            worker.receive(Job::Rep(Box::new(record(number))));
        }
        worker.fault_at = (2, faults);
        assert!(!worker.store_pending(), "it waits after the fault");
        assert!(worker.journal.is_none(), "the file is let go of");
        while !worker.store_pending() {}
        let state = shared.state().clone();
        assert_eq!(
            (
                state.stored_reps,
                state.refused_reps,
                state.restarts,
                state.waiting
            ),
            (stored, refused, u64::from(faults), 0)
        );
        let path = dir.path().join("journal.db");
        let reader = Journal::read_only(&path).unwrap();
        let reps = reader.reps_of(SessionId::new(1)).unwrap();
        assert_eq!(reps.len() as u64, stored, "all in the session they were in");
    }
}

#[test]
fn the_session_before_is_not_told_as_the_one_that_runs() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let writer = JournalWriter::start(&path, QUICK).unwrap();
    writer
        .begin_session(named("Ana"), session(), Instant::now())
        .unwrap();
    wait_for("Ana's session", || writer.state().session.is_some());
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    // A film of Bo's first rep would else go into Ana's folder.
    writer
        .begin_session(named("Bo"), session(), Instant::now())
        .unwrap();
    let state = writer.state();
    assert_eq!((state.session, state.session_started), (None, None));
    wait_for("the writer to notice", || {
        matches!(writer.state().storage, StorageState::Waiting { .. })
    });
    assert_eq!(writer.state().session, None);
    other.execute_batch("ROLLBACK").unwrap();
    wait_for("Bo's session", || writer.state().session.is_some());
    assert_eq!(writer.state().session, Some(SessionId::new(2)));
    writer.close(Duration::from_secs(5)).unwrap();
}

#[test]
fn an_edit_is_made_beside_the_reps_and_told_at_once_where_it_cannot_be() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let writer = JournalWriter::start(&path, QUICK).unwrap();
    let handle = writer.handle().unwrap();
    writer
        .begin_session(named("Ana"), session(), Instant::now())
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    wait_for("the rep", || writer.state().stored_reps == 1);
    let note = |rep| Edit::AddNote {
        session: SessionId::new(1),
        rep,
        text: " early hips ".into(),
    };
    handle.edit(note(Some(RepId::new(1))), "Maria").unwrap();
    handle.edit(note(None), "Maria").unwrap();
    for unfit in [
        note(Some(RepId::new(9))),
        Edit::AddNote {
            session: SessionId::new(1),
            rep: None,
            text: "x".repeat(LONGEST_NOTE + 1),
        },
        Edit::DeleteNote(NoteId::new(77)),
        Edit::Mark {
            rep: RepId::new(9),
            marked: true,
        },
    ] {
        let refused = handle.edit(unfit.clone(), "Maria").unwrap_err();
        assert!(matches!(refused, JournalError::Refused { .. }), "{unfit:?}");
    }
    let exclude = |why: Option<&str>| Edit::Exclude {
        rep: RepId::new(1),
        why: why.map(str::to_owned),
    };
    handle
        .edit(exclude(Some("a practice swing")), "Maria")
        .unwrap();
    let (rep, kind) = (RepId::new(1), Some(RepKind::Take));
    handle.edit(Edit::Relabel { rep, kind }, "Lena").unwrap();
    let marked = true;
    handle.edit(Edit::Mark { rep, marked }, "Maria").unwrap();

    let reader = Journal::read_only(&path).unwrap();
    let notes = reader.notes(SessionId::new(1)).unwrap();
    assert_eq!(notes.len(), 2);
    let by = notes[0].made_by.as_deref();
    assert_eq!((&*notes[0].text, by), ("early hips", Some("Maria")));
    let rep = reader.rep(RepId::new(1)).unwrap();
    assert_eq!(rep.judged.rep.kind, RepKind::Swing, "found as it was");
    assert_eq!((rep.kind(), rep.marked), (RepKind::Take, true));
    assert_eq!(rep.excluded.as_deref(), Some("a practice swing"));
    let corrections = reader.corrections(RepId::new(1)).unwrap();
    let by: Vec<_> = corrections.iter().map(|c| c.made_by.as_deref()).collect();
    assert_eq!(by, [Some("Maria"), Some("Lena")]);
    let row = &reader.sessions().unwrap()[0];
    assert_eq!((row.swings, row.takes), (0, 0), "excluded from the count");
    handle.edit(exclude(None), "Maria").unwrap();
    let row = &reader.sessions().unwrap()[0];
    assert_eq!((row.swings, row.takes), (0, 1));

    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    writer.log_rep(record(2)).unwrap();
    wait_for("the writer to notice", || {
        matches!(writer.state().storage, StorageState::Waiting { .. })
    });
    let begun = Instant::now();
    assert!(handle.edit(note(None), "Maria").is_err());
    assert!(begun.elapsed() < Duration::from_secs(4), "told at once");
    other.execute_batch("ROLLBACK").unwrap();
    wait_for("the rep", || writer.state().stored_reps == 2);
    writer.close(Duration::from_secs(5)).unwrap();
    assert_eq!(reader.notes(SessionId::new(1)).unwrap().len(), 2);
    assert!(
        handle.edit(note(None), "Maria").is_err(),
        "the writer is gone"
    );
}
