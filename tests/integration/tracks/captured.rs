//! One captured human swing is found and measured from every side.
//!
//! The truth is worked out in metres from the captured joints; the camera and the landmarks' errors are made here.

use cagehand::pose::Landmark;
use cagehand::rep::{Bats, Measure, MeasureName, Rep, RepKind, View};
use cagehand::time::CaptureTime;

use cagehand_stage::capture::{Capture, HEIGHT_M};
use cagehand_stage::{Camera, Points, Pose3, Take, reps_of};

/// Cameras that face the chest, give or take 25 degrees.
const OPEN_SIDE: [f64; 5] = [0.0, 15.0, -15.0, 25.0, -25.0];
/// The same, and those that face the back.
const SIDE_ON: [f64; 8] = [0.0, 15.0, -15.0, 25.0, -25.0, 155.0, 180.0, 205.0];
/// From where the pitcher stands, and from behind the hitter.
const END_ON: [f64; 2] = [90.0, -90.0];
const RATES: [f64; 3] = [30.0, 60.0, 120.0];
const POINTS: [Points; 3] = [Points::Thirteen, Points::Seventeen, Points::WithFeet];
const SEEDS: u64 = 10;

/// The captured events are read from the joints by thresholds and good to about this.
const TRUTH_SECS: f64 = 0.02;
/// What the person's unknown height may be off by, as a share; see [`HEIGHT_M`].
const HEIGHT_SPREAD: f64 = 0.04;

/// One view of the swing, and what the program made of it.
struct Shot {
    take: Take,
    left: bool,
    reps: Vec<Rep>,
}

impl Shot {
    /// The one rep, which must be a swing.
    fn swing(&self) -> &Rep {
        let kinds: Vec<RepKind> = self.reps.iter().map(|r| r.kind).collect();
        assert_eq!(
            kinds,
            [RepKind::Swing],
            "{:?}, left {}",
            self.take,
            self.left
        );
        &self.reps[0]
    }

    fn side_is_right(&self) -> bool {
        (self.swing().bats == Bats::Left) == self.left
    }
}

/// The swing from these yaws, turned over for a left-handed hitter, at these rates, with every set of points.
fn shots(capture: &Capture, yaws: &[f64], rates: &[f64]) -> Vec<Shot> {
    let mut shots = Vec::new();
    for left in [false, true] {
        let motion = capture.motion(0.0, capture.secs(), left);
        for &yaw in yaws {
            for &fps in rates {
                for points in POINTS {
                    for seed in 0..SEEDS {
                        let camera = Camera::at(if left { -yaw } else { yaw });
                        let take = Take {
                            fps,
                            points,
                            ..Take::new(camera, seed + 1000 * u64::from(left))
                        };
                        let reps = reps_of(&take.film(&motion), Some(100.0 * HEIGHT_M));
                        shots.push(Shot { take, left, reps });
                    }
                }
            }
        }
    }
    shots
}

/// How far a value lies outside a range.
fn outside(value: f64, (low, high): (f64, f64)) -> f64 {
    (low - value).max(value - high).max(0.0)
}

fn hold(what: &str, errors: &mut [f64], median: f64, p95: f64) {
    errors.sort_by(f64::total_cmp);
    let last = errors.len() - 1;
    let (m, p) = (errors[last / 2], errors[last * 95 / 100]);
    println!("{what}: median {m:.1} (at most {median}), 95 % {p:.1} (at most {p95})");
    assert!(
        m <= median && p <= p95,
        "{what}: median {m:.1} (at most {median}), 95 % {p:.1} (at most {p95})"
    );
}

/// How far an event is from a range of times that is itself good to [`TRUTH_SECS`], milliseconds.
fn ms_off(event: Option<CaptureTime>, from: f64, to: f64) -> f64 {
    let at = event.unwrap().secs();
    1000.0 * outside(at, (from - TRUTH_SECS, to + TRUTH_SECS))
}

#[test]
fn the_captured_swing_is_found_from_every_side() {
    let capture = Capture::load();
    for shot in shots(&capture, &SIDE_ON, &RATES) {
        assert!(shot.side_is_right(), "{:?}, left {}", shot.take, shot.left);
        assert_eq!(shot.swing().view, View::OpenSide, "{:?}", shot.take);
    }
    let mut right_sides = 0;
    let end_on = shots(&capture, &END_ON, &RATES);
    for shot in &end_on {
        let from_the_pitcher = (shot.take.camera.yaw_deg > 0.0) != shot.left;
        let view = if from_the_pitcher {
            View::Front
        } else {
            View::Rear
        };
        assert_eq!(
            shot.swing().view,
            view,
            "{:?}, left {}",
            shot.take,
            shot.left
        );
        right_sides += usize::from(shot.side_is_right());
    }
    // Along the line to the pitcher only the stride shows which foot is in front.
    assert!(
        right_sides * 100 >= end_on.len() * 97,
        "{right_sides} of {}",
        end_on.len()
    );
}

/// Beyond what the truth itself is good to: 5 ms in the middle and 15 ms for all but a twentieth at 60 frames a second, half
/// as much again at 30. Contact is held to the times after pelvis and arm that were measured on real hitters.
#[test]
fn the_captured_plant_and_contact_are_timed_from_the_open_side() {
    let capture = Capture::load();
    let contact = capture.contact();
    for (fps, share) in [(30.0, 1.5), (60.0, 1.0), (120.0, 1.0)] {
        let all = shots(&capture, &OPEN_SIDE, &[fps]);
        let off = |what: &str, median: f64, p95: f64, error: &dyn Fn(&Rep) -> f64| {
            let mut errors: Vec<f64> = all.iter().map(|s| error(s.swing())).collect();
            hold(
                &format!("{what} at {fps}"),
                &mut errors,
                share * median,
                share * p95,
            );
        };
        off("plant", 5.0, 15.0, &|r| {
            ms_off(r.events.plant, capture.plant, capture.plant)
        });
        off("contact", 5.0, 15.0, &|r| {
            ms_off(r.events.contact, contact.0, contact.1)
        });
        off("lift-off", 10.0, 20.0, &|r| {
            ms_off(r.events.lift_off, capture.lift_off, capture.lift_off)
        });
    }
}

fn head(pose: &Pose3) -> f64 {
    100.0 * pose.middle(Landmark::LeftEar, Landmark::RightEar)[0]
}

fn front(pose: &Pose3) -> f64 {
    100.0 * pose.at(Landmark::LeftAnkle)[0]
}

fn between(pose: &Pose3) -> f64 {
    let back = 100.0 * pose.at(Landmark::RightAnkle)[0];
    100.0 * (head(pose) - back) / (front(pose) - back)
}

/// How far the hands are behind the shoulders.
fn behind(pose: &Pose3) -> f64 {
    let hands = pose.middle(Landmark::LeftWrist, Landmark::RightWrist);
    let shoulders = pose.middle(Landmark::LeftShoulder, Landmark::RightShoulder);
    100.0 * (shoulders[0] - hands[0])
}

/// The truth of a measure that ends at plant: what it is for every plant within [`TRUTH_SECS`] of the truth's.
fn truth(capture: &Capture, measure: MeasureName) -> (f64, f64) {
    // The weight goes back from the first frame on. The set place is therefore the one before the lift-off.
    let rest =
        |value: fn(&Pose3) -> f64| capture.mean(capture.lift_off - 0.3, capture.lift_off, value);
    let lift = capture.at(capture.lift_off);
    let values = (-4..=4).map(|i| {
        let pose = capture.at(capture.plant + TRUTH_SECS * f64::from(i) / 4.0);
        match measure {
            MeasureName::HeadToPlant => head(&pose) - rest(head),
            MeasureName::StrideLength => front(&pose) - rest(front),
            MeasureName::HeadBetweenFeet => between(&pose),
            MeasureName::HandsBack => behind(&pose) - behind(&lift),
            other => panic!("no truth for {other}"),
        }
    });
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
    if measure == MeasureName::HeadBetweenFeet {
        return (low, high);
    }
    (
        low - HEIGHT_SPREAD * low.abs(),
        high + HEIGHT_SPREAD * high.abs(),
    )
}

const MEASURES: [(MeasureName, f64); 4] = [
    (MeasureName::HeadToPlant, 0.5),
    (MeasureName::StrideLength, 1.0),
    (MeasureName::HeadBetweenFeet, 1.0),
    (MeasureName::HandsBack, 1.5),
];

#[test]
fn square_to_the_plate_the_captured_swing_is_measured_as_promised() {
    let capture = Capture::load();
    let square = shots(&capture, &[0.0], &RATES);
    for (measure, bound) in MEASURES {
        let range = truth(&capture, measure);
        let mut errors: Vec<f64> = square
            .iter()
            // A nose is not the middle of the head; the next test is about it.
            .filter(|s| s.take.points != Points::Thirteen || measure == MeasureName::StrideLength)
            .map(|s| {
                let value = s.swing().measures[&measure].value();
                outside(
                    value.unwrap_or_else(|| panic!("{measure} is not made")),
                    range,
                )
            })
            .collect();
        hold(&format!("{measure}"), &mut errors, bound, 4.0 * bound);
    }
}

/// Without metric landmarks the picture shows no depth: what needs it is refused, with a reason.
#[test]
fn a_flat_track_gives_no_angle_that_needs_depth() {
    let capture = Capture::load();
    for shot in shots(&capture, &[0.0, 25.0], &[60.0]) {
        for measure in [MeasureName::FrontFootOpen, MeasureName::Separation] {
            match &shot.swing().measures[&measure] {
                Measure::Made { value, .. } => panic!("{measure} {value} from a flat track"),
                Measure::NotMade { why } => assert!(why.as_str().len() > 5, "{why:?}"),
            }
        }
    }
}

/// Seen end on, nothing that lies along the line to the pitcher can be measured.
#[test]
fn end_on_only_times_are_measured() {
    let capture = Capture::load();
    for shot in shots(&capture, &END_ON, &[60.0]) {
        for (measure, _) in MEASURES {
            let made = &shot.swing().measures[&measure];
            assert!(made.value().is_none(), "{measure}: {made:?}");
        }
        assert!(shot.swing().events.contact.is_some());
    }
}

/// Published: the hips turn fastest right after the foot is down, then the shoulders, then the bat (Welch et al. 1995,
/// abstract). That order holds for the captured swing. Its speeds do not: this person swings gently and without a bat,
/// the hips peak near 490 degrees a second where skilled hitters reach 714, the shoulders near 690 against 937. The
/// order is not universal: of 129 young players only 38.8 % had hips, trunk, arm and hand in order (Med Sci Sports
/// Exerc 56(10S):1012, 2024).
#[test]
fn the_captured_swing_fires_in_the_published_order() {
    let capture = Capture::load();
    let turn = |a: Landmark, b: Landmark| {
        move |pose: &Pose3| {
            let (p, q) = (pose.at(a), pose.at(b));
            [q[0] - p[0], q[2] - p[2]]
        }
    };
    let hips = capture.turns_fastest(turn(Landmark::RightHip, Landmark::LeftHip));
    let shoulders = capture.turns_fastest(turn(Landmark::RightShoulder, Landmark::LeftShoulder));
    println!(
        "hips {hips:?}, shoulders {shoulders:?}, hands {:.3}",
        capture.hand_peak
    );
    assert!(
        hips.0 > capture.plant && hips.0 < capture.plant + 0.1,
        "{hips:?}"
    );
    assert!(hips.0 < shoulders.0 && shoulders.0 < capture.hand_peak);
    // Shoulders over hips as published, 937 over 714, within a tenth.
    let ratio = shoulders.1 / hips.1;
    assert!((ratio / (937.0 / 714.0) - 1.0).abs() < 0.1, "{ratio}");
}

/// Off square, and with a nose for a head, a measure may be worse, but it has to say so or not be made.
#[test]
fn what_the_view_or_the_points_spoil_is_in_the_uncertainty() {
    let capture = Capture::load();
    let all = shots(&capture, &OPEN_SIDE, &[60.0]);
    for points in POINTS {
        for (measure, _) in MEASURES {
            let range = truth(&capture, measure);
            let sizes: Vec<f64> = all
                .iter()
                .filter(|s| s.take.points == points)
                .filter_map(|s| match s.swing().measures[&measure] {
                    Measure::Made {
                        value, plus_minus, ..
                    } => Some(outside(value, range) / plus_minus),
                    Measure::NotMade { .. } => None,
                })
                .collect();
            let share = |limit: f64| {
                let inside = sizes.iter().filter(|s| **s <= limit).count();
                inside as f64 / sizes.len().max(1) as f64
            };
            let (one, two) = (share(1.0), share(2.0));
            println!("{measure} {points:?}: {one:.2} in one, {two:.2} in two");
            // As promised for rendered hitters: 60 % and more inside one standard deviation, and few outside two.
            assert!(
                sizes.is_empty() || (one >= 0.6 && two >= 0.9),
                "{measure} with {points:?}: {one:.2} in one, {two:.2} in two"
            );
        }
    }
}
