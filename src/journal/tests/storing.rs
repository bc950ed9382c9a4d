//! Reps in the journal: what comes back, what a full disk does, what a deletion leaves.

use std::fs;

use super::*;
use crate::coach::Baselines;

fn open_with_session(dir: &tempfile::TempDir) -> (Journal, SessionId) {
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let id = journal.begin_session(&session()).unwrap();
    (journal, id)
}

#[test]
fn a_rep_comes_back_as_it_was_logged() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session_id) = open_with_session(&dir);
    let swing = record(1);
    let mut take = record(2);
    take.judged.rep.kind = RepKind::Take;
    take.judged.rep.bats = Bats::Left;
    take.judged.rep.pitcher = Some(Direction::Left);
    take.judged.rep.view = View::Rear;
    take.judged.rep.events = Events {
        set: time(1.0),
        ..Events::default()
    };
    take.judged.cue = None;
    take.judged.verdicts.clear();
    take.judged.bands.clear();
    take.judged.rep.style = Style::default();
    take.frames.clear();
    let first = journal.log_rep(session_id, &swing).unwrap();
    let second = journal.log_rep(session_id, &take).unwrap();

    let reader = journal.reader();
    let reps = reader.reps_of(session_id).unwrap();
    assert_eq!(reps.len(), 2);
    for (stored, (id, record)) in reps.iter().zip([(first, &swing), (second, &take)]) {
        assert_eq!((stored.id, stored.session), (id, session_id));
        assert_eq!(stored.judged, record.judged);
        assert_eq!(stored.logged_at, record.logged_at);
    }
    assert_eq!(reader.last_rep().unwrap().as_ref(), reps.last());
    assert_eq!(reader.rep(first).unwrap(), reps[0]);
    let (picture, frames) = reader.timeline(first).unwrap().unwrap();
    assert_eq!(picture, swing.picture);
    let (px, visibility, _) = farthest_apart(&on_the_grid(&swing.frames), &frames);
    assert!(px == 0.0 && visibility < 1e-6, "{px} px, {visibility}");
    assert_eq!(reader.timeline(second).unwrap(), None);
    assert!(matches!(
        reader.timeline(RepId::new(99)),
        Err(JournalError::NoSuchRep { .. })
    ));
    assert!(matches!(
        reader.reps_of(SessionId::new(99)),
        Err(JournalError::NoSuchSession { .. })
    ));
    assert_eq!(
        reader.counts().unwrap(),
        Counts {
            hitters: 0,
            sessions: 1,
            swings: 1,
            takes: 1
        }
    );
    let row = &reader.sessions().unwrap()[0];
    assert_eq!((row.swings, row.takes, row.ended_at), (1, 1, None));
    assert_eq!(
        (row.source.as_str(), row.settings.as_str()),
        ("demo.mp4", "[camera]\nfps = 60\n")
    );
    assert_sound(reader.connection());
}

#[test]
fn a_rep_tried_twice_is_stored_once_and_a_second_rep_of_its_number_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session_id) = open_with_session(&dir);
    let id = journal.log_rep(session_id, &record(1)).unwrap();
    assert_eq!(journal.log_rep(session_id, &record(1)).unwrap(), id);
    let mut other = record(1);
    other.judged.rep.known_at = CaptureTime::from_secs(999.0);
    assert!(matches!(
        journal.log_rep(session_id, &other),
        Err(JournalError::Refused { .. })
    ));
    assert!(matches!(
        journal.log_rep(SessionId::new(99), &record(1)),
        Err(JournalError::Refused { .. })
    ));
    assert_eq!(journal.reader().counts().unwrap().swings, 1);
}

#[test]
fn values_that_are_no_numbers_do_not_lose_the_rep() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session_id) = open_with_session(&dir);
    let mut odd = record(1);
    odd.judged.rep.fps = f64::NAN;
    odd.judged.rep.measures.insert(
        MeasureName::HeadToPlant,
        Measure::Made {
            value: f64::NAN,
            plus_minus: 1.0,
            confidence: 0.5,
        },
    );
    odd.judged.rep.measures.insert(
        MeasureName::StrideLength,
        Measure::Made {
            value: 1.0,
            plus_minus: f64::INFINITY,
            confidence: 0.5,
        },
    );
    let id = journal.log_rep(session_id, &odd).unwrap();
    let stored = journal.reader().rep(id).unwrap().judged;
    assert_eq!(stored.rep.fps, 0.0);
    for name in [MeasureName::HeadToPlant, MeasureName::StrideLength] {
        assert!(matches!(
            stored.rep.measures[&name],
            Measure::NotMade { .. }
        ));
        assert!(!stored.verdicts.contains_key(&name));
    }
    let line: serde_json::Value = serde_json::from_str(&rep_line(&odd.judged)).unwrap();
    assert!(line["measures"]["head_to_plant_cm"]["value"].is_null());
    assert_eq!(line["fps"], 0.0);
}

#[test]
fn cues_and_reasons_of_another_version_are_read_and_exported_as_they_are() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session_id) = open_with_session(&dir);
    let mut cued = record(1);
    cued.judged.cue.as_mut().unwrap().id = "elbow_flew".into();
    let mut silent = record(2);
    silent.judged.cue = None;
    silent.judged.no_cue = Some("the wind was too loud".into());
    for (rep, text) in [(&cued, "elbow_flew"), (&silent, "the wind was too loud")] {
        let id = journal.log_rep(session_id, rep).unwrap();
        let stored = journal.reader().rep(id).unwrap().judged;
        assert_eq!(
            (&stored.cue, &stored.no_cue),
            (&rep.judged.cue, &rep.judged.no_cue)
        );
        assert!(rep_line(&stored).contains(text));
    }
}

#[test]
fn hitters_are_found_by_name_and_stay_nameless_where_they_want() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, _) = open_with_session(&dir);
    let ana = NewHitter {
        name: Some("Ana".into()),
        bats: Some(Bats::Left),
        height_cm: Some(164.0),
    };
    let id = journal.find_or_add_hitter(&ana).unwrap();
    let later = NewHitter {
        name: Some(" Ana ".into()),
        bats: None,
        height_cm: Some(166.0),
    };
    assert_eq!(journal.find_or_add_hitter(&later).unwrap(), id);
    let nameless = journal.find_or_add_hitter(&NewHitter::default()).unwrap();
    let blank = NewHitter {
        name: Some("  ".into()),
        bats: None,
        height_cm: Some(f64::NAN),
    };
    let another = journal.find_or_add_hitter(&blank).unwrap();
    assert!(id != nameless && nameless != another);
    let hitters = journal.reader().hitters().unwrap();
    assert_eq!(hitters[0].name.as_deref(), Some("Ana"));
    assert_eq!(
        (hitters[0].bats, hitters[0].height_cm),
        (Some(Bats::Left), Some(166.0))
    );
    assert_eq!(
        (hitters[2].name.as_deref(), hitters[2].height_cm),
        (None, None)
    );
}

#[test]
fn a_deleted_hitter_leaves_no_byte_behind() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, other_session) = open_with_session(&dir);
    journal.log_rep(other_session, &record(1)).unwrap();
    let name = "Bartholomea Quixwood";
    let hitter = NewHitter {
        name: Some(name.into()),
        ..NewHitter::default()
    };
    let hitter = journal.find_or_add_hitter(&hitter).unwrap();
    let hers = journal
        .begin_session(&NewSession {
            hitter: Some(hitter),
            ..session()
        })
        .unwrap();
    for number in 1..=20 {
        journal.log_rep(hers, &record(number)).unwrap();
    }
    journal.delete_hitter(&HitterChoice::Id(hitter)).unwrap();
    assert!(matches!(
        journal.delete_hitter(&HitterChoice::Id(hitter)),
        Err(JournalError::NoSuchHitter { .. })
    ));
    let reader = journal.reader();
    assert_eq!(
        reader.counts().unwrap(),
        Counts {
            hitters: 0,
            sessions: 1,
            swings: 1,
            takes: 0
        }
    );
    for table in ["measures", "timelines"] {
        let reps: i64 = reader
            .connection()
            .query_row(
                &format!("SELECT count(DISTINCT rep) FROM {table}"),
                [],
                |row| row.get(0),
            )
            .unwrap();
        assert_eq!(reps, 1, "{table}");
    }
    assert_sound(reader.connection());
    for file in ["journal.db", "journal.db-wal"] {
        let bytes = fs::read(dir.path().join(file)).unwrap();
        assert!(
            !bytes
                .windows(name.len())
                .any(|part| part == name.as_bytes()),
            "{file}"
        );
    }
    let next = journal.find_or_add_hitter(&NewHitter::default()).unwrap();
    assert!(next > hitter, "a number is never used again");
}

#[test]
fn a_full_disk_loses_nothing_that_was_logged() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session_id) = open_with_session(&dir);
    // SQLite's own limit on the file's size gives the same error as a full disk.
    let limit = |journal: &Journal, pages: i64| {
        journal
            .reader
            .connection()
            .pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
            .unwrap();
    };
    limit(&journal, 70);
    let mut stored = 0;
    let error = loop {
        match journal.log_rep(session_id, &record(stored + 1)) {
            Ok(_) => stored += 1,
            Err(error) => break error,
        }
    };
    assert!(
        matches!(error, JournalError::DiskFull { .. }) && error.is_passing(),
        "{error}"
    );
    assert!(stored >= 1);
    assert_eq!(
        journal.reader().reps_of(session_id).unwrap().len(),
        stored as usize
    );
    limit(&journal, 100_000);
    journal
        .log_rep(session_id, &record(stored + 1))
        .expect("it goes on when there is room");
    assert_eq!(
        journal.reader().reps_of(session_id).unwrap().len(),
        stored as usize + 1
    );
    assert_sound(journal.reader().connection());
}

#[test]
fn questions_of_the_coach_use_an_index() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = open_with_session(&dir);
    for sql in [
        "SELECT value, sessions.started_at FROM sessions JOIN reps ON reps.session = sessions.id
         JOIN measures ON measures.rep = reps.id WHERE hitter = 1 AND name = 'head_drop_cm'
         ORDER BY sessions.started_at, number",
        "SELECT * FROM reps WHERE session = 1 ORDER BY number",
        "SELECT * FROM reps WHERE logged_at >= '2026' AND logged_at < '2027'",
        "SELECT * FROM measures WHERE rep = 1",
        "SELECT * FROM sessions WHERE ended_at IS NULL",
    ] {
        let mut explain = journal
            .reader()
            .connection()
            .prepare(&format!("EXPLAIN QUERY PLAN {sql}"))
            .unwrap();
        let plan: Vec<String> = explain
            .query_map([], |row| row.get(3))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        for step in &plan {
            // A scan of the index of open sessions reads only those.
            assert!(
                !step.starts_with("SCAN") || step.contains("USING INDEX"),
                "{sql}: {plan:?}"
            );
        }
    }
}

#[test]
fn what_is_usual_for_a_hitter_comes_from_all_of_their_stored_swings_and_nobody_elses() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let name = MeasureName::HeadDrop;
    let ana = HitterChoice::Name("Ana".into());
    let mut journal = Journal::open(&path).unwrap();
    assert_eq!(
        journal.reader().baselines_of(&ana, 5).unwrap(),
        Baselines::new(5)
    );
    let mut live = Baselines::new(5);
    for (visit, who) in ["Ana", "Bo", "Ana"].into_iter().enumerate() {
        let hitter = NewHitter {
            name: Some(who.into()),
            ..NewHitter::default()
        };
        let hitter = Some(journal.find_or_add_hitter(&hitter).unwrap());
        let session_id = journal
            .begin_session(&NewSession {
                hitter,
                ..session()
            })
            .unwrap();
        for number in 1..=4 {
            // The head drops of `judged` grow with the number of the rep; the last one of each visit is a take.
            let mut rep = record(number);
            rep.judged.rep.measures = judged(number + 10 * visit as u32).rep.measures;
            if number == 4 {
                rep.judged.rep.kind = RepKind::Take;
            }
            journal.log_rep(session_id, &rep).unwrap();
            if who == "Ana" {
                live.add(&rep.judged.rep);
            }
        }
    }
    drop(journal);
    let stored = Journal::read_only(&path)
        .unwrap()
        .baselines_of(&ana, 5)
        .unwrap();
    assert_eq!(stored, live);
    // Drops of 1.25, 2.25, 3.25, 21.25, 22.25 fix it; the sixth moves it by a step toward the last five.
    let usual = stored.get(Bats::Right, name).unwrap();
    assert_eq!(usual.count, 6);
    assert!((3.25..4.0).contains(&usual.median), "{usual:?}");
    assert_eq!(stored.get(Bats::Left, name), None);
}

/// The page asks these of a journal of any size: each must go by index, never through all reps or measures.
#[test]
fn what_the_page_asks_goes_by_index() {
    let dir = tempfile::tempdir().unwrap();
    let journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let plan_of = |sql: &str| -> Vec<String> {
        let connection = journal.reader().connection();
        let mut explain = connection
            .prepare(&format!("EXPLAIN QUERY PLAN {sql}"))
            .unwrap();
        let count = explain.parameter_count();
        let values = vec![rusqlite::types::Value::Integer(1); count];
        explain
            .query_map(rusqlite::params_from_iter(values), |row| row.get(3))
            .unwrap()
            .map(Result::unwrap)
            .collect()
    };
    for sql in [
        &super::super::store::history::select_swings_measured(Some(HitterId::new(1)), false),
        &super::super::store::history::select_swings_measured(Some(HitterId::new(1)), true),
        &super::super::store::history::select_swings_measured(None, true),
        &super::super::store::history::select_values_before(Some(HitterId::new(1))),
        &super::super::store::history::select_values_before(None),
        "SELECT id, rep, text, made_at FROM notes WHERE session = ?1 ORDER BY id",
        "SELECT count(*) FROM corrections WHERE rep = ?1",
        "SELECT count(*) FROM reps WHERE session = ?1 AND struck_why IS NULL AND coalesce(called, kind) = 'swing'",
        "SELECT id FROM sessions WHERE hitter = ?1 AND (started_at, id) < (SELECT started_at, id FROM sessions AS other WHERE other.id = ?2)
         ORDER BY started_at DESC, id DESC LIMIT 40",
    ] {
        for step in plan_of(sql) {
            let whole = [
                "SCAN reps",
                "SCAN measures",
                "SCAN sessions",
                "SCAN notes",
                "SCAN corrections",
            ];
            assert!(
                !whole.iter().any(|scan| step.starts_with(scan)),
                "{step}: {sql}"
            );
        }
    }
}

#[test]
fn a_session_of_nobody_named_can_be_deleted_whole_and_the_others_stay() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    let [first, second] = [1, 2].map(|_| journal.begin_session(&session()).unwrap());
    for number in 1..=3 {
        journal.log_rep(first, &record(number)).unwrap();
        journal.log_rep(second, &record(10 + number)).unwrap();
    }
    journal
        .edit(
            &Edit::AddNote {
                session: first,
                rep: None,
                text: "the red cap again".into(),
            },
            "Maria",
        )
        .unwrap();
    let report = journal.delete_session(first).unwrap();
    assert_eq!((report.sessions, report.reps), (1, 3));
    assert!(report.remnants.is_empty() && report.not_rebuilt.is_none());
    assert!(report.fingerprints > 0, "its landmarks were searched for");
    assert_eq!(journal.reader().reps_of(second).unwrap().len(), 3);
    assert!(matches!(
        journal.delete_session(first),
        Err(JournalError::NoSuchSession { .. })
    ));
    drop(journal);
    let bytes = std::fs::read(&path).unwrap();
    let cap = b"the red cap again";
    assert!(!bytes.windows(cap.len()).any(|window| window == cap));
}
