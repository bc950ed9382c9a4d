//! A rep as C3D, read by a library of others (PyPI ezc3d, `tests/c3d.txt`), against the same rep as a pose track.

use std::process::Command;

use serde_json::Value;

use super::program::{Place, json_lines, project};

const SWING: &str = "tests/data/tracks/right_60fps_swing_2.track.jsonl";
/// What the library found, as JSON: it is a Python library.
const READ: &str = r#"
import ezc3d, json, sys
c = ezc3d.c3d(sys.argv[1])
value = lambda group, name: c["parameters"][group][name]["value"]
points, residuals = c["data"]["points"], c["data"]["meta_points"]["residuals"]
labels = value("POINT", "LABELS")
print(json.dumps({
    "rate": c["header"]["points"]["frame_rate"], "units": value("POINT", "UNITS"), "labels": labels,
    "screen": value("POINT", "X_SCREEN") + value("POINT", "Y_SCREEN"),
    "angles": value("POINT", "ANGLES") if "ANGLES" in c["parameters"]["POINT"] else [],
    "events": dict(zip(value("EVENT", "LABELS"), [60 * m + s for m, s in zip(*value("EVENT", "TIMES").tolist())])),
    "points": {label: [p if r >= 0 else None for p, r in zip(points[:3, i].T.tolist(), residuals[0, i])] for i, label in enumerate(labels)},
}).replace("NaN", "null"))
"#;

#[test]
fn a_rep_as_c3d_says_what_its_pose_track_says_to_a_library_of_others() {
    let place = Place::new();
    let track = project(SWING);
    place.run_well(&[
        "replay",
        track.to_str().unwrap(),
        "--height-cm",
        "183",
        "--pace",
        "fast",
        "--reps",
        "reps.jsonl",
    ]);
    place.run_well(&["export", "--session", "1", "--c3d", "1", "--out", "rep.c3d"]);
    place.run_well(&[
        "export",
        "--session",
        "1",
        "--timeline",
        "1",
        "--out",
        "rep.track.jsonl",
    ]);
    let python = project("target/c3d-venv/bin/python");
    let read = Command::new(&python)
        .args(["-c", READ])
        .arg(place.path("rep.c3d"))
        .output()
        .unwrap_or_else(|error| panic!("{}: {error}; make test sets it up", python.display()));
    assert!(
        read.status.success(),
        "{}",
        String::from_utf8_lossy(&read.stderr)
    );
    let read: Value = serde_json::from_slice(&read.stdout).unwrap();
    let lines = json_lines(&place.path("rep.track.jsonl"));
    let (header, frames) = lines.split_first().unwrap();
    let rate = |value: &Value| value.as_f64().unwrap();
    assert!((rate(&read["rate"]) - rate(&header["fps"])).abs() < 1e-3);
    assert_eq!(read["units"][0], "mm");
    assert_eq!(read["screen"], serde_json::json!(["+X", "+Z"]));
    for landmark in header["landmarks"].as_array().unwrap() {
        assert!(
            read["points"][landmark.as_str().unwrap()].is_array(),
            "{landmark}"
        );
    }
    // The moments, from the first frame on.
    let first = frames[0]["t"].as_f64().unwrap();
    let rep = &json_lines(&place.path("reps.jsonl"))[0];
    for event in ["gather", "lift_off", "plant", "contact"] {
        let told = read["events"][event].as_f64().unwrap();
        let logged = rep["events"][event].as_f64().unwrap();
        assert!((told - (logged - first)).abs() < 2e-3, "{event}: {told}");
    }
    // Nose and ankles: the same picture, in millimeters, upright, with the ground at 0.
    let names: Vec<&str> = header["landmarks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|name| name.as_str().unwrap())
        .collect();
    let pixel = |frame: &Value, name: &str| -> [f64; 2] {
        let at = names.iter().position(|n| *n == name).unwrap();
        [0, 1].map(|axis| frame["points"][at][axis].as_f64().unwrap())
    };
    let place_of = |name: &str, frame: usize| -> [f64; 3] {
        [0, 1, 2].map(|axis| read["points"][name][frame][axis].as_f64().unwrap())
    };
    let mut scales = Vec::new();
    let frames_told = read["points"]["nose"].as_array().unwrap().len();
    assert!(frames_told.abs_diff(frames.len()) <= 1, "{frames_told}");
    for (number, frame) in frames.iter().enumerate().take(frames_told) {
        let (nose, ankle) = (pixel(frame, "nose"), pixel(frame, "left_ankle"));
        let (head, foot) = (place_of("nose", number), place_of("left_ankle", number));
        scales.push((head[2] - foot[2]) / (ankle[1] - nose[1]));
        // The pitcher is to the right of this picture's hitter.
        let along = (head[0] - foot[0]) / (nose[0] - ankle[0]);
        if (nose[0] - ankle[0]).abs() > 20.0 {
            assert!(
                (along / scales[number] - 1.0).abs() < 0.02,
                "{number}: {along}"
            );
        }
        assert!((-100.0..300.0).contains(&foot[2]), "{number}: {foot:?}");
        assert!((1000.0..1900.0).contains(&head[2]), "{number}: {head:?}");
    }
    let (least, most) = scales
        .iter()
        .fold((f64::MAX, 0.0_f64), |(a, b), s| (a.min(*s), b.max(*s)));
    assert!(most / least < 1.01, "{least} to {most}");
}
