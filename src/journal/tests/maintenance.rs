//! A journal over the years: backed up, restored, brought up to date.

use std::fs;
use std::path::Path;
use std::time::Instant;

use super::super::store::schema;
use super::damage::scratch;
use super::*;

pub(super) fn named(name: &str) -> NewHitter {
    NewHitter {
        name: Some(name.into()),
        ..NewHitter::default()
    }
}

/// A journal with reps 1 to `count` of this hitter, closed cleanly.
pub(super) fn filled(path: &Path, name: &str, count: u32) {
    let mut journal = Journal::open(path).unwrap();
    log_reps(&mut journal, name, 1..=count);
}

pub(super) fn log_reps(journal: &mut Journal, name: &str, numbers: std::ops::RangeInclusive<u32>) {
    let hitter = Some(journal.find_or_add_hitter(&named(name)).unwrap());
    let begun = NewSession {
        hitter,
        ..session()
    };
    let id = journal.begin_session(&begun).unwrap();
    for number in numbers {
        journal.log_rep(id, &record(number)).unwrap();
    }
    journal
        .end_session(id, stamp("2026-05-01T18:00:00Z"), None)
        .unwrap();
}

pub(super) fn swings(path: &Path) -> u32 {
    let reader = Journal::read_only(path).unwrap();
    assert_sound(reader.connection());
    reader.counts().unwrap().swings
}

pub(super) fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn a_backup_made_while_reps_are_logged_is_sound_and_of_one_moment() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    filled(&path, "Ana", 5);
    let writer = JournalWriter::start(&path, WriterOptions::default()).unwrap();
    writer
        .begin_session(Some(named("Bo")), session(), Instant::now())
        .unwrap();
    let mut last = 0;
    for number in 1..=30 {
        writer.log_rep(record(number)).unwrap();
        if number % 10 == 0 {
            let copy = dir.path().join(format!("copy {number}.db"));
            let counts = Journal::read_only(&path)
                .unwrap()
                .back_up_to(&copy)
                .unwrap();
            assert_eq!(swings(&copy), counts.swings);
            assert!(counts.swings >= 5 && counts.swings >= last);
            last = counts.swings;
        }
    }
    writer.close(std::time::Duration::from_secs(5)).unwrap();
    let taken = dir.path().join("copy 10.db");
    let before = fs::read(&taken).unwrap();
    assert!(matches!(
        Journal::read_only(&path).unwrap().back_up_to(&taken),
        Err(JournalError::CopyExists { .. })
    ));
    assert_eq!(fs::read(&taken).unwrap(), before);
}

#[test]
fn a_restored_journal_is_the_backup_and_the_old_one_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let copy = dir.path().join("copy.db");
    filled(&path, "Ana", 5);
    Journal::read_only(&path)
        .unwrap()
        .back_up_to(&copy)
        .unwrap();
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Bo", 1..=4);
    assert!(matches!(
        Journal::restore(&path, &copy),
        Err(JournalError::InUse { .. })
    ));
    drop(journal);

    // A bad copy changes nothing.
    let bad = dir.path().join("bad.db");
    fs::copy(&copy, &bad).unwrap();
    scratch(&bad, 4096..40_960);
    let before = fs::read(&path).unwrap();
    let songs = dir.path().join("songs.db");
    Connection::open(&songs)
        .unwrap()
        .execute_batch("CREATE TABLE songs (title TEXT)")
        .unwrap();
    for (copy, sort) in [
        (&bad, "damaged"),
        (&songs, "another program"),
        (&dir.path().join("none"), "no journal"),
    ] {
        let words = Journal::restore(&path, copy).unwrap_err().to_string();
        assert!(words.contains(sort), "{words}");
        assert_eq!(fs::read(&path).unwrap(), before);
    }
    assert!(
        !names_in(dir.path())
            .iter()
            .any(|name| name.contains("replaced") || name.contains("restored"))
    );

    let restored = Journal::restore(&path, &copy).unwrap();
    assert_eq!(restored.counts.swings, 5);
    assert_eq!(swings(&path), 5);
    let old = restored.replaced.unwrap();
    assert_eq!(swings(&old), 9);
    // And back again, also where a damaged file is in the place, or none.
    scratch(&path, 0..4096);
    let damaged = fs::read(&path).unwrap();
    let restored = Journal::restore(&path, &old).unwrap();
    assert_eq!(fs::read(restored.replaced.unwrap()).unwrap(), damaged);
    assert_eq!(swings(&path), 9);
    fs::remove_file(&path).unwrap();
    assert_eq!(Journal::restore(&path, &copy).unwrap().replaced, None);
    assert_eq!(swings(&path), 5);
}

#[test]
fn a_rollback_log_in_the_old_place_does_not_undo_what_is_restored() {
    let dir = tempfile::tempdir().unwrap();
    let (path, copy) = (dir.path().join("journal.db"), dir.path().join("copy.db"));
    let making = dir.path().join("making.db");
    filled(&path, "Ana", 5);
    Journal::read_only(&path)
        .unwrap()
        .back_up_to(&copy)
        .unwrap();
    // A journal that a kill left half made: pages written out, and the log that takes them back.
    let half = Connection::open(&making).unwrap();
    half.execute_batch(
        "PRAGMA cache_size = 2; BEGIN; CREATE TABLE t (x BLOB);
         INSERT INTO t SELECT randomblob(3000) FROM (VALUES (1), (2), (3), (4), (5), (6), (7), (8), (9));",
    )
    .unwrap();
    for occupied in [true, false] {
        let log = dir.path().join("journal.db-journal");
        match occupied {
            true => drop(fs::copy(&making, &path).unwrap()),
            false => fs::remove_file(&path).unwrap(),
        }
        fs::copy(dir.path().join("making.db-journal"), &log).unwrap();
        let restored = Journal::restore(&path, &copy).unwrap();
        assert_eq!(
            (restored.counts.swings, restored.replaced.is_some()),
            (5, occupied)
        );
        assert!(!log.exists());
        assert_eq!(swings(&path), 5);
    }
}

#[test]
fn a_restore_that_was_cut_short_leaves_no_journal_with_two_names() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    filled(&path, "Ana", 2);
    let second = dir.path().join("journal.replaced-20260501-170000.db");
    fs::hard_link(&path, &second).unwrap();
    drop(Journal::open(&path).unwrap());
    assert!(!second.exists());
    assert_eq!(swings(&path), 2);
}

#[test]
fn an_upgrade_keeps_a_copy_until_it_is_through() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let copy = dir.path().join("journal.db.before-v3");
    version_2(&path);
    // The upgrade fails: a table that a later step makes is there already.
    let old = Connection::open(&path).unwrap();
    old.execute_batch("CREATE TABLE plans (id INTEGER)")
        .unwrap();
    drop(old);
    let before = fs::read(&path).unwrap();
    Journal::open(&path).unwrap_err();
    let kept = Journal::restore(&dir.path().join("other.db"), &copy);
    assert!(kept.is_err(), "it fails there too, for the same reason");
    let copied = Connection::open(&copy).unwrap();
    let reps: i64 = copied
        .query_row("SELECT count(*) FROM reps", [], |row| row.get(0))
        .unwrap();
    assert_eq!(reps, 1);
    drop(copied);
    // Nothing of the failed upgrade is in the journal; the header's change counter may differ.
    assert_eq!(fs::read(&path).unwrap().len(), before.len());
    let old = Connection::open(&path).unwrap();
    old.execute_batch("DROP TABLE plans").unwrap();
    drop(old);
    let journal = Journal::open(&path).unwrap();
    assert_eq!(journal.report().upgraded_from, Some(2));
    assert_version_2_whole(journal.reader());
    assert!(!copy.exists());
}

/// A journal as version 2 wrote it, with a rep of every column it had and its landmarks.
fn version_2(path: &Path) {
    let mut old = Connection::open(path).unwrap();
    schema::upgrade(&mut old, &schema::STEPS[..2], 0).unwrap();
    old.execute_batch(
        "INSERT INTO hitters (name, bats, height_cm, created_at)
         VALUES ('Ana', 'left', 171.0, '2026-04-01T17:00:00.000Z');
         INSERT INTO sessions (hitter, started_at, ended_at, source, settings, program_version)
         VALUES (1, '2026-04-01T17:00:00.000Z', '2026-04-01T18:00:00.000Z', 'demo.mp4', '', '0.1.0');
         INSERT INTO reps (session, number, kind, bats, view, fps, plant_secs, known_at_secs, cue, cue_at_secs,
                           cue_latency_ms, logged_at, stance_width_cm, load)
         VALUES (1, 1, 'swing', 'left', 'open-side', 60.0, 12.5, 13.5, 'head_forward', 13.6, 90.5,
                 '2026-04-01T17:03:00.000Z', 61.5, 'leg_lift');
         INSERT INTO measures (rep, name, value, plus_minus, confidence, verdict, band_low)
         VALUES (1, 'stride_length_cm', 71.0, 2.0, 0.9, 'in', 60.0);",
    )
    .unwrap();
    let blob = encode_timeline(&record(1).frames).unwrap();
    old.execute(
        "INSERT INTO timelines (rep, start_secs, width_px, height_px, landmarks) VALUES (1, 12.0, 1280, 720, ?1)",
        [blob],
    )
    .unwrap();
    old.close().unwrap();
}

fn assert_version_2_whole(reader: &JournalReader) {
    let stored = reader.rep(RepId::new(1)).unwrap();
    assert_eq!(stored.hitter_name.as_deref(), Some("Ana"));
    assert_eq!(stored.judged.rep.style.stance_width_cm, Some(61.5));
    assert_eq!(stored.judged.rep.style.load, Some(LoadStyle::LegLift));
    let cue = stored.judged.cue.unwrap();
    assert_eq!(
        (cue.id.as_str(), cue.latency_ms),
        ("head_forward", Some(90.5))
    );
    assert_eq!((stored.judged.no_cue, stored.judged.pitch), (None, None));
    let name = MeasureName::StrideLength;
    assert_eq!(stored.judged.rep.measures[&name].value(), Some(71.0));
    let (_, frames) = reader.timeline(RepId::new(1)).unwrap().unwrap();
    assert_eq!(
        farthest_apart(&on_the_grid(&record(1).frames), &frames),
        (0.0, 0.0, 0.0)
    );
    assert_eq!(reader.sessions().unwrap()[0].plan, None);
    assert_sound(reader.connection());
}

#[test]
fn a_journal_of_version_2_is_brought_up_and_keeps_its_reps() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    version_2(&path);
    assert!(matches!(
        Journal::read_only(&path),
        Err(JournalError::OlderSchema { found: 2, .. })
    ));
    let mut journal = Journal::open(&path).unwrap();
    assert_eq!(journal.report().upgraded_from, Some(2));
    assert_version_2_whole(journal.reader());
    log_reps(&mut journal, "Ana", 1..=2);
    assert_eq!(journal.reader().counts().unwrap().swings, 3);
}

#[test]
fn a_backup_of_version_2_can_be_restored() {
    let dir = tempfile::tempdir().unwrap();
    let (path, copy) = (dir.path().join("journal.db"), dir.path().join("old.db"));
    version_2(&copy);
    let before = fs::read(&copy).unwrap();
    filled(&path, "Bo", 2);
    let restored = Journal::restore(&path, &copy).unwrap();
    assert_eq!(restored.report.upgraded_from, Some(2));
    assert_version_2_whole(&Journal::read_only(&path).unwrap());
    assert_eq!(
        fs::read(&copy).unwrap(),
        before,
        "the backup stays as it is"
    );
}
