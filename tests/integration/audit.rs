//! The audit trail: who logged in, looked at a hitter, exported, deleted, changed keys; readable on the page, without a hitter's name in it,
//! and kept for as long as the settings say.

use std::time::{Duration, Instant};

use serde_json::Value;

use super::browser::Served;
use super::doors::{COACH_PASSWORD, ELSEWHERE, PIN, ask, log_in, set_key, status};
use super::program::{PATIENCE, Place};

/// The trail's lines that say this was done, once there are as many.
fn entries(place: &Place, act: &str, at_least: usize) -> Vec<Value> {
    let begun = Instant::now();
    loop {
        let text = std::fs::read_to_string(trail(place)).unwrap_or_default();
        let found: Vec<Value> = text
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .filter(|entry: &Value| entry["act"] == act)
            .collect();
        if found.len() >= at_least {
            return found;
        }
        assert!(begun.elapsed() < PATIENCE, "no {act} in {text}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn trail(place: &Place) -> std::path::PathBuf {
    place.path("page.db.audit")
}

/// Two who are logged in over the network: at the cage's screen with the PIN, and as coach.
struct Visitors {
    served: Served,
    screen: (String, String),
    coach: (String, String),
}

impl Visitors {
    fn new(place: &Place) -> Self {
        set_key(place, "pin", PIN);
        set_key(place, "password", COACH_PASSWORD);
        let served = Served::start_page(place, "");
        let screen = log_in(&served.address, PIN);
        let coach = log_in(&served.address, COACH_PASSWORD);
        Self {
            served,
            screen,
            coach,
        }
    }

    fn get(&self, (cookie, _): &(String, String), path: &str) -> String {
        ask(&self.served.address, "GET", path, &[cookie, ELSEWHERE], "")
    }

    fn post(&self, (cookie, token): &(String, String), path: &str, form: &str) -> u16 {
        let host = self.served.address.trim_start_matches("http://");
        let origin = format!("Origin: https://{host}");
        let headers = [cookie.as_str(), ELSEWHERE, &origin];
        let body = format!("token={token}&{form}");
        status(&ask(&self.served.address, "POST", path, &headers, &body))
    }

    /// Has a hitter step in, and gives their number and that of their session.
    fn seat(&self, place: &Place, name: &str) -> (i64, i64) {
        assert_eq!(
            self.post(&self.screen, "/seat", &format!("name={name}")),
            303
        );
        let begun = Instant::now();
        loop {
            let found = rusqlite::Connection::open(place.path("page.db"))
                .unwrap()
                .query_row(
                    "SELECT hitters.id, sessions.id FROM hitters JOIN sessions ON sessions.hitter = hitters.id
                     WHERE name = ?1",
                    [name],
                    |row| Ok((row.get(0)?, row.get(1)?)),
                );
            if let Ok(found) = found {
                return found;
            }
            assert!(begun.elapsed() < PATIENCE);
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

#[test]
fn keys_logins_and_refusals_are_entered() {
    let place = Place::new();
    let page = Visitors::new(&place);
    let keys = entries(&place, "keys changed", 2);
    let details: Vec<&Value> = keys.iter().map(|entry| &entry["detail"]).collect();
    assert_eq!(details, ["PIN set", "password set: coach"]);
    assert!(keys[0]["who"]["user"].is_string(), "{keys:?}");
    let logins = entries(&place, "logged in", 2);
    assert_eq!(logins[0]["who"], "screen");
    assert_eq!(logins[1]["who"]["coach"], "coach");
    assert_eq!(logins[1]["from"], "192.0.2.7", "as the named proxy says");

    let sent_to_log_in = status(&page.get(&page.screen, "/sessions/1/reps.csv"));
    assert_eq!(sent_to_log_in, 303);
    assert_eq!(
        page.post(&page.screen, "/sessions/1/delete", "sure=yes"),
        403
    );
    let refused = &entries(&place, "access refused", 1)[0];
    assert_eq!(refused["who"], "screen");
    assert_eq!(refused["detail"], "/sessions/{id}/delete");

    assert_eq!(
        page.post(&page.screen, "/door", "key=wrong+and+long+enough"),
        403
    );
    let refused = &entries(&place, "login refused", 1)[0];
    assert_eq!(refused["who"], "nobody");
    assert_eq!(refused["detail"], "wrong key");
    assert!(
        page.get(&page.coach, "/audit")
            .contains("wrong PIN or password")
    );
    assert_eq!(status(&page.get(&page.screen, "/audit")), 303);

    assert_eq!(page.post(&page.coach, "/leave", ""), 303);
    assert_eq!(entries(&place, "logged out", 1)[0]["who"]["coach"], "coach");
    let text = std::fs::read_to_string(trail(&place)).unwrap();
    assert!(
        !text.contains("wrong and long") && !text.contains(PIN),
        "{text}"
    );
}

#[test]
fn what_is_done_to_a_hitters_data_is_entered_and_shown_without_a_name_in_the_file() {
    let place = Place::new();
    let page = Visitors::new(&place);
    let (hitter, session) = page.seat(&place, "Wilhelmina");
    let person = format!("/people/{hitter}");
    let csv = format!("/sessions/{session}/reps.csv");
    for path in [&person, &person, &csv, &format!("/trends?hitter={hitter}")] {
        assert_eq!(status(&page.get(&page.coach, path)), 200, "{path}");
    }
    assert_eq!(status(&page.get(&page.coach, "/sessions/999/sheet")), 404);
    let exported = entries(&place, "exported", 1);
    assert_eq!(
        (exported.len(), &exported[0]["hitter"]),
        (1, &hitter.into())
    );
    assert_eq!(exported[0]["session"], session);
    let looks = entries(&place, "looked", 1);
    let theirs = |look: &&Value| look["hitter"] == hitter && look["who"]["coach"] == "coach";
    let count = looks.iter().filter(theirs).count();
    assert_eq!(count, 1, "the same look is entered once: {looks:?}");

    // From the command line, beside the program that runs.
    let export = [
        "export",
        "--journal",
        "page.db",
        "--hitter",
        "Wilhelmina",
        "--format",
        "csv",
    ];
    place.run_well(&export);
    let exported = entries(&place, "exported", 2);
    assert_eq!(exported[1]["hitter"], hitter);
    assert_eq!(exported[1]["detail"], "CSV");

    assert_eq!(page.post(&page.coach, &person, "what=freeze"), 303);
    assert_eq!(entries(&place, "changed hitter", 1)[0]["hitter"], hitter);
    let shown = page.get(&page.coach, &format!("/audit?hitter={hitter}"));
    for text in ["Wilhelmina", "at the command line", "exported"] {
        assert!(shown.contains(text), "{text} in {shown}");
    }
    assert!(!shown.contains("PIN set"), "of this hitter alone");

    let delete = format!("/people/{hitter}/delete");
    assert_eq!(page.post(&page.coach, &delete, "sure=yes"), 200);
    assert_eq!(entries(&place, "deleted", 1)[0]["hitter"], hitter);
    let shown = page.get(&page.coach, "/audit");
    assert!(!shown.contains("Wilhelmina"));
    assert!(shown.contains(&format!("hitter {hitter}, deleted")));
    let text = std::fs::read_to_string(trail(&place)).unwrap();
    assert!(!text.contains("Wilhelmina"), "{text}");
}

#[test]
fn entries_leave_the_trail_after_their_time() {
    let place = Place::new();
    let line = |at: &str| {
        format!("{{\"at\":\"{at}\",\"who\":\"screen\",\"act\":\"looked\",\"hitter\":7}}\n")
    };
    std::fs::write(
        trail(&place),
        line("2020-01-01T10:00:00Z") + &line("2999-01-01T10:00:00Z"),
    )
    .unwrap();
    let _served = Served::start_page(&place, "audit_days = 30\n");
    let begun = Instant::now();
    while std::fs::read_to_string(trail(&place))
        .unwrap()
        .contains("2020-01-01")
    {
        assert!(begun.elapsed() < PATIENCE, "it is still there");
        std::thread::sleep(Duration::from_millis(100));
    }
    assert!(
        std::fs::read_to_string(trail(&place))
            .unwrap()
            .contains("2999-01-01")
    );
}
