//! What was seen and not counted: kept where nothing counts it, until the coach makes it count.

use super::super::record::{HitterId, PackedRep};
use super::super::store::not_counted::MOST_KEPT;
use super::*;
use crate::rep::{MissedCondition, NotCountedReason};
use crate::text_enum::Recorded;

const MISSED: MissedCondition = MissedCondition {
    reason: NotCountedReason::WayBack,
    value: 1.75,
    limit: 4.0,
};

/// A movement that was over at this time of the capture clock.
pub(super) fn seen(known_at: f64) -> RepRecord {
    let mut record = record(9);
    record.judged.number = 0;
    record.judged.cue = None;
    record.judged.rep.known_at = CaptureTime::from_secs(known_at);
    record
}

pub(super) fn log_not_counted(
    journal: &mut Journal,
    session: SessionId,
    record: &RepRecord,
) -> NotCountedId {
    journal
        .log_not_counted_packed(session, &PackedRep::from_record(record), MISSED)
        .unwrap()
}

fn started(dir: &tempfile::TempDir) -> (Journal, SessionId, HitterId) {
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let hitter = journal
        .find_or_add_hitter(&NewHitter {
            name: Some("Ana".into()),
            ..NewHitter::default()
        })
        .unwrap();
    let session = journal
        .begin_session(&NewSession {
            hitter: Some(hitter),
            ..session()
        })
        .unwrap();
    (journal, session, hitter)
}

/// All that anybody counts, lists or exports of a journal's reps.
fn all_told(reader: &JournalReader, session: SessionId, hitter: HitterId) -> String {
    let export = |format| {
        let mut out = Vec::new();
        reader
            .export_reps(&RepFilter::default(), format, &mut out)
            .unwrap();
        String::from_utf8(out).unwrap()
    };
    let whose = HitterChoice::Id(hitter);
    let baselines = reader.baselines_of(&whose, 3).unwrap();
    let usual = baselines.get(Bats::Right, MeasureName::StrideLength);
    format!(
        "{:?} {:?} {:?} {:?} {usual:?} {:?} {} {}",
        reader.counts().unwrap(),
        reader.sessions().unwrap(),
        reader.reps_of(session).unwrap(),
        reader.last_rep().unwrap(),
        reader
            .swings_measured(Some(hitter), MeasureName::StrideLength, None, 100)
            .unwrap(),
        export(ExportFormat::JsonLines),
        export(ExportFormat::Csv),
    )
}

#[test]
fn nothing_counts_lists_or_exports_what_was_not_counted() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session, hitter) = started(&dir);
    for number in 1..=3 {
        journal.log_rep(session, &record(number)).unwrap();
    }
    let before = all_told(journal.reader(), session, hitter);
    let one = log_not_counted(&mut journal, session, &seen(24.0));
    log_not_counted(&mut journal, session, &seen(60.0));
    assert!(all_told(journal.reader(), session, hitter) == before);

    // A retry keeps it once, and it is whole.
    assert_eq!(log_not_counted(&mut journal, session, &seen(24.0)), one);
    let kept = journal.reader().not_counted_of(session).unwrap();
    assert_eq!(kept.len(), 2);
    let stored = journal.reader().not_counted(one).unwrap().unwrap();
    let wanted = seen(24.0);
    assert_eq!(stored.judged, wanted.judged);
    assert_eq!(
        (stored.reason, stored.value, stored.asked),
        (Recorded::Known(MISSED.reason), MISSED.value, MISSED.limit)
    );
    assert_eq!(stored.hitter_name.as_deref(), Some("Ana"));
    let (picture, frames) = journal.reader().not_counted_timeline(one).unwrap().unwrap();
    assert_eq!(
        (picture, frames),
        (wanted.picture, on_the_grid(&wanted.frames))
    );
    assert_sound(journal.reader().connection());
}

#[test]
fn what_the_coach_makes_count_is_a_rep_in_its_place_in_time() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session, hitter) = started(&dir);
    for number in 1..=2 {
        journal.log_rep(session, &record(number)).unwrap();
    }
    // Between the two reps, which were over at 21.7 and 29.7 seconds.
    let wanted = seen(24.0);
    let id = log_not_counted(&mut journal, session, &wanted);
    let rep = RepId::new(journal.edit(&Edit::MakeCount(id), "Maria").unwrap());
    assert_eq!(
        journal.edit(&Edit::MakeCount(id), "Maria").unwrap(),
        rep.get()
    );

    let stored = journal.reader().rep(rep).unwrap();
    assert!(stored.made_to_count && stored.counts_as_swing());
    assert_eq!(stored.judged.rep, wanted.judged.rep);
    assert_eq!(stored.judged.verdicts, wanted.judged.verdicts);
    assert_eq!(stored.judged.bands, wanted.judged.bands);
    assert_eq!(stored.judged.cue, None);
    assert_eq!(stored.logged_at, wanted.logged_at);
    let (_, frames) = journal.reader().timeline(rep).unwrap().unwrap();
    assert_eq!(frames, on_the_grid(&wanted.frames));
    assert_eq!(journal.reader().not_counted_of(session).unwrap(), []);
    assert_eq!(journal.reader().not_counted_timeline(id).unwrap(), None);
    let counted = journal.reader().not_counted(id).unwrap().unwrap();
    assert_eq!(counted.counted_as, Some(rep));
    assert_eq!(counted.counted_by.as_deref(), Some("Maria"));
    assert_eq!(journal.reader().counts().unwrap().swings, 3);

    let numbers = |journal: &Journal| -> Vec<u32> {
        let reps = journal.reader().reps_of(session).unwrap();
        reps.iter().map(|rep| rep.judged.number).collect()
    };
    assert_eq!(numbers(&journal), [1, 3, 2]);
    let swings = journal
        .reader()
        .swings_measured(Some(hitter), MeasureName::StrideLength, None, 100)
        .unwrap();
    let swings: Vec<u32> = swings.iter().map(|swing| swing.number).collect();
    assert_eq!(swings, [1, 3, 2]);

    // The session runs on: its own reps keep the numbers that were told and that films go by.
    for number in 3..=4 {
        journal.log_rep(session, &record(number)).unwrap();
    }
    assert_eq!(numbers(&journal), [1, 5, 2, 3, 4]);
    // The facility's store hears of the number that the rep has now.
    let connection = journal.reader().connection();
    let sql = "SELECT rev < (SELECT rev FROM reps WHERE number = 4) AND rev > (SELECT rev FROM reps WHERE number = 2)
               AND edits > 0 AND edited_in = (SELECT journal FROM facility) FROM reps WHERE number = 5";
    let is_told: bool = connection.query_row(sql, [], |row| row.get(0)).unwrap();
    assert!(is_told);

    let mut exported = Vec::new();
    journal
        .reader()
        .export_reps(
            &RepFilter::default(),
            ExportFormat::JsonLines,
            &mut exported,
        )
        .unwrap();
    let exported = String::from_utf8(exported).unwrap();
    assert_eq!(exported.matches("\"made_to_count\":true").count(), 1);

    // The way back: it can be excluded like any other rep.
    let exclude = Edit::Exclude {
        rep,
        why: Some("no swing after all".into()),
    };
    journal.edit(&exclude, "Maria").unwrap();
    assert!(!journal.reader().rep(rep).unwrap().counts_as_swing());
    assert!(matches!(
        journal.edit(&Edit::MakeCount(NotCountedId::new(99)), "Maria"),
        Err(JournalError::Refused { .. })
    ));
    assert_sound(journal.reader().connection());
}

#[test]
fn the_newest_of_a_session_are_kept_and_those_that_count_are_not_among_them() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, session, _) = started(&dir);
    let other = journal.begin_session(&super::session()).unwrap();
    log_not_counted(&mut journal, other, &seen(1.0));
    let mut small = seen(0.0);
    small.frames.truncate(2);
    let mut ids = Vec::new();
    for i in 0..MOST_KEPT + 5 {
        small.judged.rep.known_at = CaptureTime::from_secs(f64::from(i));
        let id = log_not_counted(&mut journal, session, &small);
        if i == 0 {
            journal.edit(&Edit::MakeCount(id), "Maria").unwrap();
        }
        ids.push(id);
    }
    let kept: Vec<NotCountedId> = journal
        .reader()
        .not_counted_of(session)
        .unwrap()
        .iter()
        .map(|seen| seen.id)
        .collect();
    assert_eq!(kept, ids[5..]);
    assert_eq!(journal.reader().not_counted_of(other).unwrap().len(), 1);
    assert_eq!(journal.reader().reps_of(session).unwrap().len(), 1);
    let timelines: i64 = journal
        .reader()
        .connection()
        .query_row("SELECT count(*) FROM not_counted_timelines", [], |row| {
            row.get(0)
        })
        .unwrap();
    assert_eq!(timelines, i64::from(MOST_KEPT) + 1);
}
