//! What ends a login and what does not: a key that is changed or dropped, logging out, a coach's list, strangers' wrong keys,
//! a restart; and the second factor.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Stdio;
use std::time::{Duration, Instant};

use super::browser::{Browser, Served, block_on};
use super::doors::{
    COACH_PASSWORD, ELSEWHERE, PIN, ask, connect_from_proxy, log_in, log_in_with, set_key, status,
    visit,
};
use super::program::Place;

fn keys(place: &Place, arguments: &[&str], typed: &str) -> (bool, String) {
    let mut all = vec!["keys"];
    all.extend(arguments);
    all.extend(["--journal", "page.db"]);
    let mut child = place
        .command(&all)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    writeln!(child.stdin.take().unwrap(), "{typed}").unwrap();
    let output = child.wait_with_output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8(said).unwrap())
}

fn guarded(place: &Place) -> Served {
    set_key(place, "pin", PIN);
    set_key(place, "password", COACH_PASSWORD);
    Served::start_page(place, "picture = true\n")
}

fn get(at: &str, cookie: &str, path: &str) -> u16 {
    status(&ask(at, "GET", path, &[cookie, ELSEWHERE], ""))
}

/// An open stream of the live state.
struct Live(TcpStream);

impl Live {
    fn open(at: &str, cookie: &str) -> Self {
        let host = at.trim_start_matches("http://");
        let mut stream = connect_from_proxy(host);
        write!(
            stream,
            "GET /live HTTP/1.1\r\nConnection: close\r\nHost: {host}\r\n{ELSEWHERE}\r\n{cookie}\r\n\r\n"
        )
        .unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(5)))
            .unwrap();
        let mut live = Self(stream);
        assert!(live.read_some().contains("200 OK"));
        live
    }

    fn read_some(&mut self) -> String {
        let mut part = [0; 8192];
        let count = self.0.read(&mut part).unwrap_or(0);
        String::from_utf8_lossy(&part[..count]).into_owned()
    }

    /// Whether the stream, and its connection with it, ends within ten seconds.
    fn ends(mut self) -> bool {
        let begun = Instant::now();
        let mut part = [0; 8192];
        while begun.elapsed() < Duration::from_secs(10) {
            if matches!(self.0.read(&mut part), Ok(0)) {
                return true;
            }
        }
        false
    }
}

#[test]
fn a_changed_key_and_a_logout_end_sessions_and_streams_and_a_restart_ends_coaches_only() {
    let place = Place::new();
    let served = guarded(&place);
    let at = served.address.clone();
    let (screen, _) = log_in(&at, PIN);
    let (coach, token) = log_in(&at, COACH_PASSWORD);
    assert_eq!(
        (get(&at, &screen, "/hitters"), get(&at, &coach, "/owner")),
        (200, 200)
    );
    let (screens, coachs) = (Live::open(&at, &screen), Live::open(&at, &coach));

    // The same PIN, set again: whoever sets it wants everybody out who has it.
    set_key(&place, "pin", PIN);
    assert_eq!(
        (get(&at, &screen, "/hitters"), get(&at, &screen, "/picture")),
        (303, 403)
    );
    assert!(screens.ends(), "the stream goes with its session");
    assert_eq!(get(&at, &coach, "/owner"), 200, "another key's stays");

    let left = ask(
        &at,
        "POST",
        "/leave",
        &[&coach, ELSEWHERE],
        &format!("token={token}"),
    );
    assert_eq!(status(&left), 303);
    assert_eq!(get(&at, &coach, "/owner"), 303);
    assert!(coachs.ends());

    let (screen, _) = log_in(&at, PIN);
    let (coach, _) = log_in(&at, COACH_PASSWORD);
    drop(served);
    let served = guarded_again(&place);
    let at = served.address.clone();
    assert_eq!(
        (get(&at, &screen, "/hitters"), get(&at, &coach, "/owner")),
        (200, 303)
    );

    // Without its keys nothing is shown beyond this machine, whatever was so at the start.
    assert!(keys(&place, &["password", "--drop"], "").0);
    let answer = ask(&at, "GET", "/hitters", &[&screen, ELSEWHERE], "");
    assert!(
        status(&answer) == 403 && answer.contains("before a PIN and a password are set"),
        "{answer}"
    );
}

/// The same place once more; its keys stay what they are.
fn guarded_again(place: &Place) -> Served {
    Served::start_page(place, "")
}

#[test]
fn a_coach_sees_who_is_logged_in_and_ends_it() {
    let place = Place::new();
    let served = guarded(&place);
    let at = served.address.as_str();
    let (screen, _) = log_in(at, PIN);
    let (other, _) = log_in(at, COACH_PASSWORD);
    let (coach, token) = log_in(at, COACH_PASSWORD);
    let list = ask(at, "GET", "/logins", &[&coach, ELSEWHERE], "");
    assert_eq!(list.matches("192.0.2.7</td>").count(), 3, "{list}");
    assert!(list.contains("cage screen (PIN)") && list.contains("this one"));
    let end = |id: &str| {
        let path = format!("/logins/{id}/end");
        let form = format!("token={token}");
        status(&ask(at, "POST", &path, &[&coach, ELSEWHERE], &form))
    };
    let ids: Vec<&str> = list
        .split("action=\"/logins/")
        .skip(1)
        .filter_map(|rest| rest.split('/').next())
        .collect();
    // The newest first: this one, the other coach, the screen.
    assert_eq!((ids.len(), end(ids[2]), end("4711")), (4, 303, 404));
    assert_eq!(
        (get(at, &screen, "/hitters"), get(at, &other, "/owner")),
        (303, 200)
    );
    let all = ask(
        at,
        "POST",
        "/logins/end-others",
        &[&coach, ELSEWHERE],
        &format!("token={token}"),
    );
    assert_eq!(status(&all), 303);
    assert_eq!(
        (get(at, &other, "/owner"), get(at, &coach, "/owner")),
        (303, 200)
    );
}

#[test]
fn strangers_wrong_keys_and_visits_keep_nobody_else_out() {
    let place = Place::new();
    let served = guarded(&place);
    let at = served.address.as_str();
    // This device was logged in before.
    let entered = log_in_with(at, &[ELSEWHERE], COACH_PASSWORD);
    let mark = entered
        .split("set-cookie: ")
        .filter_map(|rest| rest.split(';').next())
        .find(|cookie| cookie.starts_with("__Host-device="))
        .unwrap()
        .to_owned();
    // A form that is open while others come and go without a cookie.
    let (cookie, token) = visit(&ask(at, "GET", "/door", &[ELSEWHERE], ""));
    for _ in 0..700 {
        ask(at, "GET", "/door", &[ELSEWHERE], "");
    }
    let form =
        |token: &str, key: &str| format!("token={token}&key={}&to=%2F", key.replace(' ', "+"));
    let sent = ask(
        at,
        "POST",
        "/door",
        &[&cookie, ELSEWHERE],
        &form(&token, COACH_PASSWORD),
    );
    assert_eq!(status(&sent), 303, "nobody's form gives way: {sent}");

    let (stranger, token) = visit(&ask(at, "GET", "/door", &[ELSEWHERE], ""));
    let wrong: Vec<u16> = (0..7)
        .map(|_| {
            status(&ask(
                at,
                "POST",
                "/door",
                &[&stranger, ELSEWHERE],
                &form(&token, "135724"),
            ))
        })
        .collect();
    assert_eq!(wrong, [403, 403, 403, 403, 403, 429, 429]);
    let right = ask(
        at,
        "POST",
        "/door",
        &[&stranger, ELSEWHERE],
        &form(&token, COACH_PASSWORD),
    );
    assert_eq!(status(&right), 429, "the right one waits too");
    // From the same address, but with the mark.
    let (cookie, token) = visit(&ask(at, "GET", "/door", &[ELSEWHERE], ""));
    let both = format!("{cookie}; {mark}");
    let known = ask(
        at,
        "POST",
        "/door",
        &[&both, ELSEWHERE],
        &form(&token, COACH_PASSWORD),
    );
    assert_eq!(status(&known), 303, "{known}");
    // And this machine's own screen.
    let here = log_in_with(at, &[], PIN);
    let (screen, _) = visit(&here);
    assert_eq!(status(&ask(at, "GET", "/hitters", &[&screen], "")), 200);
    let coach = visit(&known).0;
    let health = ask(at, "GET", "/owner", &[&coach, ELSEWHERE], "");
    assert!(health.contains("5 wrong passwords since"), "{health}");
}

#[test]
fn a_coach_of_their_own_account_needs_name_password_and_the_code_of_the_moment() {
    let place = Place::new();
    let served = guarded(&place);
    let at = served.address.as_str();
    for (arguments, typed, says) in [
        (&["pin"][..], "1234", "6 to 12 digits"),
        (&["pin"], "121212", "guessed first"),
        (&["password"], "short", "12 characters"),
        (&["password"], "password1234", "guessed first"),
        (
            &["password", "--coach", "Maria"],
            "maria has nine bats",
            "name of the program or of the coach",
        ),
        (&["code", "--coach", "Maria"], "000000", "there is no coach"),
    ] {
        let (well, said) = keys(&place, arguments, typed);
        assert!(
            !well && said.contains(says),
            "{arguments:?} {typed}: {said}"
        );
    }
    assert!(
        keys(
            &place,
            &["password", "--coach", "Maria"],
            "seven short stops"
        )
        .0
    );
    let (well, said) = keys(&place, &["code", "--coach", "Maria"], "000000");
    assert!(
        !well && said.contains("otpauth://totp/cagehand:Maria?secret="),
        "{said}"
    );
    // RFC 6238's own secret, as `keys code` would write it.
    let file = place.path("page-keys.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let secret = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ";
    std::fs::write(
        &file,
        text.replace(
            "[coaches.Maria]\n",
            &format!("[coaches.Maria]\ncode = \"{secret}\"\n"),
        ),
    )
    .unwrap();
    assert!(keys(&place, &["show"], "").1.contains("Maria"));

    let enter = |name: &str, key: &str, code: &str| {
        let (cookie, token) = visit(&ask(at, "GET", "/door", &[ELSEWHERE], ""));
        let form = format!(
            "token={token}&name={name}&key={}&code={code}&to=%2F",
            key.replace(' ', "+")
        );
        ask(at, "POST", "/door", &[&cookie, ELSEWHERE], &form)
    };
    assert_eq!(
        status(&enter("", "seven short stops", "")),
        403,
        "it is not the shared one"
    );
    let without = enter("Maria", "seven short stops", "");
    assert!(
        status(&without) == 403 && without.contains("That code is wrong"),
        "{without}"
    );
    let code = code_now(secret);
    assert_eq!(status(&enter("Maria", COACH_PASSWORD, &code)), 403);
    let entered = enter("maria", "seven short stops", &code);
    assert_eq!(status(&entered), 303, "{entered}");
    let again = enter("maria", "seven short stops", &code);
    assert_eq!(status(&again), 403, "a code opens once: {again}");
    let (coach, _) = visit(&entered);
    assert!(ask(at, "GET", "/logins", &[&coach, ELSEWHERE], "").contains(">Maria"));
}

/// The that code is wrong, by another implementation: Python's standard library after RFC 4226, 5.3.
fn code_now(secret: &str) -> String {
    let script = "import base64,hmac,struct,sys,time\n\
        tag=hmac.new(base64.b32decode(sys.argv[1]),struct.pack('>Q',int(time.time())//30),'sha1').digest()\n\
        at=tag[-1]&15\n\
        print('%06d'%((struct.unpack('>I',tag[at:at+4])[0]&0x7fffffff)%1000000))";
    let output = std::process::Command::new("python3")
        .args(["-c", script, secret])
        .output()
        .unwrap();
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

#[test]
fn a_short_key_of_before_opens_nothing_over_the_network_and_this_machine_still() {
    let place = Place::new();
    let served = guarded(&place);
    let at = served.address.as_str();
    // "2468" and "ten letters", hashed by an older version.
    std::fs::write(place.path("page-keys.toml"), OLD_KEYS).unwrap();
    for key in ["2468", "ten letters"] {
        let refused = log_in_with(at, &[ELSEWHERE], key);
        assert!(
            status(&refused) == 403 && refused.contains("too easy to guess"),
            "{refused}"
        );
        assert_eq!(status(&log_in_with(at, &[], key)), 303, "{key} here");
    }
}

const OLD_KEYS: &str = "pin = \"$argon2id$v=19$m=19456,t=2,p=1$X2UjaH9oqn6j8gVXK5XUFg$w+pPKCfdadGn6/0PAyyBiZSf3vLUwH+FAsRcbef9pWg\"\npassword = \"$argon2id$v=19$m=19456,t=2,p=1$A2v6GGaOiKTsMLO7omHB/Q$oFhTc6ibXYWgEwP4rjfZVClorr68oADhV6EkaJEzTCo\"\n";

#[test]
fn a_person_logs_in_with_a_browser_in_both_languages() {
    block_on(async {
        let place = Place::new();
        let served = guarded(&place);
        let browser = Browser::start(1280, 900).await;
        browser.open(&format!("{}/sessions", served.address)).await;
        assert_eq!(browser.text("h1").await, "Sign in");
        browser.picture("door").await;
        assert_eq!(browser.barriers().await, Vec::<String>::new());
        let labels: Vec<String> = browser
            .spoken()
            .await
            .into_iter()
            .filter(|(role, _)| role == "textbox")
            .map(|(_, name)| name)
            .collect();
        assert_eq!(labels.len(), 3, "each field has its name: {labels:?}");
        let key = browser.find("input[name=key]").await;
        key.send_keys("nine short innings").await.unwrap();
        browser.click("form.door button").await;
        assert_eq!(browser.text("[role=alert]").await, "Wrong PIN or password.");
        let key = browser.find("input[name=key]").await;
        key.send_keys(COACH_PASSWORD).await.unwrap();
        browser.click("form.door button").await;
        browser
            .until(
                "the page that was asked for",
                "return location.pathname === '/sessions'",
            )
            .await;
        browser.open(&format!("{}/logins", served.address)).await;
        assert!(
            browser
                .text("main")
                .await
                .contains("1 wrong password since")
        );
        browser.picture("logins").await;
        assert_eq!(browser.barriers().await, Vec::<String>::new());
        browser.click(".language button").await;
        browser
            .until("Spanish", "return document.documentElement.lang === 'es'")
            .await;
        assert!(
            browser
                .text("main")
                .await
                .contains("entrenador (contraseña común) · esta")
        );
        browser.picture("logins_spanish").await;
        // The health page that is left open asks by itself and goes on doing so.
        browser.open(&format!("{}/owner", served.address)).await;
        browser
            .until(
                "wrong keys",
                "return document.querySelector('.health').innerText.includes('claves incorrectas')",
            )
            .await;
        // Ending one's own visit shows the door again.
        browser.open(&format!("{}/logins", served.address)).await;
        browser.click("table button").await;
        browser
            .until("the door", "return location.pathname === '/door'")
            .await;
        assert_eq!(browser.text("h1").await, "Entrar");
        browser.close().await;
    });
}
