//! Swings that are seen from behind the back: the view is found, what shows there is true, the rest is refused.
//!
//! The tracks are the pose model's; what they are is in `tests/data/tracks/README.md`.

use serde_json::Value;

use cagehand::pose::track::TrackReader;
use cagehand::pose::{Landmark, PoseFrame};
use cagehand::rep::{Bats, Measure, MeasureName, NotMeasured, Rep, RepKind, View};

use super::super::program::project;
use cagehand_stage::reps_of;

struct Shot {
    truth: Value,
    frames: Vec<PoseFrame>,
    reps: Vec<Rep>,
}

impl Shot {
    fn load(name: &str) -> Self {
        let file = |ending: &str| project(&format!("tests/data/tracks/{name}.{ending}"));
        let text = std::fs::read_to_string(file("truth.json")).unwrap();
        let truth: Value = serde_json::from_str(&text).unwrap();
        let mut reader = TrackReader::open(&file("track.jsonl")).unwrap();
        let frames: Vec<PoseFrame> = std::iter::from_fn(|| reader.next_frame().unwrap()).collect();
        let height_cm = 100.0 * truth["hitter_height_m"].as_f64().unwrap();
        let reps = reps_of(&frames, Some(height_cm));
        Self {
            truth,
            frames,
            reps,
        }
    }

    /// The swings and what is known of each.
    fn swings(&self) -> Vec<(&Rep, &Value)> {
        let truths = self.truth["segments"].as_array().unwrap().iter();
        let truths = truths.filter(|s| s["segment"] == "rep");
        let reps = self.reps.iter().filter(|r| r.kind == RepKind::Swing);
        reps.zip(truths).collect()
    }
}

fn both() -> [Shot; 2] {
    ["captured_back_side_60fps", "back_side_30fps"].map(Shot::load)
}

#[test]
fn the_view_from_behind_the_back_is_found_and_so_is_the_side_of_the_plate() {
    for (shot, count) in both().iter().zip([1, 2]) {
        assert_eq!(shot.swings().len(), count);
        for rep in &shot.reps {
            assert_eq!((rep.view, rep.bats), (View::BackSide, Bats::Right));
        }
    }
}

/// Bounds as for a camera that faces the chest. The travel of the captured swing's head is not among them: its load begins
/// before the swing does, which is the same from every side.
#[test]
fn stride_and_head_are_true_from_behind_the_back() {
    for shot in both() {
        for (rep, truth) in shot.swings() {
            for (name, word, bound) in [
                (MeasureName::StrideLength, "stride_m", 3.0),
                (MeasureName::HeadDrop, "head_drop_set_to_contact_m", 3.0),
                (
                    MeasureName::HeadBetweenFeet,
                    "head_between_feet_at_plant",
                    8.0,
                ),
            ] {
                let wanted = 100.0 * truth["measures"][word].as_f64().unwrap();
                let value = rep.measures[&name].value().unwrap();
                let off = (value - wanted).abs();
                assert!(off < bound, "{name}: {value} for {wanted}");
            }
        }
    }
}

#[test]
fn what_the_back_hides_is_refused_with_its_reason() {
    for shot in both() {
        for (rep, _) in shot.swings() {
            for name in [
                MeasureName::HandsBack,
                MeasureName::TrunkHinge,
                MeasureName::FrontFootOpen,
                MeasureName::BalanceOffset,
            ] {
                let refused = Measure::from(NotMeasured::OpenSideNeeded);
                assert_eq!(rep.measures[&name], refused, "{name}");
            }
        }
    }
}

/// In the picture's mirror, sides exchanged, the same hitter bats left and still shows the back.
#[test]
fn a_left_handed_hitter_is_seen_from_behind_the_back_too() {
    let shot = Shot::load("captured_back_side_60fps");
    let height_cm = 100.0 * shot.truth["hitter_height_m"].as_f64().unwrap();
    let mirrored: Vec<PoseFrame> = shot.frames.iter().map(mirrored).collect();
    let reps = reps_of(&mirrored, Some(height_cm));
    assert_eq!(reps.len(), 1);
    assert_eq!((reps[0].view, reps[0].bats), (View::BackSide, Bats::Left));
    let stride = |rep: &Rep| rep.measures[&MeasureName::StrideLength].value().unwrap();
    assert!((stride(&reps[0]) - stride(&shot.reps[0])).abs() < 0.5);
}

fn mirrored(frame: &PoseFrame) -> PoseFrame {
    let mut out = frame.clone();
    let (Some(from), Some(to)) = (&frame.body, &mut out.body) else {
        return out;
    };
    for landmark in Landmark::ALL {
        let name = landmark.name();
        let other = match name.contains("left") {
            true => name.replace("left", "right"),
            false => name.replace("right", "left"),
        };
        let other = Landmark::from_name(&other).unwrap();
        to.image[landmark.index()] = from.image[other.index()].map(|mut point| {
            point.x_px = 960.0 - point.x_px;
            point
        });
        if let (Some(to), Some(from)) = (&mut to.world, &from.world) {
            to[landmark.index()] = from[other.index()];
            to[landmark.index()].x_m *= -1.0;
        }
    }
    out
}
