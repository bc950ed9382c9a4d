//! Whose reps they are: a hitter who stepped in at the page is asked for after a restart and never assumed, and what a coach
//! does to hitters and sessions at the page.

use std::time::{Duration, Instant};

use super::browser::Served;
use super::doors::{ask, status, visit};
use super::page::filled;
use super::program::{PATIENCE, Place};

/// Somebody at this machine's page.
pub(crate) struct AtThePage {
    pub address: String,
    pub cookie: String,
    pub token: String,
}

impl AtThePage {
    pub(crate) fn new(served: &Served) -> Self {
        let (cookie, token) = visit(&ask(&served.address, "GET", "/hitters", &[], ""));
        Self {
            address: served.address.clone(),
            cookie,
            token,
        }
    }

    pub(crate) fn get(&self, path: &str) -> String {
        ask(&self.address, "GET", path, &[&self.cookie], "")
    }

    pub(crate) fn post(&self, path: &str, form: &str) -> u16 {
        let body = format!("token={}&{form}", self.token);
        let answer = ask(&self.address, "POST", path, &[&self.cookie], &body);
        status(&answer)
    }

    /// Waits until the cage's screen shows this hitter and this question.
    pub(crate) fn wait_for(&self, hitter: Option<&str>, asked: Option<&str>) {
        let begun = Instant::now();
        loop {
            let told = self.get("/live");
            let shown = told.rsplit("data: ").next().unwrap_or_default();
            let text = |name: Option<&str>| name.map_or("null".to_owned(), |n| format!("\"{n}\""));
            let wanted = format!("\"hitter\":{},\"asked\":{}", text(hitter), text(asked));
            if told.contains(&wanted) {
                return;
            }
            assert!(begun.elapsed() < PATIENCE, "{wanted}: {shown}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

/// Whose the sessions are, in order.
fn hitters_of_sessions(place: &Place) -> Vec<Option<String>> {
    let journal = rusqlite::Connection::open(place.path("page.db")).unwrap();
    let mut select = journal
        .prepare(
            "SELECT hitters.name FROM sessions LEFT JOIN hitters ON hitters.id = sessions.hitter
             ORDER BY sessions.id",
        )
        .unwrap();
    let rows = select.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

/// Waits until so many sessions are in the journal, which is written after the screen shows who hits.
fn wait_for_sessions(place: &Place, count: usize) {
    let begun = Instant::now();
    while hitters_of_sessions(place).len() < count {
        assert!(begun.elapsed() < PATIENCE, "no session");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// Waits until the newest session in the journal is this hitter's.
fn wait_for_session_of(place: &Place, hitter: Option<&str>) {
    let begun = Instant::now();
    while hitters_of_sessions(place).pop() != Some(hitter.map(str::to_owned)) {
        assert!(begun.elapsed() < PATIENCE, "no session of {hitter:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn whoever_stepped_in_is_asked_for_after_a_crash_and_nobody_is_named_until_then() {
    let place = Place::new();
    let start = || Served::start_page(&place, "[hitter]\nname = \"Ana\"\n");
    let served = start();
    let page = AtThePage::new(&served);
    assert_eq!(page.post("/seat", "name=Ben"), 303);
    page.wait_for(Some("Ben"), None);
    wait_for_sessions(&place, 2);
    // Dropping it kills it.
    drop(served);

    let served = start();
    let page = AtThePage::new(&served);
    page.wait_for(None, Some("Ben"));
    wait_for_sessions(&place, 3);
    let hitters = page.get("/hitters");
    assert!(hitters.contains("Is it still Ben?"), "{hitters}");
    // Killed again before anybody has said so: still not assumed, still asked.
    drop(served);
    let served = start();
    let page = AtThePage::new(&served);
    page.wait_for(None, Some("Ben"));
    wait_for_sessions(&place, 4);
    // One touch.
    assert_eq!(page.post("/seat", "name=Ben"), 303);
    page.wait_for(Some("Ben"), None);
    wait_for_sessions(&place, 5);
    assert!(!page.get("/hitters").contains("Is it still"));
    drop(served);

    let served = start();
    let page = AtThePage::new(&served);
    page.wait_for(None, Some("Ben"));
    wait_for_sessions(&place, 6);
    assert_eq!(page.post("/seat", "name="), 303);
    page.wait_for(None, None);
    wait_for_sessions(&place, 7);
    drop(served);
    // "Nobody" was said at the page: the settings' hitter is not assumed either.
    let served = start();
    AtThePage::new(&served).wait_for(None, None);
    wait_for_sessions(&place, 8);
    drop(served);
    let ben = || Some("Ben".to_owned());
    assert_eq!(
        hitters_of_sessions(&place)[1..],
        [ben(), None, None, ben(), None, None, None]
    );
}

/// How often these bytes stand in the journal and its log.
fn count_bytes(place: &Place, name: &str) -> usize {
    let count = |file: &str| {
        let bytes = std::fs::read(place.path(file)).unwrap_or_default();
        bytes
            .windows(name.len())
            .filter(|part| *part == name.as_bytes())
            .count()
    };
    count("page.db") + count("page.db-wal")
}

#[test]
fn a_coach_looks_after_hitters_while_cagehand_runs() {
    let place = Place::new();
    filled(&place);
    std::fs::write(
        place.path("page.toml.bak"),
        "[hitter]\nname = \"Kathryn\"\n",
    )
    .unwrap();
    let served = Served::start_page(&place, "");
    let page = AtThePage::new(&served);
    let hitter = |name: &str| -> String {
        let list = page.get("/people");
        let before = list.split(&format!("\">{name}</a>")).next().unwrap();
        before.rsplit("/people/").next().unwrap().to_owned()
    };
    wait_for_sessions(&place, 2);
    // Renamed while they hit: the reps that follow are theirs by the new name.
    assert_eq!(page.post("/seat", "name=Kit"), 303);
    page.wait_for(Some("Kit"), None);
    wait_for_session_of(&place, Some("Kit"));
    let kit = hitter("Kit");
    assert_eq!(
        page.post(&format!("/people/{kit}"), "what=rename&name=Kathryn"),
        303
    );
    page.wait_for(Some("Kathryn"), None);
    assert!(!page.get("/people").contains(">Kit<"));

    // Frozen: stepped out, not to choose, and not let in.
    assert_eq!(page.post("/seat", "name=Ben"), 303);
    page.wait_for(Some("Ben"), None);
    wait_for_session_of(&place, Some("Ben"));
    let ben = hitter("Ben");
    assert_eq!(page.post(&format!("/people/{ben}"), "what=freeze"), 303);
    page.wait_for(None, None);
    assert!(!page.get("/hitters").contains("Ben"));
    assert!(!page.get("/trends").contains("Ben"));
    assert_eq!(page.post("/seat", "name=Ben"), 422);
    assert_eq!(page.post(&format!("/people/{ben}"), "what=unfreeze"), 303);

    // A session of nobody's is given away, and two entries become one.
    wait_for_session_of(&place, None);
    let nobodys = hitters_of_sessions(&place).len();
    let give = format!("/sessions/{nobodys}/hitter");
    assert_eq!(page.post(&give, &format!("hitter={ben}")), 303);
    assert_eq!(hitters_of_sessions(&place).pop(), Some(Some("Ben".into())));
    assert_eq!(
        page.post(&format!("/people/{ben}"), &format!("what=merge&into={kit}")),
        303
    );
    assert!(!hitters_of_sessions(&place).contains(&Some("Ben".into())));

    // Deleted, and nothing is left, though the session runs on.
    assert_eq!(page.post("/seat", "name=Kathryn"), 303);
    page.wait_for(Some("Kathryn"), None);
    wait_for_session_of(&place, Some("Kathryn"));
    let delete = format!("/people/{kit}/delete");
    assert!(page.get(&delete).contains("Kathryn: sessions: "));
    assert_eq!(page.post(&delete, ""), 422, "not without being sure");
    let body = format!("token={}&sure=yes", page.token);
    let answer = ask(&page.address, "POST", &delete, &[&page.cookie], &body);
    assert_eq!(status(&answer), 200, "{answer}");
    assert!(answer.contains("id=\"nothing-left\""), "{answer}");
    page.wait_for(None, None);
    assert!(!place.path("page.toml.bak").exists());
    assert_eq!(count_bytes(&place, "Kathryn"), 0);
    assert!(
        !hitters_of_sessions(&place)
            .iter()
            .flatten()
            .any(|name| name == "Kathryn")
    );
    // The session that ran was begun again as nobody's, and can be deleted too.
    let journal = rusqlite::Connection::open(place.path("page.db")).unwrap();
    let first: i64 = journal
        .query_row("SELECT min(id) FROM sessions", [], |row| row.get(0))
        .unwrap();
    let delete = format!("/sessions/{first}/delete");
    assert_eq!(status(&page.get(&delete)), 200);
    assert_eq!(page.post(&delete, "sure=yes"), 200);
    assert_eq!(status(&page.get(&delete)), 404);
}

#[test]
fn sessions_that_are_older_than_the_limit_are_deleted_when_it_starts() {
    let place = Place::new();
    let start = |more: &str| Served::start_page(&place, more);
    let served = start("");
    let page = AtThePage::new(&served);
    for name in ["Rosalind", "Florence"] {
        assert_eq!(page.post("/seat", &format!("name={name}")), 303);
        page.wait_for(Some(name), None);
    }
    wait_for_sessions(&place, 3);
    drop(served);
    // Rosalind's evening was long ago, and so was the first one of nobody.
    rusqlite::Connection::open(place.path("page.db"))
        .unwrap()
        .execute_batch(
            "UPDATE sessions SET started_at = '2020-05-01T17:00:00.000Z', ended_at = '2020-05-01T18:00:00.000Z' WHERE id <= 2;
             UPDATE hitters SET created_at = '2020-05-01T17:00:00.000Z' WHERE name = 'Rosalind';
             PRAGMA wal_checkpoint(TRUNCATE);",
        )
        .unwrap();
    assert!(count_bytes(&place, "Rosalind") > 0);

    let limits = "[journal]\nkeep_months = 12\nexports = \"exports\"\nkeep_exports_days = 2\n";
    std::fs::write(place.path("export.toml"), limits).unwrap();
    place.run_well(&[
        "--settings",
        "export.toml",
        "journal",
        "export-hitter",
        "Rosalind",
        "--journal",
        "page.db",
    ]);
    let exports = || {
        let found = std::fs::read_dir(place.path("exports")).unwrap();
        found
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.is_dir())
            .collect::<Vec<_>>()
    };
    let [export] = &exports()[..] else {
        panic!("{:?}", exports())
    };
    assert!(!export.to_string_lossy().contains("Rosalind"));
    let long_ago = std::time::SystemTime::UNIX_EPOCH;
    std::fs::File::open(export)
        .unwrap()
        .set_modified(long_ago)
        .unwrap();

    let _served = start(limits);
    let begun = Instant::now();
    while count_bytes(&place, "Rosalind") > 0 {
        assert!(begun.elapsed() < PATIENCE, "it is still there");
        std::thread::sleep(Duration::from_millis(200));
    }
    assert!(exports().is_empty());
    let left = hitters_of_sessions(&place);
    assert_eq!(left.first(), Some(&Some("Florence".to_owned())), "{left:?}");
}
