//! Tests of the measures of weight, on a body of sticks with known sway.

use super::super::estimates::EventEstimates;
use super::super::test_figure::{BATS_LEFT, BATS_RIGHT};
use super::super::types::{RepKind, View};
use super::*;
use crate::motion::{BodySeries, CameraYaw, Direction, Scale, Signals, Stance};
use crate::pose::{Body, ImagePoint, Landmark, PoseFrame};
use crate::time::CaptureTime;

const RATE_HZ: f64 = 60.0;
const GATHER_SECS: f64 = 1.0;
const PLANT_AT_SECS: f64 = 2.0;

/// A body of sticks, a pixel a centimeter: feet at 0 and 60, the front one striding to 90, knees and all above them at
/// 27 plus `sway` of the time in seconds.
fn signals(sway: impl Fn(f64) -> f64, stance: Stance, soles: bool) -> Signals {
    use Landmark::*;
    let frames: Vec<PoseFrame> = (0..180)
        .map(|index| {
            let t = f64::from(index) / RATE_HZ;
            let front = 60.0 + 30.0 * eased((t - 1.4) / 0.5);
            let mut body = Body::empty();
            let mut put = |l: Landmark, x: f64, up: f64| {
                let x = stance.forward() * x;
                body.image[l.index()] = Some(ImagePoint {
                    x_px: (300.0 + x) as f32,
                    y_px: (300.0 - up) as f32,
                    visibility: 1.0,
                });
            };
            let upper = 27.0 + sway(t);
            for l in [LeftEar, RightEar] {
                put(l, upper, 155.0);
            }
            for l in [LeftShoulder, RightShoulder, LeftElbow, RightElbow] {
                put(l, upper, 135.0);
            }
            for l in [LeftWrist, RightWrist] {
                put(l, upper, 140.0);
            }
            for l in [LeftHip, RightHip] {
                put(l, upper, 85.0);
            }
            for l in [LeftKnee, RightKnee] {
                put(l, upper, 45.0);
            }
            // A hitter with the pitcher to the image's right has the left foot in front.
            let (ankles, heels, toes) = if stance == BATS_RIGHT {
                (
                    [RightAnkle, LeftAnkle],
                    [RightHeel, LeftHeel],
                    [RightFootIndex, LeftFootIndex],
                )
            } else {
                (
                    [LeftAnkle, RightAnkle],
                    [LeftHeel, RightHeel],
                    [LeftFootIndex, RightFootIndex],
                )
            };
            for (k, x) in [0.0, front].into_iter().enumerate() {
                put(ankles[k], x, 8.0);
                if soles {
                    put(heels[k], x - 4.0, 0.0);
                    put(toes[k], x + 4.0, 0.0);
                }
            }
            PoseFrame::new(
                u64::try_from(index).unwrap(),
                CaptureTime::from_secs(t),
                Some(body),
            )
        })
        .collect();
    let body = BodySeries::from_frames(&frames, RATE_HZ).unwrap();
    let scale = Scale {
        cm_per_px: 1.0,
        height_cm: 170.0,
        spread: 0.0,
    };
    Signals::new(&body, scale, 0.0).unwrap()
}

/// From 0 to 1 and there with no speed left.
fn eased(share: f64) -> f64 {
    0.5 - 0.5 * (std::f64::consts::PI * share.clamp(0.0, 1.0)).cos()
}

/// Back 5 cm until 1.4 s, then forward to 8 cm ahead of the set position at plant.
fn good_load(t: f64) -> f64 {
    -5.0 * eased((t - 1.0) / 0.4) + 13.0 * eased((t - 1.5) / 0.5)
}

fn estimate(secs: f64) -> EventEstimate {
    EventEstimate {
        sample: secs * RATE_HZ,
        sigma: 0.5,
    }
}

fn context<'a>(
    signals: &'a Signals,
    estimates: &'a EventEstimates,
    stance: Stance,
) -> MeasureContext<'a> {
    MeasureContext {
        signals,
        estimates,
        stance,
        kind: RepKind::Swing,
        view: View::OpenSide,
        yaw: CameraYaw {
            rad: Some(0.0),
            spread_rad: 0.1,
        },
        roll_spread_rad: 0.01,
        pitch: None,
    }
}

fn estimates() -> EventEstimates {
    EventEstimates {
        set: Some(0.0),
        gather: Some(estimate(GATHER_SECS)),
        plant: Some(estimate(PLANT_AT_SECS)),
        ..EventEstimates::default()
    }
}

fn near(weighed: Result<WeightReading, NotMeasured>, value: f64) -> bool {
    weighed.is_ok_and(|w| (w.value - value).abs() < 0.5 && w.plus_minus > 0.0)
}

#[test]
fn the_shares_are_those_counted_by_hand_on_either_side() {
    // By the mean table (de Leva 1996) the feet and the ankles' part of the shanks, 2 * (0.0133 + 0.0457 * 0.43735) =
    // 0.06657, stay with the feet; the figure has no hands, so it weighs 0.98825 and the share that stays is 0.0674.
    //   rearmost: 0.9326 * (27 - 5) + 0.0674 * 30 = 22.54 of 60 cm: 37.6 %
    //   plant:    0.9326 * (27 + 8) + 0.0674 * 45 = 35.67 of 90 cm: 39.6 %
    for stance in [BATS_RIGHT, BATS_LEFT] {
        for soles in [true, false] {
            let signals = signals(good_load, stance, soles);
            let made = weight(&context(&signals, &estimates(), stance));
            assert!(near(made.back, 37.6), "{made:?}");
            assert!(near(made.at_plant, 39.6), "{made:?}");
            let yes = made.back_before_forward.unwrap();
            assert!(yes.value == 1.0 && yes.plus_minus < 0.05, "{yes:?}");
        }
    }
}

#[test]
fn a_hitter_who_sways_forward_first_did_not_go_back_first() {
    let forward_first = |t: f64| 4.0 * eased((t - 1.0) / 0.3) - 9.0 * eased((t - 1.4) / 0.4);
    let signals = signals(forward_first, BATS_RIGHT, true);
    let made = weight(&context(&signals, &estimates(), BATS_RIGHT));
    let no = made.back_before_forward.unwrap();
    assert!(no.value == 0.0 && no.plus_minus < 0.2, "{no:?}");
    assert!(made.back.unwrap().value < 40.0);
}

#[test]
fn travel_within_the_noise_is_no_travel_and_near_it_is_unsure() {
    let back = |cm: f64| {
        let sway = move |t: f64| -cm * eased((t - 1.0) / 0.4) + 13.0 * eased((t - 1.5) / 0.5);
        let signals = signals(sway, BATS_RIGHT, true);
        let made = weight(&context(&signals, &estimates(), BATS_RIGHT));
        made.back_before_forward.unwrap()
    };
    assert_eq!(back(0.3).value, 0.0);
    assert!(back(1.1).plus_minus > 0.4, "{:?}", back(1.1));
    assert_eq!(back(3.0).value, 1.0);
}

#[test]
fn what_the_roll_may_be_wrong_by_is_in_the_spread() {
    let signals = signals(good_load, BATS_RIGHT, true);
    let spread = |roll_spread_rad: f64| {
        let made = weight(&MeasureContext {
            roll_spread_rad,
            ..context(&signals, &estimates(), BATS_RIGHT)
        });
        made.back.unwrap().plus_minus
    };
    // Heights by the mean table: head 0.0681 * 155, trunk 0.43015 * 114.77, upper arms 0.0526 * 135, forearms
    // 0.03 * 137.28, thighs 0.2894 * 69.59, shanks 0.0914 * 28.82 and feet 0 make 93.92, over a mass of 0.98825
    // without hands 95.0 cm. A hundredth of a radian is 0.950 cm there, of a base of 60 cm.
    let added = (spread(0.01).powi(2) - spread(0.0).powi(2)).sqrt();
    assert!((added - 100.0 * 0.950 / 60.0).abs() < 0.01, "{added}");
}

#[test]
fn at_any_moment_the_share_is_of_the_base_at_plant() {
    // As above, of the 90 cm from foot to foot at plant; what stays with the front foot stays where that foot is.
    //   1.4 s, all the way back: 0.9326 * (27 - 5) + 0.0674 * 30 = 22.54 cm: 25.0 %
    //   1.75 s, foot at 84.4, upper body at 27 - 5 + 6.5: 0.9326 * 28.5 + 0.0674 * 42.2 = 29.42 cm: 32.7 %
    // A ball that comes 200 ms after the one sees the weight back, after the other sees it on its way.
    for stance in [BATS_RIGHT, BATS_LEFT] {
        let signals = signals(good_load, stance, true);
        let estimates = estimates();
        let context = context(&signals, &estimates, stance);
        let at = |secs| weight_at(&context, estimate(secs));
        assert!((at(1.4).unwrap().value - 25.0).abs() < 1.0, "{:?}", at(1.4));
        assert!(
            (at(1.75).unwrap().value - 32.7).abs() < 1.0,
            "{:?}",
            at(1.75)
        );
        assert_eq!(at(PLANT_AT_SECS), weight(&context).at_plant);
        assert!(at(-0.1).is_err() && at(3.1).is_err());
    }
}

#[test]
fn what_the_recording_does_not_show_is_refused() {
    let signals = signals(good_load, BATS_RIGHT, true);
    let unseen = EventEstimates {
        gather: None,
        ..estimates()
    };
    let made = weight(&context(&signals, &unseen, BATS_RIGHT));
    assert!(made.back.is_err() && made.back_before_forward.is_err());
    assert!(made.at_plant.is_ok());
    // The pitcher on the wrong side: the front foot would stand behind the back foot.
    let wrong = Stance {
        pitcher: Direction::Left,
        ..BATS_RIGHT
    };
    let made = weight(&context(&signals, &estimates(), wrong));
    assert!(made.back.is_err() && made.at_plant.is_err());
}
