//! The bat and the turn that a pose track tells of stay with their rep: in the journal, in exports, at the page.

use std::fmt::Write;

use serde_json::{Value, json};

use super::browser::{Browser, Served, block_on};
use super::doors::ask;
use super::program::{Place, json_lines, project, recording};

/// A track of a swing with a bat and a turn put into four frames of five: knob and tip at whole 1/16 px, degrees in tenths.
fn track_with_bats(place: &Place) -> Vec<Value> {
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let mut lines = json_lines(&track);
    for (i, line) in lines.iter_mut().enumerate().skip(1) {
        if i % 5 != 0 {
            let at = i as f64;
            line["turn"] = json!({"pelvis_deg": (at - 300.0) / 10.0, "shoulders_deg": -40.1, "plus_minus_deg": 7.5});
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
fn bat_and_turn_of_a_track_stay_with_their_rep_in_the_journal_and_an_export_and_the_bat_in_the_pages_data()
 {
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
        assert_eq!(line["turn"], given["turn"], "{line}");
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
    // No pitch was played, so its line is level; toward the pitcher, who is to the right.
    let line = &told["pitch_line"];
    assert_eq!(line["toward"], json!([1.0, 0.0]), "{line}");
    assert!(line["descent_deg"].is_null(), "{line}");
    assert_eq!(told["plate_near"], json!(true));
    let turns = told["turn"].as_array().unwrap();
    let turn = turns.iter().find(|turn| !turn.is_null());
    let given = kept.iter().find_map(|line| line.get("turn"));
    assert_eq!(turn, given, "{} frames", turns.len());
    drawings_can_be_switched_off(&served);
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

/// The axis, the pitch's line and the view from above are drawn until their switches, which the keyboard reaches, are turned off; the
/// first two have a key, the last says itself what it shows.
fn drawings_can_be_switched_off(served: &Served) {
    block_on(async {
        let browser = Browser::start(1280, 900).await;
        browser.open(&format!("{}/reps/1", served.address)).await;
        browser
            .until(
                "the axis",
                "return document.querySelectorAll('#stage .axis circle').length === 3",
            )
            .await;
        let state = "return ['axis', 'pitch-line', 'above'].map((name) => {
            const drawn = document.querySelector(name === 'above' ? '#above figure' : `#stage .${name}`);
            const key = document.getElementById(`${name}-key`);
            return [
              !document.querySelector(`[data-drawing=\"${name}\"]`).hidden,
              Boolean(drawn && drawn.getClientRects().length > 0),
              Boolean(key && !key.hidden),
            ];
          })";
        let on = json!([true, true, true]);
        let without_key = json!([true, true, false]);
        assert_eq!(browser.ask(state).await, json!([on, on, without_key]));
        browser.picture("drawings").await;
        for name in ["axis", "pitch-line", "above"] {
            let press = format!(
                "const button = document.querySelector('[data-drawing=\"{name}\"]'); button.focus(); return document.activeElement === button"
            );
            assert_eq!(browser.ask(&press).await, json!(true), "{name}");
            browser.click(&format!("[data-drawing=\"{name}\"]")).await;
        }
        let off = json!([true, false, false]);
        assert_eq!(browser.ask(state).await, json!([off, off, off]));
        assert!(browser.barriers().await.is_empty());
        browser.close().await;
    });
}
