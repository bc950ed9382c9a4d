//! What guards each form of the page, with everything else about the request right: a valid web session with a wrong form
//! token, another site's origin, a kind of content that no form has, and a hitter's session where only a coach may.

use super::browser::Served;
use super::doors::{COACH_PASSWORD, ELSEWHERE, PIN, ask, log_in, set_key, status};
use super::program::{Place, project};

/// Those that take a file; their token is in a header.
const SOUND: &str = "/cues/{id}";
const CLIP: &str = "/clips";

/// What a request of a route has besides where it comes from: headers and a body.
fn sent(route: &str, token: Option<&str>, kind: Option<&str>, rest: &str) -> (String, String) {
    let (usual, token_header, body) = match route {
        SOUND => {
            let header = token.map(|token| format!("\r\ncagehand-token: {token}"));
            ("audio/wav", header, "no sound".to_owned())
        }
        CLIP => {
            let header = token.map(|token| format!("\r\ncagehand-token: {token}"));
            ("application/octet-stream", header, "no clip".to_owned())
        }
        _ => {
            let token = token.map(|token| format!("token={token}&"));
            let form = "application/x-www-form-urlencoded";
            (form, None, token.unwrap_or_default() + rest)
        }
    };
    let kind = kind.unwrap_or(usual);
    let header = format!("Content-Type: {kind}{}", token_header.unwrap_or_default());
    (header, body)
}

/// Every route that takes a POST, as `router()` has it, an address of it, and whether only a coach may.
const POSTS: [(&str, &str, bool); 25] = [
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
    ("/cages", "/cages", true),
    (CLIP, "/clips?hitter=&filmed_at=1&slowed=file", true),
    ("/clips/{id}/drop", "/clips/99/drop", true),
    (SOUND, "/cues/head_forward", true),
    ("/cues/{id}/words", "/cues/head_forward/words", true),
    ("/cues/{id}/drop", "/cues/head_forward/drop", true),
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
    let served = Served::start_page(&place, "");
    let at = served.address.as_str();
    let host = at.trim_start_matches("http://");
    let own_origin = format!("Origin: https://{host}");
    let same_host_in_clear = format!("Origin: http://{host}");
    let (coach, token) = log_in(at, COACH_PASSWORD);
    let (hitter, hitters_token) = log_in(at, PIN);
    assert_ne!(token, hitters_token);

    for (route, path, coach_only) in POSTS {
        let post =
            |cookie: &str, from: &str, token: Option<&str>, kind: Option<&str>, rest: &str| {
                let (header, body) = sent(route, token, kind, rest);
                let answer = ask(at, "POST", path, &[cookie, ELSEWHERE, from, &header], &body);
                (status(&answer), answer)
            };
        let key = COACH_PASSWORD.replace(' ', "+");
        let rest = format!("key={key}&what=nothing&name=Eve&text=x&code=es&to=%2F");
        let mut near = token.clone().into_bytes();
        near[0] = if near[0] == b'0' { b'1' } else { b'0' };
        let near = String::from_utf8(near).unwrap();
        for (what, wrong) in [
            ("another session's token", Some(&*hitters_token)),
            ("a token that is nearly right", Some(&*near)),
            ("half the token", Some(&token[..32])),
            ("an empty token", Some("")),
            ("no token", None),
        ] {
            let (status, answer) = post(&coach, &own_origin, wrong, None, &rest);
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
            let (status, answer) = post(&coach, foreign, Some(&token), None, &rest);
            assert_eq!(status, 403, "{route}, {foreign}: {answer}");
        }
        for kind in [
            "text/plain",
            "application/json",
            "multipart/form-data; boundary=x",
        ] {
            let (status, answer) = post(&coach, &own_origin, Some(&token), Some(kind), &rest);
            assert_eq!(status, 415, "{route}, {kind}: {answer}");
        }
        if coach_only {
            let (status, answer) = post(&hitter, &own_origin, Some(&hitters_token), None, &rest);
            assert_eq!(status, 403, "{route} by a hitter: {answer}");
        }
    }
    // The same requests with everything right pass the guards: what refused them above is what was wrong with them.
    for (route, path, _) in POSTS.into_iter().rev() {
        let (coach, token) = log_in(at, COACH_PASSWORD);
        let key = COACH_PASSWORD.replace(' ', "+");
        let rest = format!("key={key}&what=nothing&name=&text=x&code=es&to=%2F");
        let (header, body) = sent(route, Some(&token), None, &rest);
        let headers = [
            coach.as_str(),
            ELSEWHERE,
            &own_origin,
            &header,
            "Sec-Fetch-Site: same-origin",
        ];
        let answer = ask(at, "POST", path, &headers, &body);
        assert!(![403, 415].contains(&status(&answer)), "{route}: {answer}");
    }
}
