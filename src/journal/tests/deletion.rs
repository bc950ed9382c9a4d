//! A hitter is deleted from every byte, or exported whole.

use std::fs;
use std::path::Path;

use super::super::files::deletion::SetAside;
use super::maintenance::{filled, log_reps, named, names_in};
use super::*;

/// How often these bytes stand in the journal and its log.
fn found(path: &Path, bytes: &[u8]) -> usize {
    ["", "-wal"]
        .iter()
        .map(|side| {
            let mut name = path.as_os_str().to_owned();
            name.push(side);
            let file = fs::read(name).unwrap_or_default();
            file.windows(bytes.len())
                .filter(|part| *part == bytes)
                .count()
        })
        .sum()
}

/// Where others name the hitter.
pub(super) fn named_by(report: &DeletionReport) -> Vec<String> {
    let entries = report.named_by_others.iter();
    entries.map(ToString::to_string).collect()
}

const NAME: &str = "Bartholomea Quixwood";

#[test]
fn a_deleted_hitter_is_in_no_byte_of_the_file_or_its_log() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=3);
    let hitter = journal.find_or_add_hitter(&named(NAME)).unwrap();
    let plan = NewPlan {
        name: "hers".into(),
        text: "words of a plan that nobody else has".into(),
    };
    journal.set_plan(Some(hitter), &plan, "Maria").unwrap();
    let hers = journal
        .begin_session(&NewSession {
            hitter: Some(hitter),
            settings: format!("[hitter]\nname = \"{NAME}\"\n"),
            ..session()
        })
        .unwrap();
    let value = 123.456_789_012_345_f64;
    let why = "the left elbow was hidden by a purple umbrella";
    let mut timeline = Vec::new();
    let not_counted_timeline;
    for number in 11..=40 {
        let mut rep = record(number);
        rep.judged.rep.measures.insert(
            MeasureName::StrideLength,
            Measure::Made {
                value,
                plus_minus: 1.0,
                confidence: 0.9,
            },
        );
        let hidden = Measure::NotMade { why: why.into() };
        rep.judged
            .rep
            .measures
            .insert(MeasureName::HandsBack, hidden);
        timeline = encode_timeline(&rep.frames).unwrap();
        journal.log_rep(hers, &rep).unwrap();
    }
    // What was not counted goes too.
    let unlike = super::not_counted::seen(77.0);
    super::not_counted::log_not_counted(&mut journal, hers, &{
        let mut unlike = unlike;
        unlike.frames = super::frames(90, 50.0, false, &mut super::Dice::new(4711));
        not_counted_timeline = encode_timeline(&unlike.frames).unwrap();
        unlike
    });
    // SQLite stores a real number as eight bytes, the highest first.
    let value = value.to_be_bytes();
    let traces: [&[u8]; 6] = [
        NAME.as_bytes(),
        why.as_bytes(),
        &value,
        plan.text.as_bytes(),
        &timeline[..60],
        &not_counted_timeline[..60],
    ];
    for trace in traces {
        assert!(found(&path, trace) > 0, "it is there before");
    }
    let kept = journal.reader().reps_of(SessionId::new(1)).unwrap();

    let choice = HitterChoice::Name(NAME.into());
    let report = journal.delete_hitter(&choice).unwrap();
    assert_eq!(
        (report.sessions, report.reps, report.fingerprints),
        (1, 30, 31)
    );
    assert!(report.not_rebuilt.is_none(), "{report:?}");
    assert_eq!((report.remnants.len(), report.remnants_aside.len()), (0, 0));
    assert!(report.named_by_others.is_empty());
    assert!(
        report
            .searched
            .iter()
            .any(|(file, bytes)| file.ends_with("journal.db") && *bytes > 10_000)
    );
    for trace in traces {
        assert_eq!(found(&path, trace), 0);
    }
    assert_eq!(journal.reader().reps_of(SessionId::new(1)).unwrap(), kept);
    let free: i64 = journal
        .reader()
        .connection()
        .pragma_query_value(None, "freelist_count", |row| row.get(0))
        .unwrap();
    assert_eq!(free, 0, "the file was rebuilt");
    assert_sound(journal.reader().connection());
    assert!(matches!(
        journal.delete_hitter(&choice),
        Err(JournalError::NoSuchHitter { .. })
    ));
    log_reps(&mut journal, "Ana", 4..=5);
}

#[test]
fn a_name_in_a_correction_goes_with_its_hitter_and_is_reported_where_it_is_anothers() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let name = "Bartholomea Quixwood";
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=2);
    log_reps(&mut journal, name, 1..=2);
    let reps: Vec<RepId> = (1..=4).map(RepId::new).collect();
    let exclude = |rep: RepId, why: Option<&str>| Edit::Exclude {
        rep,
        why: why.map(str::to_owned),
    };
    // Struck, then counted again: the reason stands in the corrections only.
    let hers = format!("{name} was called to the phone");
    journal
        .edit(&exclude(reps[2], Some(&hers)), "Maria")
        .unwrap();
    journal.edit(&exclude(reps[2], None), "Maria").unwrap();
    // An event is moved: what was found is kept, with why a measure could not be made.
    let mut judged = judged(2);
    let why = format!("{name}'s umbrella hid the elbow");
    let id = {
        let session = journal.reader().sessions().unwrap()[0].id;
        let mut rep = record(7);
        let hidden = Measure::NotMade {
            why: why.as_str().into(),
        };
        rep.judged
            .rep
            .measures
            .insert(MeasureName::HandsBack, hidden);
        journal.log_rep(session, &rep).unwrap()
    };
    judged.rep.events.plant = time(13.01);
    let moved = MovedEvent {
        rep: id,
        event: crate::rep::EventName::Plant,
        judged,
    };
    journal
        .edit(&Edit::MoveEvent(Box::new(moved)), "Maria")
        .unwrap();
    journal.empty_wal().unwrap();
    assert!(found(&path, hers.as_bytes()) > 0 && found(&path, why.as_bytes()) > 0);

    // Another hitter's correction names her too.
    let others = format!("{name} stood in the way");
    journal
        .edit(&exclude(reps[0], Some(&others)), "Maria")
        .unwrap();
    journal.edit(&exclude(reps[0], None), "Maria").unwrap();
    let report = journal
        .delete_hitter(&HitterChoice::Name(name.into()))
        .unwrap();
    assert_eq!(
        named_by(&report),
        ["1 in corrections.was", "1 in corrections.became"]
    );
    assert_eq!(report.remnants, []);
    for trace in [&hers, &why] {
        assert_eq!(found(&path, trace.as_bytes()), 0, "{trace}");
    }
    assert_eq!(
        found(&path, name.as_bytes()),
        2,
        "in the other hitter's correction, before and after"
    );
}

#[test]
fn remnants_of_a_deleted_hitter_are_reported() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let name = "Bartholomea";
    filled(&path, name, 3);
    Journal::read_only(&path)
        .unwrap()
        .back_up_to(&dir.path().join("journal.replaced-20260101-000000.db"))
        .unwrap();
    let mut journal = Journal::open(&path).unwrap();
    // A namesake's longer name, and the same recording kept for another hitter, are not this hitter's.
    log_reps(&mut journal, "Bartholomea the Younger", 1..=1);

    // A reader that holds an old moment keeps the log from being emptied: the search must find what is left there.
    let reader = Journal::read_only(&path).unwrap();
    let moment = reader.connection().unchecked_transaction().unwrap();
    reader.counts().unwrap();
    let report = journal
        .delete_hitter(&HitterChoice::Name(name.into()))
        .unwrap();
    assert!(
        matches!(report.not_rebuilt, Some(JournalError::Busy { .. })),
        "{report:?}"
    );
    assert!(
        report.remnants.iter().any(|left| left.timelines > 0),
        "{report:?}"
    );
    assert_eq!(report.fingerprints, 2, "one of three is the other's too");
    assert_eq!(named_by(&report), ["1 in hitters.name"]);
    // The journal that was set aside could be opened, and has lost the hitter too.
    assert!(
        matches!(
            report.set_aside[..],
            [SetAside {
                sessions: Ok(1),
                ..
            }]
        ),
        "{report:?}"
    );
    assert_eq!(report.remnants_aside, []);
    drop(moment);
    drop(reader);
    drop(journal);
    drop(Journal::open(&path).unwrap());
    let timeline = encode_timeline(&record(3).frames).unwrap();
    assert_eq!(found(&path, &timeline[..48]), 0, "gone once it was closed");
}

#[test]
fn a_hitter_is_exported_whole() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    log_reps(&mut journal, "Ana", 1..=2);
    log_reps(&mut journal, "Bo", 1..=1);
    log_reps(&mut journal, "Ana", 1..=1);
    let reader = journal.reader();
    let folder = dir.path().join("ana");
    let ana = HitterChoice::Name("Ana".into());
    let files = reader.export_hitter(&ana, &folder).unwrap();
    assert_eq!(
        (files.reps, files.tracks, files.without_landmarks),
        (3, 3, 0)
    );
    assert_eq!(
        names_in(&folder),
        [
            "hitter.json",
            "reps.jsonl",
            "session-1-rep-1.track.jsonl",
            "session-1-rep-2.track.jsonl",
            "session-3-rep-1.track.jsonl",
        ]
    );
    let mut wanted = Vec::new();
    let filter = RepFilter {
        hitter: Some(ana.clone()),
        ..RepFilter::default()
    };
    reader
        .export_reps(&filter, ExportFormat::JsonLines, &mut wanted)
        .unwrap();
    assert_eq!(fs::read(folder.join("reps.jsonl")).unwrap(), wanted);
    let track = fs::read_to_string(folder.join("session-1-rep-2.track.jsonl")).unwrap();
    assert_eq!(track.lines().count(), 1 + record(2).frames.len());
    let who: serde_json::Value =
        serde_json::from_slice(&fs::read(folder.join("hitter.json")).unwrap()).unwrap();
    assert_eq!(
        (&who["name"], who["sessions"].as_array().unwrap().len()),
        (&"Ana".into(), 2)
    );
    assert!(matches!(
        reader.export_hitter(&ana, &folder),
        Err(JournalError::FolderInUse { .. })
    ));
}
