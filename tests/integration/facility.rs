//! A facility of two cages, one of them made anew after a kill, and its office: the built program, and a PostgreSQL of the tests' own.

use std::fs;
use std::process::Command;
use std::time::{Duration, Instant};

use cagehand_stage::database::new_database;
use postgres::config::Host;
use postgres::{Client, NoTls};

use super::doors::{ask, status, visit};
use super::program::{PATIENCE, Place, project};
use super::review::Serving;
use super::spanish::{SPANISH, assert_spanish};

const SWING: &str = "tests/data/tracks/right_60fps_swing_2.track.jsonl";

/// The two swings that were in the journals before; the recording that stands in for a camera may add more.
const SENT: &str =
    "reps r JOIN sessions s ON s.id = r.session WHERE s.source LIKE '%right_60fps_swing_2%'";

struct Store {
    url: String,
    owner: Client,
}

impl Store {
    fn new(place: &Place) -> Self {
        let config = new_database();
        let Some(Host::Unix(folder)) = config.get_hosts().first() else {
            panic!("the tests' server listens at a socket");
        };
        let url = format!(
            "postgres:///{}?host={}&user=",
            config.get_dbname().unwrap(),
            folder.display()
        );
        let owner = config.connect(NoTls).unwrap();
        let store = Self { url, owner };
        let said = store.facility(place, &["set-up"]);
        assert!(said.contains("up to date"), "{said}");
        store
    }

    fn url(&self, login: &str) -> String {
        format!("{}{login}", self.url)
    }

    fn facility(&self, place: &Place, arguments: &[&str]) -> String {
        let owner = self.url("postgres");
        place.run_well(&[&["facility"], arguments, &["--store", &owner]].concat())
    }

    fn count(&mut self, table: &str) -> i64 {
        let sql = format!("SELECT count(*) FROM {table}");
        self.owner.query_one(&sql, &[]).unwrap().get(0)
    }

    fn wait_for(&mut self, table: &str, rows: i64) {
        let began = Instant::now();
        while self.count(table) != rows {
            let found = self.count(table);
            assert!(
                began.elapsed() < PATIENCE,
                "{found} rows of {table}, not {rows}"
            );
            std::thread::sleep(Duration::from_millis(200));
        }
    }
}

/// A cage with a named hitter's swing in its journal.
fn cage(place: &Place, store: &Store, login: &str, hitter: &str) -> String {
    let given = store.facility(place, &["add-cage", login]);
    assert!(given.contains("password "), "{given}");
    let settings = format!("{login}.toml");
    let journal = format!("{login}.db");
    let text = format!(
        "[hitter]\nname = \"{hitter}\"\nheight_cm = 183\n[camera]\ndevice = \"/dev/none\"\n[pose]\nmodel = \"lite\"\n\
         [page]\ntrial = true\nlisten = \"127.0.0.1:0\"\n[facility]\nstore = \"{}\"\ncage = \"Cage {login}\"\nfilms = true\n[video]\nkeep = true\n",
        store.url(login)
    );
    fs::write(place.path(&settings), text).unwrap();
    let swing = project(SWING);
    place.run_well(&[
        "--settings",
        &settings,
        "replay",
        swing.to_str().unwrap(),
        "--pace",
        "fast",
        "--journal",
        &journal,
    ]);
    settings
}

fn watch(place: &Place, login: &str) -> Serving {
    let (settings, journal) = (format!("{login}.toml"), format!("{login}.db"));
    let clip = super::program::recording("r03");
    Serving::start(
        place,
        &[
            "--settings",
            &settings,
            "watch",
            "--stand-in",
            &clip,
            "--sound",
            "none",
            "--journal",
            &journal,
        ],
    )
}

/// Waits until something is so.
fn until(what: &str, so: impl Fn() -> bool) {
    let began = Instant::now();
    while !so() {
        assert!(began.elapsed() < PATIENCE, "{what}");
        std::thread::sleep(Duration::from_millis(300));
    }
}

fn shows_both_cages(get: &impl Fn(&str) -> String) {
    let cages = get("/cages");
    for told in ["Cage one", "Cage two", "heard of all"] {
        assert!(cages.contains(told), "{told}: {cages}");
    }
    let metrics = get("/metrics");
    for told in [
        "cagehand_cage_up{cage=\"Cage one\"} 1",
        "cagehand_cage_up{cage=\"Cage two\"} 1",
        "cagehand_cage_deletions_left{cage=\"Cage one\"} 0",
        "cagehand_cage_last_rep_timestamp_seconds{cage=\"Cage two\"} 1",
    ] {
        assert!(metrics.contains(told), "{told}: {metrics}");
    }
    for page in ["/sessions", "/people", "/plans", "/trends", "/today"] {
        let answer = get(page);
        assert_eq!(status(&answer), 200, "{page}: {answer}");
    }
    let people = get("/people");
    assert!(people.contains("Kit") && people.contains("Lou"), "{people}");
}

fn send_form(at: &str, page: &str, to: &str, form: &str) -> String {
    let (cookie, token) = visit(&ask(at, "GET", page, &[], ""));
    let form = format!("token={token}&{form}");
    ask(at, "POST", to, &[&cookie], &form)
}

/// A page of the office in Spanish, without what people wrote.
fn in_spanish(office: &str, path: &str) -> String {
    let answer = ask(office, "GET", path, &[SPANISH], "");
    let written = ["Cage one", "Cage two", "hips first"];
    written
        .iter()
        .fold(answer, |answer, words| answer.replace(words, ""))
}

/// The films that the cages keep are shown at the office.
fn films_are_shown(store: &mut Store, office: &str) {
    let whole = "films WHERE parts = (SELECT count(*) FROM film_parts p WHERE p.rep = films.rep)";
    let began = Instant::now();
    while store.count(whole) == 0 {
        assert!(began.elapsed() < PATIENCE, "no film came");
        std::thread::sleep(Duration::from_millis(300));
    }
    let sql = format!("SELECT rep FROM {whole} LIMIT 1");
    let rep: i64 = store.owner.query_one(&sql, &[]).unwrap().get(0);
    let times = ask(office, "GET", &format!("/reps/{rep}/film"), &[], "");
    assert!(
        status(&times) == 200 && times.contains("\"times\":[-"),
        "{times}"
    );
    let picture = ask(office, "GET", &format!("/reps/{rep}/film/0.jpg"), &[], "");
    assert!(
        status(&picture) == 200 && picture.contains("image/jpeg"),
        "{}",
        status(&picture)
    );
}

/// The office sees what the screen of a cage shows, for as long as it looks, and no picture and no question of it.
fn screens_are_seen(store: &mut Store, office: &str, second: &str) {
    let sql = "SELECT CAST(uid AS text) FROM journals WHERE cage = 'Cage two'";
    let journal: String = store.owner.query_one(sql, &[]).unwrap().get(0);
    let path = format!("/cages/{journal}/screen");
    let cages = ask(office, "GET", "/cages", &[], "");
    assert!(cages.contains(&path), "{cages}");
    let screen = ask(office, "GET", &path, &[], "");
    assert!(screen.contains("<h1>Cage two</h1>"), "{screen}");
    assert!(!screen.contains("/seat"), "{screen}");
    assert_spanish(&[(&path, in_spanish(office, &path))]);
    let live = || ask(office, "GET", &format!("/cages/{journal}/live"), &[], "");
    until("the cage tells what its screen shows", || {
        live().contains("\"phase\":")
    });
    let told = live();
    for part in ["\"asked\":null", "\"asks\":[]", "\"pictured\":false"] {
        assert!(told.contains(part), "{part}: {told}");
    }
    // Meanwhile the screen in the cage says so.
    let there = || ask(second, "GET", "/live", &[], "");
    until("the cage says that the office looks", || {
        live();
        there().contains("\"office_looks\":true")
    });
    // Nobody looks: nothing is kept.
    store.wait_for("live_screens", 0);
    let trail = ask(office, "GET", "/audit", &[], "");
    assert!(trail.contains("watched a cage"), "{trail}");
    let other = ask(office, "GET", "/cages/0/live", &[], "");
    assert_eq!(status(&other), 404, "{other}");
}

/// Lou may hit in one cage, and then in all again.
fn only_where_they_may_hit(store: &mut Store, office: &str) {
    let sql = "SELECT id FROM hitters WHERE name = 'Lou'";
    let lou: i64 = store.owner.query_one(sql, &[]).unwrap().get(0);
    let person = format!("/people/{lou}");
    let shown = || ask(office, "GET", &person, &[], "");
    assert!(shown().contains("In every cage."), "{}", shown());
    let let_in = send_form(office, &person, &person, "what=let_in&cage=Cage+two");
    assert_eq!(status(&let_in), 303, "{let_in}");
    assert!(!shown().contains("In every cage."), "{}", shown());
    assert_spanish(&[(&person, in_spanish(office, &person))]);
    assert_eq!(store.count("may_hit WHERE cage = 'Cage two'"), 1);
    let kept_out = send_form(office, &person, &person, "what=keep_out&cage=Cage+two");
    assert_eq!(status(&kept_out), 303, "{kept_out}");
    assert!(shown().contains("In every cage."), "{}", shown());
}

/// The cage's disk is lost and it begins anew: the office sees both machines until it takes the earlier one off its list.
fn on_another_machine(
    (place, store): (&Place, &mut Store),
    first: Serving,
    office: &str,
) -> Serving {
    first.ends_when_asked();
    for file in ["one.db", "one.db-wal", "one.db-shm"] {
        let _ = fs::remove_file(place.path(file));
    }
    let first = watch(place, "one");
    let cages = || ask(office, "GET", "/cages", &[], "");
    until("the office knows of two machines", || {
        cages().contains("earlier machine")
    });
    let pages =
        ["/cages", "/people", "/plans", "/today"].map(|path| (path, in_spanish(office, path)));
    assert_spanish(&pages);
    let journal = |page: String| -> String {
        let form = page.split("name=\"journal\" value=\"").nth(1).unwrap();
        form.split('"').next().unwrap().to_owned()
    };
    let form = format!("journal={}", journal(cages()));
    let retired = send_form(office, "/cages", "/cages", &form);
    assert_eq!(status(&retired), 303, "{retired}");
    assert!(!cages().contains("earlier machine"), "{}", cages());
    // The machine in use stays on it.
    let sql =
        "SELECT CAST(uid AS text) FROM journals WHERE cage = 'Cage one' AND retired_at IS NULL";
    let in_use: String = store.owner.query_one(sql, &[]).unwrap().get(0);
    let form = format!("journal={in_use}");
    let refused = send_form(office, "/cages", "/cages", &form);
    assert_eq!(status(&refused), 422, "{refused}");
    first
}

/// Who hits, by name and without a login; clips that a machine reads; words that it says.
fn nothing_of_one_cage_alone_is_served(office: &str) {
    let get = |path: &str| ask(office, "GET", path, &[], "");
    for page in ["/hitters", "/clips", "/clips/now", "/cues"] {
        assert_eq!(status(&get(page)), 404, "{page}");
    }
    for path in ["/seat", "/turns", "/clips", "/cues/head_forward"] {
        let answer = send_form(office, "/people", path, "name=Kit&next=1");
        assert_eq!(status(&answer), 404, "{path}: {answer}");
    }
    for page in ["/sessions", "/plans", "/people"] {
        let shown = get(page);
        let leads = ["/hitters", "/clips", "/cues"].map(|to| shown.contains(&format!("\"{to}")));
        assert_eq!(leads, [false; 3], "{page}: {shown}");
    }
}

#[test]
fn two_cages_send_and_the_office_reads_corrects_and_deletes() {
    let place = Place::new();
    let mut store = Store::new(&place);
    cage(&place, &store, "one", "Kit");
    cage(&place, &store, "two", "Lou");
    let first = watch(&place, "one");
    store.wait_for("hitters WHERE name = 'Kit'", 1);
    // Killed in the middle of it, and started again: nothing is there twice.
    drop(first);
    let first = watch(&place, "one");
    let second = watch(&place, "two");
    store.wait_for("hitters WHERE name IN ('Kit', 'Lou')", 2);
    store.wait_for(SENT, 2);
    let health = ask(&first.address, "GET", "/metrics", &[], "");
    assert!(
        health.contains("\ncagehand_facility_connected 1\n"),
        "{health}"
    );

    store.facility(&place, &["add-office", "front"]);
    fs::write(
        place.path("office.toml"),
        "[page]\ntrial = true\nlisten = \"127.0.0.1:0\"\n",
    )
    .unwrap();
    let url = store.url("front");
    let office = Serving::start(
        &place,
        &["--settings", "office.toml", "review", "--store", &url],
    );
    let get = |path: &str| ask(&office.address, "GET", path, &[], "");
    shows_both_cages(&get);
    nothing_of_one_cage_alone_is_served(&office.address);

    let hitter = |store: &mut Store, name: &str| -> i64 {
        let sql = "SELECT id FROM hitters WHERE name = $1";
        store.owner.query_one(sql, &[&name]).unwrap().get(0)
    };
    let session = "SELECT s.id, r.id FROM sessions s JOIN reps r ON r.session = s.id JOIN hitters h ON h.id = s.hitter
                   WHERE h.name = 'Lou' AND s.source LIKE '%right_60fps_swing_2%'";
    let row = store.owner.query_one(session, &[]).unwrap();
    let (session, rep): (i64, i64) = (row.get(0), row.get(1));
    for page in [
        format!("/sessions/{session}"),
        format!("/sessions/{session}/sheet"),
        format!("/reps/{rep}"),
        format!("/reps/{rep}/data"),
    ] {
        let answer = get(&page);
        assert_eq!(status(&answer), 200, "{page}: {answer}");
    }
    // A note of the office is in the cage.
    let (cookie, token) = visit(&get(&format!("/sessions/{session}")));
    let form = format!("token={token}&to=/sessions/{session}&text=hips+first");
    let path = format!("/sessions/{session}/notes");
    let noted = ask(&office.address, "POST", &path, &[&cookie], &form);
    assert_eq!(status(&noted), 303, "{noted}");
    until("the note is in the cage", || {
        ask(&second.address, "GET", "/sessions/1", &[], "").contains("hips first")
    });

    // A hitter who is deleted in the office is gone from the store at once and from their cage when it hears of it.
    let kit = hitter(&mut store, "Kit");
    let asks = get(&format!("/people/{kit}/delete"));
    assert!(asks.contains("from each cage"), "{asks}");
    assert_spanish(&[(
        "delete",
        in_spanish(&office.address, &format!("/people/{kit}/delete")),
    )]);
    let (cookie, token) = visit(&asks);
    let form = format!("token={token}&sure=on");
    let path = format!("/people/{kit}/delete");
    let deleted = ask(&office.address, "POST", &path, &[&cookie], &form);
    assert!(
        status(&deleted) == 200 && deleted.contains("Cage one"),
        "{deleted}"
    );
    assert_eq!(store.count("hitters WHERE name = 'Kit'"), 0);
    until("the cages have heard of it", || {
        !get("/cages").contains("has not heard of")
    });
    assert!(!ask(&first.address, "GET", "/people", &[], "").contains("Kit"));

    only_where_they_may_hit(&mut store, &office.address);
    let first = on_another_machine((&place, &mut store), first, &office.address);

    films_are_shown(&mut store, &office.address);
    screens_are_seen(&mut store, &office.address, &second.address);
    let removed = store.facility(&place, &["remove", "two"]);
    assert!(removed.contains("cannot log in"), "{removed}");
    let kept = store.count("hitters WHERE name = 'Lou'");
    assert_eq!(kept, 1);
    office.ends_when_asked();
    first.ends_when_asked();
    second.ends_when_asked();
}

#[test]
fn what_is_wrong_with_a_store_is_said_in_words() {
    let place = Place::new();
    let fails = |arguments: &[&str]| {
        let output = place.run(arguments);
        assert!(!output.status.success(), "{arguments:?}");
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let no_store = fails(&["facility", "set-up"]);
    assert!(no_store.contains("--store"), "{no_store}");
    let secret = "postgres://a:b@localhost/c";
    let refused = fails(&["review", "--store", secret]);
    assert!(refused.contains("no password"), "{refused}");
    let nobody = "postgres:///c?host=/nowhere&user=a";
    let refused = fails(&["review", "--store", nobody, "--listen", "127.0.0.1:0"]);
    assert!(
        refused.contains("nowhere") || refused.contains("reach"),
        "{refused}"
    );
    // A store without tables.
    let config = new_database();
    let Some(Host::Unix(folder)) = config.get_hosts().first() else {
        panic!("the tests' server listens at a socket");
    };
    let database = config.get_dbname().unwrap();
    let empty = format!(
        "postgres:///{database}?host={}&user=postgres",
        folder.display()
    );
    let refused = fails(&["review", "--store", &empty, "--listen", "127.0.0.1:0"]);
    assert!(refused.contains("journals"), "{refused}");
    let both = Command::new(env!("CARGO_BIN_EXE_cagehand"))
        .args(["review", "--store", nobody, "--journal", "j.db"])
        .output()
        .unwrap();
    assert!(!both.status.success());
}
