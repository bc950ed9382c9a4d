//! A camera that is panned, shaken, zoomed or bumped: the rep is measured as if it had stood still, or refused.
//!
//! A recording with a still camera is resampled in memory, so that how the camera moved is known exactly.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::path::Path;

use cagehand::capture::{ClipSource, Frame};
use cagehand::pose::{CameraMotion, CameraPlace, CameraWatch, Model, PoseFrame, Steadier, Tracker};
use cagehand::rep::{HitterSetup, Measure, MeasureName, NotMeasured, Rep, RepFinder};

use super::program;

/// The first swing of this recording is over by then.
const CLIP: &str = "right_30fps_dim";
const FRAMES: usize = 114;
const HEIGHT_CM: f64 = 175.0;

/// How the camera points at a time, seconds.
type Way<'a> = &'a dyn Fn(f64) -> CameraPlace;

fn place(dx_px: f64, dy_px: f64, roll_deg: f64, zoom: f64) -> CameraPlace {
    CameraPlace {
        dx_px,
        dy_px,
        roll_deg,
        zoom,
    }
}

fn frames() -> Vec<Frame> {
    let mut clip = ClipSource::open(Path::new(&program::recording(CLIP))).unwrap();
    let next = || {
        let mut frame = Frame::default();
        clip.next_frame(&mut frame).unwrap().then_some(frame)
    };
    std::iter::from_fn(next).take(FRAMES).collect()
}

/// The frame as a camera that points there would have taken it; what the recording does not show repeats its edge.
fn taken_from(frame: &Frame, place: CameraPlace) -> Frame {
    if place == CameraPlace::HOME {
        return frame.clone();
    }
    let mut moved = frame.clone();
    let (width, height) = (frame.width as i64, frame.height as i64);
    let (sin, cos) = place.roll_deg.to_radians().sin_cos();
    let (a, b) = (place.zoom * cos, place.zoom * sin);
    let (mx, my) = (width as f64 / 2.0, height as f64 / 2.0);
    for (i, rgb) in moved.rgb.chunks_exact_mut(3).enumerate() {
        let (right, down) = (
            (i as i64 % width) as f64 - mx,
            (i as i64 / width) as f64 - my,
        );
        let x = mx + a * right - b * down + place.dx_px;
        let y = my + b * right + a * down + place.dy_px;
        let (left, top) = (x.floor(), y.floor());
        let (fx, fy) = ((x - left) as f32, (y - top) as f32);
        let at = |dx: i64, dy: i64, k: usize| {
            let column = (left as i64 + dx).clamp(0, width - 1);
            let row = (top as i64 + dy).clamp(0, height - 1);
            f32::from(frame.rgb[3 * (row * width + column) as usize + k])
        };
        for (k, value) in rgb.iter_mut().enumerate() {
            let above = at(0, 0, k) * (1.0 - fx) + at(1, 0, k) * fx;
            let below = at(0, 1, k) * (1.0 - fx) + at(1, 1, k) * fx;
            *value = (above * (1.0 - fy) + below * fy).round() as u8;
        }
    }
    moved
}

/// The poses that the pose stage gives for the frames as seen on that way.
fn poses(tracker: &mut Tracker, frames: &[Frame], way: Way) -> Vec<PoseFrame> {
    let mut watch = CameraWatch::default();
    let see = |frame: &Frame| {
        let frame = taken_from(frame, way(frame.captured_at.secs()));
        let mut pose = tracker.next(&frame).unwrap();
        pose.camera = watch.step(&frame, pose.body.as_ref());
        pose
    };
    frames.iter().map(see).collect()
}

/// The one rep of these poses, steadied or not.
fn rep(poses: &[PoseFrame], frames: &[Frame], steadied: bool) -> Rep {
    let mut finder = RepFinder::new(HitterSetup {
        height_cm: Some(HEIGHT_CM),
        ..HitterSetup::default()
    });
    let mut steadier = Steadier::default();
    let mut found: Vec<Rep> = Vec::new();
    for pose in poses {
        let mut pose = pose.clone();
        if steadied {
            steadier.steady(&mut pose, frames[0].size());
        } else {
            pose.camera = None;
        }
        found.extend(finder.push(pose).map(|found| found.rep));
    }
    found.extend(finder.finish().map(|found| found.rep));
    assert_eq!(found.len(), 1, "{found:#?}");
    found.remove(0)
}

fn value(rep: &Rep, name: MeasureName) -> f64 {
    rep.measures[&name]
        .value()
        .unwrap_or_else(|| panic!("{name}: {:?}", rep.measures[&name]))
}

fn plus_minus(rep: &Rep, name: MeasureName) -> f64 {
    match rep.measures[&name] {
        Measure::Made { plus_minus, .. } => plus_minus,
        Measure::NotMade { .. } => f64::NAN,
    }
}

/// How far a moved camera may move a measure: some of what the model makes of other pixels, some of the steadying.
const MARGINS: [(MeasureName, f64); 5] = [
    (MeasureName::HeadToPlant, 1.5),
    (MeasureName::HeadToContact, 1.5),
    (MeasureName::HeadDrop, 2.0),
    (MeasureName::StrideLength, 3.0),
    (MeasureName::HeadBetweenFeet, 5.0),
];
const MARGIN_SECS: f64 = 0.025;

fn holds(what: &str, moved: &Rep, still: &Rep) {
    for (name, margin) in MARGINS {
        assert!(
            moved.measures[&name].value().is_some(),
            "{what}, {name}: {:?}",
            moved.measures[&name]
        );
        let off = value(moved, name) - value(still, name);
        assert!(
            off.abs() <= margin,
            "{what}, {name}: off by {off:.2}, at most {margin}"
        );
    }
    let events = moved.events.named().into_iter().zip(still.events.named());
    let timed: BTreeMap<_, _> = events
        .filter_map(|((name, at), (_, still))| Some((name, at?.secs_since(still?))))
        .collect();
    for name in ["plant", "contact"] {
        assert!(
            timed[name].abs() <= MARGIN_SECS,
            "{what}, {name}: {:.3} s off",
            timed[name]
        );
    }
}

#[test]
fn a_swing_is_measured_through_a_moving_camera_as_through_a_still_one() {
    let frames = frames();
    let tracker = || Model::Full.tracker().unwrap();
    let still_poses = poses(&mut tracker(), &frames, &|_| CameraPlace::HOME);
    assert!(
        still_poses.iter().all(|pose| pose.camera.is_none()),
        "it stands still"
    );
    let still = rep(&still_poses, &frames, true);
    let contact = still.events.contact.unwrap().secs();

    // Somebody films by hand and follows the hitter: a tenth of the picture during the swing.
    let pan = |t: f64| {
        let share = ((t - contact + 1.2) / 1.2).clamp(0.0, 1.0);
        place(-130.0 * 0.5 * (1.0 - (PI * share).cos()), 0.0, 0.0, 1.0)
    };
    let panned = poses(&mut tracker(), &frames, &pan);
    let steadied = rep(&panned, &frames, true);
    holds("pan", &steadied, &still);
    for (name, _) in MARGINS.into_iter().take(1) {
        assert!(
            plus_minus(&steadied, name) > plus_minus(&still, name),
            "{name} says so"
        );
    }
    let as_it_is = rep(&panned, &frames, false);
    let off = value(&as_it_is, MeasureName::HeadToPlant) - value(&still, MeasureName::HeadToPlant);
    assert!(
        off.abs() > 10.0,
        "without it the pan would pass for {off:.1} cm of travel"
    );

    let shake = |t: f64| {
        place(
            9.0 * (2.0 * PI * 1.7 * t).sin(),
            7.0 * (2.0 * PI * 2.3 * t + 1.0).sin() - 7.0 * 1f64.sin(),
            0.6 * (2.0 * PI * 1.1 * t).sin(),
            1.0,
        )
    };
    let shaken = poses(&mut tracker(), &frames, &shake);
    holds("shake", &rep(&shaken, &frames, true), &still);

    let zoomed = poses(&mut tracker(), &frames, &|t| {
        place(0.0, 0.0, 0.0, 1.0 - 0.03 * t)
    });
    holds("zoom", &rep(&zoomed, &frames, true), &still);

    // A ball meets the stand while the hitter is set: it swings out, and stays aside by some pixels.
    let bumped_at = contact - 1.1;
    let bump = |t: f64| match t - bumped_at {
        t if t <= 0.0 => CameraPlace::HOME,
        t => {
            let swing = 24.0 * (-4.0 * t).exp() * (2.0 * PI * 4.0 * t).sin();
            place(
                6.0 * (1.0 - (-8.0 * t).exp()) + swing,
                0.5 * swing,
                0.0,
                1.0,
            )
        }
    };
    let bumped = poses(&mut tracker(), &frames, &bump);
    holds("bump", &rep(&bumped, &frames, true), &still);
    let last = bumped.last().unwrap().camera;
    assert!(
        matches!(last, Some(CameraMotion::At(_))),
        "it stands aside: {last:?}"
    );
}

#[test]
fn a_knock_in_mid_swing_refuses_what_it_spoils_and_nothing_else() {
    let frames = frames();
    let still_poses = poses(&mut Model::Full.tracker().unwrap(), &frames, &|_| {
        CameraPlace::HOME
    });
    let still = rep(&still_poses, &frames, true);
    let (plant, contact) = (still.events.plant.unwrap(), still.events.contact.unwrap());
    // Two or three frames between plant and contact see another part of the cage.
    let middle = 0.5 * (plant.secs() + contact.secs());
    let knock = |t: f64| {
        if (t - middle).abs() < 0.034 {
            place(140.0, 120.0, 0.0, 1.0)
        } else {
            CameraPlace::HOME
        }
    };
    let poses = poses(&mut Model::Full.tracker().unwrap(), &frames, &knock);
    for pose in &poses {
        let is_lost = pose.camera == Some(CameraMotion::Lost);
        let is_knocked = knock(pose.captured_at.secs()) != CameraPlace::HOME;
        assert_eq!(is_lost, is_knocked, "at {} s", pose.captured_at.secs());
    }
    let knocked = rep(&poses, &frames, true);
    let refused: Measure = NotMeasured::CameraMoved.into();
    for name in [MeasureName::HeadToContact, MeasureName::HeadDrop] {
        assert_eq!(knocked.measures[&name], refused, "{name}");
    }
    for (name, margin) in [
        (MeasureName::HeadToPlant, 1.5),
        (MeasureName::StrideLength, 3.0),
    ] {
        let off = value(&knocked, name) - value(&still, name);
        assert!(off.abs() <= margin, "{name}: off by {off:.2}");
    }
}
