//! The bat that a pose track tells of stays with its rep: in the journal, in exports, at the page.

use std::fmt::Write;

use serde_json::{Value, json};

use super::browser::Served;
use super::doors::ask;
use super::program::{Place, json_lines, project, recording};

/// A track of a swing with a bat put into four frames of five: knob and tip at whole 1/16 px.
fn track_with_bats(place: &Place) -> Vec<Value> {
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let mut lines = json_lines(&track);
    for (i, line) in lines.iter_mut().enumerate().skip(1) {
        if i % 5 != 0 {
            let at = i as f64;
            line["bat"] = json!({"knob": [400.5 + at, 300.25], "tip": [500.0625, 100.0 + at / 2.0], "confidence": 0.8});
        }
    }
    let text = lines.iter().fold(String::new(), |mut text, line| {
        let _ = writeln!(text, "{line}");
        text
    });
    std::fs::write(place.path("bats.track.jsonl"), text).unwrap();
    lines.remove(0);
    lines
}

#[test]
fn the_bat_of_a_track_stays_with_its_rep_in_the_journal_an_export_and_the_pages_data() {
    let place = Place::new();
    let given = track_with_bats(&place);
    place.run_well(&[
        "replay",
        "bats.track.jsonl",
        "--height-cm",
        "183",
        "--pace",
        "fast",
        "--journal",
        "page.db",
    ]);
    let one = ["export", "--journal", "page.db", "--session", "1"];
    place.run_well(&[&one[..], &["--timeline", "1", "--out", "one.track.jsonl"]].concat());
    let kept = &json_lines(&place.path("one.track.jsonl"))[1..];
    let of_time = |t: f64| {
        let near = |line: &&Value| (line["t"].as_f64().unwrap() - t).abs() < 1e-3;
        given.iter().find(near).unwrap()
    };
    for line in kept {
        let given = of_time(line["t"].as_f64().unwrap());
        for end in ["knob", "tip"] {
            assert_eq!(line["bat"][end], given["bat"][end], "{line}");
        }
    }
    let seen = |line: &&Value| line["bat"].is_object();
    let (with_bat, frames) = (kept.iter().filter(seen).count(), kept.len());
    assert!(
        frames > 60 && with_bat.abs_diff(frames * 4 / 5) <= 1,
        "{with_bat} of {frames}"
    );

    let clip = recording("left_60fps_faults");
    let served = Served::start(&place, &clip, "", &[]);
    let answer = ask(&served.address, "GET", "/reps/1/data", &[], "");
    let (_, body) = answer.split_once("\r\n\r\n").unwrap();
    let told: Value = serde_json::from_str(body).unwrap();
    let told = told["bat"].as_array().unwrap();
    assert_eq!(told.len(), frames);
    for (told, kept) in told.iter().zip(kept) {
        let Some(bat) = kept.get("bat") else {
            assert!(told.is_null(), "{told}");
            continue;
        };
        for (at, end) in ["knob", "tip"].into_iter().enumerate() {
            for axis in 0..2 {
                let off = told[at][axis].as_f64().unwrap() - bat[end][axis].as_f64().unwrap();
                assert!(off.abs() <= 0.0501, "to a tenth of a pixel: {told} {bat}");
            }
        }
    }
}
