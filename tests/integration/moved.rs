//! A person moves an event of a logged rep: its measures follow, and nothing else does.

use std::collections::BTreeMap;
use std::path::Path;

use cagehand::coach::Coach;
use cagehand::journal::{
    Edit, ExportFormat, Journal, MovedEvent, NewSession, RepFilter, RepId, RepRecord, SessionId,
    StoredRep,
};
use cagehand::picture_size::PictureSize;
use cagehand::rep::{
    CannotMove, EventName, FoundRep, HitterSetup, Measure, MeasureName, Rep, RepFinder,
};
use cagehand::settings::{DEFAULT_FILE, Settings};
use cagehand::time::CaptureTime;
use cagehand::wall_clock::now_to_the_millisecond;

use super::tracks::recorded::{HEIGHT_CM, Recorded};

fn found(recorded: &Recorded) -> FoundRep {
    let mut finder = RepFinder::new(HitterSetup {
        height_cm: Some(HEIGHT_CM),
        ..HitterSetup::default()
    });
    let mut frames = recorded.frames.iter().cloned();
    frames
        .find_map(|frame| finder.push(frame))
        .or_else(|| finder.finish())
        .expect("the recording holds a swing")
}

fn value(measures: &BTreeMap<MeasureName, Measure>, name: MeasureName) -> f64 {
    measures[&name].value().unwrap_or(f64::NAN)
}

#[test]
fn measured_again_without_a_change_a_rep_stays_what_it_was() {
    let FoundRep { rep, frames } = found(&Recorded::load());
    let again = rep
        .with_event_moved(&frames, None, None, EventName::Plant, rep.events.plant)
        .unwrap();
    assert_eq!(again.events, rep.events);
    for (name, measure) in &rep.measures {
        let now = &again.measures[name];
        assert_eq!(
            measure.value().is_some(),
            now.value().is_some(),
            "{name}: {measure:?} {now:?}"
        );
        let (Some(before), Some(after)) = (measure.value(), now.value()) else {
            continue;
        };
        let Measure::Made { plus_minus, .. } = measure else {
            unreachable!("it has a value")
        };
        // The stored stretch is shorter than the one it was found in, which filters notice at its ends.
        assert!(
            (before - after).abs() <= 0.3 * plus_minus + 1e-6,
            "{name}: {before} became {after}, plus or minus {plus_minus}"
        );
    }
}

/// Against the recording's truth: with the foot's landing put where it was rendered, the stride lasts what it lasted.
#[test]
fn with_the_true_landing_the_times_come_nearer_to_the_truth() {
    let recorded = Recorded::load();
    let FoundRep { rep, frames } = found(&recorded);
    let at = CaptureTime::from_secs;
    // First the landing a tenth of a second late, as a bad detection would have it.
    let late = rep
        .with_event_moved(
            &frames,
            None,
            None,
            EventName::Plant,
            Some(at(recorded.plant + 0.1)),
        )
        .unwrap();
    let wrong = Rep {
        events: late.events,
        measures: late.measures,
        ..rep.clone()
    };
    let right = wrong
        .with_event_moved(
            &frames,
            None,
            None,
            EventName::Plant,
            Some(at(recorded.plant)),
        )
        .unwrap();
    let name = MeasureName::PlantToContact;
    let truth = 1e3 * (recorded.contact - recorded.plant);
    let (before, after) = (value(&wrong.measures, name), value(&right.measures, name));
    assert!((after - before - 100.0).abs() < 0.5, "{before} {after}");
    assert!((after - truth).abs() < 30.0, "{after} for {truth}");
    let name = MeasureName::LiftToPlant;
    let truth = 1e3 * (recorded.plant - recorded.lift_off);
    assert!((value(&right.measures, name) - truth).abs() < 40.0);
    // What the landing has no part in does not move with it.
    let load = |measures: &BTreeMap<MeasureName, Measure>| {
        value(measures, MeasureName::GatherToPlant) - value(measures, MeasureName::LiftToPlant)
    };
    assert!((load(&wrong.measures) - load(&rep.measures)).abs() < 0.01);
}

#[test]
fn an_event_stays_between_its_neighbours_and_within_the_pictures() {
    let FoundRep { rep, frames } = found(&Recorded::load());
    let moved =
        |event, to: Option<CaptureTime>| rep.with_event_moved(&frames, None, None, event, to);
    let contact = rep.events.contact.unwrap();
    assert_eq!(
        moved(EventName::Plant, Some(contact.plus_secs(0.02))),
        Err(CannotMove::OutOfOrder)
    );
    assert_eq!(
        moved(EventName::Finish, Some(contact.plus_secs(60.0))),
        Err(CannotMove::NotRecorded)
    );
    assert_eq!(
        rep.with_event_moved(&[], None, None, EventName::Plant, None),
        Err(CannotMove::Unmeasurable)
    );
    let unseen = moved(EventName::Plant, None).unwrap();
    assert_eq!(unseen.events.plant, None);
    for name in [
        MeasureName::HeadToPlant,
        MeasureName::LiftToPlant,
        MeasureName::PlantToContact,
    ] {
        assert_eq!(unseen.measures[&name].value(), None, "{name}");
    }
}

#[test]
fn the_journal_keeps_what_was_found_and_gives_it_back_to_the_last_bit() {
    let FoundRep { rep, frames } = found(&Recorded::load());
    let settings = Settings::parse(DEFAULT_FILE, Path::new("default")).unwrap();
    let mut coach = Coach::new(settings.bands, settings.cues.order);
    let judged = coach.judge(rep);
    let dir = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&dir.path().join("j.db")).unwrap();
    let session = journal
        .begin_session(&NewSession {
            hitter: None,
            started_at: now_to_the_millisecond(),
            source: "clip".into(),
            settings: String::new(),
            program_version: "0".into(),
            plan: None,
            said_by: None,
        })
        .unwrap();
    let size = PictureSize {
        width_px: 1280,
        height_px: 720,
    };
    let id = journal
        .log_rep(
            session,
            &RepRecord::new(judged.clone(), frames.clone(), size),
        )
        .unwrap();
    let before = journal.reader().rep(id).unwrap();
    assert_eq!(before.judged, judged, "its scale is stored too");
    assert!(!before.moved);

    let mut correct = |stored: &StoredRep, by_secs: f64| {
        let plant = stored.judged.rep.events.plant.unwrap().plus_secs(by_secs);
        let corrected = stored
            .judged
            .rep
            .with_event_moved(&frames, None, None, EventName::Plant, Some(plant))
            .unwrap();
        let moved = MovedEvent {
            rep: id,
            event: EventName::Plant,
            judged: stored.judged.corrected(corrected),
        };
        journal
            .edit(&Edit::MoveEvent(Box::new(moved)), "Maria")
            .unwrap();
        journal.reader().rep(id).unwrap()
    };
    let once = correct(&before, 0.03);
    let twice = correct(&once, -0.08);
    let name = MeasureName::PlantToContact;
    let told = |stored: &StoredRep| value(&stored.judged.rep.measures, name);
    assert!((told(&once) - told(&before) + 30.0).abs() < 0.01);
    assert!((told(&twice) - told(&before) - 50.0).abs() < 0.01);
    assert!(twice.moved);
    assert_eq!(
        twice.judged.cue, before.judged.cue,
        "what was heard was heard"
    );
    let found = journal.reader().found_events(id).unwrap().unwrap();
    assert_eq!(found, before.judged.rep.events);
    assert_eq!(journal.reader().corrections(id).unwrap().len(), 2);
    let mut table = Vec::new();
    journal
        .reader()
        .export_reps(&RepFilter::default(), ExportFormat::JsonLines, &mut table)
        .unwrap();
    assert!(String::from_utf8(table).unwrap().contains("\"moved\":true"));

    journal.edit(&Edit::RestoreEvents(id), "Maria").unwrap();
    let after = journal.reader().rep(id).unwrap();
    assert_eq!(after, before);
    assert_eq!(journal.reader().corrections(id).unwrap().len(), 3);
    assert_eq!(journal.reader().found_events(id).unwrap(), None);
    let nobody = Edit::RestoreEvents(RepId::new(99));
    assert!(journal.edit(&nobody, "Maria").is_err());
    // With the rep goes what was kept of it.
    correct_and_forget(journal, session, id);
}

fn correct_and_forget(mut journal: Journal, session: SessionId, id: RepId) {
    let stored = journal.reader().rep(id).unwrap();
    let moved = MovedEvent {
        rep: id,
        event: EventName::Finish,
        judged: stored.judged,
    };
    journal
        .edit(&Edit::MoveEvent(Box::new(moved)), "Maria")
        .unwrap();
    journal.delete_session(session).unwrap();
    assert_eq!(journal.reader().found_events(id).unwrap(), None);
}
