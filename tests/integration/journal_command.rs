//! `cagehand journal` as whoever keeps the machine uses it: on a journal that the program itself wrote.

use std::fs;
use std::path::Path;
use std::process::{Child, Output, Stdio};
use std::time::{Duration, Instant};

use super::program::{PATIENCE, Place, json_lines, project, recording};

const NAME: &str = "Bartholomea Quixwood";

/// A journal `j.db` with the reps of a hitter with a name.
fn filled(place: &Place) {
    fs::write(
        place.path("hers.toml"),
        format!("[hitter]\nname = \"{NAME}\"\nheight_cm = 178\n"),
    )
    .unwrap();
    replay(place, &["--settings", "hers.toml"]);
}

/// A recorded pose track needs no model and takes no time.
fn replay(place: &Place, more: &[&str]) {
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let track = track.to_str().unwrap();
    let mut arguments = vec!["replay", track, "--pace", "fast", "--journal", "j.db"];
    arguments.extend(more);
    place.run_well(&arguments);
}

fn journal(place: &Place, arguments: &[&str]) -> Output {
    let mut all = vec!["journal", "--journal", "j.db"];
    all.extend(arguments);
    place.run(&all)
}

fn words(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn well(place: &Place, arguments: &[&str]) -> String {
    let output = journal(place, arguments);
    assert!(output.status.success(), "{arguments:?}: {}", words(&output));
    words(&output)
}

fn refused(place: &Place, arguments: &[&str], status: i32, hints: &[&str]) {
    let output = journal(place, arguments);
    let said = words(&output);
    assert_eq!(output.status.code(), Some(status), "{arguments:?}: {said}");
    for hint in hints {
        assert!(said.contains(hint), "{arguments:?}: {said}");
    }
}

fn holds(path: &Path, text: &str) -> bool {
    fs::read(path)
        .unwrap_or_default()
        .windows(text.len())
        .any(|part| part == text.as_bytes())
}

/// A watch on the journal, stopped with the test.
struct Watch(Child);

impl Watch {
    fn start(place: &Place) -> Self {
        let clip = recording("left_60fps_faults");
        let arguments = [
            "watch",
            "--end-with-recording",
            "--stand-in",
            &clip,
            "--sound",
            "none",
            "--journal",
            "j.db",
        ];
        let said = fs::File::create(place.path("watch.txt")).unwrap();
        let child = place
            .command(&arguments)
            .stdout(said.try_clone().unwrap())
            .stderr(said)
            .stdin(Stdio::null())
            .spawn()
            .unwrap();
        Self(child)
    }

    /// Waits until the watch keeps a session in the journal.
    fn wait_for_session(&self, place: &Place, sessions: &str) {
        let begun = Instant::now();
        while !words(&journal(place, &["info"])).contains(sessions) {
            assert!(begun.elapsed() < PATIENCE, "no session");
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        // Killed outright: the journal must bear it.
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

#[test]
fn a_journal_is_backed_up_restored_exported_and_a_hitter_deleted() {
    let place = Place::new();
    refused(&place, &["info"], 1, &["j.db", "no journal here"]);
    filled(&place);
    let info = well(&place, &["info"]);
    for part in [
        "j.db",
        "version   14",
        "1 hitters, 1 sessions",
        "none closed uncleanly",
        "free",
    ] {
        assert!(info.contains(part), "{info}");
    }
    let check = well(&place, &["check"]);
    assert!(check.contains("the journal is sound"), "{check}");

    let said = well(&place, &["backup", "copy.db"]);
    assert!(said.contains("1 hitters, 1 sessions"), "{said}");
    refused(&place, &["backup", "copy.db"], 2, &["copy.db", "already"]);

    refused(
        &place,
        &["export-hitter", "Nobody", "out"],
        2,
        &["Nobody", NAME],
    );
    assert!(!place.path("out").exists());
    well(&place, &["export-hitter", NAME, "out"]);
    let reps = json_lines(&place.path("out/reps.jsonl"));
    let exported = place.run_well(&["export", "--journal", "j.db"]);
    assert_eq!(
        exported,
        fs::read_to_string(place.path("out/reps.jsonl")).unwrap()
    );
    for rep in &reps {
        let track = format!("out/session-1-rep-{}.track.jsonl", rep["rep"]);
        assert!(place.path(&track).exists(), "{track}");
    }
    // A track of the export goes in again like a clip.
    place.run_well(&[
        "replay",
        "out/session-1-rep-1.track.jsonl",
        "--pace",
        "fast",
        "--no-journal",
    ]);
    refused(
        &place,
        &["export-hitter", NAME, "out"],
        2,
        &["out", "not empty"],
    );

    // The same recording without a name: those reps are nobody's and stay.
    replay(&place, &["--height-cm", "168"]);
    refused(
        &place,
        &["delete-hitter", NAME],
        2,
        &["--yes", "1 sessions"],
    );
    assert!(holds(&place.path("j.db"), NAME));
    let said = well(&place, &["delete-hitter", NAME, "--yes"]);
    assert!(said.contains("nothing is left"), "{said}");
    for file in ["j.db", "j.db-wal"] {
        assert!(!holds(&place.path(file), NAME), "{file}");
    }
    let info = well(&place, &["info"]);
    assert!(info.contains("0 hitters, 1 sessions"), "{info}");
    refused(&place, &["delete-hitter", NAME, "--yes"], 2, &[NAME]);

    // A backup from before brings nobody back who was deleted since; the list of deletions has no name.
    let said = well(&place, &["restore", "copy.db"]);
    assert!(
        said.contains("deleted after the backup was made: 1 hitters, 1 sessions")
            && said.contains("0 hitters, 0 sessions"),
        "{said}"
    );
    assert!(!holds(&place.path("j.db"), NAME));
    assert!(!holds(&place.path("j.db.deletions"), NAME));
    // Whoever wants them back after all takes the list away.
    fs::remove_file(place.path("j.db.deletions")).unwrap();
    let said = well(&place, &["restore", "copy.db"]);
    assert!(
        said.contains("j.replaced-") && said.contains("1 hitters, 1 sessions"),
        "{said}"
    );
    assert_eq!(place.run_well(&["export", "--journal", "j.db"]), exported);
    refused(&place, &["restore", "j.db"], 2, &["the journal itself"]);

    // The journal that was set aside keeps the same recording, as nobody's: its landmarks are found, and named.
    let hints = [
        "deleted",
        "set aside hold the hitter",
        "j.replaced-",
        "the name 0 times, 1 timelines",
    ];
    refused(&place, &["delete-hitter", NAME, "--yes"], 1, &hints);
    assert!(!holds(&place.path("j.db"), NAME));
    assert!(holds(&place.path("copy.db"), NAME));
}

#[test]
fn while_cagehand_runs_a_backup_works_and_changes_are_refused_with_what_to_do() {
    let place = Place::new();
    filled(&place);
    well(&place, &["backup", "copy.db"]);
    let watch = Watch::start(&place);
    watch.wait_for_session(&place, "2 sessions");
    well(&place, &["backup", "second.db"]);
    well(&place, &["check"]);
    let hints = ["writing this journal", "Stop cagehand first"];
    refused(&place, &["restore", "copy.db"], 2, &hints);
    refused(&place, &["delete-hitter", NAME, "--yes"], 2, &hints);
    drop(watch);
    // After the kill; the next start closes the session and says so.
    let said = well(&place, &["info"]);
    assert!(said.contains("1 not ended"), "{said}");
    replay(&place, &[]);
    let said = well(&place, &["info"]);
    assert!(said.contains("1 closed uncleanly"), "{said}");
    assert!(said.contains("3 sessions"), "{said}");
}

#[test]
fn watch_sets_a_damaged_journal_aside_and_says_so() {
    let place = Place::new();
    filled(&place);
    well(&place, &["backup", "copy.db"]);
    let mut bytes = fs::read(place.path("j.db")).unwrap();
    bytes[4096..].fill(0x5a);
    fs::write(place.path("j.db"), &bytes).unwrap();
    let output = journal(&place, &["check"]);
    assert!(!output.status.success(), "{}", words(&output));
    assert_eq!(fs::read(place.path("j.db")).unwrap(), bytes);

    let watch = Watch::start(&place);
    watch.wait_for_session(&place, "1 sessions");
    drop(watch);
    let said = fs::read_to_string(place.path("watch.txt")).unwrap();
    assert!(said.contains("the journal was damaged"), "{said}");
    assert!(said.contains("WARN"), "{said}");
    let aside = fs::read_dir(place.path("."))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| {
            let name = path.to_string_lossy();
            name.contains("j.damaged-") && name.ends_with(".db")
        })
        .expect("the damaged journal is kept");
    assert!(
        said.contains(aside.file_name().unwrap().to_str().unwrap()),
        "{said}"
    );
    assert_eq!(fs::read(aside).unwrap(), bytes);
    let said = well(&place, &["restore", "copy.db"]);
    assert!(said.contains("1 hitters, 1 sessions"), "{said}");
}
