//! Damaged journals: what is set aside, what is left alone, and damage beneath an open one.

use super::maintenance::{filled, log_reps, named, names_in, swings};
use super::*;
use crate::journal::store::schema;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

pub(super) fn scratch(path: &Path, bytes: std::ops::Range<usize>) {
    let mut whole = fs::read(path).unwrap();
    let end = bytes.end.min(whole.len());
    whole[bytes.start..end].fill(0x5a);
    fs::write(path, whole).unwrap();
}

/// Opens a damaged journal as the daemon does; it must keep its bytes under a new name.
fn assert_quarantined(path: &Path) -> PathBuf {
    let before = fs::read(path).unwrap();
    assert!(
        Journal::open(path).is_err(),
        "the plain opening still refuses"
    );
    assert_eq!(fs::read(path).unwrap(), before);
    let journal = Journal::open_or_quarantine(path).unwrap();
    let report = journal.report().clone();
    assert!(report.created);
    let quarantined = report.quarantined.expect("the report says so");
    assert!(!quarantined.why.is_empty());
    assert_eq!(
        fs::read(&quarantined.path).unwrap(),
        before,
        "every byte is kept"
    );
    assert_eq!(quarantined.path.parent(), journal.path().parent());
    let name = quarantined.path.file_name().unwrap().to_str().unwrap();
    let (start, rest) = name.split_at("journal.damaged-".len());
    assert_eq!(start, "journal.damaged-");
    assert!(
        rest.ends_with(".db") && rest[..8].parse::<u32>().is_ok(),
        "{name}"
    );
    assert_eq!(journal.reader().counts().unwrap(), Counts::default());
    drop(journal);
    let again = Journal::open_or_quarantine(path).unwrap();
    assert_eq!(again.report().quarantined, None, "once is enough");
    quarantined.path
}

#[test]
fn a_damaged_journal_is_replaced_by_a_new_one_and_keeps_its_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut kept = Vec::new();
    // Cut short; a stretch of pages gone; the head gone; all of it rubbish.
    for (cut, gone) in [
        (2, 0..0),
        (1, 4096..40_960),
        (1, 0..4096),
        (1, 0..usize::MAX),
    ] {
        filled(&path, "Ana", 12);
        let whole = fs::read(&path).unwrap();
        fs::write(&path, &whole[..whole.len() / cut]).unwrap();
        scratch(&path, gone.clone());
        kept.push(assert_quarantined(&path));
        fs::remove_file(&path).unwrap();
    }
    kept.dedup();
    assert_eq!(kept.len(), 4, "{kept:?}");
    assert!(kept.iter().all(|path| path.exists()));
}

#[test]
fn a_journal_without_its_head_is_known_by_its_tables_alone() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    filled(&path, "Ana", 12);
    // Moved here from another machine: no lock file.
    fs::remove_file(super::super::files::lock::lock_path(&path)).unwrap();
    scratch(&path, 0..100);
    let aside = Journal::open_or_quarantine(&path).unwrap();
    assert!(aside.report().quarantined.is_some());
}

#[test]
fn a_damaged_journal_takes_its_log_along() {
    let dir = tempfile::tempdir().unwrap();
    let (running, path) = (dir.path().join("running.db"), dir.path().join("journal.db"));
    let mut journal = Journal::open(&running).unwrap();
    log_reps(&mut journal, "Ana", 1..=3);
    // As a kill leaves it: the newest reps in the log.
    fs::copy(&running, &path).unwrap();
    let log = dir.path().join("journal.db-wal");
    fs::copy(dir.path().join("running.db-wal"), &log).unwrap();
    // With a whole log SQLite would still find everything in it.
    scratch(&log, 0..32);
    let log_bytes = fs::read(&log).unwrap();
    assert!(log_bytes.len() > 10_000);
    fs::write(&path, "rubbish ".repeat(1000)).unwrap();
    // No lock file tells that this was a journal; the tables in the log do.
    let journal = Journal::open_or_quarantine(&path).unwrap();
    let aside = journal.report().quarantined.clone().unwrap().path;
    let mut aside_log = aside.into_os_string();
    aside_log.push("-wal");
    assert_eq!(fs::read(aside_log).unwrap(), log_bytes);
    assert_eq!(journal.reader().counts().unwrap(), Counts::default());
}

#[test]
fn what_never_was_a_journal_is_never_quarantined() {
    let dir = tempfile::tempdir().unwrap();
    let text = dir.path().join("notes.db");
    fs::write(&text, "buy balls\n".repeat(500)).unwrap();
    // The tables' text alone makes no journal.
    let schema_text = dir.path().join("schema.db");
    fs::write(&schema_text, schema::STEPS.concat()).unwrap();
    let songs = dir.path().join("songs.db");
    let mut connection = Connection::open(&songs).unwrap();
    connection
        .execute_batch("CREATE TABLE songs (title TEXT); CREATE INDEX by_title ON songs (title)")
        .unwrap();
    let change = connection.transaction().unwrap();
    for n in 0..2000 {
        change
            .execute("INSERT INTO songs VALUES (?1)", [format!("song {n}")])
            .unwrap();
    }
    change.commit().unwrap();
    connection.close().unwrap();
    let damaged_songs = dir.path().join("damaged songs.db");
    fs::copy(&songs, &damaged_songs).unwrap();
    scratch(&damaged_songs, 4096..1 << 20);
    let newer = dir.path().join("newer.db");
    filled(&newer, "Ana", 12);
    let connection = Connection::open(&newer).unwrap();
    connection
        .pragma_update(None, "user_version", schema::VERSION + 1)
        .unwrap();
    connection.close().unwrap();
    let damaged_newer = dir.path().join("damaged newer.db");
    fs::copy(&newer, &damaged_newer).unwrap();
    scratch(&damaged_newer, 200..4096);

    for path in [
        text,
        schema_text,
        songs,
        damaged_songs,
        newer,
        damaged_newer,
    ] {
        let before = fs::read(&path).unwrap();
        // A first refusal leaves a lock file, which must not count as a sign the second time.
        for _ in 0..2 {
            let error = Journal::open_or_quarantine(&path).unwrap_err();
            assert!(!error.is_passing(), "{error}");
            assert_eq!(fs::read(&path).unwrap(), before, "{}", path.display());
        }
    }
    assert!(
        !names_in(dir.path())
            .iter()
            .any(|name| name.contains("damaged-"))
    );
}

#[test]
fn the_writer_begins_a_new_journal_beside_the_damaged_one() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    filled(&path, "Ana", 12);
    scratch(&path, 4096..40_960);
    let writer = JournalWriter::start(&path, WriterOptions::default()).unwrap();
    let report = writer.state().opened.unwrap();
    assert!(report.quarantined.unwrap().path.exists());
    writer
        .begin_session(Some(named("Ana")), session(), Instant::now())
        .unwrap();
    writer.log_rep(record(1)).unwrap();
    writer.close(std::time::Duration::from_secs(5)).unwrap();
    assert_eq!(swings(&path), 1);
}

#[test]
fn damage_beneath_an_open_journal_is_noticed_by_the_next_rep_or_before_the_next_session() {
    // In the head; in a page that nothing reads while reps are logged.
    for (is_head, stored) in [(true, 2), (false, 1)] {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal.db");
        filled(&path, "Ana", 40);
        let writer = JournalWriter::start(&path, WriterOptions::default()).unwrap();
        writer
            .begin_session(Some(named("Ana")), session(), Instant::now())
            .unwrap();
        let begun = std::time::Instant::now();
        while writer.state().session.is_none() && begun.elapsed().as_secs() < 20 {
            std::thread::yield_now();
        }
        let length = usize::try_from(fs::metadata(&path).unwrap().len()).unwrap();
        scratch(
            &path,
            if is_head {
                0..100
            } else {
                length / 2..length / 2 + 8192
            },
        );
        writer.log_rep(record(1)).unwrap();
        writer
            .begin_session(Some(named("Bo")), session(), Instant::now())
            .unwrap();
        writer.log_rep(record(2)).unwrap();
        writer.close(std::time::Duration::from_secs(5)).unwrap();
        assert_eq!(swings(&path), stored);
        let names = names_in(dir.path());
        let is_aside = |name: &String| name.starts_with("journal.damaged-");
        assert!(names.iter().any(is_aside), "{names:?}");
    }
}
