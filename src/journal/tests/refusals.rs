//! What restore, deletion, export and quarantine refuse or tell, each a guard of its own.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::super::files::deletion_list::{DeletedRows, list_path};
use super::super::files::quarantine::{link_aside, move_aside, remove_logs};
use super::super::store::schema;
use super::maintenance::{filled, log_reps, names_in, swings};
use super::*;
use crate::journal::store::sql::Sql;
use crate::private_file::with_suffix;
use crate::rep::EventName;
use crate::video::FilmStore;

/// A journal with five reps, and a backup of it.
fn with_backup(dir: &Path) -> (PathBuf, PathBuf) {
    let (path, copy) = (dir.join("journal.db"), dir.join("copy.db"));
    filled(&path, "Ana", 5);
    Journal::read_only(&path)
        .unwrap()
        .back_up_to(&copy)
        .unwrap();
    (path, copy)
}

#[test]
fn a_copy_whose_rows_refer_to_nothing_or_that_is_newer_is_not_restored() {
    let dir = tempfile::tempdir().unwrap();
    let (path, copy) = with_backup(dir.path());
    let (dangling, newer) = (dir.path().join("dangling.db"), dir.path().join("newer.db"));
    for other in [&dangling, &newer] {
        fs::copy(&copy, other).unwrap();
    }
    Connection::open(&dangling)
        .unwrap()
        .execute_batch("PRAGMA foreign_keys = OFF; DELETE FROM sessions")
        .unwrap();
    Connection::open(&newer)
        .unwrap()
        .pragma_update(None, "user_version", schema::VERSION + 1)
        .unwrap();
    let findings = Journal::read_only(&dangling).unwrap().findings().unwrap();
    assert!(
        findings
            .iter()
            .any(|finding| finding.contains("refers to nothing in sessions")),
        "{findings:?}"
    );
    let before = fs::read(&path).unwrap();
    assert!(matches!(
        Journal::restore(&path, &dangling),
        Err(JournalError::Damaged { .. })
    ));
    let refused = Journal::restore(&path, &newer);
    assert!(matches!(refused, Err(JournalError::NewerSchema { .. })));
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn what_stands_in_the_place_of_a_restores_own_copy_is_told_and_stays() {
    let dir = tempfile::tempdir().unwrap();
    let (path, copy) = with_backup(dir.path());
    let in_the_way = with_suffix(&path, ".restored");
    fs::create_dir(&in_the_way).unwrap();
    let refused = Journal::restore(&path, &copy).unwrap_err();
    assert!(
        !matches!(refused, JournalError::CopyExists { .. }),
        "{refused}"
    );
    assert!(in_the_way.is_dir());
    assert_eq!(swings(&path), 5);
}

/// A list that cannot be read is not taken for one that is empty: deleted people would come back.
#[cfg(unix)]
#[test]
fn a_list_of_deletions_that_cannot_be_read_is_an_error() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    assert_eq!(DeletedRows::read(&path).unwrap(), DeletedRows::default());
    std::os::unix::fs::symlink(list_path(&path), list_path(&path)).unwrap();
    assert!(DeletedRows::read(&path).is_err());
}

/// A hitter whose sessions are gone already is still to be deleted.
#[test]
fn one_deleted_row_of_either_sort_in_a_file_is_enough() {
    let dir = tempfile::tempdir().unwrap();
    let (path, copy) = with_backup(dir.path());
    let mut journal = Journal::open(&path).unwrap();
    journal
        .delete_hitter(&HitterChoice::Name("Ana".into()))
        .unwrap();
    drop(journal);
    let both = DeletedRows::read(&path).unwrap();
    let stand_in = |rows: &DeletedRows| {
        let connection = Connection::open(&copy).unwrap();
        rows.stand_in(&Sql::of_file(&connection)).unwrap()
    };
    assert!(!both.hitters.is_empty() && !both.sessions.is_empty());
    for rows in [
        DeletedRows {
            sessions: BTreeSet::new(),
            ..both.clone()
        },
        DeletedRows {
            hitters: BTreeSet::new(),
            ..both.clone()
        },
        both,
    ] {
        assert!(stand_in(&rows), "{rows:?}");
    }
    assert!(!stand_in(&DeletedRows::default()));
}

/// Below a file there is no place for a journal: nothing is renamed, linked or deleted there, and that is an error.
#[test]
fn files_that_cannot_be_moved_or_deleted_are_told() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("file");
    fs::write(&file, "x").unwrap();
    let below = file.join("journal.db");
    assert!(move_aside(&below, "damaged").is_err());
    assert!(link_aside(&below, "replaced").is_err());
    assert!(remove_logs(&below).is_err());
    assert_eq!(names_in(dir.path()), ["file"]);
}

#[test]
fn journals_that_were_moved_aside_are_known() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    filled(&path, "Ana", 1);
    assert!(!has_set_aside(&path));
    move_aside(&path, "damaged").unwrap();
    assert!(has_set_aside(&path));
}

#[test]
fn an_export_counts_reps_without_landmarks_and_tells_of_corrections() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=3);
    let session = journal.reader().sessions().unwrap()[0].id;
    for number in [4, 5] {
        let bare = RepRecord {
            frames: Vec::new(),
            ..record(number)
        };
        journal.log_rep(session, &bare).unwrap();
    }
    let mut judged = record(2).judged;
    judged.rep.events.plant = time(13.01);
    let moved = MovedEvent {
        rep: RepId::new(2),
        event: EventName::Plant,
        judged,
    };
    journal
        .edit(&Edit::MoveEvent(Box::new(moved)), "Maria")
        .unwrap();
    let folder = dir.path().join("of Ana");
    let choice = HitterChoice::Name("Ana".into());
    let told = journal.reader().export_hitter(&choice, &folder).unwrap();
    assert_eq!((told.reps, told.tracks, told.without_landmarks), (5, 3, 2));
    let text = fs::read_to_string(folder.join("hitter.json")).unwrap();
    let object: serde_json::Value = serde_json::from_str(&text).unwrap();
    let corrections = &object["sessions"][0]["corrections"];
    assert_eq!(corrections.as_array().map(Vec::len), Some(1), "{text}");
    assert_eq!(corrections[0]["rep"], 2);
    assert_eq!(corrections[0]["what"], "plant");
    assert_eq!(corrections[0]["made_by"], "Maria");
}

/// What the page asks of consents before it warns, refuses or deletes.
#[test]
fn who_refuses_what_and_what_is_kept_of_them_is_counted() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=3);
    log_reps(&mut journal, "Ben", 11..=12);
    let of = |journal: &Journal, name: &str| {
        let choice = HitterChoice::Name(name.into());
        journal.reader().hitter(&choice).unwrap().id
    };
    let (ana, ben) = (of(&journal, "Ana"), of(&journal, "Ben"));
    let mut decide = |hitter, purpose, decision| {
        let consent = super::consents::consent(purpose, decision, "her mother");
        super::consents::record_consent(&mut journal, hitter, consent);
    };
    decide(ana, Purpose::Film, Decision::Given);
    decide(ana, Purpose::Film, Decision::Withdrawn);
    decide(ben, Purpose::Film, Decision::Refused);
    decide(ben, Purpose::Film, Decision::Given);
    decide(ben, Purpose::Picture, Decision::Refused);
    let reader = journal.reader();
    assert_eq!(reader.who_refuse(Purpose::Film).unwrap(), [ana]);
    assert_eq!(reader.who_refuse(Purpose::Picture).unwrap(), [ben]);
    assert!(reader.who_refuse(Purpose::Name).unwrap().is_empty());
    let decided = reader.consents(ana).unwrap();
    assert_eq!(decided.decision(Purpose::Film), Some(Decision::Withdrawn));
    assert_eq!(decided.decision(Purpose::Name), None);
    assert!(decided.refuses(Purpose::Film) && !decided.refuses(Purpose::Name));
    assert!(!reader.consents(ben).unwrap().refuses(Purpose::Film));
    assert_eq!(reader.count_timelines(ana).unwrap(), 3);
    assert_eq!(reader.count_timelines(ben).unwrap(), 2);

    let store = FilmStore::of_journal(&path);
    for (session, rep) in [(1, 1), (1, 2), (2, 11)] {
        let film = store.path(session, rep);
        fs::create_dir_all(film.parent().unwrap()).unwrap();
        fs::write(film, "a film").unwrap();
    }
    assert_eq!(reader.count_films(ana).unwrap(), 2);
    assert_eq!(reader.count_films(ben).unwrap(), 1);
    assert_eq!(
        reader
            .delete_refused_films(ben)
            .unwrap()
            .unwrap()
            .total
            .films,
        0
    );
    assert_eq!(
        reader
            .delete_refused_films(ana)
            .unwrap()
            .unwrap()
            .total
            .films,
        2
    );
    assert_eq!(reader.count_films(ana).unwrap(), 0);
    assert_eq!(reader.count_films(ben).unwrap(), 1);
}
