//! What is told of the bat, by the figures of a hitter of sticks.

use super::*;
use crate::pose::{ImagePoint, SeenBat};
use crate::time::CaptureTime;

const PICTURE: PictureSize = PictureSize {
    width_px: 1280,
    height_px: 720,
};
const HEIGHT_CM: f64 = 180.0;

/// Somebody who waits for the pitch from the right, for two seconds: ankle to knee to hip to shoulders to ears is 405 pixels, which
/// is 0.81 of a stature of 500. So much lower and farther to the right in the picture; bats are seen in so many of 10 frames,
/// with the tip there.
fn standing(down_px: f32, aside_px: f32, bats_of_10: u64, tip_px: [f32; 2]) -> Vec<PoseFrame> {
    let place = |landmark: Landmark| -> [f32; 2] {
        let name = landmark.name();
        let side = if name.contains("left") { 1.0 } else { -1.0 };
        let part = name
            .trim_start_matches("left_")
            .trim_start_matches("right_");
        match part {
            "shoulder" => [600.0 + side * 50.0, 318.0],
            "hip" => [600.0 + side * 25.0, 443.0],
            "knee" => [600.0 + side * 55.0, 554.0],
            "ankle" => [600.0 + side * 100.0, 660.0],
            "heel" => [600.0 + side * 100.0, 675.0],
            "foot_index" => [600.0 + side * 110.0, 675.0],
            "elbow" => [560.0, 350.0],
            "wrist" => [520.0 + side * 8.0, 310.0],
            _ => [600.0 + side * 8.0, 268.0],
        }
    };
    (0..120)
        .map(|index| {
            let mut body = Body::empty();
            for landmark in Landmark::ALL {
                let [x, y] = place(landmark);
                body.image[landmark.index()] = Some(ImagePoint {
                    x_px: x + aside_px,
                    y_px: y + down_px,
                    visibility: 0.9,
                });
            }
            let at = CaptureTime::from_secs(index as f64 / 60.0);
            let mut pose = PoseFrame::new(index, at, Some(body));
            pose.bat = (index % 10 < bats_of_10).then_some(SeenBat {
                knob_px: [520.0, 320.0],
                tip_px,
                probability: 0.9,
            });
            pose
        })
        .collect()
}

fn sight(poses: &[PoseFrame]) -> BatSight<'_> {
    BatSight {
        poses,
        picture: PICTURE,
        fps: 60.0,
        taken_fps: 60.0,
        exposure_ms: Some(4.0),
        noise: Some(1.0),
        height_cm: Some(HEIGHT_CM),
        looked_for: true,
    }
}

fn line(sight: &BatSight, what: &str) -> (Grade, String) {
    let found = findings(sight)
        .into_iter()
        .find(|f| f.what == what)
        .unwrap();
    (found.grade, found.says)
}

/// The number that stands before these words.
fn number_before(says: &str, words: &str) -> f64 {
    let before = says.split(words).next().unwrap();
    before.rsplit(' ').next().unwrap().parse().unwrap()
}

#[test]
fn the_smear_is_that_of_a_tip_on_a_turning_bat() {
    // Thompson 2022: the point 6 inches (0.1524 m) from the cap goes 34 m/s while the bat turns by 2287 degrees a second, so the cap
    // goes 34 + 39.9 * 0.1524 = 40.1 m/s: 67 cm in a sixtieth of a second, in which the bat turns by 38 degrees.
    assert!((tip_smear_cm(1000.0 / 60.0) - 66.8).abs() < 0.5);
    let poses = standing(0.0, 0.0, 10, [500.0, 50.0]);
    for (exposure_ms, grade, words) in [
        (4.0, Grade::Good, "16 cm, 19 % of the bat"),
        (10.0, Grade::Good, "40 cm, 47 % of the bat"),
        (16.7, Grade::Note, "Put more light on the hitter"),
    ] {
        let now = BatSight {
            exposure_ms: Some(exposure_ms),
            ..sight(&poses)
        };
        let (found, says) = line(&now, "bat blur");
        assert!(found == grade && says.contains(words), "{says}");
    }
    let (_, says) = line(&sight(&poses), "bat rate");
    assert!(says.contains("38 degrees"), "{says}");
}

#[test]
fn an_exposure_that_is_not_told_is_judged_by_the_rate_then_by_the_grain_and_else_unknown() {
    let poses = standing(0.0, 0.0, 10, [500.0, 50.0]);
    for (fps, noise, grade, words) in [
        (120.0, Some(9.0), Grade::Good, "8.3 ms at most"),
        (60.0, Some(6.0), Grade::Note, "grainy (noise 6 of 255)"),
        (60.0, Some(1.0), Grade::Note, "Swing once and look"),
        (60.0, None, Grade::Note, "Swing once and look"),
    ] {
        let now = BatSight {
            exposure_ms: None,
            taken_fps: fps,
            noise,
            ..sight(&poses)
        };
        let (found, says) = line(&now, "bat blur");
        assert!(found == grade && says.contains(words), "{says}");
    }
}

#[test]
fn too_few_frames_a_second_cost_the_path_at_contact() {
    let poses = standing(0.0, 0.0, 10, [500.0, 50.0]);
    let (grade, says) = line(
        &BatSight {
            fps: 30.0,
            ..sight(&poses)
        },
        "bat rate",
    );
    assert!(
        grade == Grade::Note && says.contains("77 degrees"),
        "{says}"
    );
    assert_eq!(line(&sight(&poses), "bat rate").0, Grade::Good);
}

#[test]
fn the_share_of_frames_with_a_bat_is_told_and_whether_its_tip_is_in_the_picture() {
    let told = |bats, tip| line(&sight(&standing(0.0, 0.0, bats, tip)), "bat seen");
    let (grade, says) = told(9, [500.0, 50.0]);
    assert!(
        grade == Grade::Good
            && says.starts_with("in 90 % of the 120 frames with both hands together"),
        "{says}"
    );
    let (grade, says) = told(4, [500.0, 50.0]);
    assert!(
        grade == Grade::Note && says.starts_with("in 40 %"),
        "{says}"
    );
    assert!(
        told(0, [500.0, 50.0])
            .1
            .starts_with("in no frame: stand in with a bat")
    );
    let (grade, says) = told(10, [500.0, -20.0]);
    assert!(
        grade == Grade::Note && says.contains("out of the picture"),
        "{says}"
    );
}

#[test]
fn room_above_is_told_in_centimeters_and_follows_the_picture() {
    let told = |down| line(&sight(&standing(down, 0.0, 10, [500.0, 50.0])), "bat room");
    // A bat of 84.5 cm, of which 0.85 stands out of the hands, looks 1.3 times as long: 93 cm, and the hands rise by 9 cm. They are
    // 310 pixels of 0.36 cm below the edge, 112 cm, and so 9 cm are to spare.
    let (grade, says) = told(0.0);
    assert_eq!(grade, Grade::Good);
    assert!(
        (number_before(&says, " cm to spare") - 9.0).abs() <= 1.0,
        "{says}"
    );
    // 80 pixels higher they lie 29 cm higher.
    for (down, lacking) in [(-80.0, 20.0), (-160.0, 49.0)] {
        let (grade, says) = told(down);
        assert_eq!(grade, Grade::Note);
        let told = number_before(&says, " cm more are needed");
        assert!((told - lacking).abs() <= 1.0, "{says}");
    }
}

#[test]
fn room_at_the_sides_is_wanted_most_where_the_pitcher_is() {
    let told = |aside| {
        line(
            &sight(&standing(0.0, aside, 10, [500.0, 50.0])),
            "bat sweep",
        )
    };
    assert_eq!(told(0.0).0, Grade::Good);
    let (grade, says) = told(250.0);
    assert!(
        grade == Grade::Note && says.contains("on the right"),
        "{says}"
    );
    // As far from the left edge as it was from the right: behind the hitter less room does.
    assert_eq!(told(-170.0).0, Grade::Good);
    let (grade, says) = told(-400.0);
    assert!(
        grade == Grade::Note && says.contains("on the left"),
        "{says}"
    );
}

#[test]
fn a_bat_of_few_pixels_and_a_bad_place_are_told() {
    let poses = standing(0.0, 0.0, 10, [500.0, 50.0]);
    let stance = StandingIn {
        view: View::OpenSide,
        stature_px: 500.0,
        pitcher: Some(Direction::Right),
        off_square_deg: Some(0.0),
    };
    // 84 cm on a hitter of 178 cm, as in the fit: 236 pixels of 500.
    assert!(size(&stance, 178.0).says.contains("about 236 pixels"));
    let far = StandingIn {
        stature_px: 120.0,
        ..stance
    };
    assert_eq!(size(&far, 178.0).grade, Grade::Note);
    assert_eq!(line(&sight(&poses), "bat size").0, Grade::Good);
    for (view, deg, words) in [
        (
            View::OpenSide,
            Some(-18.0),
            "18 degrees off square on the catcher's side",
        ),
        (View::BackSide, None, "from the hitter's back"),
        (View::Rear, None, "line to the pitcher"),
    ] {
        let told = place(&StandingIn {
            view,
            off_square_deg: deg,
            ..stance
        });
        assert!(
            told.grade == Grade::Note && told.says.contains(words),
            "{}",
            told.says
        );
    }
    for deg in [Some(13.0), Some(-5.0), None] {
        assert!(
            place(&StandingIn {
                off_square_deg: deg,
                ..stance
            })
            .is_good()
        );
    }
}

#[test]
fn nobody_and_a_bat_that_is_not_wanted_are_told_as_such() {
    assert_eq!(line(&sight(&[]), "bat seen").0, Grade::Note);
    let off = BatSight {
        looked_for: false,
        ..sight(&[])
    };
    assert_eq!(findings(&off).len(), 1);
}
