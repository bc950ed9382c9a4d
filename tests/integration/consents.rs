//! What a hitter allows holds for that hitter, at once, and for nobody else; it is exported, moved and deleted with them.

use std::time::{Duration, Instant};

use cagehand::video::FilmStore;

use super::browser::Served;
use super::children::AtThePage;
use super::doors::{ask, status};
use super::program::{PATIENCE, Place, recording, replayed};

/// An evening at the cage.
struct Evening<'a> {
    place: &'a Place,
    page: AtThePage,
}

impl Evening<'_> {
    fn wait(&self, what: &str, so: impl Fn() -> bool) {
        let begun = Instant::now();
        while !so() {
            assert!(begun.elapsed() < PATIENCE, "{what}");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    fn journal(&self) -> rusqlite::Connection {
        rusqlite::Connection::open(self.place.path("page.db")).unwrap()
    }

    fn number(&self, name: &str) -> i64 {
        let sql = "SELECT id FROM hitters WHERE name = ?1";
        let journal = self.journal();
        journal.query_row(sql, [name], |row| row.get(0)).unwrap()
    }

    /// How many rows of a table that belongs to reps a hitter has; of `reps` itself by its `id`.
    fn count(&self, table: &str, column: &str, name: &str) -> u32 {
        let sql = format!(
            "SELECT count(*) FROM {table} JOIN reps ON reps.id = {table}.{column}
             JOIN sessions ON sessions.id = reps.session JOIN hitters ON hitters.id = sessions.hitter WHERE hitters.name = ?1"
        );
        let sql = sql.replace("FROM reps JOIN reps ON reps.id = reps.id", "FROM reps");
        let journal = self.journal();
        journal.query_row(&sql, [name], |row| row.get(0)).unwrap()
    }

    fn reps(&self, name: &str) -> u32 {
        self.count("reps", "id", name)
    }

    fn films(&self, name: &str) -> usize {
        let journal = self.journal();
        let mut select = journal
            .prepare("SELECT sessions.id FROM sessions JOIN hitters ON hitters.id = hitter WHERE name = ?1")
            .unwrap();
        let sessions: Vec<i64> = select
            .query_map([name], |row| row.get(0))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let films = FilmStore::of_journal(&self.place.path("page.db"));
        let films = films.films().unwrap();
        films
            .iter()
            .filter(|film| sessions.contains(&film.session))
            .count()
    }

    fn seat(&self, name: &str) {
        assert_eq!(self.page.post("/seat", &format!("name={name}")), 303);
        self.page.wait_for(Some(name), None);
        self.wait("their session", || {
            let sql = "SELECT hitters.name FROM sessions LEFT JOIN hitters ON hitters.id = hitter ORDER BY sessions.id DESC LIMIT 1";
            let newest: Option<String> = self.journal().query_row(sql, [], |row| row.get(0)).unwrap_or_default();
            newest.as_deref() == Some(name)
        });
    }

    fn decide(&self, name: &str, purpose: &str, decision: &str, more: &str) -> u16 {
        let form = format!(
            "purpose={purpose}&decision={decision}&decided_by=aunt+Wilhelmina&decided_on=2026-11-02{more}"
        );
        let path = format!("/people/{}/consents", self.number(name));
        self.page.post(&path, &form)
    }

    fn picture(&self) -> u16 {
        status(&self.page.get("/picture"))
    }

    fn wait_for_more_reps(&self, name: &str, more: u32) {
        let before = self.reps(name);
        self.wait("more reps", || self.reps(name) >= before + more);
    }
}

#[test]
fn what_one_hitter_refuses_is_off_for_them_at_once_and_on_for_the_next() {
    let place = Place::new();
    let clip = recording("left_60fps_faults");
    let settings = "picture = true\n[video]\nkeep = true\n";
    let served = Served::start(&place, &clip, settings, &["--loops", "100"]);
    let evening = Evening {
        place: &place,
        page: AtThePage::new(&served),
    };
    evening.seat("Ana");
    evening.wait("a picture of Ana", || evening.picture() == 200);
    evening.wait("a film of Ana", || evening.films("Ana") >= 1);

    // Ben refuses as he hits: nothing of him is on the disk, and no screen shows him from the answer on.
    evening.seat("Ben");
    evening.wait("a picture of Ben", || evening.picture() == 200);
    assert_eq!(evening.decide("Ben", "picture", "refused", ""), 303);
    assert_eq!(evening.picture(), 404);
    assert_eq!(evening.decide("Ben", "film", "refused", "&sure=yes"), 303);
    assert_eq!(
        evening.decide("Ben", "landmarks", "refused", "&sure=yes"),
        303
    );
    assert_eq!(evening.films("Ben"), 0);
    evening.wait_for_more_reps("Ben", 2);
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!((evening.films("Ben"), evening.picture()), (0, 404));
    assert_eq!(evening.count("timelines", "rep", "Ben"), 0);
    assert!(evening.count("measures", "rep", "Ben") > 10);
    assert!(
        evening
            .page
            .get("/live")
            .contains("\"filmed\":false,\"pictured\":false")
    );

    // Ana is next, and nothing changed for her.
    let films = evening.films("Ana");
    evening.seat("Ana");
    evening.wait("a picture of Ana again", || evening.picture() == 200);
    evening.wait("another film of Ana", || evening.films("Ana") > films);
    assert!(evening.count("timelines", "rep", "Ana") > 0);

    // She withdraws: what is there goes too, which is said first.
    assert_eq!(evening.decide("Ana", "film", "given", ""), 303);
    assert_eq!(evening.decide("Ana", "film", "withdrawn", ""), 422);
    assert!(evening.films("Ana") > 0);
    assert_eq!(evening.decide("Ana", "film", "withdrawn", "&sure=yes"), 303);
    assert_eq!(evening.films("Ana"), 0);
    evening.wait_for_more_reps("Ana", 1);
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!((evening.films("Ana"), evening.picture()), (0, 200));

    name_is_shown_to_coaches_only(&evening);
    everything_goes_with_the_hitter(&evening);
}

fn name_is_shown_to_coaches_only(evening: &Evening<'_>) {
    let page = &evening.page;
    assert!(page.get("/hitters").contains("Ana"));
    assert_eq!(evening.decide("Ana", "name", "refused", ""), 303);
    let number = evening.number("Ana");
    let shown = format!("\"hitter\":{number},");
    evening.wait("her number", || page.get("/live").contains(&shown));
    let list = page.get("/hitters");
    assert!(!list.contains("Ana") && !page.get("/live").contains("Ana"));
    assert!(list.contains(&format!("Hitter {number}")), "{list}");
    assert!(page.get("/people").contains("Ana"));
    // The number on the screen is her.
    assert_eq!(page.post("/seat", "name="), 303);
    page.wait_for(None, None);
    assert_eq!(page.post("/seat", &format!("number={number}")), 303);
    evening.wait("her number", || page.get("/live").contains(&shown));
    evening.wait("her session", || {
        let sql = "SELECT hitter FROM sessions ORDER BY id DESC LIMIT 1";
        let journal = evening.journal();
        let newest: Option<i64> = journal.query_row(sql, [], |row| row.get(0)).unwrap();
        newest == Some(number)
    });
}

fn everything_goes_with_the_hitter(evening: &Evening<'_>) {
    let (place, page) = (evening.place, &evening.page);
    place.run_well(&[
        "journal",
        "export-hitter",
        "Ana",
        "out",
        "--journal",
        "page.db",
    ]);
    let exported = std::fs::read_to_string(place.path("out/hitter.json")).unwrap();
    let exported: serde_json::Value = serde_json::from_str(&exported).unwrap();
    let consents = exported["consents"].as_array().unwrap();
    let decisions: Vec<&str> = consents
        .iter()
        .map(|row| row["decision"].as_str().unwrap())
        .collect();
    assert_eq!(decisions, ["given", "withdrawn", "refused"]);
    assert_eq!(consents[1]["decided_by"], "aunt Wilhelmina");
    assert_eq!(consents[1]["decided_on"], "2026-11-02");
    assert_eq!(consents[1]["recorded_by"], "this machine");
    let shown = page.get(&format!("/people/{}", evening.number("Ana")));
    for words in ["aunt Wilhelmina", "withdrawn", "2026-11-02", "this machine"] {
        assert!(shown.contains(words), "{words}: {shown}");
    }

    // The two are one: Ben refused, and his decisions are the newer ones where she made none.
    let [ana, ben] = ["Ana", "Ben"].map(|name| evening.number(name));
    let merge = format!("what=merge&into={ana}");
    assert_eq!(page.post(&format!("/people/{ben}"), &merge), 303);
    assert_eq!(evening.count("timelines", "rep", "Ana"), 0);
    assert_eq!(evening.picture(), 404, "at once, though she hits");
    let sql = "SELECT count(*) FROM consents WHERE hitter = ?1";
    let rows: u32 = evening
        .journal()
        .query_row(sql, [ana], |row| row.get(0))
        .unwrap();
    assert_eq!(rows, 6);

    let body = format!("token={}&sure=yes", page.token);
    let path = format!("/people/{ana}/delete");
    let answer = ask(&page.address, "POST", &path, &[&page.cookie], &body);
    assert!(answer.contains("id=\"nothing-left\""), "{answer}");
    for file in ["page.db", "page.db-wal"] {
        let bytes = std::fs::read(place.path(file)).unwrap_or_default();
        let found = bytes.windows(10).any(|part| part == b"Wilhelmina");
        assert!(!found, "{file}");
    }
}

#[test]
fn where_consent_is_asked_for_nobody_is_filmed_without_it() {
    let place = Place::new();
    let clip = recording("left_60fps_faults");
    let settings = "picture = true\n[video]\nkeep = true\n[hitter]\nask_consent = true\n";
    let served = Served::start(&place, &clip, settings, &["--loops", "100"]);
    let evening = Evening {
        place: &place,
        page: AtThePage::new(&served),
    };
    evening.seat("Ana");
    assert_eq!(evening.picture(), 404);
    evening.wait_for_more_reps("Ana", 1);
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!((evening.films("Ana"), evening.picture()), (0, 404));
    assert!(evening.count("timelines", "rep", "Ana") > 0);
    assert_eq!(evening.decide("Ana", "film", "given", ""), 303);
    evening.wait("a film of Ana", || evening.films("Ana") >= 1);
    assert_eq!(evening.picture(), 404);
    // An edit of the settings counts as it does elsewhere.
    let path = place.path("page.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(
        &path,
        text.replace("ask_consent = true", "ask_consent = false"),
    )
    .unwrap();
    evening.wait("a picture of Ana", || evening.picture() == 200);
}

/// What somebody allows is on record before they first hit, by command or at the page, and counts from their first rep on.
#[test]
fn what_a_new_hitter_allows_is_recorded_before_the_first_rep() {
    let place = Place::new();
    let by = ["--by", "father, by phone", "--on", "2026-11-03"];
    let said = |more: &[&str]| {
        let mut arguments = vec!["consent", "Nora"];
        arguments.extend(more);
        place.run(&[&arguments[..], &["--journal", "page.db"]].concat())
    };
    let refused = said(&[&["landmarks", "refused"][..], &by].concat());
    assert!(refused.status.success(), "{refused:?}");
    let printed = String::from_utf8(said(&[]).stdout).unwrap();
    assert!(
        printed.contains("landmarks  refused by father, by phone on 2026-11-03")
            && printed.contains("film       nothing on record"),
        "{printed}"
    );
    for wrong in [
        &["landmarks"][..],
        &["landmarks", "given"],
        &["dreams", "given", "--by", "x"],
        &["film", "given", "--by", "  "],
        &["film", "given", "--by", "x", "--on", "2200-01-01"],
    ] {
        assert!(!said(wrong).status.success(), "{wrong:?}");
    }
    let nobody = place.run(&["consent", "Zoe", "--journal", "page.db"]);
    assert!(!nobody.status.success());

    // Her reps are kept without landmarks from the first one on.
    let clip = replayed("right_60fps", "full", 183);
    let track = clip.get().unwrap().track().to_owned();
    let settings = place.path("nora.toml");
    std::fs::write(&settings, "[hitter]\nname = \"Nora\"\n").unwrap();
    let settings = settings.to_str().unwrap();
    let replay = ["--settings", settings, "replay", &track, "--pace", "fast"];
    place.run_well(&[&replay[..], &["--sound", "none", "--journal", "page.db"]].concat());
    let journal = rusqlite::Connection::open(place.path("page.db")).unwrap();
    let count = |sql: &str| {
        journal
            .query_row(sql, [], |row| row.get::<_, u32>(0))
            .unwrap()
    };
    assert!(count("SELECT count(*) FROM reps") >= 3);
    assert_eq!(count("SELECT count(*) FROM timelines"), 0);
    let trail = std::fs::read_to_string(place.path("page.db.audit")).unwrap();
    assert!(
        trail.contains("changed consent") && !trail.contains("Nora"),
        "{trail}"
    );

    // At the page.
    let served = Served::start(
        &place,
        &recording("left_60fps_faults"),
        "",
        &["--loops", "100"],
    );
    let page = AtThePage::new(&served);
    assert_eq!(page.post("/people", "name=Otto"), 303);
    assert_eq!(page.post("/people", "name=Otto"), 303);
    assert_eq!(page.post("/people", "name=%20"), 422);
    assert_eq!(count("SELECT count(*) FROM hitters WHERE name = 'Otto'"), 1);
    let list = page.get("/people");
    assert!(list.contains("Otto") && list.contains("Nora"), "{list}");
    // The page is told of what cagehand does not know from elsewhere.
    let busy = said(&["film", "given", "--by", "x"]);
    assert!(String::from_utf8_lossy(&busy.stderr).contains("Stop cagehand first"));
}
