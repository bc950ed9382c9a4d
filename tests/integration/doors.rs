//! Each door of the page without its key, and the keys themselves.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Stdio;

use super::browser::{PROXY, Served};
use super::program::{PATIENCE, Place, recording};

/// What the page answers: status, headers and body as text.
pub(crate) fn ask(address: &str, method: &str, path: &str, headers: &[&str], body: &str) -> String {
    let answer = ask_bytes(address, method, path, headers, body.as_bytes());
    String::from_utf8_lossy(&answer).into_owned()
}

/// The same with bytes that need be no text.
pub(crate) fn ask_bytes(
    address: &str,
    method: &str,
    path: &str,
    headers: &[&str],
    body: &[u8],
) -> Vec<u8> {
    let host = address.trim_start_matches("http://");
    let mut stream = match headers.contains(&ELSEWHERE) {
        true => connect_from_proxy(host),
        false => TcpStream::connect(host).unwrap(),
    };
    let mut request = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
    if !headers
        .iter()
        .any(|header| header.to_lowercase().starts_with("host:"))
    {
        request += &format!("Host: {host}\r\n");
    }
    for header in headers {
        request += &format!("{header}\r\n");
    }
    if method == "POST" {
        request += &format!("Content-Length: {}\r\n", body.len());
        if !headers.iter().any(|h| h.starts_with("Content-Type:")) {
            request += "Content-Type: application/x-www-form-urlencoded\r\n";
        }
    }
    write!(stream, "{request}\r\n").unwrap();
    stream.write_all(body).unwrap();
    let mut answer = Vec::new();
    // An answer may take its time on a busy machine.
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let mut part = [0; 4096];
    while let Ok(count @ 1..) = stream.read(&mut part) {
        answer.extend_from_slice(&part[..count]);
        // The stream of events does not end; its first one is the whole state.
        if answer.len() > 200_000 || path.ends_with("/live") && holds_an_event(&answer) {
            break;
        }
    }
    answer
}

fn holds_an_event(answer: &[u8]) -> bool {
    let answer = String::from_utf8_lossy(answer);
    let event = answer.split_once("data: ");
    event.is_some_and(|(_, event)| event.contains("\n\n"))
}

/// A connection from where the named proxy is.
pub(crate) fn connect_from_proxy(host: &str) -> TcpStream {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let stream = runtime.block_on(async {
        let socket = tokio::net::TcpSocket::new_v4().unwrap();
        socket.bind(format!("{PROXY}:0").parse().unwrap()).unwrap();
        socket
            .connect(host.parse().unwrap())
            .await
            .unwrap()
            .into_std()
            .unwrap()
    });
    stream.set_nonblocking(false).unwrap();
    stream
}

pub(crate) fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).unwrap_or("0").parse().unwrap_or(0)
}

pub(crate) fn set_key(place: &Place, which: &str, key: &str) {
    let mut child = place
        .command(&["keys", which, "--journal", "page.db"])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    writeln!(child.stdin.take().unwrap(), "{key}").unwrap();
    assert!(child.wait().unwrap().success());
}

/// A PIN and a password that the program accepts.
pub(crate) const PIN: &str = "246971";
pub(crate) const COACH_PASSWORD: &str = "nine long innings";

const COACHES: [&str; 30] = [
    "/today",
    "/audit",
    "/sessions",
    "/sessions/1",
    "/sessions/1/sheet",
    "/sessions/1/log",
    "/sessions/1/reps.csv",
    "/sessions/1/reps.jsonl",
    "/reps/1",
    "/reps/1/data",
    "/reps/1/film",
    "/reps/1/film/0.jpg",
    "/not-counted/1",
    "/not-counted/1/data",
    "/sessions/1/delete",
    "/people",
    "/people/1",
    "/people/1/delete",
    "/trends",
    "/plans",
    "/cages",
    "/cages/0/screen",
    "/cages/0/live",
    "/clips",
    "/clips/now",
    "/cues",
    "/cues/head_forward/sound",
    "/owner",
    "/owner?x=/door",
    "/logins",
];
const HITTERS: [&str; 4] = ["/", "/hitters", "/live", "/picture"];
const CHANGES: [&str; 21] = [
    "/seat",
    "/turns",
    "/sessions/1/notes",
    "/notes/1/drop",
    "/reps/1",
    "/reps/1/events",
    "/not-counted/1/count",
    "/sessions/1/hitter",
    "/sessions/1/delete",
    "/people/1",
    "/people/1/delete",
    "/plans",
    "/cages",
    "/clips",
    "/clips/1/drop",
    "/cues/head_forward",
    "/cues/head_forward/words",
    "/cues/head_forward/drop",
    "/language",
    "/logins/1/end",
    "/logins/end-others",
];

/// A request that the named proxy passes on for somebody else.
pub(crate) const ELSEWHERE: &str = "X-Forwarded-For: 192.0.2.7\r\nX-Forwarded-Proto: https";

#[test]
fn every_door_stays_shut_without_its_key() {
    let place = Place::new();
    set_key(&place, "pin", PIN);
    set_key(&place, "password", COACH_PASSWORD);
    let shown = "picture = true\n";
    let served = Served::start_page(&place, shown);
    let at = served.address.as_str();

    for path in COACHES {
        for more in [&[][..], &[ELSEWHERE]] {
            let answer = ask(at, "GET", path, more, "");
            assert!([303, 403].contains(&status(&answer)), "{path}: {answer}");
            assert!(!answer.contains("Kit Fuller"), "{path}");
        }
    }
    // With a PIN this machine's own screen needs it too: a forwarder that keeps quiet looks the same.
    for path in HITTERS {
        for more in [&[][..], &[ELSEWHERE]] {
            let answer = ask(at, "GET", path, more, "");
            assert!([303, 403].contains(&status(&answer)), "{path}: {answer}");
            assert!(!answer.contains("JFIF"), "{path}");
        }
    }
    let (screen, _) = log_in(at, PIN);
    let picture = ask(at, "GET", "/picture", &[&screen, ELSEWHERE], "");
    assert!(picture.contains("JFIF") && picture.contains("cache-control: no-store"));
    for path in ["/health", "/metrics"] {
        assert_eq!(status(&ask(at, "GET", path, &[], "")), 200);
        assert_eq!(
            status(&ask(at, "GET", path, &[ELSEWHERE], "")),
            403,
            "{path}"
        );
    }
    for path in CHANGES {
        // Without a visit, with an invented one, from another site, by another name, and with the wrong form token.
        for more in [
            &[][..],
            &["Cookie: visit=0000"],
            &["Origin: http://evil.example"],
            &["Sec-Fetch-Site: cross-site"],
            &["X-Forwarded-For: 127.0.0.1"],
            &[ELSEWHERE],
        ] {
            let answer = ask(
                at,
                "POST",
                path,
                more,
                "token=0000&name=Eve&what=put&text=x&code=es",
            );
            assert_eq!(status(&answer), 403, "{path} {more:?}: {answer}");
        }
    }
    assert_eq!(
        status(&ask(at, "GET", "/", &["Host: evil.example"], "")),
        421
    );
    assert_eq!(status(&ask(at, "GET", "/nowhere", &[], "")), 404);
    for header in [
        "content-security-policy: default-src 'none'; script-src 'self'",
        "x-content-type-options: nosniff",
        "x-frame-options: deny",
        "cache-control: no-store",
    ] {
        let answer = ask(at, "GET", "/", &[], "").to_lowercase();
        assert!(answer.contains(header), "{header}");
    }
}

/// The visit's cookie and the form token that a page gave.
pub(crate) fn visit(answer: &str) -> (String, String) {
    let cookie = answer
        .split("set-cookie: ")
        .skip(1)
        .map(|rest| rest.split(';').next().unwrap())
        .find(|cookie| cookie.contains("visit="))
        .unwrap();
    (format!("Cookie: {cookie}"), form_token(answer))
}

/// The form token in a page; empty where it has none.
fn form_token(answer: &str) -> String {
    let token = answer.split("name=\"token\" value=\"").nth(1);
    token.map_or_else(String::new, |rest| {
        rest.split('"').next().unwrap().to_owned()
    })
}

/// Logs in from elsewhere; the web session's cookie and its form token.
pub(crate) fn log_in(at: &str, key: &str) -> (String, String) {
    let entered = log_in_with(at, &[ELSEWHERE], key);
    assert_eq!(status(&entered), 303, "{entered}");
    let (cookie, _) = visit(&entered);
    let page = ask(at, "GET", "/hitters", &[&cookie, ELSEWHERE], "");
    (cookie, form_token(&page))
}

/// What a login with a key is answered.
pub(crate) fn log_in_with(at: &str, headers: &[&str], key: &str) -> String {
    let (cookie, token) = visit(&ask(at, "GET", "/door", headers, ""));
    let form = format!("token={token}&key={}&to=%2F", key.replace(' ', "+"));
    ask(
        at,
        "POST",
        "/door",
        &[&[cookie.as_str()], headers].concat(),
        &form,
    )
}

#[test]
fn a_key_opens_its_door_a_wrong_one_makes_wait_and_the_body_is_limited() {
    let place = Place::new();
    set_key(&place, "pin", PIN);
    set_key(&place, "password", COACH_PASSWORD);
    let served = Served::start_page(&place, "");
    let at = served.address.as_str();
    let door = ask(at, "GET", "/door", &[ELSEWHERE], "");
    let (cookie, token) = visit(&door);
    assert!(door.contains("set-cookie: __Host-visit="), "{door}");
    assert!(door.contains("HttpOnly; SameSite=Strict; Secure; Path=/"));
    assert!(door.contains("strict-transport-security: max-age="));
    let form = |key: &str| format!("token={token}&key={key}&to=%2Fsessions");
    let big = form(&"x".repeat(60_000));
    assert_eq!(
        status(&ask(at, "POST", "/door", &[&cookie, ELSEWHERE], &big)),
        413
    );

    let entered = ask(at, "POST", "/door", &[&cookie, ELSEWHERE], &form(PIN));
    assert_eq!(status(&entered), 303, "{entered}");
    let (hitter, _) = visit(&entered);
    assert_ne!(hitter, cookie, "a new token for a new right");
    assert_eq!(
        status(&ask(at, "GET", "/hitters", &[&hitter, ELSEWHERE], "")),
        200
    );
    assert_ne!(
        status(&ask(at, "GET", "/sessions", &[&hitter, ELSEWHERE], "")),
        200
    );

    let (cookie, token) = visit(&ask(at, "GET", "/door", &[ELSEWHERE], ""));
    let form = |key: &str| format!("token={token}&key={key}&to=%2F%2Fevil.example");
    let entered = ask(
        at,
        "POST",
        "/door",
        &[&cookie, ELSEWHERE],
        &form("nine+long+innings"),
    );
    assert_eq!(status(&entered), 303);
    assert!(
        entered.contains("location: /today\r\n"),
        "nobody is sent elsewhere: {entered}"
    );
    let (coach, _) = visit(&entered);
    let sessions = ask(at, "GET", "/sessions", &[&coach, ELSEWHERE], "");
    assert_eq!(status(&sessions), 200);
    let token = form_token(&sessions);
    let left = ask(
        at,
        "POST",
        "/leave",
        &[&coach, ELSEWHERE],
        &format!("token={token}"),
    );
    assert_eq!(status(&left), 303);
    assert_ne!(
        status(&ask(at, "GET", "/sessions", &[&coach, ELSEWHERE], "")),
        200
    );

    let (cookie, token) = visit(&ask(at, "GET", "/door", &[ELSEWHERE], ""));
    let wrong = format!("token={token}&key=1111");
    let tries: Vec<u16> = (0..7)
        .map(|_| status(&ask(at, "POST", "/door", &[&cookie, ELSEWHERE], &wrong)))
        .collect();
    assert_eq!(tries, [403, 403, 403, 403, 403, 429, 429]);
    let right = format!("token={token}&key={PIN}");
    assert_eq!(
        status(&ask(at, "POST", "/door", &[&cookie, ELSEWHERE], &right)),
        429,
        "the right one waits too"
    );
}

#[test]
fn the_network_sees_no_page_before_both_keys_are_set() {
    let place = Place::new();
    std::fs::write(
        place.path("open.toml"),
        "[page]\nlisten = \"0.0.0.0:0\"\n[pose]\nmodel = \"lite\"\n",
    )
    .unwrap();
    let clip = recording("r03");
    let watch = [
        "watch",
        "--end-with-recording",
        "--stand-in",
        &clip,
        "--sound",
        "none",
        "--settings",
        "open.toml",
        "--journal",
        "page.db",
    ];
    let refused = place.run(&watch);
    let told = String::from_utf8_lossy(&refused.stderr);
    assert!(told.contains("cagehand keys pin"), "{told}");
    assert!(!String::from_utf8_lossy(&refused.stdout).contains("page: http"));
    set_key(&place, "pin", PIN);
    set_key(&place, "password", COACH_PASSWORD);
    let served = place.run(&watch);
    assert!(String::from_utf8_lossy(&served.stdout).contains("page: https://0.0.0.0:"));
}
