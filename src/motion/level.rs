//! How the camera stands, read from the hitter: its angle off square from the pelvis, its roll from the ground and from
//! the plumb line.
//!
//! Both feet stand on the ground while the hitter is set and again at plant: what the line through the ankles falls by in
//! the picture is the camera's roll, but for the part that comes of one foot standing nearer to a camera off square.
//! And a person who stands still keeps the center of mass over the feet: what the line from the ankles' middle to the
//! body's middle leans by is the camera's roll, but for the hitter's own lean, which differs from one to the next.
//! Neither is certain, so each is trusted in part.

use super::filter::mean_over;
use super::signals::{Path, Signals};
use super::stance::{Direction, Side, Stance};
use crate::pose::Landmark;

/// A hitter in the set position carries a little more weight on the back foot: the body's middle stands this share
/// of the base behind the middle of the feet (common practice, no source: 55 % of the weight back).
const WEIGHT_BEHIND: f64 = 0.05;
/// How far the plumb line and the ground line are trusted. Stands are level within about 2 degrees (one standard
/// deviation), and the ground line is off by 1. The plumb line is off by 3 and more from hitter to hitter: people carry
/// from half to two thirds of their weight on the back foot, and the captured one leans back by 6.
const TRUST_PLUMB: f64 = 0.1;
const TRUST_GROUND: f64 = 0.6;
/// What the ground line falls toward the front foot by, for each radian that the camera stands on the pitcher's side:
/// the camera's height over its distance, about 1 m over 5 m.
const FALL_PER_YAW: f64 = 0.18;
/// What the camera's angle off square is against the pelvis's turn in the model's metric landmarks at set: its size,
/// and its value for a pelvis that the model sees square, degrees. The model's depth is not the same for the two
/// sides. Measured on rendered hitters with cameras from -25 to 25 degrees; each clip judged by the others, the angle
/// comes out within 2 degrees (median) and 8 (95 %).
const YAW_PER_PELVIS: f64 = -1.08;
const YAW_RIGHT_DEG: f64 = 6.6;
const YAW_LEFT_DEG: f64 = -1.6;
/// A hitter's pelvis is turned by some degrees at set, and most cameras are put up square: so much of its angle is taken
/// for the hitter's own. The captured person's is turned back by 12 degrees against the feet.
const OWN_TURN_DEG: f64 = 3.0;
/// No camera that still shows an open side stands further off square, degrees.
const MOST_YAW_DEG: f64 = 35.0;
/// A pelvis or a line through the feet that seems turned further than this is not seen, degrees.
const MOST_TURN_DEG: f64 = 60.0;
/// How far the line through the feet is trusted from the open side; the rest is the pelvis's. Of pelvis, shoulders, knees
/// and feet these two together put the head best over the feet on two kinds of rendered hitters and on the captured one.
const TRUST_FEET: f64 = 0.4;
/// Standard uncertainty of the angle from the open side where pelvis and feet agree, degrees, and the share of what they
/// disagree by that it grows with. By folds over these kinds.
const YAW_SPREAD_DEG: f64 = 6.0;
const YAW_SPREAD_PER_DISAGREEMENT: f64 = 0.6;
/// The same from behind the back, where the feet alone show it: 8.4 degrees (rms) on 75 swings of rendered hitters.
const YAW_SPREAD_BACK_DEG: f64 = 8.5;
/// The same where nothing shows it: any angle up to 25 degrees.
const YAW_SPREAD_UNKNOWN_DEG: f64 = 14.0;
/// No stand leans more than this, radians.
const MOST_RAD: f64 = 0.1;
/// The ground line at plant is averaged over this long before and after it, for one frame's foot jitters, seconds.
const LANDED_SECS: f64 = 0.03;

/// The camera's roll in radians, which leveling takes out; positive when the picture shows a level line falling to the
/// right.
///
/// The hitter is set in the samples `from..=to` of `signals`, which must not be leveled yet; the front foot lands at the
/// sample `landed`; `yaw_rad` is the camera's angle off square, where it is known.
pub(crate) fn roll(
    signals: &Signals,
    (from, to): (usize, usize),
    landed: Option<f64>,
    pitcher: Direction,
    yaw_rad: Option<f64>,
) -> f64 {
    let forward = pitcher.sign();
    let lean = plumb_lean(signals, from, to, forward);
    let mut falls = vec![ground_fall(signals, from, to, forward)];
    if let Some(landed) = landed {
        let (a, b) = about(signals, landed);
        falls.push(ground_fall(signals, a, b, forward));
    }
    let fall = falls.iter().sum::<f64>() / falls.len() as f64;
    let rolled = match yaw_rad {
        Some(yaw) => TRUST_PLUMB * lean + TRUST_GROUND * (fall - FALL_PER_YAW * yaw),
        // Without the angle the ground line may fall for either reason.
        None => TRUST_PLUMB * lean + 0.5 * TRUST_GROUND * fall,
    };
    (forward * rolled).clamp(-MOST_RAD, MOST_RAD)
}

/// Mean of a path over a stretch.
fn mean_point(path: &Path, from: usize, to: usize) -> [f64; 2] {
    [&path.x_cm, &path.y_cm].map(|v| mean_over(v, (from, to)))
}

/// How far the line through the ankles falls toward the front foot, radians.
fn ground_fall(signals: &Signals, from: usize, to: usize, forward: f64) -> f64 {
    let left = mean_point(&signals.feet.left.ankle, from, to);
    let right = mean_point(&signals.feet.right.ankle, from, to);
    let (across, rise) = (left[0] - right[0], left[1] - right[1]);
    (-rise * across.signum() * forward).atan2(across.abs())
}

/// How far the line from the ankles' middle to the body's middle leans toward the pitcher against what a hitter at set
/// leans, radians.
fn plumb_lean(signals: &Signals, from: usize, to: usize, forward: f64) -> f64 {
    let mean = |p: &Path| mean_point(p, from, to);
    let (left, right) = (
        mean(&signals.feet.left.ankle),
        mean(&signals.feet.right.ankle),
    );
    let feet = [0.5 * (left[0] + right[0]), 0.5 * (left[1] + right[1])];
    let base = (left[0] - right[0]).hypot(left[1] - right[1]);
    let (hips, shoulders, head) = (
        mean(&signals.hips),
        mean(&signals.shoulders),
        mean(&signals.head),
    );
    // About where the center of mass is; the arms and legs move it little sideways.
    let middle = [0, 1].map(|k| 0.45 * hips[k] + 0.4 * shoulders[k] + 0.15 * head[k]);
    let up = middle[1] - feet[1];
    if up <= 0.0 {
        return 0.0;
    }
    (forward * (middle[0] - feet[0]) + WEIGHT_BEHIND * base).atan2(up)
}

/// How far the camera stands off square, positive on the pitcher's side of the hitter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CameraYaw {
    /// Radians; `None` where nothing shows it.
    pub rad: Option<f64>,
    /// Standard uncertainty, radians.
    pub spread_rad: f64,
}

impl CameraYaw {
    /// Nothing shows it.
    pub(crate) fn unknown() -> Self {
        Self {
            rad: None,
            spread_rad: YAW_SPREAD_UNKNOWN_DEG.to_radians(),
        }
    }

    /// Seen by a camera that faces the chest, of a hitter who is set in the samples `set` and whose front foot lands at the
    /// sample `landed`: from the pelvis, which hitters turn as they wait, and the feet, whose depth the model sees roughly.
    pub(crate) fn from_chest(
        signals: &Signals,
        set: (usize, usize),
        landed: Option<f64>,
        stance: Stance,
    ) -> Self {
        let pelvis = yaw_from_pelvis(signals, set, stance);
        let Some(pelvis) = pelvis else {
            return Self::unknown();
        };
        let feet = yaw_from_feet(signals, set, landed, stance).unwrap_or(pelvis);
        let spread_deg =
            YAW_SPREAD_DEG.hypot(YAW_SPREAD_PER_DISAGREEMENT * (pelvis - feet).to_degrees());
        Self::seen(
            (1.0 - TRUST_FEET) * pelvis + TRUST_FEET * feet,
            spread_deg.to_radians(),
        )
    }

    /// Seen by a camera that faces the back: there the pelvis in the metric landmarks turns by up to 20 degrees more or less
    /// than the hips do, so the feet alone show it.
    pub(crate) fn from_back(
        signals: &Signals,
        set: (usize, usize),
        landed: Option<f64>,
        stance: Stance,
    ) -> Self {
        match yaw_from_feet(signals, set, landed, stance) {
            Some(feet) => Self::seen(feet, YAW_SPREAD_BACK_DEG.to_radians()),
            None => Self::unknown(),
        }
    }

    fn seen(rad: f64, spread_rad: f64) -> Self {
        let most = MOST_YAW_DEG.to_radians();
        Self {
            rad: Some(rad.clamp(-most, most)),
            spread_rad,
        }
    }
}

/// The camera's angle off square by the pelvis of a hitter who is set in the samples `from..=to`, radians. `None` where the
/// source gives no metric landmarks.
pub(crate) fn yaw_from_pelvis(
    signals: &Signals,
    set: (usize, usize),
    stance: Stance,
) -> Option<f64> {
    let turned_deg = turned_deg(
        signals,
        [Landmark::LeftHip, Landmark::RightHip],
        set,
        stance,
    )?;
    if turned_deg.abs() > MOST_TURN_DEG {
        return None;
    }
    let square_deg = match stance.front {
        Side::Left => YAW_RIGHT_DEG,
        Side::Right => YAW_LEFT_DEG,
    };
    let shown = square_deg + YAW_PER_PELVIS * turned_deg;
    let yaw = shown.signum() * (shown.abs() - OWN_TURN_DEG).max(0.0);
    Some(yaw.clamp(-MOST_YAW_DEG, MOST_YAW_DEG).to_radians())
}

/// The same by the line through the ankles, at set and where the front foot has landed: a hitter stands and strides about
/// along the line to the pitcher.
fn yaw_from_feet(
    signals: &Signals,
    set: (usize, usize),
    landed: Option<f64>,
    stance: Stance,
) -> Option<f64> {
    let line = |stretch: (usize, usize)| {
        let ankles = [Landmark::LeftAnkle, Landmark::RightAnkle];
        turned_deg(signals, ankles, stretch, stance)
            .map(|deg| -deg.clamp(-MOST_TURN_DEG, MOST_TURN_DEG))
    };
    let at_set = line(set)?;
    let at_plant = landed.and_then(|landed| line(about(signals, landed)));
    Some((0.5 * (at_set + at_plant.unwrap_or(at_set))).to_radians())
}

/// How far the line from the back one of two parts, left and right, to the front one points away from the camera in the
/// metric landmarks, degrees; the mean over the samples `from..=to`.
fn turned_deg(
    signals: &Signals,
    [left, right]: [Landmark; 2],
    (from, to): (usize, usize),
    stance: Stance,
) -> Option<f64> {
    let (left, right) = (signals.world(left)?, signals.world(right)?);
    let gap = |axis: usize| -> f64 {
        (from..=to)
            .map(|i| left.xyz[i][axis] - right.xyz[i][axis])
            .sum()
    };
    let side = match stance.front {
        Side::Left => 1.0,
        Side::Right => -1.0,
    };
    let deg = (side * gap(2)).atan2(side * stance.forward() * gap(0));
    Some(deg.to_degrees())
}

/// The samples about the landing.
fn about(signals: &Signals, landed: f64) -> (usize, usize) {
    let reach = LANDED_SECS * signals.rate_hz;
    (signals.index(landed - reach), signals.index(landed + reach))
}

#[cfg(test)]
mod tests {
    use super::super::{BodySeries, Scale, Signals};
    use super::*;
    use crate::pose::{Body, ImagePoint, LANDMARK_COUNT, PoseFrame, WorldPoint};
    use crate::time::CaptureTime;

    /// A right-handed hitter at set, seen by a square camera that is rolled: the picture's content turned clockwise.
    fn hitter(clockwise_deg: f64) -> Signals {
        hitter_with(clockwise_deg, None)
    }

    fn hitter_with(clockwise_deg: f64, world: Option<[WorldPoint; LANDMARK_COUNT]>) -> Signals {
        use Landmark::*;
        let points = [
            (Nose, 610.0, 130.0),
            (LeftEar, 605.0, 130.0),
            (RightEar, 595.0, 130.0),
            (LeftShoulder, 650.0, 200.0),
            (RightShoulder, 550.0, 200.0),
            (LeftWrist, 530.0, 190.0),
            (RightWrist, 530.0, 190.0),
            (LeftHip, 625.0, 370.0),
            (RightHip, 560.0, 370.0),
            (LeftKnee, 670.0, 480.0),
            (RightKnee, 530.0, 480.0),
            (LeftAnkle, 700.0, 600.0),
            (RightAnkle, 500.0, 600.0),
            (LeftElbow, 600.0, 260.0),
            (RightElbow, 520.0, 260.0),
        ];
        let (sin, cos) = clockwise_deg.to_radians().sin_cos();
        let mut body = Body::empty();
        for (landmark, x, y) in points {
            let (dx, dy) = (x - 640.0, y - 360.0);
            body.image[landmark.index()] = Some(ImagePoint {
                x_px: (640.0 + cos * dx - sin * dy) as f32,
                y_px: (360.0 + sin * dx + cos * dy) as f32,
                visibility: 1.0,
            });
        }
        body.world = world;
        let frames: Vec<PoseFrame> = (0..30)
            .map(|i| {
                PoseFrame::new(
                    i,
                    CaptureTime::from_secs(i as f64 / 60.0),
                    Some(body.clone()),
                )
            })
            .collect();
        let series = BodySeries::from_frames(&frames, 60.0).unwrap();
        let scale = Scale::from_body(&series, Some(180.0)).unwrap();
        Signals::new(&series, scale, 0.0).unwrap()
    }

    /// The same, square to the camera, with a pelvis and a line through the ankles that turn away from the camera.
    fn turned(pelvis_deg: f64, feet_deg: f64) -> Signals {
        let mut world = [WorldPoint {
            x_m: 0.0,
            y_m: 0.0,
            z_m: 0.0,
        }; LANDMARK_COUNT];
        for (left, right, deg) in [
            (Landmark::LeftHip, Landmark::RightHip, pelvis_deg),
            (Landmark::LeftAnkle, Landmark::RightAnkle, feet_deg),
        ] {
            let (z, x) = deg.to_radians().sin_cos();
            for (landmark, side) in [(left, 0.2), (right, -0.2)] {
                world[landmark.index()] = WorldPoint {
                    x_m: side * x as f32,
                    y_m: 0.0,
                    z_m: side * z as f32,
                };
            }
        }
        hitter_with(0.0, Some(world))
    }

    fn head_over_base(signals: &Signals) -> f64 {
        let (front, back) = (&signals.feet.left.ankle, &signals.feet.right.ankle);
        100.0 * (signals.head.x_cm[10] - back.x_cm[10]) / (front.x_cm[10] - back.x_cm[10])
    }

    #[test]
    fn a_rolled_camera_is_leveled_for_the_greater_part_either_way() {
        let level = head_over_base(&hitter(0.0));
        for clockwise_deg in [-3.0, 3.0] {
            let rolled = hitter(clockwise_deg);
            let found = roll(&rolled, (5, 25), None, Direction::Right, Some(0.0));
            assert!(
                found * clockwise_deg > 0.0,
                "a clockwise turn lets a level line fall to the right"
            );
            let (before, after) = (
                (head_over_base(&rolled) - level).abs(),
                (head_over_base(&rolled.leveled(found)) - level).abs(),
            );
            assert!(before > 8.0 && after < 0.35 * before, "{before} {after}");
        }
    }

    #[test]
    fn a_hitter_who_leans_is_not_taken_for_a_rolled_camera() {
        let found = roll(&hitter(0.0), (5, 25), None, Direction::Right, Some(0.0));
        assert!(found.to_degrees().abs() < 1.0, "{found}");
    }

    #[test]
    fn a_turned_pelvis_passes_for_the_camera_s_angle_only_in_part_and_makes_it_less_sure() {
        let stance = Stance {
            front: Side::Left,
            pitcher: Direction::Right,
        };
        let seen = |pelvis_deg, feet_deg| {
            let signals = turned(pelvis_deg, feet_deg);
            let yaw = CameraYaw::from_chest(&signals, (5, 15), Some(20.0), stance);
            (yaw.rad.unwrap().to_degrees(), yaw.spread_rad)
        };
        let (camera, sure) = seen(-15.0, -19.8);
        assert!((camera - 19.8).abs() < 0.3, "{camera}");
        let (own_turn, unsure) = seen(-15.0, 0.0);
        assert!((own_turn - 11.9).abs() < 0.3, "{own_turn}");
        assert!(unsure > 1.5 * sure, "{unsure} {sure}");
    }

    #[test]
    fn tracks_without_metric_landmarks_tell_no_angle() {
        let stance = Stance {
            front: Side::Left,
            pitcher: Direction::Right,
        };
        let hitter = hitter(0.0);
        for yaw in [CameraYaw::from_chest, CameraYaw::from_back]
            .map(|yaw| yaw(&hitter, (5, 25), Some(20.0), stance))
        {
            assert_eq!(yaw, CameraYaw::unknown());
        }
    }
}
