use super::*;
use crate::pose::{TurnAngle, TurnOrigin};

#[test]
fn which_model_read_a_body_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("two.track.jsonl");
    let picture = PictureSize {
        width_px: 1280,
        height_px: 720,
    };
    let mut writer = TrackWriter::create(&path, 30.0, picture).unwrap();
    for (index, lite) in [false, true].into_iter().enumerate() {
        let body = Body {
            lite,
            ..Body::empty()
        };
        writer
            .frame(&PoseFrame::new(
                index as u64,
                CaptureTime::from_secs(index as f64 / 30.0),
                Some(body),
            ))
            .unwrap();
    }
    writer.finish().unwrap();
    let mut reader = TrackReader::open(&path).unwrap();
    let mut next = || reader.next_frame().unwrap().unwrap().body.unwrap().lite;
    assert_eq!([next(), next()], [false, true]);
}

#[test]
fn how_the_camera_moved_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("moved.track.jsonl");
    let picture = PictureSize {
        width_px: 1280,
        height_px: 720,
    };
    let mut writer = TrackWriter::create(&path, 30.0, picture).unwrap();
    let place = CameraPlace {
        dx_px: -12.25,
        dy_px: 3.5,
        roll_deg: 0.125,
        zoom: 1.015_625,
    };
    let cameras = [
        None,
        Some(CameraMotion::At(place)),
        Some(CameraMotion::Lost),
    ];
    for (index, camera) in cameras.into_iter().enumerate() {
        writer
            .frame(&PoseFrame {
                camera,
                ..PoseFrame::new(
                    index as u64,
                    CaptureTime::from_secs(index as f64 / 30.0),
                    None,
                )
            })
            .unwrap();
    }
    writer.finish().unwrap();
    let lines = std::fs::read_to_string(&path).unwrap();
    let lines: Vec<&str> = lines.lines().skip(1).collect();
    assert!(!lines[0].contains("camera"), "{}", lines[0]);
    assert!(
        lines[1].ends_with(r#""camera":[-12.25,3.5,0.125,1.015625]}"#),
        "{}",
        lines[1]
    );
    assert!(lines[2].ends_with(r#""camera":null}"#), "{}", lines[2]);
    let mut reader = TrackReader::open(&path).unwrap();
    for camera in cameras {
        assert_eq!(reader.next_frame().unwrap().unwrap().camera, camera);
    }
}

#[test]
fn a_bat_stands_in_its_line_and_is_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bat.track.jsonl");
    let picture = PictureSize {
        width_px: 640,
        height_px: 360,
    };
    let mut writer = TrackWriter::create(&path, 60.0, picture).unwrap();
    let seen = SeenBat {
        knob_px: [310.25, 150.5],
        tip_px: [290.0, 41.75],
        probability: 0.975,
    };
    for (index, bat) in (0..).zip([Some(seen), None]) {
        let frame = PoseFrame {
            bat,
            ..PoseFrame::new(index, CaptureTime::from_secs(index as f64 / 60.0), None)
        };
        writer.frame(&frame).unwrap();
    }
    writer.finish().unwrap();
    let text = std::fs::read_to_string(&path).unwrap();
    let line = |number| -> serde_json::Value {
        serde_json::from_str(text.lines().nth(number).unwrap()).unwrap()
    };
    assert_eq!(line(1)["bat"]["tip"][1], 41.75);
    assert!(!line(2).as_object().unwrap().contains_key("bat"));
    let mut reader = TrackReader::open(&path).unwrap();
    let mut next = || reader.next_frame().unwrap().unwrap().bat;
    assert_eq!([next(), next()], [Some(seen), None]);
}

#[test]
fn a_turn_stands_in_its_line_in_degrees_from_the_plate_and_is_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("turn.track.jsonl");
    let picture = PictureSize {
        width_px: 640,
        height_px: 360,
    };
    let turn = |origin| {
        let [pelvis, shoulders] = [-12.0, -20.06].map(|deg| TurnAngle {
            deg,
            spread_deg: 4.0,
        });
        Some(TrunkTurn {
            pelvis,
            shoulders,
            origin,
        })
    };
    let mut writer = TrackWriter::create(&path, 60.0, picture).unwrap();
    let turns = [turn(TurnOrigin::Plate), turn(TurnOrigin::Camera), None];
    for (index, turn) in (0..).zip(turns) {
        let frame = PoseFrame {
            turn,
            ..PoseFrame::new(index, CaptureTime::from_secs(index as f64 / 60.0), None)
        };
        writer.frame(&frame).unwrap();
    }
    writer.finish().unwrap();
    let text = std::fs::read_to_string(&path).unwrap();
    let lines: Vec<&str> = text.lines().skip(1).collect();
    assert!(
        lines[0].ends_with(
            r#""turn":{"pelvis_deg":-12.0,"shoulders_deg":-20.1,"plus_minus_deg":4.0}}"#
        ),
        "{}",
        lines[0]
    );
    // What counts from the camera alone is no news to a reader.
    assert!(lines[1..].iter().all(|line| !line.contains("turn")));
    let mut reader = TrackReader::open(&path).unwrap();
    let read = reader.next_frame().unwrap().unwrap().turn.unwrap();
    assert_eq!((read.pelvis.deg, read.shoulders.deg), (-12.0, -20.1));
    assert_eq!(
        (read.shoulders.spread_deg, read.origin),
        (4.0, TurnOrigin::Plate)
    );
    assert_eq!(reader.next_frame().unwrap().unwrap().turn, None);
}
