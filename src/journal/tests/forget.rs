//! A deletion reaches short names, set-aside journals, copies, settings and films, and is done again to a backup.

use std::fs;
use std::path::Path;
use std::time::Instant;

use super::super::files::byte_search::count_in_file;
use super::super::files::deletion_list::list_path;
use super::deletion::named_by;
use super::maintenance::{log_reps, named};
use super::*;
use crate::journal::worker::change::Change;
use crate::video::FilmStore;

fn count(path: &Path, bytes: &[u8]) -> u64 {
    count_in_file(path, &[bytes], u64::MAX).unwrap()[0]
}

fn whose(journal: &Journal, name: &str) -> DeletionTarget {
    let choice = HitterChoice::Name(name.into());
    DeletionTarget::Hitter(journal.reader().hitter(&choice).unwrap().id)
}

fn names(journal: &Journal) -> Vec<String> {
    let rows = journal.reader().hitters().unwrap();
    rows.into_iter().filter_map(|row| row.name).collect()
}

fn note(journal: &mut Journal, text: &str) {
    let session = journal.reader().sessions().unwrap().last().unwrap().id;
    let edit = Edit::AddNote {
        session,
        rep: None,
        text: text.into(),
    };
    journal.edit(&edit, "Maria").unwrap();
}

#[test]
fn a_name_of_three_letters_is_proven_gone_and_every_place_that_stays_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Kim", 1..=4);
    log_reps(&mut journal, "Ana Kim", 1..=4);
    log_reps(&mut journal, "Ana", 1..=4);
    note(
        &mut journal,
        "Anaïs and Kimono are no Kim, and Bananas no name",
    );
    let report = journal.delete(whose(&journal, "Ana"), &[]).unwrap();
    assert_eq!(named_by(&report), ["1 in hitters.name"]);
    assert_eq!((report.remnants.as_slice(), report.sessions), (&[][..], 1));
    // By its bytes it stands in "Ana Kim" in the row and in the index, and in the note.
    assert_eq!(count(&path, b"Ana"), 3);

    // Whatever no row explains is left over: here the log, which somebody who reads keeps from being emptied.
    let reader = Journal::read_only(&path).unwrap();
    let moment = reader.connection().unchecked_transaction().unwrap();
    reader.counts().unwrap();
    let report = journal.delete(whose(&journal, "Kim"), &[]).unwrap();
    assert!(report.not_rebuilt.is_some());
    assert!(
        report.remnants.iter().any(|left| left.names > 0),
        "{report:?}"
    );
    drop(moment);
}

#[test]
fn a_backup_that_is_restored_loses_again_whoever_was_deleted_since() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Kim", 1..=2);
    log_reps(&mut journal, "Bartholomea", 1..=2);
    log_reps(&mut journal, "Bartholomae", 3..=3);
    log_reps(&mut journal, "Ana", 1..=2);
    let backup = dir.path().join("backup.db");
    journal.reader().back_up_to(&backup).unwrap();

    // A session that turned out to be hers, and a second entry of hers, go with her.
    let id = |journal: &Journal, name: &str| {
        let choice = HitterChoice::Name(name.into());
        journal.reader().hitter(&choice).unwrap().id
    };
    let (kim, hers, again) = (
        id(&journal, "Kim"),
        id(&journal, "Bartholomea"),
        id(&journal, "Bartholomae"),
    );
    let given = journal.reader().sessions().unwrap().last().unwrap().id;
    assert_eq!(given, SessionId::new(1));
    let edits = [
        Edit::GiveSession {
            session: given,
            hitter: Some(hers),
        },
        Edit::MergeHitters {
            from: again,
            into: hers,
        },
    ];
    for edit in &edits {
        journal.edit(edit, "Maria").unwrap();
    }
    let report = journal.delete(DeletionTarget::Hitter(hers), &[]).unwrap();
    assert_eq!((report.sessions, report.remnants.len()), (3, 0));
    drop(journal);
    let list = fs::read_to_string(list_path(&path)).unwrap();
    for name in ["Barth", "Kim", "Ana"] {
        assert!(!list.contains(name), "{list}");
    }

    let restored = Journal::restore(&path, &backup).unwrap();
    assert_eq!(restored.report.deleted_again, (2, 3));
    assert_eq!(restored.counts.sessions, 1);
    let journal = Journal::open(&path).unwrap();
    assert_eq!(names(&journal), ["Kim", "Ana"]);
    assert_eq!(id(&journal, "Kim"), kim);
    assert_eq!(journal.report().deleted_again, (0, 0));
    for name in ["Bartholomea", "Bartholomae"] {
        assert_eq!(count(&path, name.as_bytes()), 0, "{name}");
    }
    assert_sound(journal.reader().connection());
    drop(journal);

    // A backup that somebody copies into place by hand loses her too; another journal's rows of these numbers stay.
    for side in ["", "-wal", "-shm"] {
        let _ = fs::remove_file(dir.path().join(format!("journal.db{side}")));
    }
    fs::copy(&backup, &path).unwrap();
    let journal = Journal::open(&path).unwrap();
    assert_eq!(journal.report().deleted_again, (2, 3));
    drop(journal);
    fs::remove_file(&path).unwrap();
    let mut other = Journal::open(&path).unwrap();
    log_reps(&mut other, "Zoe", 1..=1);
    log_reps(&mut other, "Mia", 1..=1);
    drop(other);
    assert_eq!(names(&Journal::open(&path).unwrap()), ["Zoe", "Mia"]);
}

#[test]
fn what_lies_beside_the_journal_is_reached_and_what_cannot_be_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let at = |name: &str| dir.path().join(name);
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=2);
    log_reps(&mut journal, "Ben", 3..=4);
    journal
        .reader()
        .back_up_to(&at("journal.replaced-20260101-000000.db"))
        .unwrap();
    for copy in [
        "journal.db.restored",
        "journal.db.restored.part",
        "journal.db.before-v4",
    ] {
        fs::write(at(copy), "of Ana").unwrap();
    }
    // Damaged beyond opening.
    fs::write(at("journal.damaged-20260101-000000.db"), "\0\0 Ana \0").unwrap();
    fs::write(at("journal.db.damaged-20260101-000000.spool"), "\0Ana\0").unwrap();
    fs::write(at("other.db.part"), "of Ana, and none of ours").unwrap();
    fs::write(at("s.toml"), "[hitter]\nname = \"Ana\"\n").unwrap();
    fs::write(at("s.toml.bak"), "[hitter]\nname = \"Ana\" # hers\n").unwrap();
    fs::write(at("cagehand-1.jsonl"), "Bananas for Anaïs\n").unwrap();
    let films = FilmStore::of_journal(&path);
    // Session 1 is hers, 2 is Ben's, 77 is of no session that the journal has.
    for session in [1, 2, 77] {
        let film = films.path(session, 1);
        fs::create_dir_all(film.parent().unwrap()).unwrap();
        fs::write(film, "a film").unwrap();
    }
    let texts = ["s.toml", "s.toml.bak", "cagehand-1.jsonl", "missing"].map(at);
    let report = journal.delete(whose(&journal, "Ana"), &texts).unwrap();
    let files = |remnants: &[Remnant]| -> Vec<String> {
        let name = |left: &Remnant| {
            left.file
                .file_name()
                .unwrap()
                .to_string_lossy()
                .into_owned()
        };
        remnants.iter().map(name).collect()
    };
    assert_eq!(report.remnants, []);
    assert_eq!(
        files(&report.remnants_aside),
        [
            "journal.damaged-20260101-000000.db",
            "journal.db.damaged-20260101-000000.spool"
        ]
    );
    assert_eq!(files(&report.named_in_files), ["s.toml"]);
    assert_eq!(report.films.as_ref().unwrap().total.films, 2);
    assert!(films.path(2, 1).exists());
    assert_eq!(report.removed.len(), 4, "{:?}", report.removed);
    assert!(report.removed.iter().all(|file| !file.exists()));
    assert!(at("other.db.part").exists());
    let replaced = Journal::read_only(&at("journal.replaced-20260101-000000.db")).unwrap();
    assert_eq!(replaced.counts().unwrap().hitters, 1);
    assert_eq!(replaced.counts().unwrap().swings, 2);
}

/// A list to choose from stays short, whoever hit lately is in it, and whoever is chosen too.
#[test]
fn of_many_hitters_a_list_has_those_of_late_and_the_one_who_is_chosen() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    for number in 0..=MOST_LISTED {
        let hitter = NewHitter {
            name: Some(format!("Hitter {number}")),
            ..NewHitter::default()
        };
        journal.edit(&Edit::AddHitter(hitter), "Maria").unwrap();
    }
    let reader = journal.reader();
    let names = |chosen: Option<i64>| -> Vec<String> {
        let listed = reader.hitters_to_choose(chosen.map(HitterId::new)).unwrap();
        listed
            .into_iter()
            .filter_map(|hitter| hitter.name)
            .collect()
    };
    assert_eq!(names(None).len(), MOST_LISTED);
    assert!(!names(None).contains(&"Hitter 0".to_owned()));
    assert_eq!(names(Some(1)).last().unwrap(), "Hitter 0");
    assert_eq!(names(Some(2)).len(), MOST_LISTED);
    // The first one hits: they are the latest, and somebody else is left out.
    let hits = NewSession {
        hitter: Some(HitterId::new(1)),
        started_at: crate::wall_clock::now(),
        ..session()
    };
    let begun = journal.begin_session(&hits).unwrap();
    journal.log_rep(begun, &record(1)).unwrap();
    let listed = journal.reader().hitters_lately(None).unwrap();
    assert_eq!(listed.len(), MOST_LISTED);
    assert!(listed.iter().any(|hitter| hitter.id == HitterId::new(1)));
    let attendance = journal.reader().attendance(&listed).unwrap();
    assert_eq!(attendance[&HitterId::new(1)].sessions, 1);
    assert_eq!(attendance.len(), 1);
}

#[test]
fn hitters_are_renamed_merged_and_frozen_and_sessions_given_away() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    for name in ["Ana", "Ben", "Kim"] {
        log_reps(&mut journal, name, 1..=1);
    }
    let [ana, ben, kim] = [1, 2, 3].map(super::super::record::HitterId::new);
    let refused = |journal: &mut Journal, edit: Edit| {
        assert!(
            matches!(
                journal.edit(&edit, "Maria"),
                Err(JournalError::Refused { .. })
            ),
            "{edit:?}"
        );
    };
    let rename = |hitter, name: &str| Edit::RenameHitter {
        hitter,
        name: name.into(),
    };
    journal.edit(&rename(ana, " Anna "), "Maria").unwrap();
    refused(&mut journal, rename(ana, "Ben"));
    refused(&mut journal, rename(ana, "  "));
    refused(&mut journal, rename(ana, "a\u{7}"));
    refused(
        &mut journal,
        rename(super::super::record::HitterId::new(9), "Zoe"),
    );
    assert_eq!(names(&journal), ["Anna", "Ben", "Kim"]);

    // The plan of the one who stays is in force afterwards, though the other's is newer.
    let plan = |name: &str| NewPlan {
        name: name.into(),
        text: "focus = [\"head_drop_cm\"]".into(),
    };
    journal
        .set_plan(Some(ben), &plan("of Ben"), "Maria")
        .unwrap();
    journal
        .set_plan(Some(kim), &plan("of Kim"), "Maria")
        .unwrap();
    let merge = |from, into| Edit::MergeHitters { from, into };
    refused(&mut journal, merge(ben, ben));
    journal.edit(&merge(kim, ben), "Maria").unwrap();
    let theirs = |journal: &Journal, hitter| -> Vec<i64> {
        let rows = journal.reader().sessions().unwrap();
        let of = rows.iter().filter(|row| row.hitter == hitter);
        of.map(|row| row.id.get()).collect()
    };
    assert_eq!(theirs(&journal, Some(ben)), [3, 2]);
    let in_force = journal.reader().plan_in_force(Some(ben)).unwrap().unwrap();
    assert_eq!(in_force.name, "of Ben");

    let freeze = |frozen| Edit::FreezeHitter {
        hitter: ana,
        frozen,
    };
    let give = |session, hitter| Edit::GiveSession {
        session: SessionId::new(session),
        hitter,
    };
    journal.edit(&freeze(true), "Maria").unwrap();
    let listed = journal.reader().hitters_to_choose(None).unwrap();
    assert_eq!(listed.len(), 1, "{listed:?}");
    // Not even the settings' name gets them a session.
    let begun = journal
        .begin_session_of(Some(&named("Anna")), &session())
        .unwrap();
    assert_eq!(theirs(&journal, None), [begun.get()]);
    refused(&mut journal, give(2, Some(ana)));
    journal.edit(&freeze(false), "Maria").unwrap();
    journal.edit(&give(2, Some(ana)), "Maria").unwrap();
    journal.edit(&give(3, None), "Maria").unwrap();
    assert_eq!(theirs(&journal, Some(ana)), [2, 1]);

    // A hitter without a name goes with their last session.
    let nameless = journal.find_or_add_hitter(&NewHitter::default()).unwrap();
    journal.edit(&give(3, Some(nameless)), "Maria").unwrap();
    journal.delete_session(SessionId::new(3)).unwrap();
    assert_eq!(journal.reader().hitters().unwrap().len(), 2);
    assert_sound(journal.reader().connection());
}

/// The worker that stores jobs, and what it is told while a session runs.
#[test]
fn a_running_session_knows_no_name_that_was_taken_from_it() {
    use super::super::worker::thread::Worker;
    use super::super::worker::{Job, WriterOptions};
    use crossbeam_channel::bounded;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let journal = Journal::open_or_quarantine(&path);
    let (_sender, receiver) = bounded(1);
    let options = WriterOptions::default();
    let mut worker = Worker::new(path.clone(), journal, options, Default::default(), receiver);
    let hitter_now = |worker: &Worker| {
        let reader = worker.journal.as_ref().unwrap().reader();
        let row = reader.sessions().unwrap().remove(0);
        (row.hitter_name, row.swings)
    };
    let begin_chosen = |name: &str, chosen_at: Instant| Job::Session {
        hitter: Some(named(name)),
        session: session(),
        chosen_at,
    };
    let begin = |name: &str| begin_chosen(name, Instant::now());
    let in_the_morning = Instant::now();
    let drop_session = |worker: &Worker| {
        let connection = worker.journal.as_ref().unwrap().reader.connection();
        connection.execute("DELETE FROM sessions", []).unwrap();
    };
    worker.receive(begin("Ana"));
    worker.receive(Job::Rep(Box::new(record(1))));
    let (reply, answer) = bounded(1);
    let edit = Edit::RenameHitter {
        hitter: super::super::record::HitterId::new(1),
        name: "Anna".into(),
    };
    worker.receive(Job::Change(Box::new(Change::Edit {
        edit,
        by: "Maria".into(),
        reply,
    })));
    assert!(worker.store_pending());
    answer.recv().unwrap().unwrap();
    // Begun again, it is the same hitter's by the new name.
    drop_session(&worker);
    worker.receive(Job::Rep(Box::new(record(2))));
    assert!(worker.store_pending());
    assert_eq!(hitter_now(&worker), (Some("Anna".into()), 1));

    let (reply, answer) = bounded(1);
    let whom = whose(worker.journal.as_ref().unwrap(), "Anna");
    let texts = Vec::new();
    worker.receive(Job::Change(Box::new(Change::Delete { whom, texts, reply })));
    worker.receive(Job::Rep(Box::new(record(3))));
    assert!(worker.store_pending());
    assert_eq!(answer.recv().unwrap().unwrap().sessions, 1);
    assert_eq!(hitter_now(&worker), (None, 1), "nobody's, not Anna's again");
    assert!(names(worker.journal.as_ref().unwrap()).is_empty());

    // Who was chosen while they were still there, under either name, does not come back; who is chosen now is somebody new.
    for name in ["Ana", "Anna"] {
        worker.receive(begin_chosen(name, in_the_morning));
        assert!(worker.store_pending());
        assert!(names(worker.journal.as_ref().unwrap()).is_empty());
    }
    worker.receive(begin("Anna"));
    assert!(worker.store_pending());
    assert_eq!(names(worker.journal.as_ref().unwrap()), ["Anna"]);
}

#[test]
fn what_is_older_than_the_limit_is_deleted_with_hitters_who_have_nothing_left() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    for name in ["Ana", "Ben", "Kim", "Zoe"] {
        log_reps(&mut journal, name, 1..=2);
    }
    // All came long ago, and Ben again lately; Kim's old session still runs, and Zoe is frozen.
    let connection = journal.reader().connection();
    connection
        .execute_batch(
            "UPDATE hitters SET created_at = '2024-01-01T00:00:00.000Z';
             UPDATE sessions SET started_at = '2024-02-01T00:00:00.000Z';
             UPDATE sessions SET ended_at = NULL WHERE id = 3;
             UPDATE hitters SET frozen_at = '2024-03-01T00:00:00.000Z' WHERE name = 'Zoe';",
        )
        .unwrap();
    log_reps(&mut journal, "Ben", 3..=3);
    let limit = stamp("2025-01-01T00:00:00Z");
    assert!(journal.reader().has_before(limit).unwrap());
    let report = journal.delete(DeletionTarget::Before(limit), &[]).unwrap();
    assert_eq!((report.sessions, report.reps), (2, 4));
    assert_eq!(
        (report.remnants, report.not_rebuilt.is_none()),
        (vec![], true)
    );
    assert_eq!(names(&journal), ["Ben", "Kim", "Zoe"]);
    assert_eq!(count(&path, b"Ana"), 0);
    assert!(!journal.reader().has_before(limit).unwrap());
    // Its age tells again what is to go: what a facility keeps is not deleted there because a backup of this journal is put back.
    assert!(!list_path(&path).exists());
}

#[test]
fn a_cage_of_a_facility_keeps_its_hitters_with_what_they_refuse_however_old() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=2);
    let connection = journal.reader().connection();
    connection
        .execute_batch(
            "UPDATE hitters SET created_at = '2024-01-01T00:00:00.000Z';
             UPDATE sessions SET started_at = '2024-02-01T00:00:00.000Z';
             UPDATE facility SET pulled = 7;",
        )
        .unwrap();
    let limit = stamp("2025-01-01T00:00:00Z");
    let report = journal.delete(DeletionTarget::Before(limit), &[]).unwrap();
    assert_eq!((report.sessions, report.reps), (1, 2));
    assert_eq!(names(&journal), ["Ana"]);
    assert!(!journal.reader().has_before(limit).unwrap());
}
