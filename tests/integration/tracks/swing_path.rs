//! The bat's measures on swings of rendered hitters whose bat is known exactly, as pose model and bat network saw them.
//!
//! The track is described in `tests/data/tracks/README.md`.

use serde_json::Value;

use cagehand::pose::PoseFrame;
use cagehand::pose::track::TrackReader;
use cagehand::rep::{Measure, MeasureName, NotMeasured, Rep, RepKind};

use super::super::program::project;
use cagehand_stage::reps_of;

const NAME: &str = "tests/data/tracks/bat_open_side_60fps";

fn frames() -> Vec<PoseFrame> {
    let mut reader = TrackReader::open(&project(&format!("{NAME}.track.jsonl"))).unwrap();
    std::iter::from_fn(|| reader.next_frame().unwrap()).collect()
}

fn truth() -> Value {
    let text = std::fs::read_to_string(project(&format!("{NAME}.truth.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn swings(frames: &[PoseFrame]) -> Vec<Rep> {
    let height_cm = 100.0 * truth()["hitter_height_m"].as_f64().unwrap();
    let mut reps = reps_of(frames, Some(height_cm));
    reps.retain(|rep| rep.kind == RepKind::Swing);
    reps
}

/// How far off each is at most, and that it lies within two and a half of what the measure says of itself.
#[test]
fn the_barrel_at_plant_its_path_and_its_speed_are_true_on_rendered_swings() {
    let truth = truth();
    let segments = truth["segments"].as_array().unwrap().iter();
    let truths: Vec<&Value> = segments.filter(|s| s["segment"] == "rep").collect();
    let reps = swings(&frames());
    assert_eq!(reps.len(), truths.len());
    for (rep, truth) in reps.iter().zip(truths) {
        for (name, word, most) in [
            (MeasureName::BarrelAtPlant, "barrel_at_plant_deg", 15.0),
            (MeasureName::Attack, "attack_deg", 15.0),
            (MeasureName::BatSpeed, "bat_speed_m_s", 3.0),
        ] {
            let wanted = truth["measures"][word].as_f64().unwrap();
            let Measure::Made {
                value, plus_minus, ..
            } = rep.measures[&name]
            else {
                panic!("{name}: {:?}", rep.measures[&name]);
            };
            let off = (value - wanted).abs();
            assert!(off < most, "{name}: {value} for {wanted}");
            assert!(
                off < 2.5 * plus_minus,
                "{name}: {value} ± {plus_minus} for {wanted}"
            );
        }
    }
}

#[test]
fn without_a_bat_in_the_frames_its_measures_are_refused_and_nothing_else_changes() {
    let with = frames();
    let mut without = with.clone();
    without.iter_mut().for_each(|frame| frame.bat = None);
    let of_bat = [
        MeasureName::BarrelAtPlant,
        MeasureName::Attack,
        MeasureName::BatSpeed,
        MeasureName::KnobAtPlant,
        MeasureName::AttackToPitch,
        MeasureName::OnPlaneTime,
        MeasureName::OnPlaneLength,
        MeasureName::OnPlaneBefore,
        MeasureName::HandsLoop,
        MeasureName::BarrelLag,
        MeasureName::PathShape,
        MeasureName::Sequence,
    ];
    let (with, without) = (swings(&with), swings(&without));
    assert_eq!(with.len(), without.len());
    for (with, without) in with.iter().zip(&without) {
        assert_eq!(with.events, without.events);
        for (name, measure) in &without.measures {
            match of_bat.contains(name) {
                true => assert_eq!(*measure, Measure::from(NotMeasured::BatNotSeen)),
                false => assert_eq!(*measure, with.measures[name]),
            }
        }
    }
}

/// Where a frame in seven has the bat the other way about, the speed is refused or hardly another.
#[test]
fn a_frame_in_seven_that_takes_something_else_for_the_bat_makes_no_wrong_speed() {
    let true_frames = frames();
    let speed = |frames: &[PoseFrame]| swings(frames)[0].measures[&MeasureName::BatSpeed].clone();
    let wanted = speed(&true_frames).value().unwrap();
    for first in 0..7 {
        let mut odd = true_frames.clone();
        let bats = odd.iter_mut().skip(first).step_by(7);
        for bat in bats.filter_map(|frame| frame.bat.as_mut()) {
            bat.tip_px = [0, 1].map(|k| 2.0 * bat.knob_px[k] - bat.tip_px[k]);
        }
        match speed(&odd) {
            Measure::Made { value, .. } => {
                assert!(
                    (value - wanted).abs() < 0.15 * wanted,
                    "{value} and {wanted}"
                );
            }
            Measure::NotMade { why } => assert!(
                [NotMeasured::BatTooUnsure, NotMeasured::BatReadingsDisagree]
                    .iter()
                    .any(|reason| why.to_string() == reason.to_string()),
                "{why}"
            ),
        }
    }
}
