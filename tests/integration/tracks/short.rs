//! Tracks that begin or end within the swing still give it, with what they show and nothing that they do not.

use cagehand::pose::PoseFrame;
use cagehand::rep::{Measure, MeasureName, Rep, RepKind};

use super::recorded::{HEIGHT_CM, Recorded, with_points};
use cagehand_stage::{Points, reps_of};

/// The one swing of a cut, with all landmarks and with thirteen points.
fn swings(frames: &[PoseFrame], what: &str) -> Vec<Rep> {
    [frames.to_vec(), with_points(frames, Points::Thirteen)]
        .iter()
        .map(|frames| {
            let mut reps = reps_of(frames, Some(HEIGHT_CM));
            let kinds: Vec<RepKind> = reps.iter().map(|r| r.kind).collect();
            assert_eq!(kinds, [RepKind::Swing], "{what}");
            reps.remove(0)
        })
        .collect()
}

fn refused(rep: &Rep, measures: &[MeasureName], what: &str) {
    for measure in measures {
        match &rep.measures[measure] {
            Measure::Made { value, .. } => panic!("{what}: {measure} {value} is invented"),
            Measure::NotMade { why } => assert!(why.as_str().len() > 5, "{measure}: {why:?}"),
        }
    }
}

/// What needs the hitter at rest before the gather.
const FROM_SET: [MeasureName; 2] = [MeasureName::HeadToPlant, MeasureName::HeadDrop];
/// What needs the front foot in its old place, which it leaves at lift-off only.
const FROM_LIFT_OFF: [MeasureName; 4] = [
    MeasureName::StrideLength,
    MeasureName::StrideLengthOfHeight,
    MeasureName::LiftToPlant,
    MeasureName::HandsBack,
];

#[test]
fn a_track_that_starts_in_the_stance_shows_the_whole_swing() {
    let recorded = Recorded::load();
    let cut = recorded.between(recorded.gather - 0.5, f64::INFINITY);
    for rep in swings(&cut, "from the stance") {
        for (name, ours, known) in [
            ("gather", rep.events.gather, recorded.gather),
            ("lift-off", rep.events.lift_off, recorded.lift_off),
            ("plant", rep.events.plant, recorded.plant),
            ("contact", rep.events.contact, recorded.contact),
        ] {
            let off = ours.unwrap().secs() - known;
            assert!(off.abs() < 0.08, "{name} is off by {off:.3} s");
        }
        assert!(rep.measures[&MeasureName::HeadToPlant].value().is_some());
    }
}

#[test]
fn a_track_that_starts_in_the_gather_invents_no_set() {
    let recorded = Recorded::load();
    let start = 0.5 * (recorded.gather + recorded.lift_off);
    for rep in swings(&recorded.between(start, f64::INFINITY), "from the gather") {
        assert_eq!(rep.events.set, None);
        assert_eq!(rep.events.gather, None);
        let off = rep.events.plant.unwrap().secs() - recorded.plant;
        assert!(off.abs() < 0.066, "plant is off by {off:.3} s");
        refused(&rep, &[MeasureName::GatherToPlant], "from the gather");
        refused(&rep, &FROM_SET, "from the gather");
        assert!(rep.measures[&MeasureName::PlantToContact].value().is_some());
    }
}

#[test]
fn a_track_that_starts_in_mid_stride_gives_plant_and_contact() {
    let recorded = Recorded::load();
    for share in [0.4, 0.6] {
        let start = recorded.lift_off + share * (recorded.plant - recorded.lift_off);
        for rep in swings(&recorded.between(start, f64::INFINITY), "from mid-stride") {
            let events = rep.events;
            assert_eq!(
                (events.set, events.gather, events.lift_off),
                (None, None, None)
            );
            for (name, ours, known) in [
                ("plant", events.plant, recorded.plant),
                ("contact", events.contact, recorded.contact),
            ] {
                let off = ours.unwrap().secs() - known;
                assert!(off.abs() < 0.066, "{name} is off by {off:.3} s");
            }
            refused(
                &rep,
                &[
                    MeasureName::GatherToPlant,
                    MeasureName::WeightBack,
                    MeasureName::BackBeforeForward,
                ],
                "from mid-stride",
            );
            refused(&rep, &FROM_SET, "from mid-stride");
            refused(&rep, &FROM_LIFT_OFF, "from mid-stride");
            assert!(rep.measures[&MeasureName::PlantToContact].value().is_some());
            assert!(
                rep.measures[&MeasureName::HeadBetweenFeet]
                    .value()
                    .is_some()
            );
        }
    }
}

#[test]
fn a_track_that_starts_after_plant_gives_contact_alone() {
    let recorded = Recorded::load();
    let cut = recorded.between(recorded.plant + 0.03, f64::INFINITY);
    for rep in reps_of(&cut, Some(HEIGHT_CM)) {
        assert_eq!(rep.kind, RepKind::Swing);
        let events = rep.events;
        assert_eq!(
            (events.gather, events.lift_off, events.plant),
            (None, None, None)
        );
        refused(&rep, &FROM_SET, "from after plant");
        refused(&rep, &FROM_LIFT_OFF, "from after plant");
        refused(&rep, &[MeasureName::PlantToContact], "from after plant");
    }
}

#[test]
fn a_track_that_ends_soon_after_contact_gives_the_swing() {
    let recorded = Recorded::load();
    for after in [0.1, 0.2, 0.3] {
        let cut = recorded.between(0.0, recorded.contact + after);
        let last = cut[cut.len() - 1].captured_at;
        for rep in swings(&cut, "ends after contact") {
            let off = rep.events.contact.unwrap().secs() - recorded.contact;
            assert!(off.abs() < 0.04, "{after} s: contact is off by {off:.3} s");
            let off = rep.events.plant.unwrap().secs() - recorded.plant;
            assert!(off.abs() < 0.04, "{after} s: plant is off by {off:.3} s");
            assert!(
                rep.events.finish.is_none_or(|t| t <= last),
                "{after} s: finish"
            );
            // The hands come to rest 0.4 s after contact, which is not shown.
            if after < 0.25 {
                assert_eq!(rep.events.finish, None, "{after} s");
                refused(&rep, &[MeasureName::FinishHold], "ends after contact");
            }
            assert!(rep.measures[&MeasureName::HeadToPlant].value().is_some());
        }
    }
}

#[test]
fn no_event_lies_outside_its_track() {
    let recorded = Recorded::load();
    let end = recorded.frames[recorded.frames.len() - 1]
        .captured_at
        .secs();
    let mut found = 0;
    for from in 0..12 {
        for to in 0..8 {
            let (from, to) = (0.17 * f64::from(from), end - 0.17 * f64::from(to));
            let cut = recorded.between(from, to);
            for rep in reps_of(&cut, Some(HEIGHT_CM)) {
                found += 1;
                let (first, last) = (cut[0].captured_at, cut[cut.len() - 1].captured_at);
                for (name, time) in rep.events.named() {
                    assert!(
                        time.is_none_or(|t| first <= t && t <= last),
                        "{name} of the cut from {from:.2} to {to:.2}"
                    );
                }
            }
        }
    }
    assert!(found > 60, "{found}");
}
