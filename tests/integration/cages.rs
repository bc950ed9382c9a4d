//! Cages as they are: nets, other people, mirrors, dark clothes, children, heavy bats, waiting. Swings are found at their time
//! and nothing else is a swing.
//!
//! The clips are rendered (`tests/data/cages/README.md`, which also lists the clips that do not hold yet), so their truth is the
//! renderer's. Bounds are for single events of clips with 30 frames a second: three frames for the front heel, two for contact.

use std::path::PathBuf;

use serde_json::Value;

use super::program::{self, Place, json_lines, project};
use super::truth::{Errors, Truth};

fn folder() -> PathBuf {
    project("tests/data/cages")
}

/// The rep log of a track of the folder.
fn reps_of_track(name: &str, height_cm: u32) -> Vec<Value> {
    let place = Place::new();
    let log = place.path("reps.jsonl");
    place.run_well(&[
        "replay",
        folder()
            .join(format!("{name}.track.jsonl"))
            .to_str()
            .unwrap(),
        "--reps",
        log.to_str().unwrap(),
        "--height-cm",
        &height_cm.to_string(),
        "--pace",
        "fast",
        "--no-journal",
    ]);
    json_lines(&log)
}

/// Every swing is found at its time, from the side that the hitter bats from, and nothing else is a swing.
fn holds(name: &str, extension: &str) -> Errors {
    let truth = Truth::read(&folder().join(format!("{name}.truth.json")));
    let height_cm = truth.height_cm();
    let reps = match extension {
        "mp4" => program::replayed(name, "full", height_cm)
            .get()
            .unwrap()
            .reps
            .clone(),
        _ => reps_of_track(name, height_cm),
    };
    let mut errors = Errors::default();
    truth.compare(&reps, &mut errors);
    assert_eq!(errors.found, errors.swings, "{name}: every swing is found");
    assert_eq!(errors.false_swings, 0, "{name}: nothing else is a swing");
    let mut swings = reps.iter().filter(|r| r["kind"] == "swing");
    assert!(
        swings.all(|r| r["bats"] == truth.bats()),
        "{name}: the side was not found"
    );
    errors
}

/// Holds, and its events are in time.
fn holds_in_time(name: &str, extension: &str) {
    let errors = holds(name, extension);
    for (event, bound_ms) in [("plant", 100.0), ("contact", 66.0)] {
        let worst = errors.median_and_worst(event).1;
        assert!(
            worst <= bound_ms,
            "{name}: {event} is off by {worst:.0} ms, at most {bound_ms} expected"
        );
    }
}

#[test]
fn a_screen_that_shows_the_hitter_late_adds_no_swing() {
    holds_in_time("screen", "mp4");
}

#[test]
fn a_child_in_a_helmet_swings_off_a_tee() {
    holds_in_time("child", "mp4");
}

#[test]
fn gloves_and_a_donut_change_nothing() {
    holds_in_time("gloves_and_donut", "mp4");
}

#[test]
fn a_bat_held_at_the_shoulder_for_a_minute_is_no_swing() {
    holds_in_time("hold", "track.jsonl");
}

/// Their times are not held to anything: the folder's page says by how much they are off.
#[test]
fn a_net_before_the_lens_costs_no_swing_and_adds_none() {
    holds("net_before_lens", "mp4");
}

#[test]
fn a_mirror_behind_the_hitter_costs_no_swing_and_adds_none() {
    holds("mirror", "mp4");
}

#[test]
fn people_who_walk_by_behind_and_in_front_are_no_hitters() {
    holds_in_time("walkers", "mp4");
}

#[test]
fn dark_clothes_on_a_dark_ground_hide_no_swing() {
    holds_in_time("dark", "mp4");
}

#[test]
fn a_second_hitter_who_waits_and_waggles_a_bat_is_not_followed() {
    holds_in_time("waiting", "mp4");
}

#[test]
fn a_ball_put_on_the_tee_by_hand_is_no_swing_and_hides_none() {
    holds_in_time("tee_by_hand", "mp4");
}
