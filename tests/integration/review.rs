//! The coach's pages without a cage: over a journal with `review`, and after the recording that `watch` ran.

use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

use super::doors::{ask, status, visit};
use super::program::{PATIENCE, Place, project, recording};

const SWING: &str = "tests/data/tracks/right_60fps_swing_2.track.jsonl";

/// The program while it serves; it is asked to end as Ctrl-C does.
pub(crate) struct Serving {
    child: Child,
    pub(crate) address: String,
    said: Vec<String>,
    lines: std::sync::mpsc::Receiver<String>,
}

impl Serving {
    pub(crate) fn start(place: &Place, arguments: &[&str]) -> Self {
        let mut child = place
            .command(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let out = child.stdout.take().unwrap();
        let (told, lines) = std::sync::mpsc::channel();
        cagehand::thread::spawn("says", move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let _ = told.send(line);
            }
        })
        .unwrap();
        let mut serving = Self {
            child,
            address: String::new(),
            said: Vec::new(),
            lines,
        };
        let line = serving.next("page: http://");
        let (_, address) = line.split_once("page: ").unwrap();
        serving.address = address.trim_end_matches('/').to_owned();
        serving
    }

    /// The next line that contains this.
    fn next(&mut self, words: &str) -> String {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let line = self.lines.recv_timeout(left);
            let line = line.unwrap_or_else(|_| panic!("no {words:?} after {:?}", self.said));
            self.said.push(line.clone());
            if line.contains(words) {
                return line;
            }
        }
    }

    fn get(&self, path: &str) -> String {
        ask(&self.address, "GET", path, &[], "")
    }

    pub(crate) fn ends_when_asked(mut self) {
        let pid = self.child.id().to_string();
        Command::new("kill").args(["-INT", &pid]).status().unwrap();
        assert!(self.child.wait().unwrap().success());
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A journal with a named hitter's swing.
fn with_a_swing(place: &Place) {
    fs::write(
        place.path("kit.toml"),
        "[hitter]\nname = \"Kit\"\nheight_cm = 183\n",
    )
    .unwrap();
    place.run_well(&[
        "--settings",
        "kit.toml",
        "replay",
        project(SWING).to_str().unwrap(),
        "--pace",
        "fast",
        "--journal",
        "club.db",
    ]);
}

#[test]
fn a_journal_is_reviewed_on_any_machine_and_changed_only_where_asked_for() {
    let place = Place::new();
    with_a_swing(&place);
    let before = fs::read(place.path("club.db")).unwrap();
    let listen = ["--journal", "club.db", "--listen", "127.0.0.1:0"];
    let review = Serving::start(&place, &[&["review"][..], &listen].concat());
    let first = review.get("/");
    assert!(
        status(&first) == 303 && first.contains("location: /today\r\n"),
        "{first}"
    );
    let today = review.get("/today");
    for told in ["Kit", "1 swing", "Read-only", "head drift to foot down"] {
        assert!(today.contains(told), "{told}: {today}");
    }
    for page in [
        "/sessions",
        "/sessions/1",
        "/reps/1",
        "/sessions/1/sheet",
        "/trends",
        "/plans",
        "/people",
    ] {
        let answer = review.get(page);
        assert!(
            status(&answer) == 200 && answer.contains("Kit"),
            "{page}: {answer}"
        );
    }
    // A form is refused in words, whoever sends it.
    let note = |review: &Serving| {
        let (cookie, token) = visit(&review.get("/sessions/1"));
        let form = format!("token={token}&to=/sessions/1&text=hips+first");
        ask(
            &review.address,
            "POST",
            "/sessions/1/notes",
            &[&cookie],
            &form,
        )
    };
    let refused = note(&review);
    assert!(
        status(&refused) == 403 && refused.contains("review --edit"),
        "{refused}"
    );
    review.ends_when_asked();
    assert_eq!(
        fs::read(place.path("club.db")).unwrap(),
        before,
        "it was only read"
    );

    let review = Serving::start(&place, &[&["review", "--edit"][..], &listen].concat());
    assert_eq!(status(&note(&review)), 303);
    assert!(review.get("/today").contains("hips first"));
    assert!(!review.get("/today").contains("Read-only"));
    review.ends_when_asked();

    let missing = place.run(&["review", "--journal", "none.db", "--listen", "127.0.0.1:0"]);
    assert!(!missing.status.success());
    assert!(String::from_utf8_lossy(&missing.stderr).contains("none.db"));
}

#[test]
fn the_page_stays_up_after_the_recording_and_shows_what_was_logged() {
    let place = Place::new();
    fs::write(
        place.path("s.toml"),
        "[page]\ntrial = true\nlisten = \"127.0.0.1:0\"\n[pose]\nmodel = \"lite\"\n",
    )
    .unwrap();
    let clip = recording("left_60fps_faults");
    let mut watch = Serving::start(
        &place,
        &[
            "--settings",
            "s.toml",
            "watch",
            "--stand-in",
            &clip,
            "--sound",
            "none",
            "--journal",
            "j.db",
        ],
    );
    watch.next("The page stays up");
    let counted = watch
        .said
        .iter()
        .filter(|line| line.starts_with("rep "))
        .count();
    assert!(counted >= 2, "{:?}", watch.said);
    let session = watch.get("/sessions/1");
    assert!(
        status(&session) == 200 && session.contains(&format!("{counted} swings")),
        "{session}"
    );
    // The coach can still write.
    let (cookie, token) = visit(&session);
    let form = format!("token={token}&to=/sessions/1&text=good+load");
    let noted = ask(
        &watch.address,
        "POST",
        "/sessions/1/notes",
        &[&cookie],
        &form,
    );
    assert_eq!(status(&noted), 303);
    assert!(watch.get("/sessions/1").contains("good load"));
    watch.ends_when_asked();
}
