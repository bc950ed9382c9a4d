//! The trunk's turn through a swing, as frames tell it, gives the measures of the turn.
//!
//! The landmarks are a rendered hitter's (`tests/data/tracks/README.md`); the turns are put to them.

use cagehand::pose::track::TrackReader;
use cagehand::pose::{PoseFrame, TrunkTurn, TurnAngle, TurnOrigin};
use cagehand::rep::{Measure, MeasureName, NotMeasured, Rep, RepKind};

use super::super::program::project;
use cagehand_stage::reps_of;

fn frames() -> Vec<PoseFrame> {
    let track = project("tests/data/tracks/right_60fps_swing_2.track.jsonl");
    let mut reader = TrackReader::open(&track).unwrap();
    std::iter::from_fn(|| reader.next_frame().unwrap()).collect()
}

fn swing(frames: &[PoseFrame]) -> Rep {
    let mut reps = reps_of(frames, Some(183.0));
    reps.retain(|rep| rep.kind == RepKind::Swing);
    assert_eq!(reps.len(), 1);
    reps.remove(0)
}

/// On a smooth way through places that have a time each; level before the first and after the last.
fn eased(places: &[(f64, f64)], at: f64) -> f64 {
    let next = places.partition_point(|(time, _)| *time <= at);
    if next == 0 || next == places.len() {
        return places[next.saturating_sub(1)].1;
    }
    let ((from, a), (to, b)) = (places[next - 1], places[next]);
    let share = (at - from) / (to - from);
    a + (b - a) * share * share * (3.0 - 2.0 * share)
}

/// Every frame tells the turn that college hitters had about their heel plant and impact: pelvis most closed, -32 degrees, 260 ms
/// before impact; 10 open at heel plant, 76 at impact; ahead of the shoulders by 51 at most, 124 ms before impact, by 3 then
/// (Thompson 2022, Washington State University, doi 10.7273/000005138; medians).
/// Gives the frames, and the swing as it is without them.
fn published() -> (Vec<PoseFrame>, Rep) {
    let mut frames = frames();
    let rep = swing(&frames);
    let (plant, contact) = (rep.events.plant.unwrap(), rep.events.contact.unwrap());
    for frame in &mut frames {
        let at = frame.captured_at.secs_since(contact);
        let plant = plant.secs_since(contact);
        let pelvis = eased(
            &[
                (-0.60, -20.0),
                (-0.26, -32.0),
                (plant, 10.0),
                (0.0, 76.0),
                (0.1, 95.0),
            ],
            at,
        );
        let ahead = eased(&[(-0.50, 10.0), (-0.124, 51.0), (0.0, 3.0)], at);
        let line = |deg: f64| TurnAngle {
            deg: deg as f32,
            spread_deg: 4.0,
        };
        frame.turn = Some(TrunkTurn {
            pelvis: line(pelvis),
            shoulders: line(pelvis - ahead),
            origin: TurnOrigin::Plate,
        });
    }
    (frames, rep)
}

#[test]
fn a_published_course_of_the_turn_gives_its_published_figures() {
    let rep = swing(&published().0);
    for (name, wanted, most) in [
        (MeasureName::Coil, 32.0, 1.5),
        (MeasureName::PelvisAtPlant, 10.0, 3.0),
        (MeasureName::PelvisAtContact, 76.0, 3.0),
        (MeasureName::ShouldersAtContact, 73.0, 3.0),
        (MeasureName::SeparationMax, 51.0, 2.0),
        (MeasureName::SeparationMaxBefore, 124.0, 12.0),
    ] {
        let Measure::Made {
            value, plus_minus, ..
        } = rep.measures[&name]
        else {
            panic!("{name}: {:?}", rep.measures[&name]);
        };
        assert!((value - wanted).abs() < most, "{name}: {value}");
        assert!(plus_minus > 5.0, "{name} is never surer: {plus_minus}");
    }
    let made = |name| rep.measures[&name].value().unwrap();
    let ahead = made(MeasureName::PelvisAtPlant) - made(MeasureName::ShouldersAtPlant);
    assert!((ahead - made(MeasureName::Separation)).abs() < 1e-6);
}

#[test]
fn turns_that_are_missing_about_a_moment_refuse_what_is_read_there_and_nothing_else() {
    let (mut frames, rep) = published();
    let whole = swing(&frames);
    let plant = rep.events.plant.unwrap();
    for frame in &mut frames {
        if frame.captured_at.secs_since(plant).abs() < 0.06 {
            frame.turn = None;
        }
    }
    let holed = swing(&frames);
    let refused = Measure::from(NotMeasured::TurnNotSeen);
    // Of the load a sixth is hidden, and not where the pelvis is most closed.
    let coil = |rep: &Rep| rep.measures[&MeasureName::Coil].value().unwrap();
    assert!((coil(&holed) - coil(&whole)).abs() < 1.0);
    let others = |name: &MeasureName| *name != MeasureName::Coil;
    for (name, measure) in whole.measures.iter().filter(|(name, _)| others(name)) {
        let about_plant = [
            MeasureName::PelvisAtPlant,
            MeasureName::ShouldersAtPlant,
            MeasureName::Separation,
            MeasureName::SeparationMax,
            MeasureName::SeparationMaxBefore,
        ];
        match about_plant.contains(name) {
            true => assert_eq!(holed.measures[name], refused, "{name}"),
            false => assert_eq!(holed.measures[name], *measure, "{name}"),
        }
    }
}

#[test]
fn readings_that_are_unsure_of_themselves_count_for_nothing() {
    let (mut frames, _) = published();
    let wanted = swing(&frames).measures[&MeasureName::Separation].clone();
    for (i, frame) in frames.iter_mut().enumerate() {
        if i % 3 == 0 {
            let turn = frame.turn.as_mut().unwrap();
            (turn.pelvis.deg, turn.pelvis.spread_deg) = (150.0, 40.0);
        }
    }
    let told = swing(&frames).measures[&MeasureName::Separation].clone();
    let off = told.value().unwrap() - wanted.value().unwrap();
    assert!(off.abs() < 1.0, "{told:?} and {wanted:?}");
}

/// Now and then a front is taken for a back, and surely so.
#[test]
fn one_reading_the_wrong_way_about_before_the_load_turns_nothing_after_it() {
    let (mut frames, rep) = published();
    let wanted = swing(&frames);
    let set = rep.events.set.unwrap();
    let odd = frames
        .iter_mut()
        .find(|frame| frame.captured_at >= set)
        .unwrap();
    let turn = odd.turn.as_mut().unwrap();
    (turn.pelvis.deg, turn.shoulders.deg) = (-170.0, 170.0);
    let told = swing(&frames);
    for name in [
        MeasureName::PelvisAtPlant,
        MeasureName::PelvisAtContact,
        MeasureName::Separation,
        MeasureName::SeparationMax,
    ] {
        assert_eq!(told.measures[&name], wanted.measures[&name], "{name}");
    }
}
