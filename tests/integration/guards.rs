//! What guards each form of the page, with everything else about the request right: a valid web session with a wrong form
//! token, another site's origin, a kind of content that no form has, and a hitter's session where only a coach may.

use super::browser::Served;
use super::doors::{COACH_PASSWORD, ELSEWHERE, PIN, ask, log_in, set_key, status};
use super::program::{Place, project, recording};

/// Every route that takes a POST, as `router()` has it, an address of it, and whether only a coach may.
const POSTS: [(&str, &str, bool); 19] = [
    ("/seat", "/seat", false),
    ("/turns", "/turns", false),
    // No row of these numbers: what passes the guards deletes nothing.
    ("/sessions/{id}/hitter", "/sessions/99/hitter", true),
    ("/sessions/{id}/delete", "/sessions/99/delete", true),
    ("/people", "/people", true),
    ("/people/{id}", "/people/99", true),
    ("/people/{id}/consents", "/people/99/consents", true),
    ("/people/{id}/delete", "/people/99/delete", true),
    ("/plans", "/plans", true),
    ("/sessions/{id}/notes", "/sessions/1/notes", true),
    ("/notes/{id}/drop", "/notes/1/drop", true),
    ("/reps/{id}", "/reps/1", true),
    ("/reps/{id}/events", "/reps/1/events", true),
    ("/not-counted/{id}/count", "/not-counted/1/count", true),
    ("/logins/{id}/end", "/logins/99/end", true),
    ("/logins/end-others", "/logins/end-others", true),
    ("/door", "/door", false),
    ("/leave", "/leave", false),
    ("/language", "/language", false),
];

#[test]
fn every_route_that_takes_a_post_is_guarded_here() {
    let source = std::fs::read_to_string(project("src/page/mod.rs")).unwrap();
    let mut found: Vec<&str> = source
        .split(".route(")
        .skip(1)
        .filter(|route| route.split(".layer(").next().unwrap().contains("post("))
        .map(|route| route.split('"').nth(1).unwrap())
        .collect();
    let mut listed: Vec<&str> = POSTS.iter().map(|(route, ..)| *route).collect();
    found.sort_unstable();
    listed.sort_unstable();
    assert_eq!(found, listed);
}

#[test]
fn a_valid_web_session_alone_sends_no_form() {
    let place = Place::new();
    set_key(&place, "pin", PIN);
    set_key(&place, "password", COACH_PASSWORD);
    let served = Served::start(&place, &recording("r03"), "", &["--loops", "20"]);
    let at = served.address.as_str();
    let host = at.trim_start_matches("http://");
    let own_origin = format!("Origin: https://{host}");
    let same_host_in_clear = format!("Origin: http://{host}");
    let (coach, token) = log_in(at, COACH_PASSWORD);
    let (hitter, hitters_token) = log_in(at, PIN);
    assert_ne!(token, hitters_token);

    for (route, path, coach_only) in POSTS {
        let post = |cookie: &str, more: &[&str], body: &str| {
            let headers = [&[cookie, ELSEWHERE], more].concat();
            let answer = ask(at, "POST", path, &headers, body);
            (status(&answer), answer)
        };
        let key = COACH_PASSWORD.replace(' ', "+");
        let rest = format!("key={key}&what=nothing&name=Eve&text=x&code=es&to=%2F");
        let right = format!("token={token}&{rest}");
        let mut near = token.clone().into_bytes();
        near[0] = if near[0] == b'0' { b'1' } else { b'0' };
        let near = String::from_utf8(near).unwrap();
        for (what, body) in [
            (
                "another session's token",
                format!("token={hitters_token}&{rest}"),
            ),
            (
                "a token that is nearly right",
                format!("token={near}&{rest}"),
            ),
            ("half the token", format!("token={}&{rest}", &token[..32])),
            ("an empty token", format!("token=&{rest}")),
            ("no token", rest.clone()),
        ] {
            let (status, answer) = post(&coach, &[&own_origin], &body);
            assert_eq!(status, 403, "{route}, {what}: {answer}");
        }
        for foreign in [
            "Origin: https://evil.example",
            &same_host_in_clear,
            "Origin: null",
            "Origin: http://127.0.0.1:1",
            "Sec-Fetch-Site: cross-site",
            "Sec-Fetch-Site: same-site",
        ] {
            let (status, answer) = post(&coach, &[foreign], &right);
            assert_eq!(status, 403, "{route}, {foreign}: {answer}");
        }
        for kind in [
            "text/plain",
            "application/json",
            "multipart/form-data; boundary=x",
        ] {
            let (status, answer) = post(&coach, &[&format!("Content-Type: {kind}")], &right);
            assert_eq!(status, 415, "{route}, {kind}: {answer}");
        }
        if coach_only {
            let body = format!("token={hitters_token}&{rest}");
            let (status, answer) = post(&hitter, &[&own_origin], &body);
            assert_eq!(status, 403, "{route} by a hitter: {answer}");
        }
    }
    // The same requests with everything right pass the guards: what refused them above is what was wrong with them.
    for (route, path, _) in POSTS.into_iter().rev() {
        let (coach, token) = log_in(at, COACH_PASSWORD);
        let key = COACH_PASSWORD.replace(' ', "+");
        let body = format!("token={token}&key={key}&what=nothing&name=&text=x&code=es&to=%2F");
        let headers = [
            coach.as_str(),
            ELSEWHERE,
            &own_origin,
            "Sec-Fetch-Site: same-origin",
        ];
        let answer = ask(at, "POST", path, &headers, &body);
        assert!(![403, 415].contains(&status(&answer)), "{route}: {answer}");
    }
}
