//! What is entered into the audit trail, and about whom.

use super::*;
use crate::journal::{HitterId, NewSession};

/// A cage whose second hitter has had a session; the first has none.
fn with_a_session() -> (Doors, Browser) {
    let doors = Doors::locked();
    let mut journal = Journal::open(&doors.journal()).unwrap();
    let mut add = |name: &str| {
        let hitter = NewHitter {
            name: Some(name.to_owned()),
            ..NewHitter::default()
        };
        journal.find_or_add_hitter(&hitter).unwrap()
    };
    let (first, second) = (add("Ana"), add("Bo"));
    assert_eq!([first, second].map(HitterId::get), [1, 2]);
    let begun = NewSession {
        hitter: Some(second),
        started_at: "2026-05-01T17:00:00Z".parse().unwrap(),
        source: "demo.mp4".into(),
        settings: String::new(),
        program_version: "0.1.0".into(),
        plan: None,
        said_by: None,
    };
    assert_eq!(journal.begin_session(&begun).unwrap().get(), 1);
    drop(journal);
    let coach = doors.logged_in(ELSEWHERE, PASSWORD);
    (doors, coach)
}

#[test]
fn a_look_is_entered_with_who_it_was_about() {
    let (doors, coach) = with_a_session();
    for path in [
        "/sessions?hitter=2",
        "/people/1",
        "/sessions/1",
        "/people",
        "/people/9",
        "/trends",
    ] {
        doors.get(&coach, path);
    }
    let looks = doors.entries(Act::Looked, 4);
    let about: Vec<_> = looks
        .iter()
        .map(|entry| (entry.hitter, entry.session))
        .collect();
    // Who is not there was not looked at; trends show nobody before somebody is chosen.
    assert_eq!(
        about,
        [
            (Some(2), None),
            (Some(1), None),
            (Some(2), Some(1)),
            (None, None)
        ]
    );
    let coach = Actor::Coach(SHARED_ACCOUNT.to_owned());
    for entry in &looks {
        assert_eq!(
            (&entry.who, entry.from.as_deref()),
            (&coach, Some(ELSEWHERE))
        );
    }
}

#[test]
fn an_export_is_entered_each_time_and_what_was_refused_never() {
    let (doors, coach) = with_a_session();
    for path in [
        "/sessions/1/reps.csv",
        "/sessions/1/reps.jsonl",
        "/sessions/1/reps.csv",
    ] {
        assert_eq!(doors.get(&coach, path).status, StatusCode::OK, "{path}");
    }
    let screen = doors.logged_in(ELSEWHERE, PIN);
    doors.get(&screen, "/sessions/1/reps.csv");
    assert_eq!(
        doors.get(&coach, "/sessions/7/reps.csv").status,
        StatusCode::NOT_FOUND
    );
    // Without the form's token nothing is changed, nor entered as if it were.
    doors.post(&coach, "/sessions/1/delete", "token=x&sure=yes");
    doors.log_in(&mut coach.clone(), "key=000000");
    doors.entries(Act::LoginRefused, 1);
    assert_eq!(doors.entries(Act::Exported, 3).len(), 3);
    assert!(doors.entries(Act::Deleted, 0).is_empty());
    assert!(doors.entries(Act::Looked, 0).is_empty());
}
