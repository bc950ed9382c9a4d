//! Who gets in where, and what every answer carries.

use super::*;

/// Pages that a coach opens; on an empty journal some of them are not there.
const COACH_PAGES: [&str; 13] = [
    "/today",
    "/owner",
    "/audit",
    "/logins",
    "/sessions",
    "/people",
    "/trends",
    "/plans",
    "/cages",
    "/clips",
    "/cues",
    "/sessions/1",
    "/reps/1",
];

#[test]
fn each_role_opens_its_own_doors_and_no_other() {
    let doors = Doors::locked();
    let nobody = Browser::at(ELSEWHERE);
    let here = Browser::at(HERE_ADDRESS);
    let screen = doors.logged_in(ELSEWHERE, PIN);
    let coach = doors.logged_in(ELSEWHERE, PASSWORD);
    for path in COACH_PAGES {
        for browser in [&nobody, &here, &screen] {
            let answer = doors.get(browser, path);
            assert_eq!(answer.status, StatusCode::SEE_OTHER, "{path}");
            assert_eq!(answer.location(), format!("/door?to={}", url_encoded(path)));
        }
        let answer = doors.get(&coach, path);
        let there = [StatusCode::OK, StatusCode::NOT_FOUND];
        assert!(there.contains(&answer.status), "{path}: {}", answer.text);
        let is_there = !path.ends_with("/1");
        assert_eq!(answer.status == StatusCode::OK, is_there, "{path}");
        assert_eq!(answer.text.contains("</html>"), is_there, "{path}");
    }
    for path in ["/", "/hitters"] {
        assert_eq!(doors.get(&nobody, path).status, StatusCode::SEE_OTHER);
        assert_eq!(doors.get(&here, path).status, StatusCode::SEE_OTHER);
        assert_eq!(doors.get(&screen, path).status, StatusCode::OK);
        assert_eq!(doors.get(&coach, path).status, StatusCode::OK);
    }
    // What a script asks for is refused where a page is led to the login.
    for path in [LIVE_PATH, PREVIEW_PATH, "/reps/1/film/0.jpg"] {
        let refused = doors.get(&nobody, path);
        assert_eq!(refused.status, StatusCode::FORBIDDEN, "{path}");
        assert!(
            refused.text.contains("sign in first"),
            "{path}: {}",
            refused.text
        );
    }
    assert_eq!(doors.get(&screen, LIVE_PATH).status, StatusCode::OK);
    let film = "/reps/1/film/0.jpg";
    assert_eq!(doors.get(&screen, film).status, StatusCode::FORBIDDEN);
    assert_eq!(doors.get(&coach, film).status, StatusCode::NOT_FOUND);
    // Nor is a form led there: it would be lost.
    let form = doors.post(&screen, "/plans", "token=x");
    assert_eq!(form.status, StatusCode::FORBIDDEN);
    for path in ["/health", "/metrics"] {
        assert_eq!(doors.get(&nobody, path).status, StatusCode::FORBIDDEN);
        assert_eq!(doors.get(&screen, path).status, StatusCode::FORBIDDEN);
        assert_eq!(doors.get(&here, path).status, StatusCode::OK);
        assert_eq!(doors.get(&coach, path).status, StatusCode::OK);
    }
}

#[test]
fn who_asks_without_the_right_is_in_the_log_by_route_and_account() {
    let doors = Doors::locked();
    let screen = doors.logged_in(ELSEWHERE, PIN);
    doors.post(&screen, "/sessions/77/delete", "token=x");
    doors.get(&Browser::at(ELSEWHERE), "/reps/5/film/0.jpg");
    let refused: Vec<_> = doors
        .entries(Act::AccessRefused, 2)
        .into_iter()
        .map(|entry| (entry.who, entry.detail.unwrap(), entry.from))
        .collect();
    let from = Some(ELSEWHERE.to_owned());
    assert_eq!(refused.len(), 2, "{refused:?}");
    assert_eq!(refused[0].1, "/sessions/{id}/delete");
    assert_eq!(refused[1].1, "/reps/{id}/film/{picture}");
    assert!(refused.iter().all(|(_, _, address)| *address == from));
    assert_eq!(
        (&refused[0].0, &refused[1].0),
        (&Actor::Screen, &Actor::Nobody)
    );
}

#[test]
fn a_changed_key_ends_what_was_opened_with_it_and_a_key_that_is_gone_shuts_the_network_out() {
    let doors = Doors::locked();
    let screen = doors.logged_in(ELSEWHERE, PIN);
    let coach = doors.logged_in(ELSEWHERE, PASSWORD);
    let requester = |browser: &Browser| {
        let mut head = Request::get("/").body(Body::empty()).unwrap();
        let token = browser.cookie("__Host-visit").unwrap();
        let header = format!("__Host-visit={token}").parse().unwrap();
        head.headers_mut().insert(COOKIE, header);
        let client = Client {
            address: browser.address,
            is_here: false,
            is_encrypted: true,
        };
        requester(&doors.state, &head, client, Language::English)
    };
    let (of_screen, of_coach) = (requester(&screen), requester(&coach));
    assert_eq!((of_screen.role, of_coach.role), (Role::Hitter, Role::Coach));
    assert!(of_coach.is_coach() && !of_screen.is_coach());
    assert_eq!(
        (of_screen.account(), of_coach.account()),
        (HERE, SHARED_ACCOUNT)
    );
    assert_eq!(of_screen.role_now(&doors.state), Role::Hitter);
    doors.set_keys(|keys| keys.set_pin(Some("864203")).unwrap());
    // A stream that is open asks again.
    assert_eq!(of_screen.role_now(&doors.state), Role::Anonymous);
    assert_eq!(of_coach.role_now(&doors.state), Role::Coach);
    assert_eq!(doors.get(&screen, "/").status, StatusCode::SEE_OTHER);
    assert_eq!(doors.get(&coach, "/sessions").status, StatusCode::OK);

    doors.set_keys(|keys| keys.set_pin(None).unwrap());
    let shut = doors.get(&coach, "/sessions");
    assert_eq!(shut.status, StatusCode::FORBIDDEN);
    assert!(shut.text.contains("a PIN and a password"), "{}", shut.text);
    // At the machine the screen is open without a PIN, the coach's pages are not.
    let here = Browser::at(HERE_ADDRESS);
    assert_eq!(doors.get(&here, "/").status, StatusCode::OK);
    assert_eq!(doors.get(&here, "/sessions").status, StatusCode::SEE_OTHER);
}

#[test]
fn a_session_at_the_machine_goes_with_its_key_even_where_the_screen_is_open() {
    let doors = Doors::open(PageSettings::default());
    doors.set_keys(|keys| keys.set_password(SHARED_ACCOUNT, Some(PASSWORD)).unwrap());
    let coach = doors.logged_in(HERE_ADDRESS, PASSWORD);
    let mut head = Request::get("/").body(Body::empty()).unwrap();
    let client = Client {
        address: coach.address,
        is_here: true,
        is_encrypted: false,
    };
    let without = requester(&doors.state, &head, client, Language::English);
    let header = format!("visit={}", coach.cookie("visit").unwrap());
    head.headers_mut().insert(COOKIE, header.parse().unwrap());
    let with = requester(&doors.state, &head, client, Language::English);
    assert_eq!(with.role_now(&doors.state), Role::Coach);
    doors.set_keys(|keys| {
        keys.set_password(SHARED_ACCOUNT, Some("eleven foul lines"))
            .unwrap()
    });
    assert_eq!(with.role_now(&doors.state), Role::Anonymous);
    assert_eq!(without.role_now(&doors.state), Role::Hitter);
}

#[test]
fn unencrypted_nothing_crosses_the_network_unless_the_settings_say_so() {
    let proxy = IpAddr::from([10, 0, 0, 9]);
    let rules = |unencrypted| PageSettings {
        unencrypted,
        behind_proxy: vec![proxy],
        ..PageSettings::default()
    };
    let set = |doors: &Doors| {
        doors.set_keys(|keys| {
            keys.set_pin(Some(PIN)).unwrap();
            keys.set_password(SHARED_ACCOUNT, Some(PASSWORD)).unwrap();
        });
    };
    let doors = Doors::open(rules(false));
    set(&doors);
    let mut plain = Browser::at(ELSEWHERE);
    plain.is_encrypted = false;
    let led = doors.get(&plain, "/trends?days=7");
    assert_eq!(led.status, StatusCode::PERMANENT_REDIRECT);
    assert_eq!(led.location(), "https://10.0.0.5:7420/trends?days=7");
    assert!(!led.headers.contains_key(STRICT_TRANSPORT_SECURITY));
    // What was sent in clear is not sent a second time.
    let sent = doors.post(&plain, "/door", "token=x&key=x");
    assert_eq!((sent.status, sent.location()), (StatusCode::FORBIDDEN, ""));
    // A proxy would only come again in clear.
    let forwarded = |scheme: &str| {
        let request = Request::get("/door")
            .header("x-forwarded-for", ELSEWHERE)
            .header("x-forwarded-proto", scheme);
        let through = Browser {
            address: proxy,
            is_encrypted: false,
            cookies: Vec::new(),
        };
        doors.send(&through, request.body(Body::empty()).unwrap())
    };
    let clear = forwarded("http");
    assert_eq!(
        (clear.status, clear.location()),
        (StatusCode::FORBIDDEN, "")
    );
    let encrypted = forwarded("https");
    assert_eq!(encrypted.status, StatusCode::OK);
    assert!(encrypted.headers.contains_key(STRICT_TRANSPORT_SECURITY));
    // This machine's own screen needs none, and says so of its cookie.
    let here = doors.get(&Browser::at(HERE_ADDRESS), "/door");
    assert_eq!(
        (here.status, here.cookies()[0].name()),
        (StatusCode::OK, "visit")
    );

    let doors = Doors::open(rules(true));
    assert_eq!(
        doors.get(&plain, "/door").status,
        StatusCode::FORBIDDEN,
        "no keys yet"
    );
    set(&doors);
    assert_eq!(doors.get(&plain, "/door").status, StatusCode::OK);
}

#[test]
fn other_names_and_other_sites_are_refused_before_anything_else() {
    let doors = Doors::open(PageSettings::default());
    let here = Browser::at(HERE_ADDRESS);
    let ask = |method: Method, headers: &[(&str, &str)]| {
        let mut request = Request::builder().method(method).uri("/language");
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        doors
            .send(&here, request.body(Body::empty()).unwrap())
            .status
    };
    let foreign_name = [("host", "evil.example")];
    assert_eq!(
        ask(Method::GET, &foreign_name),
        StatusCode::MISDIRECTED_REQUEST
    );
    let site = [
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-mode", "no-cors"),
    ];
    assert_eq!(ask(Method::GET, &site), StatusCode::FORBIDDEN);
    assert_eq!(ask(Method::HEAD, &site), StatusCode::FORBIDDEN);
    let link = [
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-mode", "navigate"),
    ];
    assert_eq!(ask(Method::GET, &link), StatusCode::METHOD_NOT_ALLOWED);
    assert_eq!(ask(Method::POST, &link), StatusCode::FORBIDDEN);
    let origin = [("origin", "http://evil.example")];
    for method in [Method::POST, Method::PUT, Method::DELETE] {
        assert_eq!(ask(method, &origin), StatusCode::FORBIDDEN);
    }
    assert_eq!(ask(Method::GET, &origin), StatusCode::METHOD_NOT_ALLOWED);
}

#[test]
fn every_answer_has_the_headers_that_browsers_are_to_keep_to() {
    let doors = Doors::locked();
    let browser = Browser::at(ELSEWHERE);
    for path in [
        "/door",
        "/",
        "/live",
        "/health",
        "/nothing",
        "/assets/page.css",
    ] {
        let answer = doors.get(&browser, path);
        let header = |name: &str| answer.headers.get(name).map_or("", |v| v.to_str().unwrap());
        assert!(
            header("content-security-policy").starts_with("default-src 'none';"),
            "{path}"
        );
        assert_eq!(header("x-content-type-options"), "nosniff", "{path}");
        assert_eq!(header("x-frame-options"), "DENY", "{path}");
        assert_eq!(header("referrer-policy"), "same-origin", "{path}");
        assert_eq!(
            header("cross-origin-resource-policy"),
            "same-origin",
            "{path}"
        );
        assert_eq!(
            header("cross-origin-opener-policy"),
            "same-origin",
            "{path}"
        );
        assert_eq!(
            header("strict-transport-security"),
            "max-age=31536000",
            "{path}"
        );
        let is_asset = path.starts_with("/assets");
        assert_eq!(header("cache-control") == "no-store", !is_asset, "{path}");
    }
}

#[test]
fn the_language_is_the_cookies_then_the_browsers_then_the_programs() {
    let doors = Doors::locked();
    let door = |cookie: Option<&str>, accepted: &str| {
        let mut browser = Browser::at(ELSEWHERE);
        if let Some(language) = cookie {
            browser.cookies = vec![("language".to_owned(), language.to_owned())];
        }
        let request = Request::get("/door").header(ACCEPT_LANGUAGE, accepted);
        let answer = doors.send(&browser, request.body(Body::empty()).unwrap());
        answer.text.contains("<html lang=\"es\"")
    };
    assert!(door(Some("es"), "en"));
    assert!(!door(Some("en"), "es"));
    assert!(door(None, "es-MX"));
    assert!(!door(None, "fr"));
}
