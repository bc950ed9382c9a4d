//! What a hitter allows: recorded row by row, in force at once, moved, exported and deleted with them.

use super::super::files::byte_search::count_in_file;
use super::maintenance::log_reps;
use super::*;

pub(super) fn consent(purpose: Purpose, decision: Decision, by: &str) -> NewConsent {
    NewConsent {
        purpose,
        decision,
        decided_by: by.into(),
        decided_on: jiff::civil::date(2026, 11, 2),
    }
}

pub(super) fn record_consent(journal: &mut Journal, hitter: HitterId, consent: NewConsent) {
    let edit = Edit::RecordConsent { hitter, consent };
    assert_eq!(journal.edit(&edit, "Maria").unwrap(), hitter.get());
}

fn id(journal: &Journal, name: &str) -> HitterId {
    let choice = HitterChoice::Name(name.into());
    journal.reader().hitter(&choice).unwrap().id
}

fn timelines(journal: &Journal, name: &str) -> i64 {
    let sql = "SELECT count(*) FROM timelines JOIN reps ON reps.id = rep JOIN sessions ON sessions.id = session
               JOIN hitters ON hitters.id = hitter WHERE name = ?1";
    let connection = journal.reader().connection();
    connection.query_row(sql, [name], |row| row.get(0)).unwrap()
}

#[test]
fn decisions_are_added_never_changed_and_nonsense_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    log_reps(&mut journal, "Ana", 1..=1);
    let ana = id(&journal, "Ana");
    for decision in [Decision::Given, Decision::Withdrawn, Decision::Given] {
        record_consent(
            &mut journal,
            ana,
            consent(Purpose::Film, decision, " mother, paper form "),
        );
    }
    let rows = journal.reader().consent_rows(ana).unwrap();
    assert_eq!(
        rows.iter().map(|row| row.decision).collect::<Vec<_>>(),
        [Decision::Given, Decision::Withdrawn, Decision::Given]
    );
    let row = &rows[1];
    assert_eq!(
        (&*row.decided_by, &*row.decided_on, &*row.recorded_by),
        ("mother, paper form", "2026-11-02", "Maria")
    );

    let film = || consent(Purpose::Film, Decision::Given, "mother");
    let by = |by: &str| NewConsent {
        decided_by: by.into(),
        ..film()
    };
    let later = NewConsent {
        decided_on: jiff::civil::date(2200, 1, 1),
        ..film()
    };
    for unfit in [by("  "), by("a\nb"), by(&"x".repeat(121)), later] {
        let edit = Edit::RecordConsent {
            hitter: ana,
            consent: unfit,
        };
        let refused = journal.edit(&edit, "Maria");
        assert!(matches!(refused, Err(JournalError::Refused { .. })));
    }
    // The longest that is allowed, and today, which somewhere is tomorrow.
    let today = crate::wall_clock::now()
        .to_zoned(jiff::tz::TimeZone::UTC)
        .date();
    let longest = NewConsent {
        decided_on: today.tomorrow().unwrap(),
        ..by(&"x".repeat(120))
    };
    record_consent(&mut journal, ana, longest);
    let nobody = Edit::RecordConsent {
        hitter: HitterId::new(99),
        consent: film(),
    };
    assert!(journal.edit(&nobody, "Maria").is_err());
    assert_eq!(journal.reader().consent_rows(ana).unwrap().len(), 4);
}

/// Wherever landmarks could come to a hitter who refuses them, none do.
#[test]
fn landmarks_that_are_refused_go_and_do_not_come_back_by_any_way() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    for (name, first) in [("Ana", 1), ("Ben", 11), ("Kim", 21)] {
        log_reps(&mut journal, name, first..=first + 2);
    }
    let [ana, ben] = ["Ana", "Ben"].map(|name| id(&journal, name));
    let landmarks = |decision| consent(Purpose::Landmarks, decision, "Ana herself");
    record_consent(&mut journal, ana, landmarks(Decision::Given));
    let known = encode_timeline(&record(2).frames).unwrap();
    let stands = |part: &[u8]| {
        let in_file = |name: &str| {
            let path = dir.path().join(name);
            count_in_file(&path, &[part], u64::MAX).map_or(0, |counts| counts[0])
        };
        in_file("journal.db") + in_file("journal.db-wal")
    };
    let deep = &known[known.len() / 2..][..40];
    assert_eq!(timelines(&journal, "Ana"), 3);
    assert!(stands(deep) > 0);
    record_consent(&mut journal, ana, landmarks(Decision::Withdrawn));
    assert_eq!(timelines(&journal, "Ana"), 0);
    assert_eq!(stands(deep), 0, "overwritten, in the log too");
    // The reps and their measures are there still, and others' landmarks.
    assert_eq!(
        journal.reader().rep(RepId::new(1)).unwrap().judged,
        judged(1)
    );
    assert_eq!(timelines(&journal, "Ben"), 3);

    // Logged by a writer that knows nothing of it.
    log_reps(&mut journal, "Ana", 4..=5);
    let session = journal.reader().sessions().unwrap()[0].id;
    super::not_counted::log_not_counted(&mut journal, session, &super::not_counted::seen(70.0));
    let seen = journal.reader().not_counted_of(session).unwrap();
    assert_eq!(
        journal.reader().not_counted_timeline(seen[0].id).unwrap(),
        None
    );
    // Given to her, and merged into her.
    let give = Edit::GiveSession {
        session: SessionId::new(3),
        hitter: Some(ana),
    };
    journal.edit(&give, "Maria").unwrap();
    assert_eq!(timelines(&journal, "Kim"), 0);
    let merge = Edit::MergeHitters {
        from: ben,
        into: ana,
    };
    journal.edit(&merge, "Maria").unwrap();
    assert_eq!(timelines(&journal, "Ana"), 0);
    assert_eq!(journal.reader().counts().unwrap().swings, 11);

    // Allowed again, new ones are stored.
    record_consent(&mut journal, ana, landmarks(Decision::Given));
    log_reps(&mut journal, "Ana", 6..=7);
    assert_eq!(timelines(&journal, "Ana"), 2);
    assert_sound(journal.reader().connection());
}

#[test]
fn two_entries_that_become_one_keep_all_decisions_and_what_either_refuses_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    log_reps(&mut journal, "Ben", 1..=2);
    log_reps(&mut journal, "Benjamin", 3..=4);
    let [ben, benjamin] = ["Ben", "Benjamin"].map(|name| id(&journal, name));
    record_consent(
        &mut journal,
        benjamin,
        consent(Purpose::Landmarks, Decision::Given, "father"),
    );
    let refused = consent(Purpose::Landmarks, Decision::Refused, "mother");
    record_consent(&mut journal, ben, refused);
    // The other way round in time.
    let refused = consent(Purpose::Film, Decision::Refused, "mother");
    record_consent(&mut journal, ben, refused);
    for _ in 0..2 {
        let given = consent(Purpose::Film, Decision::Given, "father");
        record_consent(&mut journal, benjamin, given);
    }
    let merge = Edit::MergeHitters {
        from: ben,
        into: benjamin,
    };
    journal.edit(&merge, "Maria").unwrap();
    let rows = journal.reader().consent_rows(benjamin).unwrap();
    let decisions: Vec<_> = rows.iter().map(|row| row.decision).collect();
    use Decision::{Given, Refused};
    // The refusal that was the older one is put in force once more.
    assert_eq!(decisions, [Given, Refused, Refused, Given, Given, Refused]);
    assert_eq!(timelines(&journal, "Benjamin"), 0);
    let allowed = journal.reader().consents(benjamin).unwrap();
    assert!(allowed.refuses(Purpose::Film) && allowed.refuses(Purpose::Landmarks));
}

#[test]
fn consents_go_with_their_hitter_to_the_last_byte() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    for name in ["Ana", "Ben"] {
        log_reps(&mut journal, name, 1..=1);
    }
    let [ana, ben] = ["Ana", "Ben"].map(|name| id(&journal, name));
    let own = "her aunt Wilhelmina, on the phone";
    record_consent(
        &mut journal,
        ana,
        consent(Purpose::Film, Decision::Refused, own),
    );
    for hitter in [ana, ben] {
        record_consent(
            &mut journal,
            hitter,
            consent(Purpose::Name, Decision::Given, "mother, paper form"),
        );
    }
    let aside = dir.path().join("journal.damaged-20260101-000000.db");
    std::fs::write(&aside, own).unwrap();
    let report = journal.delete(DeletionTarget::Hitter(ana), &[]).unwrap();
    assert_eq!(report.remnants, []);
    // It is searched for, wherever a hitter may have been left.
    let left = &report.remnants_aside[0];
    assert_eq!((&left.file, left.names, left.consents), (&aside, 0, 1));
    let stands = |text: &str| count_in_file(&path, &[text.as_bytes()], u64::MAX).unwrap()[0];
    assert_eq!((stands(own), stands("mother, paper form")), (0, 1));
    assert_eq!(journal.reader().consent_rows(ben).unwrap().len(), 1);
    assert_eq!(journal.reader().consent_rows(ana).unwrap(), []);
}

#[test]
fn a_restore_keeps_what_was_decided_after_the_backup() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=2);
    log_reps(&mut journal, "Ben", 3..=4);
    let ana = id(&journal, "Ana");
    let landmarks = |decision| consent(Purpose::Landmarks, decision, "mother");
    record_consent(&mut journal, ana, landmarks(Decision::Given));
    let backup = dir.path().join("backup.db");
    journal.reader().back_up_to(&backup).unwrap();
    std::thread::sleep(std::time::Duration::from_millis(2));
    record_consent(&mut journal, ana, landmarks(Decision::Withdrawn));
    // Somebody new, whom the backup does not know.
    log_reps(&mut journal, "Kim", 5..=5);
    let kim = id(&journal, "Kim");
    record_consent(
        &mut journal,
        kim,
        consent(Purpose::Film, Decision::Refused, "Kim"),
    );
    drop(journal);

    let restored = Journal::restore(&path, &backup).unwrap();
    assert_eq!(restored.consents, Some(1));
    let journal = Journal::open(&path).unwrap();
    let rows = journal.reader().consent_rows(ana).unwrap();
    let decisions: Vec<_> = rows.iter().map(|row| row.decision).collect();
    assert_eq!(decisions, [Decision::Given, Decision::Withdrawn]);
    assert_eq!(
        (timelines(&journal, "Ana"), timelines(&journal, "Ben")),
        (0, 2)
    );
    assert_sound(journal.reader().connection());
}
