//! What was seen and not counted is told with the condition that it missed and by how much.

use cagehand::rep::{Bats, HitterSetup, NotCounted, NotCountedReason, RepFinder, RepKind};

use super::program::{Place, project};
use super::tracks::recorded::{HEIGHT_CM, Recorded};

const TRACK: &str = "tests/data/tracks/right_60fps_swing_2.track.jsonl";

/// The reps, and what was not counted, of one swing of a hitter who bats right, where the operator named a side.
fn seen(recorded: &Recorded, named: Bats) -> (usize, Vec<NotCounted>) {
    let mut finder = RepFinder::new(HitterSetup {
        height_cm: Some(HEIGHT_CM),
        bats: Some(named),
        ..HitterSetup::default()
    });
    let mut reps = 0;
    for frame in &recorded.frames {
        reps += usize::from(finder.push(frame.clone()).is_some());
    }
    reps += usize::from(finder.finish().is_some());
    (reps, finder.take_all_not_counted())
}

#[test]
fn a_swing_that_the_named_side_speaks_against_is_kept_once_measured_and_with_its_figures() {
    let recorded = Recorded::load();
    let (reps, not_counted) = seen(&recorded, Bats::Left);
    assert_eq!((reps, not_counted.len()), (0, 1), "{not_counted:?}");
    let seen = &not_counted[0];
    assert_eq!(seen.kind, RepKind::Swing);
    assert_eq!(seen.missed.reason, NotCountedReason::OtherSide);
    // The hitter stands some 80 cm wide, with the other foot in front.
    assert!(
        (-100.0..=-50.0).contains(&seen.missed.value),
        "{}",
        seen.missed.value
    );
    let found = seen.found.as_ref().expect("it is measured like a rep");
    assert_eq!(found.rep.bats, Bats::Right, "as the feet were seen");
    let off =
        |at: Option<cagehand::time::CaptureTime>, truth: f64| (at.unwrap().secs() - truth).abs();
    assert!(off(found.rep.events.plant, recorded.plant) < 0.04);
    assert!(off(found.rep.events.contact, recorded.contact) < 0.04);
    let first = found.frames[0].captured_at;
    assert!(found.rep.events.lift_off.unwrap() > first);
}

#[test]
fn a_swing_that_counts_is_not_among_what_does_not() {
    let (reps, not_counted) = seen(&Recorded::load(), Bats::Right);
    let kept = not_counted.iter().filter(|seen| seen.found.is_some());
    assert_eq!((reps, kept.count()), (1, 0), "{not_counted:?}");
}

#[test]
fn replay_explains_every_movement_on_standard_output_and_in_the_log() {
    let place = Place::new();
    let track = project(TRACK).display().to_string();
    let explained = |bats| {
        let arguments = [
            "replay",
            &track,
            "--bats",
            bats,
            "--pace",
            "fast",
            "--no-journal",
            "--explain",
            "-v",
        ];
        let output = place.run(&arguments);
        assert!(output.status.success());
        (
            String::from_utf8(output.stdout).unwrap(),
            String::from_utf8(output.stderr).unwrap(),
        )
    };
    let (right, log) = explained("right");
    assert!(right.contains("swing  counted: rep 1"), "{right}");
    assert!(!log.contains("not counted"), "{log}");
    let (left, log) = explained("left");
    let row = left
        .lines()
        .find(|line| line.contains("swing  not counted: the feet of the other side: -"))
        .unwrap_or_else(|| panic!("{left}"));
    assert!(row.contains(" cm, at least 0.0 cm counts"), "{row}");
    let told = log
        .lines()
        .filter(|line| line.contains("seen, not counted"));
    assert_eq!(told.count(), 1, "{log}");
    assert!(log.contains("the feet of the other side"), "{log}");
}
