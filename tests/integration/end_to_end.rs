//! One command: a recording goes in; a cue, a rep log, a pose track and a journal come out and agree.

use std::path::Path;

use serde_json::Value;

use super::program::{Place, json_lines, recording};

#[test]
fn one_replay_fills_rep_log_track_and_journal_and_they_agree() {
    let place = Place::new();
    let (log, track) = (place.path("reps.jsonl"), place.path("x.track.jsonl"));
    let shown = place.run_well(&[
        "replay",
        &recording("left_60fps_faults"),
        "--height-cm",
        "168",
        "--pace",
        "fast",
        "--reps",
        log.to_str().unwrap(),
        "--track",
        track.to_str().unwrap(),
    ]);
    assert!(
        shown.contains("Pain or dizziness: stop"),
        "the notice comes first: {shown}"
    );
    let reps = json_lines(&log);
    assert_eq!(reps.iter().filter(|r| r["kind"] == "swing").count(), 4);
    assert_eq!(
        shown.lines().filter(|l| l.starts_with("rep ")).count(),
        reps.len(),
        "one line a rep"
    );
    events_are_in_order(&reps);
    turns_are_near_the_truth(&reps);
    journal_gives_back(&place, &reps);
    track_replays_to(&place, &track, &reps);
    one_rep_comes_out_of_the_journal(&place, &reps);
}

fn events_are_in_order(reps: &[Value]) {
    for rep in reps {
        assert_eq!(
            (&rep["format"], &rep["version"]),
            (&"rep".into(), &1.into())
        );
        let events = rep["events"].as_object().unwrap();
        let times: Vec<f64> = ["gather", "lift_off", "plant", "contact", "finish"]
            .iter()
            .map(|e| events[*e].as_f64().unwrap())
            .collect();
        assert!(times.is_sorted(), "events in order: {events:?}");
    }
}

/// The renderer of this clip is not the one whose pictures the network learned from.
fn turns_are_near_the_truth(reps: &[Value]) {
    let truth: Value = serde_json::from_str(
        &std::fs::read_to_string(
            Path::new(&recording("left_60fps_faults")).with_extension("truth.json"),
        )
        .unwrap(),
    )
    .unwrap();
    let truths = truth["segments"].as_array().unwrap().iter();
    let truths: Vec<&Value> = truths.filter(|s| s["segment"] == "rep").collect();
    let swings: Vec<&Value> = reps.iter().filter(|rep| rep["kind"] == "swing").collect();
    assert_eq!(swings.len(), truths.len());
    for (rep, truth) in swings.iter().zip(truths) {
        let measure = &rep["measures"]["separation_deg"];
        let wanted = truth["measures"]["separation_at_plant_deg"]
            .as_f64()
            .unwrap();
        let told = measure["value"].as_f64().unwrap();
        assert!((told - wanted).abs() < 12.0, "{measure} for {wanted}");
        let parts = rep["measures"]["sequence"]["value"].as_array().unwrap();
        assert_eq!(parts.last().unwrap(), "bat", "{parts:?}");
    }
}

fn journal_gives_back(place: &Place, reps: &[Value]) {
    let exported = place.run_well(&["export"]);
    let exported: Vec<Value> = exported
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(exported.len(), reps.len());
    for (journal, log) in exported.iter().zip(reps) {
        for key in ["rep", "kind", "bats", "view", "events", "measures", "cue"] {
            assert_eq!(journal[key], log[key], "{key}");
        }
    }
    let table = place.run_well(&["export", "--format", "csv"]);
    assert_eq!(table.lines().count(), reps.len() + 1);
}

fn track_replays_to(place: &Place, track: &Path, reps: &[Value]) {
    let again = place.path("again.jsonl");
    place.run_well(&[
        "replay",
        track.to_str().unwrap(),
        "--height-cm",
        "168",
        "--pace",
        "fast",
        "--no-journal",
        "--reps",
        again.to_str().unwrap(),
    ]);
    let again = json_lines(&again);
    assert_eq!(again.len(), reps.len());
    for (a, b) in again.iter().zip(reps) {
        for event in ["plant", "contact"] {
            let (a, b) = (
                a["events"][event].as_f64().unwrap(),
                b["events"][event].as_f64().unwrap(),
            );
            assert!((a - b).abs() < 0.01, "{event}: {a} {b}");
        }
    }
}

/// One rep's landmarks come out of the journal as a track that holds the same swing.
fn one_rep_comes_out_of_the_journal(place: &Place, reps: &[Value]) {
    let one = place.path("one.track.jsonl");
    place.run_well(&[
        "export",
        "--session",
        "1",
        "--timeline",
        "1",
        "--out",
        one.to_str().unwrap(),
    ]);
    let single = place.path("single.jsonl");
    place.run_well(&[
        "replay",
        one.to_str().unwrap(),
        "--height-cm",
        "168",
        "--pace",
        "fast",
        "--no-journal",
        "--reps",
        single.to_str().unwrap(),
    ]);
    let single = json_lines(&single);
    assert_eq!(single.len(), 1);
    let (a, b) = (
        single[0]["events"]["contact"].as_f64().unwrap(),
        reps[0]["events"]["contact"].as_f64().unwrap(),
    );
    assert!((a - b).abs() < 0.02, "{a} {b}");
}
