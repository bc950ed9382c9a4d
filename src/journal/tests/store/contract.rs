//! What a journal file answers, the store answers too.
//!
//! The same rows and edits go into both; all that pages read must then be the same, but for the times of the edits.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use super::*;
use crate::journal::tests::not_counted::{log_not_counted, seen};
use crate::rep::EventName;
use crate::wall_clock::now_to_the_millisecond;

/// What the contract is about: rows of each table.
struct Filled {
    hitters: Vec<HitterId>,
    sessions: Vec<SessionId>,
    reps: Vec<RepId>,
    not_counted: Vec<NotCountedId>,
    plan: PlanId,
}

fn add_hitters(journal: &mut Journal) -> Vec<HitterId> {
    let ana = NewHitter {
        bats: Some(Bats::Right),
        ..named("Ana")
    };
    let twin = NewHitter {
        height_cm: Some(171.5),
        ..named("Ana again")
    };
    [ana, named("Ben"), NewHitter::default(), twin, named("Cleo")]
        .iter()
        .map(|hitter| journal.find_or_add_hitter(hitter).unwrap())
        .collect()
}

/// Sessions of Ana twice, Ben, nobody, and of the entry that is Ana again; the reps of the first have each kind of value.
fn fill(journal: &mut Journal) -> Filled {
    let hitters = add_hitters(journal);
    let plan = NewPlan {
        name: "Heels".into(),
        text: "first = \"heel_rise\"\n".into(),
    };
    let mut sessions = Vec::new();
    for (day, hitter) in [
        (3, Some(0)),
        (1, Some(0)),
        (2, Some(1)),
        (4, None),
        (5, Some(3)),
    ] {
        let new = NewSession {
            hitter: hitter.map(|place: usize| hitters[place]),
            started_at: stamp(&format!("2026-05-0{day}T17:00:00.125Z")),
            plan: (day == 3).then(|| plan.clone()),
            said_by: (day == 1).then_some(SaidBy::Page),
            ..session()
        };
        sessions.push(journal.begin_session(&new).unwrap());
    }
    journal
        .end_session(sessions[0], stamp("2026-05-03T18:00:00Z"), Some("so be it"))
        .unwrap();
    // It is never over before it began.
    journal
        .end_session(sessions[1], stamp("2026-04-01T18:00:00Z"), None)
        .unwrap();
    let mut reps = Vec::new();
    for (place, session) in sessions.iter().enumerate() {
        for number in 1..=4 {
            let mut rep = record(number + 10 * place as u32);
            rep.judged.number = number;
            if number == 3 {
                rep.judged.rep.kind = RepKind::Take;
                rep.judged.cue = None;
                rep.judged.no_cue = Some("take".into());
            }
            if number == 4 {
                rep = rep.without_landmarks();
                rep.judged.rep.heard = Some(crate::rep::Heard::Nothing);
            }
            reps.push(journal.log_rep(*session, &rep).unwrap());
        }
    }
    // A retry is the same rep.
    let mut again = record(42);
    again.judged.number = 2;
    assert_eq!(journal.log_rep(sessions[4], &again).unwrap(), reps[17]);
    let not_counted = [24.0, 60.0, 90.0]
        .map(|known_at| log_not_counted(journal, sessions[0], &seen(known_at)))
        .to_vec();
    // Seen before.
    assert_eq!(
        log_not_counted(journal, sessions[0], &seen(60.0)),
        not_counted[1]
    );
    let plan = journal
        .reader()
        .sessions_of(&SessionFilter {
            only: Some(sessions[0]),
            ..SessionFilter::default()
        })
        .unwrap()[0]
        .plan
        .unwrap();
    Filled {
        hitters,
        sessions,
        reps,
        not_counted,
        plan,
    }
}

/// An edit, and whether it is accepted.
type Tried = (Edit, bool);

/// Edits of every kind.
fn edits(filled: &Filled) -> Vec<Tried> {
    [
        of_notes(filled),
        of_reps(filled),
        of_plans(filled),
        of_hitters(filled),
        of_consents(filled),
    ]
    .concat()
}

fn of_notes(filled: &Filled) -> Vec<Tried> {
    let note = |session: usize, rep: Option<usize>, text: &str| Edit::AddNote {
        session: filled.sessions[session],
        rep: rep.map(|place| filled.reps[place]),
        text: text.into(),
    };
    vec![
        (note(0, None, " it's a start; 100 % é "), true),
        (note(0, Some(1), "see the hands"), true),
        (note(1, Some(1), "of another session"), false),
        (note(0, None, "to be deleted"), true),
        (Edit::DeleteNote(NoteId::new(3)), true),
        (Edit::DeleteNote(NoteId::new(3)), false),
    ]
}

fn of_reps(filled: &Filled) -> Vec<Tried> {
    let Filled {
        reps, not_counted, ..
    } = filled;
    let mut moved = record(1).judged;
    moved.rep.events = moved.rep.events.with(EventName::Plant, time(13.0));
    moved.rep.measures.remove(&MeasureName::HeadDrop);
    let move_plant = |rep| {
        Edit::MoveEvent(Box::new(MovedEvent {
            rep,
            event: EventName::Plant,
            judged: moved.clone(),
        }))
    };
    let relabel = |rep, kind| Edit::Relabel { rep, kind };
    let mark = Edit::Mark {
        rep: reps[0],
        marked: true,
    };
    let exclude = Edit::Exclude {
        rep: reps[1],
        why: Some("slipped".into()),
    };
    let nobody = RepId::new(999);
    vec![
        (mark, true),
        (exclude, true),
        (relabel(reps[2], Some(RepKind::Swing)), true),
        (relabel(nobody, None), false),
        (move_plant(reps[0]), true),
        (move_plant(reps[0]), true),
        (move_plant(reps[5]), true),
        (Edit::RestoreEvents(reps[5]), true),
        (Edit::RestoreEvents(nobody), false),
        (Edit::MakeCount(not_counted[1]), true),
        (Edit::MakeCount(not_counted[1]), true),
        (Edit::MakeCount(NotCountedId::new(999)), false),
    ]
}

fn of_plans(filled: &Filled) -> Vec<Tried> {
    let set = |hitter, name: &str| Edit::SetPlan {
        hitter,
        plan: NewPlan {
            name: name.into(),
            text: format!("name = {name:?}\n"),
        },
    };
    vec![
        (set(Some(filled.hitters[0]), "Hands"), true),
        (set(None, "All"), true),
        (set(None, "All"), true),
        // Newer than the one that stays in force when the two entries become one.
        (set(Some(filled.hitters[3]), "Twin's"), true),
    ]
}

fn of_hitters(filled: &Filled) -> Vec<Tried> {
    let Filled {
        hitters, sessions, ..
    } = filled;
    let give = |place: usize| Edit::GiveSession {
        session: sessions[3],
        hitter: Some(hitters[place]),
    };
    let rename = |name: &str| Edit::RenameHitter {
        hitter: hitters[1],
        name: name.into(),
    };
    let known = Edit::AddHitter(NewHitter {
        bats: Some(Bats::Left),
        height_cm: Some(180.0),
        ..named("Ben")
    });
    let merge = Edit::MergeHitters {
        from: hitters[3],
        into: hitters[0],
    };
    let freeze = Edit::FreezeHitter {
        hitter: hitters[4],
        frozen: true,
    };
    vec![
        (known, true),
        (give(1), true),
        (rename("Ana"), false),
        (rename("Benjamin"), true),
        (merge.clone(), true),
        (merge, false),
        (freeze, true),
        (give(4), false),
    ]
}

fn of_consents(filled: &Filled) -> Vec<Tried> {
    let record = |hitter, purpose, decision| Edit::RecordConsent {
        hitter,
        consent: NewConsent {
            purpose,
            decision,
            decided_by: "mother, paper form".into(),
            decided_on: Date::constant(2026, 2, 28),
        },
    };
    let [ana, ben] = [filled.hitters[0], filled.hitters[1]];
    vec![
        (record(ben, Purpose::Landmarks, Decision::Refused), true),
        (record(ana, Purpose::Film, Decision::Withdrawn), true),
        (record(ana, Purpose::Landmarks, Decision::Withdrawn), true),
        (record(ana, Purpose::Landmarks, Decision::Given), true),
        (
            record(HitterId::new(999), Purpose::Name, Decision::Refused),
            false,
        ),
    ]
}

/// Whatever pages read, by the name of what was asked.
fn everything(reader: &JournalReader, filled: &Filled) -> Vec<(String, String)> {
    let mut all = Vec::new();
    let mut told = |what: String, answer: &dyn std::fmt::Debug| {
        all.push((what, format!("{answer:#?}")));
    };
    told_of_hitters(reader, &mut told);
    told("counts".into(), &reader.counts());
    told("last rep".into(), &reader.last_rep());
    told("plans".into(), &reader.plans());
    told("plan".into(), &reader.plan(filled.plan));
    told("for nobody".into(), &reader.plan_in_force(None));
    for purpose in Purpose::ALL {
        told(format!("refuse {purpose:?}"), &reader.who_refuse(*purpose));
    }
    let filters = [
        SessionFilter::default(),
        SessionFilter {
            before: Some(filled.sessions[0]),
            holding: Holding::Swings,
            ..SessionFilter::default()
        },
        SessionFilter {
            hitter: Some(filled.hitters[0]),
            since: Some(stamp("2026-05-01T17:00:00.125Z")),
            until: Some(stamp("2026-05-04T00:00:00Z")),
            holding: Holding::Reps,
            at_most: Some(1),
            ..SessionFilter::default()
        },
    ];
    for filter in filters {
        told(
            format!("{filter:?}"),
            &(reader.sessions_of(&filter), reader.who_hit_in(&filter)),
        );
    }
    for hitter in filled.hitters.iter().copied().map(Some).chain([None]) {
        told_of_hitter(reader, filled, hitter, &mut told);
    }
    for session in filled.sessions.iter().chain([&SessionId::new(999)]) {
        told(format!("reps {session}"), &reader.reps_of(*session));
        told(format!("notes {session}"), &reader.notes(*session));
        let not_counted = reader.not_counted_of(*session);
        told(format!("not counted {session}"), &not_counted);
        told(
            format!("whose {session}"),
            &(
                reader.hitter_of_session(*session),
                reader.whose(RowOf::Session, session.get()),
                reader.rep_numbered(*session, 2),
                reader.in_range(*session, MeasureName::HeadDrop),
            ),
        );
    }
    for rep in filled.reps.iter().chain([&RepId::new(999)]) {
        told(
            format!("rep {rep}"),
            &(
                reader.rep(*rep),
                reader.timeline(*rep),
                reader.timeline_start(*rep),
                reader.corrections(*rep),
                reader.found_events(*rep),
                reader.film_id(*rep),
                reader.whose(RowOf::Rep, rep.get()),
            ),
        );
    }
    for id in filled.not_counted.iter().chain([&NotCountedId::new(999)]) {
        told(
            format!("not counted {id:?}"),
            &(
                reader.not_counted(*id),
                reader.not_counted_timeline(*id),
                reader.whose(RowOf::NotCounted, id.get()),
                reader.whose(RowOf::Note, 2),
            ),
        );
    }
    for format in [ExportFormat::JsonLines, ExportFormat::Csv] {
        let mut out = Vec::new();
        let filter = RepFilter {
            hitter: Some(HitterChoice::Name("Ana".into())),
            since: Some(stamp("2026-05-01T17:03:09.250Z")),
            until: Some(stamp("2026-05-01T17:03:09.251Z")),
            ..RepFilter::default()
        };
        let written = reader.export_reps(&filter, format, &mut out);
        told(format!("{format:?}"), &(written, String::from_utf8(out)));
    }
    all
}

fn told_of_hitters(reader: &JournalReader, told: &mut impl FnMut(String, &dyn std::fmt::Debug)) {
    told("hitters".into(), &reader.hitters());
    told("to choose".into(), &reader.hitters_to_choose(None));
    let lately = reader.hitters_lately(Some(HitterId::new(1)));
    if let Ok(lately) = &lately {
        told(
            "attendance".into(),
            &reader.attendance(lately).map(BTreeMap::from_iter),
        );
        told("namesakes".into(), &reader.namesakes(&lately[0]));
    }
    told("lately".into(), &lately);
    told(
        "shared names".into(),
        &reader.shared_names().map(BTreeSet::from_iter),
    );
}

fn told_of_hitter(
    reader: &JournalReader,
    filled: &Filled,
    hitter: Option<HitterId>,
    told: &mut impl FnMut(String, &dyn std::fmt::Debug),
) {
    let measure = MeasureName::HeadDrop;
    let rep = filled.reps[6];
    told(
        format!("swings of {hitter:?}"),
        &(
            reader.plan_in_force(hitter),
            reader.plans_for(hitter),
            reader.swings_measured(hitter, measure, None, 3),
            reader.swings_measured(hitter, measure, Some(rep), 100),
            reader.values_before(hitter, rep, 100).map(|mut values| {
                // They have no order.
                values.sort_by(|a, b| (a.0, a.1).partial_cmp(&(b.0, b.1)).unwrap());
                values
            }),
            reader.has_more_reps(hitter, 3),
            reader.has_more_reps(hitter, 30),
        ),
    );
    if let Some(hitter) = hitter {
        // All of them, in an order.
        let usual = reader
            .baselines_of(&HitterChoice::Id(hitter), 3)
            .map(|all| {
                let usual = |measure: &MeasureName| all.get(Bats::Right, *measure);
                MeasureName::ALL.iter().map(usual).collect::<Vec<_>>()
            });
        told(
            format!("of {hitter}"),
            &(
                reader.hitter(&HitterChoice::Id(hitter)),
                reader.consent_rows(hitter),
                reader.count_timelines(hitter),
                reader.count_films(hitter),
                usual,
                reader.whose(RowOf::Hitter, hitter.get()),
            ),
        );
    }
}

/// With what happened since then at one moment: the wall clock went on between file and store.
fn at_one_moment(told: &str, since: Timestamp) -> String {
    let mut text = String::new();
    for piece in told.split_inclusive(|c: char| !c.is_ascii_digit() && !"-:.TZ".contains(c)) {
        let stamp = piece.trim_end_matches(|c: char| !c.is_ascii_digit() && c != 'Z');
        match stamp.parse::<Timestamp>() {
            Ok(at) if at >= since => text += &piece.replace(stamp, "now"),
            _ => text += piece,
        }
    }
    text
}

#[test]
fn a_store_answers_as_a_file_does() {
    let since = now_to_the_millisecond();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().canonicalize().unwrap().join("journal.db");
    let mut file = Journal::open(&path).unwrap();
    let pool = new_store();
    // Messages name it as they name the file.
    let mut store = Journal::of_store(pool.clone(), path.to_str().unwrap());
    let filled = fill(&mut file);
    fill(&mut store);
    let compare = |file: &Journal, after: &str| {
        let reader = JournalReader::of_store(pool.clone(), path.to_str().unwrap());
        let from_file = everything(file.reader(), &filled);
        let from_store = everything(&reader, &filled);
        assert_eq!(from_file.len(), from_store.len());
        for ((what, in_file), (_, in_store)) in from_file.iter().zip(&from_store) {
            let (in_file, in_store) = (
                at_one_moment(in_file, since),
                at_one_moment(in_store, since),
            );
            let differs = in_file
                .lines()
                .zip(in_store.lines())
                .position(|(a, b)| a != b);
            assert!(
                in_file == in_store,
                "{after}: {what}: line {differs:?}\n{in_file}\n---- but in the store\n{in_store}"
            );
        }
    };
    compare(&file, "filled");
    for (edit, is_accepted) in edits(&filled) {
        let answers = [&mut file, &mut store].map(|journal| journal.edit(&edit, "Maria"));
        let [in_file, in_store] = answers.map(|answer| match answer {
            Err(JournalError::Refused { doing, .. }) => Err(doing),
            answer => Ok(answer.unwrap()),
        });
        assert_eq!(in_file.is_ok(), is_accepted, "{edit:?}");
        assert_eq!(in_file, in_store, "{edit:?}");
    }
    compare(&file, "edited");
    // Last, for it leaves a gap in the numbers of the store's rows.
    let of_nobody = Edit::SetPlan {
        hitter: Some(HitterId::new(999)),
        plan: NewPlan {
            name: "Nobody's".into(),
            text: String::new(),
        },
    };
    for journal in [&mut file, &mut store] {
        let refused = journal.edit(&of_nobody, "Maria");
        assert!(
            matches!(refused, Err(JournalError::Refused { .. })),
            "{refused:?}"
        );
    }
    compare(&file, "refused");
}
