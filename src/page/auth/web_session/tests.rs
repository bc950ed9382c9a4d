use super::*;

const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);
const HOUR: Duration = Duration::from_secs(3600);

fn keys() -> Credentials {
    let mut keys = Credentials::default();
    keys.set_pin(Some("246971")).unwrap();
    keys.set_password("coach", Some("nine long innings"))
        .unwrap();
    keys
}

fn coach() -> Principal {
    Principal::Coach("coach".into())
}

/// A moment so long after the first.
fn after(first: Moment, passed: Duration) -> Moment {
    Moment::new(
        first.at + passed,
        first.wall + jiff::SignedDuration::try_from(passed).unwrap(),
    )
}

fn first() -> Moment {
    Moment::new(Instant::now(), "2026-11-29T10:00:00Z".parse().unwrap())
}

#[test]
fn a_session_ends_when_it_idles_and_in_any_case_some_day() {
    let (keys, begun) = (keys(), first());
    let mut sessions = WebSessions::default();
    let found = |sessions: &mut WebSessions, token: &str, passed| {
        sessions
            .find(token, &keys, AskedBy::Person, after(begun, passed))
            .is_some()
    };
    let token = sessions.start(coach(), &keys, HERE, begun).unwrap();
    assert_eq!(token.len(), 64);
    for n in 1..36 {
        assert!(found(&mut sessions, &token, n * HOUR / 3), "{n}");
    }
    assert!(!found(&mut sessions, &token, 12 * HOUR));
    let idle = sessions.start(coach(), &keys, HERE, begun).unwrap();
    assert!(!found(&mut sessions, &idle, HOUR / 2));
    let wall = sessions
        .start(Principal::Screen, &keys, HERE, begun)
        .unwrap();
    assert!(found(&mut sessions, &wall, 6 * 24 * HOUR));
    assert!(sessions.end(&wall, begun.at).is_some());
    assert!(!found(&mut sessions, &wall, 6 * 24 * HOUR) && !found(&mut sessions, "", HOUR));
}

#[test]
fn that_a_screen_is_still_there_is_noted_twice_a_day() {
    let folder = tempfile::tempdir().unwrap();
    let (keys, begun) = (keys(), first());
    let mut sessions = WebSessions::default();
    sessions.use_file_beside(&folder.path().join("journal.db"), &keys, begun);
    let screen = sessions
        .start(Principal::Screen, &keys, HERE, begun)
        .unwrap();
    let coach = sessions.start(coach(), &keys, HERE, begun).unwrap();
    let kept = || {
        let text = std::fs::read_to_string(folder.path().join(FILE)).unwrap();
        let kept: KeptFile = toml::from_str(&text).unwrap();
        assert_eq!(kept.screen.len(), 1, "no coach's");
        kept.screen[0].last_seen
    };
    let mut find = |token: &str, passed| {
        sessions.find(token, &keys, AskedBy::Person, after(begun, passed));
    };
    assert_eq!(kept(), begun.wall);
    find(&screen, 11 * HOUR);
    assert_eq!(kept(), begun.wall);
    // Nobody notes a coach.
    for n in 1..36 {
        find(&coach, n * HOUR / 3);
    }
    assert_eq!(kept(), begun.wall);
    find(&screen, 12 * HOUR);
    assert_eq!(kept(), after(begun, 12 * HOUR).wall);
    find(&screen, 13 * HOUR);
    assert_eq!(kept(), after(begun, 12 * HOUR).wall);
}

#[test]
fn what_a_page_does_by_itself_keeps_a_screens_session_alive_and_no_coachs() {
    let (keys, begun) = (keys(), first());
    for (who, stays) in [(coach(), false), (Principal::Screen, true)] {
        let mut sessions = WebSessions::default();
        let token = sessions.start(who.clone(), &keys, HERE, begun).unwrap();
        let steps = 1..=if stays { 1000 } else { 3 };
        let found = steps
            .map(|n| {
                sessions
                    .find(&token, &keys, AskedBy::Script, after(begun, n * HOUR / 6))
                    .is_some()
            })
            .next_back();
        assert_eq!(found, Some(stays), "{who}");
    }
}

#[test]
fn a_key_that_is_changed_or_taken_away_ends_its_sessions_and_no_others() {
    let (mut keys, now) = (keys(), first());
    let mut sessions = WebSessions::default();
    let screen = sessions.start(Principal::Screen, &keys, HERE, now).unwrap();
    let coach = sessions.start(coach(), &keys, HERE, now).unwrap();
    // The same PIN, set again: whoever sets it wants everybody out.
    keys.set_pin(Some("246971")).unwrap();
    assert!(
        sessions
            .find(&screen, &keys, AskedBy::Person, now)
            .is_none()
    );
    assert!(sessions.find(&coach, &keys, AskedBy::Person, now).is_some());
    assert_eq!(sessions.list(&keys, now.at).len(), 1);
    keys.set_password("coach", None).unwrap();
    assert!(sessions.find(&coach, &keys, AskedBy::Person, now).is_none());
    assert!(
        sessions
            .start(Principal::Coach("coach".into()), &keys, HERE, now)
            .is_none()
    );
}

#[test]
fn screens_are_still_logged_in_after_a_restart_and_coaches_are_not() {
    let dir = tempfile::tempdir().unwrap();
    let journal = dir.path().join("journal.db");
    let (mut keys, begun) = (keys(), first());
    let mut sessions = WebSessions::default();
    sessions.use_file_beside(&journal, &keys, begun);
    let screen = sessions
        .start(Principal::Screen, &keys, HERE, begun)
        .unwrap();
    let ended = sessions
        .start(Principal::Screen, &keys, HERE, begun)
        .unwrap();
    let coach = sessions.start(coach(), &keys, HERE, begun).unwrap();
    sessions.end(&ended, begun.at);
    let text = std::fs::read_to_string(dir.path().join(FILE)).unwrap();
    assert!(!text.contains(&screen) && !text.contains("argon2"));
    let restarted = |keys: &Credentials, passed: Duration| {
        let mut sessions = WebSessions::default();
        // A clock of its own: what ran before the restart is not on it.
        let now = Moment::new(Instant::now(), after(begun, passed).wall);
        sessions.use_file_beside(&journal, keys, now);
        [&screen, &ended, &coach]
            .map(|token| sessions.find(token, keys, AskedBy::Person, now).is_some())
    };
    assert_eq!(restarted(&keys, 6 * 24 * HOUR), [true, false, false]);
    // It was seen then; a week later it is too old.
    assert_eq!(restarted(&keys, 14 * 24 * HOUR), [false; 3]);
    keys.set_pin(Some("830527")).unwrap();
    assert_eq!(restarted(&keys, HOUR), [false; 3]);
    std::fs::write(dir.path().join(FILE), "no sessions").unwrap();
    assert_eq!(restarted(&keys, HOUR), [false; 3]);
}

#[test]
fn many_sessions_do_not_fill_the_memory_and_put_out_nobody_elses() {
    let (keys, begun) = (keys(), first());
    let mut sessions = WebSessions::default();
    let coach = sessions.start(coach(), &keys, HERE, begun).unwrap();
    let wall = sessions
        .start(Principal::Screen, &keys, HERE, begun)
        .unwrap();
    for n in 0..1000 {
        let address = IpAddr::from([192, 0, 2, 1]);
        sessions.start(
            Principal::Screen,
            &keys,
            address,
            after(begun, Duration::from_millis(n)),
        );
    }
    assert!(sessions.sessions.len() <= MAX_SESSIONS);
    let later = after(begun, Duration::from_secs(3));
    for token in [coach, wall] {
        assert!(
            sessions
                .find(&token, &keys, AskedBy::Person, later)
                .is_some()
        );
    }
}
