//! Swings at 120 and 240 frames a second: what a fast camera is for.
//!
//! The tracks are the pose model's; what they are is in `tests/data/tracks/README.md`.

use serde_json::Value;

use cagehand::pose::PoseFrame;
use cagehand::pose::track::TrackReader;
use cagehand::rep::{MeasureName, Rep, RepKind};

use super::super::program::project;
use cagehand_stage::reps_of;

/// The one swing of a track of which every so-manyth frame is left, and what is known of it.
fn swing(name: &str, every: usize) -> (Rep, Value) {
    let file = |ending: &str| project(&format!("tests/data/tracks/{name}.{ending}"));
    let text = std::fs::read_to_string(file("truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&text).unwrap();
    let mut reader = TrackReader::open(&file("track.jsonl")).unwrap();
    let frames: Vec<PoseFrame> = std::iter::from_fn(|| reader.next_frame().unwrap())
        .step_by(every)
        .collect();
    let height_cm = 100.0 * truth["hitter_height_m"].as_f64().unwrap();
    let mut reps = reps_of(&frames, Some(height_cm));
    assert_eq!(reps.len(), 1, "{name}");
    let rep = reps.remove(0);
    assert_eq!(rep.kind, RepKind::Swing);
    (rep, truth["segments"][0].clone())
}

const FAST: [(&str, f64); 2] = [("right_120fps_swing_2", 120.0), ("left_240fps", 240.0)];

/// Two frames at 120 a second.
#[test]
fn events_are_within_17_ms_of_the_truth() {
    for (name, fps) in FAST {
        let (rep, truth) = swing(name, 1);
        assert!((rep.fps - fps).abs() < 0.02 * fps, "{name}: {}", rep.fps);
        let known = |event: &str| truth["events"][event].as_f64().unwrap();
        for (event, told) in [
            ("lift", rep.events.lift_off),
            ("plant", rep.events.plant),
            ("contact", rep.events.contact),
        ] {
            let off_ms = 1000.0 * (told.unwrap().secs() - known(event));
            assert!(off_ms.abs() <= 17.0, "{name}: {event} {off_ms:.1} ms off");
        }
    }
}

#[test]
fn lengths_are_as_true_as_at_60() {
    for (name, _) in FAST {
        let (rep, truth) = swing(name, 1);
        for (measure, word, bound) in [
            (MeasureName::HeadToPlant, "head_set_to_plant_m", 1.5),
            (MeasureName::StrideLength, "stride_m", 3.0),
            (
                MeasureName::HeadBetweenFeet,
                "head_between_feet_at_plant",
                5.0,
            ),
        ] {
            let wanted = 100.0 * truth["measures"][word].as_f64().unwrap();
            let value = rep.measures[&measure].value().unwrap();
            let off = (value - wanted).abs();
            assert!(off < bound, "{name}: {measure} {value} for {wanted}");
        }
    }
}

#[test]
fn a_fast_cameras_frames_are_read_alike_where_some_are_left_out() {
    let (fast, _) = swing("left_240fps", 1);
    for every in [2, 4] {
        let (slow, _) = swing("left_240fps", every);
        for (a, b) in [
            (fast.events.plant, slow.events.plant),
            (fast.events.contact, slow.events.contact),
        ] {
            let apart_ms = 1000.0 * a.unwrap().secs_since(b.unwrap()).abs();
            assert!(apart_ms <= 17.0, "every {every}: {apart_ms:.1} ms");
        }
    }
}

/// Pelvis, arm, hands, bat: the order in which the renderer moves them, and skilled hitters do (Thompson 2022, Washington
/// State University, doi 10.7273/000005138).
#[test]
fn the_sequence_is_told_at_120() {
    let (rep, _) = swing("right_120fps_swing_2", 1);
    assert_eq!(rep.measures[&MeasureName::Sequence].value(), Some(5678.0));
}
