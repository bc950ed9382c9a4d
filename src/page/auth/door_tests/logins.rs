//! Logging in and out, and how long that lasts.

use super::*;

#[test]
fn a_login_gives_a_new_token_goes_where_it_was_asked_from_and_ends_at_the_logout() {
    let doors = Doors::locked();
    let mut coach = Browser::at(ELSEWHERE);
    coach.keep(&doors.get(&coach, "/door"));
    let before = coach.cookie("__Host-visit").unwrap().to_owned();
    let key = url_encoded(PASSWORD);
    let answer = doors.log_in(&mut coach, &format!("key={key}&to=/trends"));
    assert_eq!(
        (answer.status, answer.location()),
        (StatusCode::SEE_OTHER, "/trends")
    );
    assert_ne!(coach.cookie("__Host-visit"), Some(&*before));
    let mark = answer.cookies();
    let mark = mark
        .iter()
        .find(|cookie| cookie.name() == "__Host-device")
        .unwrap();
    assert_eq!(mark.max_age(), Some(cookie::time::Duration::days(400)));
    assert_eq!(doors.get(&coach, "/trends").status, StatusCode::OK);
    let abroad = doors.log_in(&mut coach.clone(), &format!("key={key}&to=//evil.example/"));
    assert_eq!(abroad.location(), "/today");
    // The second login has ended the session of the first.
    assert_eq!(doors.get(&coach, "/trends").status, StatusCode::SEE_OTHER);

    let mut coach = doors.logged_in(ELSEWHERE, PASSWORD);
    let token = doors.get(&coach, "/sessions").form_token();
    assert_eq!(
        doors.post(&coach, "/leave", "token=x").status,
        StatusCode::FORBIDDEN
    );
    assert_eq!(doors.get(&coach, "/sessions").status, StatusCode::OK);
    let old = coach.clone();
    let answer = doors.post(&coach, "/leave", &format!("token={token}"));
    assert_eq!(
        (answer.status, answer.location()),
        (StatusCode::SEE_OTHER, "/")
    );
    let gone = answer.cookies();
    assert_eq!(gone[0].max_age(), Some(cookie::time::Duration::ZERO));
    coach.keep(&answer);
    for browser in [&old, &coach] {
        assert_eq!(
            doors.get(browser, "/sessions").status,
            StatusCode::SEE_OTHER
        );
    }
    let out = doors.entries(Act::LoggedOut, 1);
    assert_eq!(out.len(), 1);
    assert_eq!(out[0].who, Actor::Coach(SHARED_ACCOUNT.to_owned()));
    assert!(!doors.entries(Act::LoggedIn, 1).is_empty());
}

#[test]
fn wrong_keys_are_told_entered_and_slowed_down() {
    let doors = Doors::locked();
    let mut browser = Browser::at(ELSEWHERE);
    for _ in 0..5 {
        let answer = doors.log_in(&mut browser, "key=246972&name=&to=/trends");
        assert_eq!(answer.status, StatusCode::FORBIDDEN);
        assert!(
            answer.text.contains("value=\"/trends\""),
            "it still knows where to"
        );
        assert!(browser.cookie("__Host-device").is_none());
    }
    let answer = doors.log_in(&mut browser, &format!("key={PIN}"));
    assert_eq!(answer.status, StatusCode::TOO_MANY_REQUESTS);
    let waits = [29, 30].map(|seconds| answer.text.contains(&format!(" {seconds} s")));
    assert!(waits.contains(&true), "{}", answer.text);
    // Whoever else asks does not wait for that: another stranger, and this machine's own screen.
    doors.logged_in("192.0.2.8", PIN);
    doors.logged_in(HERE_ADDRESS, PIN);
    assert_eq!(doors.state.login_throttle.wrong_keys(), 5);
    let refused = doors.entries(Act::LoginRefused, 6);
    let details: Vec<_> = refused
        .into_iter()
        .map(|entry| entry.detail.unwrap())
        .collect();
    assert_eq!(details[..5], ["wrong key"; 5]);
    assert_eq!(details[5..], ["too many wrong keys"]);
}

#[test]
fn a_device_that_was_logged_in_is_not_kept_waiting_by_strangers_of_its_address() {
    let doors = Doors::locked();
    let known = doors.logged_in(ELSEWHERE, PASSWORD);
    let mark = known.cookie("__Host-device").unwrap();
    let mut stranger = Browser::at(ELSEWHERE);
    for _ in 0..5 {
        doors.log_in(&mut stranger, "key=000000");
    }
    let form = format!("key={}", url_encoded(PASSWORD));
    let kept_out = doors.log_in(&mut stranger, &form);
    assert_eq!(kept_out.status, StatusCode::TOO_MANY_REQUESTS);
    let mut again = Browser::at(ELSEWHERE);
    again.cookies = vec![("__Host-device".to_owned(), mark.to_owned())];
    assert_eq!(
        doors.log_in(&mut again, &form).status,
        StatusCode::SEE_OTHER
    );
    // A mark that somebody made up counts as none.
    let mut forged = Browser::at(ELSEWHERE);
    let made_up = mark.replace(&mark[..8], "00000000");
    forged.cookies = vec![("__Host-device".to_owned(), made_up)];
    let answer = doors.log_in(&mut forged, &form);
    assert_eq!(answer.status, StatusCode::TOO_MANY_REQUESTS);
}

#[test]
fn a_coach_with_a_second_factor_needs_it_and_each_code_opens_once() {
    let doors = Doors::locked();
    let code = |skew: i64| {
        let now = crate::wall_clock::now().as_second() + skew;
        let secret = totp_rs::Secret::Encoded(SECRET.to_owned())
            .to_bytes()
            .unwrap();
        let generator = TOTP::new_unchecked(totp_rs::Algorithm::SHA1, 6, 0, 30, secret);
        generator.generate(u64::try_from(now).unwrap())
    };
    let key = url_encoded("seven quiet dugouts");
    let form = |code: &str| format!("name=ana&key={key}&code={code}");
    let mut ana = Browser::at(ELSEWHERE);
    for wrong in ["", "000000", &code(-3600)] {
        let answer = doors.log_in(&mut ana, &form(wrong));
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{wrong}");
    }
    assert!(ana.cookie("__Host-device").is_none());
    let now = code(0);
    let answer = doors.log_in(&mut ana, &form(&now));
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
    assert_eq!(doors.get(&ana, "/sessions").status, StatusCode::OK);
    let again = doors.log_in(&mut Browser::at(ELSEWHERE), &form(&now));
    assert_eq!(again.status, StatusCode::FORBIDDEN, "a code opens once");
    // Wrong codes count like wrong keys.
    assert_eq!(doors.state.login_throttle.wrong_keys(), 4);
}

#[test]
fn a_key_of_older_rules_opens_this_machines_screen_and_nothing_from_the_network() {
    let doors = Doors::locked();
    // Four digits, as older versions took them.
    let file = Credentials::file_beside(&doors.journal());
    let text = std::fs::read_to_string(&file).unwrap();
    let before = Credentials::read(&file).unwrap();
    let old = key_hash::hash("2469").unwrap();
    let pin = before.proof(&Principal::Screen).unwrap();
    std::fs::write(&file, text.replace(pin, &old)).unwrap();
    let from_network = doors.log_in(&mut Browser::at(ELSEWHERE), "key=2469");
    assert_eq!(from_network.status, StatusCode::FORBIDDEN);
    assert!(
        !from_network.text.contains("wrong"),
        "{}",
        from_network.text
    );
    // It was right all the same: nobody is slowed down.
    assert_eq!(doors.state.login_throttle.wrong_keys(), 0);
    let screen = doors.logged_in(HERE_ADDRESS, "2469");
    assert_eq!(doors.get(&screen, "/").status, StatusCode::OK);
}

#[test]
fn what_a_page_asks_by_itself_does_not_keep_a_coach_logged_in() {
    let doors = Doors::locked();
    let coach = doors.logged_in(ELSEWHERE, PASSWORD);
    let seen = || {
        let keys = doors.state.credentials().unwrap();
        let sessions = doors.state.web_sessions().list(&keys, Instant::now());
        sessions[0].last_seen.wall
    };
    let first = seen();
    for path in [LIVE_PATH, PREVIEW_PATH] {
        doors.get(&coach, path);
        assert_eq!(seen(), first, "{path}");
    }
    let request = Request::get("/sessions").header(POLLING, "1");
    let polled = doors.send(&coach, request.body(Body::empty()).unwrap());
    assert_eq!((polled.status, seen()), (StatusCode::OK, first));
    doors.get(&coach, "/sessions");
    assert!(seen() > first);
}

#[test]
fn a_coach_ends_other_sessions_out_of_the_list() {
    let doors = Doors::locked();
    let screen = doors.logged_in(ELSEWHERE, PIN);
    let other = doors.logged_in("192.0.2.8", PIN);
    let coach = doors.logged_in(ELSEWHERE, PASSWORD);
    let page = doors.get(&coach, "/logins");
    let token = page.form_token();
    let keys = doors.state.credentials().unwrap();
    let ids: Vec<u64> = doors
        .state
        .web_sessions()
        .list(&keys, Instant::now())
        .iter()
        .map(|session| session.id)
        .collect();
    assert_eq!(ids, [3, 2, 1], "the newest first");
    let end = |id: u64| {
        doors.post(
            &coach,
            &format!("/logins/{id}/end"),
            &format!("token={token}"),
        )
    };
    assert_eq!(end(1).status, StatusCode::SEE_OTHER);
    assert_eq!(doors.get(&screen, "/").status, StatusCode::SEE_OTHER);
    assert_eq!(doors.get(&other, "/").status, StatusCode::OK);
    let ended = doors.post(&coach, "/logins/end-others", &format!("token={token}"));
    assert_eq!(ended.status, StatusCode::SEE_OTHER);
    assert_eq!(doors.get(&other, "/").status, StatusCode::SEE_OTHER);
    assert_eq!(doors.get(&coach, "/logins").status, StatusCode::OK);
}
