//! Opening journals of every sort: new, in use, damaged, foreign, newer, out of reach.

use std::fs;
use std::path::{Path, PathBuf};

use super::super::files::lock::lock_path;
use super::super::store::schema;
use super::*;

#[test]
fn a_new_journal_is_made_with_its_folder_and_kept_safe() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("data/cage 1/journal.db");
    let journal = Journal::open(&path).unwrap();
    assert_eq!(
        *journal.report(),
        OpenReport {
            created: true,
            upgraded_from: None,
            unclean: vec![],
            quarantined: None,
            taken_in: 0,
            deleted_again: (0, 0),
            spools_left: Vec::new()
        }
    );
    for (setting, wanted) in [
        ("synchronous", 2i64),
        ("foreign_keys", 1),
        ("secure_delete", 1),
        ("user_version", schema::VERSION.into()),
    ] {
        let found: i64 = journal
            .reader()
            .connection()
            .pragma_query_value(None, setting, |row| row.get(0))
            .unwrap();
        assert_eq!(found, wanted, "{setting}");
    }
    let mode: String = journal
        .reader()
        .connection()
        .pragma_query_value(None, "journal_mode", |row| row.get(0))
        .unwrap();
    assert_eq!(mode, "wal");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        for file in [path.clone(), path.with_file_name("journal.db-wal")] {
            let mode = fs::metadata(&file).unwrap().permissions().mode();
            assert_eq!(mode & 0o007, 0, "{} is open to strangers", file.display());
        }
    }
    drop(journal);
    assert!(!Journal::open(&path).unwrap().report().created);
}

#[test]
fn a_journal_of_every_older_version_is_brought_up_and_keeps_its_reps() {
    for version in 1..schema::VERSION {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal.db");
        let mut old = Connection::open(&path).unwrap();
        schema::upgrade(&mut old, &schema::STEPS[..version as usize], 0).unwrap();
        old.execute_batch(
            "INSERT INTO sessions (started_at, ended_at, source, settings, program_version)
             VALUES ('2026-04-01T17:00:00.000Z', '2026-04-01T18:00:00.000Z', 'demo.mp4', '', '0.1.0');
             INSERT INTO reps (session, number, kind, bats, view, fps, plant_secs, known_at_secs, logged_at)
             VALUES (1, 1, 'swing', 'left', 'open-side', 60.0, 12.5, 13.5, '2026-04-01T17:03:00.000Z');
             INSERT INTO measures (rep, name, value, plus_minus, confidence, verdict, band_low)
             VALUES (1, 'stride_length_cm', 71.0, 2.0, 0.9, 'in', 60.0);",
        )
        .unwrap();
        drop(old);
        match Journal::read_only(&path) {
            Err(JournalError::OlderSchema { found, known, .. }) => {
                assert_eq!((found, known), (version, schema::VERSION));
            }
            other => panic!("{other:?}"),
        }

        let mut journal = Journal::open(&path).unwrap();
        assert_eq!(journal.report().upgraded_from, Some(version));
        let stored = journal.reader().rep(RepId::new(1)).unwrap();
        assert_eq!(stored.judged.rep.style, Style::default());
        assert_eq!(stored.judged.rep.pitcher, None);
        assert_eq!(stored.judged.rep.events.plant, time(12.5));
        let name = MeasureName::StrideLength;
        assert_eq!(stored.judged.rep.measures[&name].value(), Some(71.0));
        assert_eq!(stored.judged.bands[&name].low, Some(60.0));
        let session_id = journal.begin_session(&session()).unwrap();
        let id = journal.log_rep(session_id, &record(1)).unwrap();
        assert_eq!(journal.reader().rep(id).unwrap().judged, judged(1));
        assert_sound(journal.reader().connection());
    }
}

#[test]
fn a_second_writer_is_refused_and_a_reader_is_not() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    let session_id = journal.begin_session(&session()).unwrap();

    let words = Journal::open(&path).unwrap_err().to_string();
    assert!(
        words.contains("journal.db") && words.contains("another cagehand"),
        "{words}"
    );
    assert!(words.contains(&std::process::id().to_string()), "{words}");
    #[cfg(unix)]
    {
        // By another name it is still the same file.
        let alias = dir.path().join("alias.db");
        std::os::unix::fs::symlink(&path, &alias).unwrap();
        assert!(matches!(
            Journal::open(&alias),
            Err(JournalError::InUse { .. })
        ));
    }

    let reader = Journal::read_only(&path).unwrap();
    journal.log_rep(session_id, &record(1)).unwrap();
    assert_eq!(
        reader.counts().unwrap().swings,
        1,
        "a reader sees what was just logged"
    );
    assert!(reader.connection().execute("DELETE FROM reps", []).is_err());

    drop(journal);
    assert!(lock_path(&path).exists());
    Journal::open(&path).expect("a lock file that nobody holds means nothing");
}

#[test]
fn sessions_that_a_crash_left_open_are_closed_at_their_last_rep() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    let empty = journal.begin_session(&session()).unwrap();
    let ended = journal.begin_session(&session()).unwrap();
    journal
        .end_session(ended, stamp("2026-05-01T18:00:00Z"), None)
        .unwrap();
    let busy = journal.begin_session(&session()).unwrap();
    journal.log_rep(busy, &record(1)).unwrap();
    drop(journal);

    let journal = Journal::open(&path).unwrap();
    let started_at = stamp("2026-05-01T17:00:00Z");
    assert_eq!(
        journal.report().unclean,
        [
            UncleanSession {
                id: empty,
                started_at,
                ended_at: started_at,
                reps: 0
            },
            UncleanSession {
                id: busy,
                started_at,
                ended_at: stamp("2026-05-01T17:03:09.25Z"),
                reps: 1
            },
        ]
    );
    let sessions = journal.reader().sessions().unwrap();
    assert!(sessions.iter().all(|session| session.ended_at.is_some()));
    assert!(
        sessions[0]
            .end_note
            .as_deref()
            .unwrap()
            .contains("not ended by cagehand")
    );
    assert_eq!(sessions[1].end_note, None);
    drop(journal);
    assert_eq!(Journal::open(&path).unwrap().report().unclean, []);
}

/// Opens a file that must be refused, for writing and for reading, and must stay as it is.
fn refusals(path: &Path) -> [JournalError; 2] {
    let before = fs::read(path).unwrap();
    let errors = [
        Journal::open(path).unwrap_err(),
        Journal::read_only(path).unwrap_err(),
    ];
    assert!(
        fs::read(path).unwrap() == before,
        "{} was changed",
        path.display()
    );
    for error in &errors {
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(error.to_string().contains(name), "{error}");
        assert!(!error.is_passing(), "{error}");
    }
    errors
}

#[test]
fn files_that_are_no_journal_are_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let text = dir.path().join("notes.txt");
    fs::write(&text, "buy balls\n".repeat(500)).unwrap();
    for error in refusals(&text) {
        assert!(matches!(error, JournalError::NotDatabase { .. }), "{error}");
    }

    let songs = dir.path().join("songs.db");
    Connection::open(&songs)
        .unwrap()
        .execute_batch("CREATE TABLE songs (title TEXT)")
        .unwrap();
    for error in refusals(&songs) {
        assert!(matches!(error, JournalError::NotJournal { .. }), "{error}");
    }

    let newer = dir.path().join("newer.db");
    drop(Journal::open(&newer).unwrap());
    let connection = Connection::open(&newer).unwrap();
    connection
        .pragma_update(None, "user_version", schema::VERSION + 1)
        .unwrap();
    connection.close().unwrap();
    for error in refusals(&newer) {
        assert!(
            matches!(
                error,
                JournalError::NewerSchema {
                    found,
                    known: schema::VERSION,
                    ..
                } if found == schema::VERSION + 1
            ),
            "{error}"
        );
    }
}

#[test]
fn a_damaged_journal_is_reported_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    let session_id = journal.begin_session(&session()).unwrap();
    for number in 1..=12 {
        journal.log_rep(session_id, &record(number)).unwrap();
    }
    drop(journal);
    let whole = fs::read(&path).unwrap();

    // A copy that was cut short, and a stretch of the file overwritten: each is found.
    let cut = dir.path().join("cut.db");
    fs::write(&cut, &whole[..whole.len() / 2]).unwrap();
    assert!(matches!(
        Journal::open(&cut),
        Err(JournalError::Damaged { .. })
    ));
    assert_eq!(fs::read(&cut).unwrap(), whole[..whole.len() / 2]);
    let mut found = 0;
    for page in 1..whole.len() / 4096 {
        let scratched = dir.path().join("scratched.db");
        let mut bytes = whole.clone();
        bytes[page * 4096..(page + 1) * 4096].fill(0x5a);
        fs::write(&scratched, &bytes).unwrap();
        match Journal::open(&scratched) {
            Err(JournalError::Damaged { .. }) => {
                assert_eq!(
                    fs::read(&scratched).unwrap(),
                    bytes,
                    "page {page} was changed"
                );
                found += 1;
            }
            // Inside a timeline the file's structure holds; the timeline's own checksum tells.
            Ok(journal) => {
                let reps = journal.reader().reps_of(session_id).unwrap();
                assert!(
                    reps.iter().any(|rep| matches!(
                        journal.reader().timeline(rep.id),
                        Err(JournalError::Timeline { .. } | JournalError::Damaged { .. })
                    )),
                    "page {page} was lost unnoticed"
                );
                found += 1;
            }
            Err(error) => panic!("page {page}: {error}"),
        }
    }
    assert!(found >= 10, "{found} pages");
}

#[test]
fn places_where_no_journal_can_be_are_named() {
    let dir = tempfile::tempdir().unwrap();
    for error in [
        Journal::open(dir.path()).unwrap_err(),
        Journal::read_only(dir.path()).unwrap_err(),
    ] {
        assert!(matches!(error, JournalError::Directory { .. }), "{error}");
    }
    let missing = dir.path().join("none.db");
    assert!(matches!(
        Journal::read_only(&missing),
        Err(JournalError::Missing { .. })
    ));
    assert!(!missing.exists());
    fs::write(dir.path().join("file"), "").unwrap();
    let under_a_file = dir.path().join("file/journal.db");
    assert!(matches!(
        Journal::open(&under_a_file),
        Err(JournalError::NoAccess { .. })
    ));
    #[cfg(unix)]
    assert!(matches!(
        Journal::open(Path::new("/dev/null")),
        Err(JournalError::NoAccess { .. })
    ));
    // Nobody can make files there, root neither.
    #[cfg(target_os = "linux")]
    for path in ["/sys/journal.db", "/sys/cage/journal.db"] {
        let error = Journal::open(Path::new(path)).unwrap_err();
        assert!(matches!(error, JournalError::NoAccess { .. }), "{error}");
        assert!(error.to_string().contains("/sys"), "{error}");
    }
}

#[test]
fn an_empty_file_becomes_a_journal() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    fs::write(&path, "").unwrap();
    assert!(matches!(
        Journal::read_only(&path),
        Err(JournalError::Missing { .. })
    ));
    assert!(Journal::open(&path).unwrap().report().created);
    assert!(Journal::read_only(&path).is_ok());
}

#[test]
fn a_copy_is_whole_and_one_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    let session_id = journal.begin_session(&session()).unwrap();
    journal.log_rep(session_id, &record(1)).unwrap();
    let copy = dir.path().join("copy.db");
    Journal::read_only(&path).unwrap().copy_to(&copy).unwrap();
    assert!(matches!(
        journal.reader().copy_to(&copy),
        Err(JournalError::CopyExists { .. })
    ));

    journal.log_rep(session_id, &record(2)).unwrap();
    let reader = Journal::read_only(&copy).unwrap();
    assert_sound(reader.connection());
    assert_eq!(reader.reps_of(session_id).unwrap().len(), 1);
    let mut names: Vec<String> = fs::read_dir(dir.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("copy"))
        .collect();
    names.sort();
    assert_eq!(names, ["copy.db"]);
    assert!(
        journal
            .reader()
            .copy_to(&dir.path().join("no/such/copy.db"))
            .is_err()
    );
}

/// What a kill leaves while the first tables are being written: pages, and a rollback journal that says the file was empty.
#[test]
fn a_journal_whose_making_was_cut_short_is_made_again() {
    let dir = tempfile::tempdir().unwrap();
    let (making, path) = (dir.path().join("making.db"), dir.path().join("journal.db"));
    let half = Connection::open(&making).unwrap();
    // With room for few pages they are written out before the transaction ends.
    half.execute_batch(
        "PRAGMA cache_size = 2; BEGIN; CREATE TABLE t (x BLOB);
         INSERT INTO t SELECT randomblob(3000) FROM (VALUES (1), (2), (3), (4), (5), (6), (7), (8), (9));",
    )
    .unwrap();
    let beside = |path: &Path| {
        let mut name = path.as_os_str().to_owned();
        name.push("-journal");
        PathBuf::from(name)
    };
    fs::copy(&making, &path).unwrap();
    fs::copy(beside(&making), beside(&path)).unwrap();
    assert!(fs::metadata(&path).unwrap().len() > 0);
    let mut journal = Journal::open(&path).unwrap();
    assert!(journal.report().created);
    let session_id = journal.begin_session(&session()).unwrap();
    journal.log_rep(session_id, &record(1)).unwrap();
    assert_sound(journal.reader().connection());
}
