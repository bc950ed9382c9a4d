//! Settings can be asked about, and edited while the daemon runs.

use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Child, Stdio};
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::{Duration, Instant};

use cagehand::pose::track::TrackReader;
use cagehand::rep::{HitterSetup, MeasureName, Phase, RepFinder};

use super::program::{Place, json_lines, project, recording};

/// The running daemon and what it says; it is killed with the test.
struct Daemon {
    child: Child,
    lines: Receiver<String>,
}

impl Daemon {
    fn start(place: &Place, arguments: &[&str]) -> Self {
        let mut child = place
            .command(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let out = child.stdout.take().unwrap();
        let (sender, lines) = sync_channel(256);
        cagehand::thread::spawn("daemon-says", move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        })
        .unwrap();
        Self { child, lines }
    }

    /// The next line that begins so.
    fn next(&self, begin: &str) -> String {
        let until = Instant::now() + Duration::from_secs(20);
        let mut others = Vec::new();
        while let Ok(line) = self
            .lines
            .recv_timeout(until.saturating_duration_since(Instant::now()))
        {
            if line.starts_with(begin) {
                return line;
            }
            others.push(line);
        }
        panic!("no line begins with {begin:?}: {others:#?}");
    }

    fn signal(&self, name: &str) {
        let sent = std::process::Command::new("sh")
            .args(["-c", &format!("kill -{name} {}", self.child.id())])
            .status();
        assert!(sent.unwrap().success());
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It has ended already where the test went well.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

const FIRST: &str = "[cues]\nvolume = 0.5\n[bands]\nhead_to_plant_cm = { low = -4, high = 10 }\nhead_drop_cm = { high = 90 }\n";

#[cfg(unix)]
#[test]
fn an_edit_while_the_daemon_runs_is_told_and_judges_later_reps() {
    let place = Place::new();
    let file = place.path("config/cagehand/cagehand.toml");
    fs::create_dir_all(file.parent().unwrap()).unwrap();
    fs::write(&file, FIRST).unwrap();
    let log = place.path("reps.jsonl");
    let clip = recording("left_60fps_faults");
    let reps = log.to_string_lossy();
    let mut daemon = Daemon::start(
        &place,
        &[
            "watch",
            "--end-with-recording",
            "--stand-in",
            &clip,
            "--sound",
            "none",
            "--reps",
            &reps,
        ],
    );
    daemon.next("rep   1");

    fs::write(&file, FIRST.replace("high = 10", "high = -10")).unwrap();
    let refused = daemon.next("settings:");
    assert!(
        refused.contains(
            "cagehand.toml, line 4: the band of head_to_plant_cm has low = -4 above high = -10"
        ) && refused.ends_with("The settings before stay in force"),
        "{refused}"
    );

    let second = format!(
        "{}[camera]\nfps = 30\n[hitter]\nheight_cm = 150\n",
        FIRST.replace("high = 10", "high = 3")
    );
    fs::write(&file, &second).unwrap();
    assert_eq!(
        daemon.next("settings:"),
        "settings: bands.head_to_plant_cm = { low = -4, high = 3 } (was { low = -4, high = 10 }); needs a restart (the camera \
         and its mode are chosen when it is opened): camera.fps = 30 (was \"auto\"); not used now (a recording stands in, with a \
         hitter and a camera of its own): hitter.height_cm = 150 (was 0)"
    );
    daemon.signal("HUP");
    assert!(daemon.next("settings:").contains("nothing changes"));

    daemon.next("rep   2");
    daemon.signal("TERM");
    assert!(daemon.child.wait().unwrap().success());
    // The head went some 6 cm forward (the recording's truth): in the first band, above the second.
    let head = &json_lines(&log)[1]["measures"]["head_to_plant_cm"];
    let value = head["value"].as_f64().unwrap();
    assert!((3.0..10.0).contains(&value), "{value}");
    assert_eq!(head["verdict"], "high");
}

#[cfg(unix)]
#[test]
fn model_page_and_journal_change_without_a_restart() {
    let place = Place::new();
    let file = place.path("config/cagehand/cagehand.toml");
    fs::create_dir_all(file.parent().unwrap()).unwrap();
    let settings = |model: &str, listen: &str, journal: &str| {
        let text = format!(
            "[pose]\nmodel = \"{model}\"\n[page]\nlisten = \"{listen}\"\n[journal]\npath = \"{journal}\"\n"
        );
        fs::write(&file, text).unwrap();
    };
    let first = place.path("first.db");
    let second = place.path("second.db");
    let (first, second) = (first.to_string_lossy(), second.to_string_lossy());
    settings("lite", "127.0.0.1:0", &first);
    let clip = recording("left_60fps_faults");
    let mut daemon = Daemon::start(
        &place,
        &[
            "watch",
            "--end-with-recording",
            "--stand-in",
            &clip,
            "--sound",
            "none",
        ],
    );
    daemon.next("lite model, as set");
    let page = daemon.next("page: http://127.0.0.1:");
    let port = |line: &str| -> u16 {
        let digits = line.trim_end_matches('/').rsplit(':').next().unwrap();
        digits.parse().unwrap()
    };
    let answers = |port: u16| std::net::TcpStream::connect(("127.0.0.1", port)).is_ok();
    assert!(answers(port(&page)));
    daemon.next("rep   1");

    settings("full", "127.0.0.1:0", &second);
    daemon.next("full model, as set");
    daemon.next("a new session begins");
    // The count begins again with the session.
    daemon.next("rep   1");
    // All or nothing: the page does not move where the journal cannot.
    settings("full", "", "/proc/none/j.db");
    let refused = daemon.next("settings:");
    assert!(
        refused.ends_with("The settings before stay in force"),
        "{refused}"
    );
    assert!(answers(port(&page)), "it is served as before");
    settings("full", "", &second);
    daemon.next("settings: page.listen");
    assert!(!answers(port(&page)), "nothing is served any more");
    daemon.signal("TERM");
    assert!(daemon.child.wait().unwrap().success());
    let reps = |journal: &str| {
        place
            .run_well(&["export", "--journal", journal])
            .lines()
            .count()
    };
    assert!(reps(&first) == 1 && reps(&second) >= 1);
    let told = place.run_well(&["journal", "check", "--journal", &first]);
    assert!(told.contains("good"), "{told}");
}

#[test]
fn a_height_that_is_told_in_mid_swing_measures_it_as_if_told_before() {
    let told = HitterSetup {
        height_cm: Some(183.0),
        ..HitterSetup::default()
    };
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let found = |at_first: HitterSetup| {
        let mut reader = TrackReader::open(&track).unwrap();
        let mut finder = RepFinder::new(at_first);
        let mut rep = None;
        while let Some(frame) = reader.next_frame().unwrap() {
            if finder.phase() == Phase::Stride {
                finder.set_setup(told);
            }
            rep = rep.or(finder.push(frame));
        }
        rep.or_else(|| finder.finish()).unwrap().rep
    };
    let (before, amid) = (found(told), found(HitterSetup::default()));
    assert_eq!(before.events, amid.events);
    assert_eq!(before.measures, amid.measures);
    assert!(
        before.measures[&MeasureName::StrideLength]
            .value()
            .is_some()
    );
}

#[test]
fn settings_are_explained_checked_and_found() {
    let place = Place::new();
    let found = place.run_well(&["settings", "path"]);
    assert!(
        found.starts_with("in force: the built-in defaults")
            && found.contains("cagehand.toml  (not there)"),
        "{found}"
    );
    let file = place.path("config/cagehand/cagehand.toml");
    fs::create_dir_all(file.parent().unwrap()).unwrap();
    fs::write(&file, FIRST).unwrap();
    let here = file.to_string_lossy();
    let found = place.run_well(&["settings", "path"]);
    assert!(
        found.contains(&format!("in force: {here}\n"))
            && found.contains(&format!("{here}  (in force)")),
        "{found}"
    );

    let volume = place.run_well(&["settings", "explain", "volume"]);
    assert_eq!(
        volume,
        format!(
            "in force: {here}\n\n[cues]\n\n  cues.volume\n    Loudness, 0 to 1.\n    default  0.8\n    now      0.5  (line 2)\n"
        )
    );
    let everything = place.run_well(&["settings", "explain"]);
    for part in [
        "[hitter]",
        "pose.model",
        "bands.hands_back_cm",
        "needs a restart",
    ] {
        assert!(everything.contains(part), "{part}: {everything}");
    }
    let unknown = place.run(&["settings", "explain", "loudness"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("no key \"loudness\""));

    let right = place.run_well(&["settings", "check"]);
    assert!(right.contains("is right; ") && right.contains("cues.volume = 0.5  (default 0.8)"));
    // A wrong file in force keeps neither of these from their work.
    fs::write(&file, "[cues]\nvolume = 3\n").unwrap();
    place.run_well(&["settings", "path"]);
    let other = place.path("other.toml");
    fs::write(&other, "").unwrap();
    place.run_well(&["settings", "check", &other.to_string_lossy()]);
    for wrong in [&["settings", "check"][..], &["settings", "explain"]] {
        let wrong = place.run(wrong);
        assert_eq!(wrong.status.code(), Some(2));
        let said = String::from_utf8_lossy(&wrong.stderr).into_owned();
        assert!(
            said.contains("line 2: volume is 3; it must be 0 to 1"),
            "{said}"
        );
    }
}
