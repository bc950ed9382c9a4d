//! What was found in a clip becomes a session of the day on which it was filmed.

use super::maintenance::{log_reps, named};
use super::*;

/// A journal of a clip: somebody's two swings.
fn found(folder: &std::path::Path) -> Journal {
    let mut found = Journal::open(&folder.join("found.db")).unwrap();
    log_reps(&mut found, "somebody", 1..=2);
    found
}

fn reps(reader: &JournalReader) -> Vec<StoredRep> {
    let mut reps = Vec::new();
    let take = |rep| {
        reps.push(rep);
        Ok(())
    };
    reader.for_each_rep(&RepFilter::default(), take).unwrap();
    reps
}

fn filmed() -> Timestamp {
    stamp("2026-03-07T10:15:30.250Z")
}

fn clip_of(hitter: Option<HitterId>) -> ClipSession {
    ClipSession {
        hitter,
        plan: None,
        began_at: filmed(),
        source: "clip 0011aaff".into(),
    }
}

#[test]
fn a_clip_is_one_session_of_its_hitter_on_the_day_it_was_filmed() {
    let dir = tempfile::tempdir().unwrap();
    let found = found(dir.path());
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let kit = journal.find_or_add_hitter(&named("Kit")).unwrap();
    let taken = journal.take_in_clip(found.reader(), &clip_of(Some(kit)));
    let TakenClip::Session(session) = taken.unwrap() else {
        panic!("it was not taken in");
    };
    let reader = journal.reader();
    let rows = reader.sessions().unwrap();
    let [row] = &rows[..] else { panic!("{rows:?}") };
    assert_eq!(
        (row.id, row.hitter, row.started_at),
        (session, Some(kit), filmed())
    );
    assert_eq!((row.source.as_str(), row.swings), ("clip 0011aaff", 2));
    let stored = reps(reader);
    let there = reps(found.reader());
    for (rep, there) in stored.iter().zip(&there) {
        assert_eq!(rep.judged, there.judged);
        let known_at = rep.judged.rep.known_at.secs();
        let after = rep.logged_at.duration_since(filmed()).as_secs_f64();
        assert!(
            (after - known_at).abs() < 0.002,
            "{after} after, not {known_at}"
        );
        assert_eq!(
            reader.timeline(rep.id).unwrap(),
            found.reader().timeline(there.id).unwrap()
        );
    }
    assert_eq!(row.ended_at, Some(stored[1].logged_at));
    // The hitter of the other journal is nobody here.
    assert_eq!(reader.hitters().unwrap().len(), 1);
    assert_sound(reader.connection());
    assert_eq!(reader.last_said().unwrap(), None);

    // By another date it is the same clip still; another one of the same moment is not.
    let later = ClipSession {
        began_at: stamp("2026-03-08T10:15:30.250Z"),
        ..clip_of(Some(kit))
    };
    let again = journal.take_in_clip(found.reader(), &later);
    assert_eq!(again.unwrap(), TakenClip::HereBefore);
    let other = ClipSession {
        source: "clip 2233bbee".into(),
        ..clip_of(Some(kit))
    };
    let taken = journal.take_in_clip(found.reader(), &other).unwrap();
    assert!(matches!(taken, TakenClip::Session(_)));
    let nobodys = journal
        .take_in_clip(found.reader(), &clip_of(None))
        .unwrap();
    assert!(matches!(nobodys, TakenClip::Session(_)));
    let again = journal.take_in_clip(found.reader(), &clip_of(None));
    assert_eq!(again.unwrap(), TakenClip::HereBefore);
}

#[test]
fn a_clip_keeps_what_its_hitter_allows_and_is_nobodys_once_they_are_gone() {
    let dir = tempfile::tempdir().unwrap();
    let found = found(dir.path());
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    let [kit, zoe] = ["Kit", "Zoe"].map(|name| journal.find_or_add_hitter(&named(name)).unwrap());
    let refused = Edit::RecordConsent {
        hitter: kit,
        consent: NewConsent {
            purpose: Purpose::Landmarks,
            decision: Decision::Refused,
            decided_by: "father".into(),
            decided_on: jiff::civil::date(2026, 2, 1),
        },
    };
    journal.edit(&refused, "Maria").unwrap();
    let taken = journal.take_in_clip(found.reader(), &clip_of(Some(kit)));
    assert!(matches!(taken.unwrap(), TakenClip::Session(_)));
    let stored = reps(journal.reader());
    assert_eq!(stored.len(), 2);
    for rep in stored {
        assert_eq!(journal.reader().timeline(rep.id).unwrap(), None);
    }

    let freeze = Edit::FreezeHitter {
        hitter: zoe,
        frozen: true,
    };
    journal.edit(&freeze, "Maria").unwrap();
    let whom = DeletionTarget::Hitter(kit);
    journal.delete(whom, &[]).unwrap();
    for gone in [kit, zoe] {
        let taken = journal.take_in_clip(found.reader(), &clip_of(Some(gone)));
        assert_eq!(taken.unwrap(), TakenClip::HitterGone);
    }
    assert_eq!(journal.reader().counts().unwrap().swings, 0);
}

#[test]
fn a_clip_of_long_ago_stands_where_it_was_filmed() {
    let dir = tempfile::tempdir().unwrap();
    let found = found(dir.path());
    let mut journal = Journal::open(&dir.path().join("journal.db")).unwrap();
    // In May, and the clip in March.
    log_reps(&mut journal, "Kit", 1..=3);
    let kit = journal.find_or_add_hitter(&named("Kit")).unwrap();
    journal
        .take_in_clip(found.reader(), &clip_of(Some(kit)))
        .unwrap();
    let reader = journal.reader();
    let sessions = reader.sessions().unwrap();
    let order: Vec<&str> = sessions.iter().map(|row| row.source.as_str()).collect();
    assert_eq!(order.last(), Some(&"clip 0011aaff"));
    let of = |filter: SessionFilter| reader.sessions_of(&filter).unwrap().len();
    let before = |row: &SessionRow| SessionFilter {
        hitter: Some(kit),
        before: Some(row.id),
        ..SessionFilter::default()
    };
    assert_eq!((of(before(&sessions[0])), of(before(&sessions[1]))), (1, 0));
    let swings = |until, at_most| {
        let swings = reader.swings_measured(Some(kit), MeasureName::StrideLength, until, at_most);
        let swings = swings.unwrap().into_iter();
        let of: Vec<(SessionId, u32)> = swings.map(|swing| (swing.session, swing.number)).collect();
        of
    };
    let has_more = |than| reader.has_more_reps(Some(kit), than).unwrap();
    assert!(has_more(4) && !has_more(5));
    let [may, march] = [sessions[0].id, sessions[1].id];
    let all = swings(None, 100);
    assert_eq!(all, [(march, 1), (march, 2), (may, 1), (may, 2), (may, 3)]);
    // The last ones are the last by time, and so are those up to a rep.
    assert_eq!(swings(None, 3), all[2..]);
    let second = reps(reader)
        .into_iter()
        .find(|rep| rep.session == may && rep.judged.number == 2);
    assert_eq!(swings(second.map(|rep| rep.id), 3), all[1..4]);
}
