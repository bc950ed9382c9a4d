//! A camera that is bumped while the daemon watches: the screen, the health figures and `check` say so, the calibration
//! rests and is old, and the rows of the reps say what was not measured.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};

use serde_json::Value;

use super::program::{Place, free_port, json_lines, project};

/// The settings claim a scale that is larger than the hitter's by this, so that a length shows whether it was used.
const CLAIMED: f64 = 1.5;
/// Centimeters a pixel at the hitter, who is 170 cm tall.
const CM_PER_PX: f64 = 0.672;
/// Pose frames of the live run are not those of the replay: some are dropped on a busy machine.
const MARGIN: f64 = 0.2;

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // It has ended already where the test went well.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn clip() -> String {
    project("tests/data/camera/bumped.mp4")
        .to_string_lossy()
        .into_owned()
}

fn stride(rep: &Value) -> f64 {
    rep["measures"]["stride_length_cm"]["value"]
        .as_f64()
        .unwrap()
}

/// Collects what the page's live state says of readiness, until the stream ends.
fn follow(port: u16, seen: Arc<Mutex<Vec<String>>>) {
    cagehand::thread::spawn("screen-follows", move || {
        let mut stream = loop {
            match TcpStream::connect(("127.0.0.1", port)) {
                Ok(stream) => break stream,
                Err(_) => std::thread::sleep(std::time::Duration::from_millis(50)),
            }
        };
        write!(
            stream,
            "GET /live HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n"
        )
        .unwrap();
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            let live = line
                .strip_prefix("data: ")
                .map(serde_json::from_str::<Value>);
            if let Some(Ok(live)) = live {
                let ready = live["ready"].as_str().unwrap_or_default().to_owned();
                let mut seen = seen.lock().unwrap();
                if seen.last() != Some(&ready) {
                    seen.push(ready);
                }
            }
        }
    })
    .unwrap();
}

/// By the calibration before the bump, by the hitter's own scale after it, and not at all through the knock.
fn rows_say_what_was_measured_and_how(place: &Place) {
    let live = json_lines(&place.path("reps.jsonl"));
    let log = place.path("replayed.jsonl");
    place.run_well(&[
        "replay",
        &clip(),
        "--model",
        "lite",
        "--height-cm",
        "170",
        "--pace",
        "fast",
        "--no-journal",
        "--reps",
        log.to_str().unwrap(),
    ]);
    let own_scale = json_lines(&log);
    assert_eq!((live.len(), own_scale.len()), (2, 2));
    let [first, second] = [0, 1].map(|i| stride(&live[i]) / stride(&own_scale[i]));
    assert!((first / CLAIMED - 1.0).abs() < MARGIN, "{first}");
    // Nobody said how tall the hitter of the live run is, and 175 cm are assumed.
    assert!((second / (175.0 / 170.0) - 1.0).abs() < MARGIN, "{second}");
    for (rep, why) in live.iter().zip([None, Some("the camera moved")]) {
        let drop = &rep["measures"]["head_drop_cm"];
        assert_eq!(drop["why"].as_str(), why, "{drop}");
    }
}

#[test]
fn a_bump_is_told_on_the_screen_and_by_check_and_the_calibration_rests() {
    let place = Place::new();
    let port = free_port();
    let settings = format!(
        "[page]\nlisten = \"127.0.0.1:{port}\"\n[pose]\nmodel = \"lite\"\n[journal]\npath = \"{}\"\n\
         [camera]\nknown_length_cm = {:.1}\nknown_length_px = 100\nroll_deg = 0.5\n",
        place.path("j.db").display(),
        100.0 * CLAIMED * CM_PER_PX
    );
    fs::write(place.path("s.toml"), settings).unwrap();
    let check = |what: &str| {
        let arguments = ["check", "--settings", "s.toml", "--silent", "--clip", what];
        String::from_utf8_lossy(&place.run(&arguments).stdout).into_owned()
    };
    let still = project("tests/data/cages/screen.mp4");
    let before = check(still.to_str().unwrap());
    assert!(
        before.contains("good  stand       the camera stands still"),
        "{before}"
    );

    let file = |name| fs::File::create(place.path(name)).unwrap();
    let mut running = Running(
        place
            .command(&[
                "watch",
                "--end-with-recording",
                "--settings",
                "s.toml",
                "--stand-in",
                &clip(),
                "--same-camera",
                // A machine that runs other tests beside it has twice the time.
                "--pace",
                "0.5",
                "--sound",
                "none",
                "--reps",
                "reps.jsonl",
            ])
            .stdin(Stdio::null())
            .stdout(file("said.txt"))
            .stderr(file("warned.txt"))
            .spawn()
            .unwrap(),
    );
    let seen = Arc::<Mutex<Vec<String>>>::default();
    follow(port, Arc::clone(&seen));
    let mut stands: Vec<String> = Vec::new();
    while running.0.try_wait().unwrap().is_none() {
        let told = place.run(&["health", "--json", "--settings", "s.toml"]);
        if let Ok(figures) = serde_json::from_slice::<Value>(&told.stdout) {
            let stand = figures["camera_stand"].as_str().unwrap_or("?").to_owned();
            if stands.last() != Some(&stand) {
                stands.push(stand);
            }
        }
        std::thread::sleep(std::time::Duration::from_millis(200));
    }
    let said = fs::read_to_string(place.path("said.txt")).unwrap();
    let at = |words: &str| {
        said.find(words)
            .unwrap_or_else(|| panic!("{words} is not in: {said}"))
    };
    assert!(at("rep   1") < at("the camera moved"), "{said}");
    assert!(at("the camera moved") < at("the camera was moved after it was calibrated"));
    assert!(at("the camera was moved after it was calibrated") < at("rep   2"));
    let ready = seen.lock().unwrap().clone();
    assert!(ready.contains(&"camera_moved".to_owned()), "{ready:?}");
    assert_ne!(ready.first().unwrap(), "camera_moved", "{ready:?}");
    assert_eq!(stands, ["stands still", "camera moved"]);

    rows_say_what_was_measured_and_how(&place);
    let after = check(still.to_str().unwrap());
    assert!(
        after.contains("FIX  stand       camera moved after it was calibrated"),
        "{after}"
    );
}
