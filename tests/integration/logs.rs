//! The log as files: JSON lines, limited, and without anybody's name.

use std::fs;

use serde_json::Value;

use super::program::{Place, project};
use super::watching::{Watch, files};

const NAME: &str = "Bartholomea Quixwood";

#[cfg(unix)]
#[test]
fn log_files_hold_whole_json_lines_are_limited_and_name_nobody() {
    let place = Place::new();
    let named = |name: &str| {
        format!(
            "[hitter]\nname = \"{name}\"\n[log]\nfolder = \"logs\"\nlevel = \"trace\"\nfile_mb = 1\nkeep_files = 2\n"
        )
    };
    // Files of days before: too many.
    fs::create_dir(place.path("logs")).unwrap();
    for day in 10..20 {
        let name = format!("logs/cagehand-0000{day}-202001{day}-000000.jsonl");
        fs::write(place.path(&name), "{}\n").unwrap();
    }
    let watch = Watch::start(&place, &named(NAME));
    watch.wait_for_words("rep   1");
    // Another name while it runs is told, but not which.
    let text = fs::read_to_string(place.path("s.toml")).unwrap();
    fs::write(place.path("s.toml"), text.replace(NAME, "Xaveria Zymander")).unwrap();
    watch.wait_for_words("hitter.name changed");
    let said = watch.stop();

    let logs = files(&place.path("logs"));
    assert!((1..=2).contains(&logs.len()), "{logs:?}");
    let mut levels = Vec::new();
    let mut lines = 0;
    for log in &logs {
        assert!(fs::metadata(log).unwrap().len() <= 1_000_000);
        for line in fs::read_to_string(log).unwrap().lines() {
            let line: Value = serde_json::from_str(line).unwrap();
            if line == serde_json::json!({}) {
                continue;
            }
            lines += 1;
            let time = line["timestamp"].as_str().unwrap();
            assert!(time.parse::<jiff::Timestamp>().is_ok(), "{time}");
            assert!(
                line["target"].is_string() && line["fields"].is_object(),
                "{line}"
            );
            levels.push(line["level"].as_str().unwrap().to_owned());
        }
    }
    assert!(lines > 100, "a line a frame");
    assert!(levels.iter().any(|level| level == "TRACE"));
    assert!(levels.iter().any(|level| level == "DEBUG"), "a line a rep");

    // What a run under the name itself tells, at its most talkative.
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let track = track.to_str().unwrap();
    let replay = [
        "replay",
        track,
        "--pace",
        "fast",
        "--journal",
        "k.db",
        "--settings",
        "hers.toml",
        "-vv",
    ];
    fs::write(
        place.path("hers.toml"),
        format!("[hitter]\nname = \"{NAME}\"\n"),
    )
    .unwrap();
    let talk = place
        .command(&replay)
        .env("RUST_LOG", "trace")
        .output()
        .unwrap();
    assert!(talk.status.success());
    let talk = String::from_utf8_lossy(&talk.stderr).into_owned() + &said;
    let mut all = vec![talk, fs::read_to_string(place.path("warned.txt")).unwrap()];
    all.extend(logs.iter().map(|log| fs::read_to_string(log).unwrap()));
    for text in all {
        for name in [NAME, "Quixwood", "Zymander"] {
            assert!(!text.contains(name), "{name}: {text}");
        }
    }
}

#[test]
fn standard_error_may_be_json_too() {
    let place = Place::new();
    fs::write(place.path("s.toml"), "[log]\nfolder = \"/dev/null/logs\"\n").unwrap();
    // There is no such recording: the run ends at once, after the log has told of its folder.
    let output = place.run(&[
        "watch",
        "--end-with-recording",
        "--settings",
        "s.toml",
        "--log",
        "json",
        "--stand-in",
        "nothing.mp4",
        "--journal",
        "j.db",
    ]);
    assert!(!output.status.success());
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let first: Value = serde_json::from_str(said.lines().next().unwrap()).unwrap();
    assert_eq!(first["level"], "WARN");
    assert!(first["fields"]["folder"].is_string(), "{first}");
}
