//! Any frame rate from 20 to 240 and any of the known sets of points give the same swing.

use cagehand::pose::PoseFrame;
use cagehand::rep::{Measure, MeasureName, RepKind};

use super::recorded::{HEIGHT_CM, Recorded, at_rate, with_points};
use cagehand_stage::{Points, reps_of};

#[test]
fn every_frame_rate_gives_the_swing_at_its_time() {
    let recorded = Recorded::load();
    for fps in [20.0, 24.0, 30.0, 50.0, 60.0, 120.0, 240.0] {
        let reps = reps_of(&at_rate(&recorded.frames, fps), Some(HEIGHT_CM));
        assert_eq!(reps.len(), 1, "at {fps}");
        let rep = &reps[0];
        assert_eq!(
            (rep.kind, rep.bats.name()),
            (RepKind::Swing, "right"),
            "at {fps}"
        );
        assert!((rep.fps / fps - 1.0).abs() < 0.02, "{} at {fps}", rep.fps);
        // Two frames; what was filmed at 60 a second gets no sharper by filling in.
        let limit = 2.0 / fps.min(60.0);
        for (name, ours, known) in [
            ("contact", rep.events.contact, recorded.contact),
            ("plant", rep.events.plant, recorded.plant),
        ] {
            let off = ours.unwrap().secs() - known;
            assert!(off.abs() <= limit, "{name} at {fps}: off by {off:.3} s");
        }
    }
}

#[test]
fn fewer_points_give_the_swing_and_say_what_they_lack() {
    let recorded = Recorded::load();
    let full = reps_of(&recorded.frames, Some(HEIGHT_CM)).remove(0);
    for points in [Points::Thirteen, Points::Seventeen, Points::WithFeet] {
        let frames: Vec<PoseFrame> = with_points(&recorded.frames, points);
        let reps = reps_of(&frames, Some(HEIGHT_CM));
        assert_eq!(reps.len(), 1, "{points:?}");
        let rep = &reps[0];
        assert_eq!(
            (rep.kind, rep.bats),
            (RepKind::Swing, full.bats),
            "{points:?}"
        );
        let off = rep.events.contact.unwrap().secs() - recorded.contact;
        assert!(
            off.abs() <= 2.0 / 60.0,
            "{points:?}: contact off by {off:.3} s"
        );
        // The picture alone still gives the lengths.
        for measure in [MeasureName::HeadToPlant, MeasureName::StrideLength] {
            assert!(
                rep.measures[&measure].value().is_some(),
                "{measure} with {points:?}"
            );
        }
        let lacks_feet = points != Points::WithFeet;
        assert_eq!(
            rep.events.heel_rise.is_none(),
            lacks_feet,
            "{points:?}: heel rise"
        );
        let mut refused = vec![MeasureName::Separation];
        if lacks_feet {
            refused.push(MeasureName::FrontFootOpen);
        }
        for measure in refused {
            match &rep.measures[&measure] {
                Measure::Made { value, .. } => panic!("{measure} {value} with {points:?}"),
                Measure::NotMade { why } => assert!(why.as_str().len() > 5, "{measure}: {why:?}"),
            }
        }
        // Every name is there, made or not.
        assert_eq!(rep.measures.len(), MeasureName::ALL.len());
    }
}
