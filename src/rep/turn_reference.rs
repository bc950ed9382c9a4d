//! What a turn counts from: from what the camera shows of pelvis and shoulder line to degrees open toward the pitcher.
//!
//! In: how the hitter stands and how the camera stands, as far as they are known. Out: degrees, 0 square to the plate. A turn
//! is seen along the ray to the pelvis, so the camera's angle off square is that of the ray, which follows the pelvis.

use crate::motion::filter::mean_over;
use crate::motion::{BodySeries, CameraYaw, Side, Signals, Stance};
use crate::pose::{Landmark, PoseFrame, TrunkTurn, TurnAngle, TurnOrigin};

use super::analysis::leveled;
use super::estimates::{EventEstimate, EventEstimates};
use super::event_name::EventName;
use super::projection::CAMERA_AWAY_CM;
use super::types::{Bats, Rep, View};

/// Where the pelvis is while the hitter is set is averaged over this long before the gather, seconds.
const SET_SECS: f64 = 0.4;

/// How turns of one hitter before one camera are told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct TurnReference {
    front: Side,
    view: View,
    /// The camera's angle off square on the ray to the pelvis at set, radians; 0 where it is not known.
    yaw_rad: f64,
}

impl TurnReference {
    pub(super) fn new(stance: Stance, view: View, yaw: CameraYaw) -> Self {
        Self {
            front: stance.front,
            view,
            yaw_rad: yaw.rad.unwrap_or(0.0),
        }
    }

    /// A guess, before a rep has shown it, at a frame in which somebody stands in: the hands are held over the back foot, and
    /// the person's left is to the picture's right where the chest shows. `bats` is the side that was told. `None` where the
    /// frame does not show it.
    pub(crate) fn guessed(frame: &PoseFrame, bats: Option<Bats>) -> Option<Self> {
        let body = frame.body.as_ref()?;
        let x = |landmark: Landmark| body.point(landmark).map(|point| point.x_px);
        let middle = |left, right| Some(0.5 * (x(left)? + x(right)?));
        let across = x(Landmark::LeftShoulder)? - x(Landmark::RightShoulder)?;
        let view = match across > 0.0 {
            true => View::OpenSide,
            false => View::BackSide,
        };
        let hands = middle(Landmark::LeftWrist, Landmark::RightWrist)?;
        let back = hands - middle(Landmark::LeftHip, Landmark::RightHip)?;
        let by_hands = match (back < 0.0) == (across > 0.0) {
            true => Side::Left,
            false => Side::Right,
        };
        Some(Self {
            front: bats.map_or(by_hands, Bats::front),
            view,
            yaw_rad: 0.0,
        })
    }

    /// Degrees open toward the pitcher from -180 to 180, of a line that the camera sees at `seen_deg`, of a pelvis that has
    /// gone `along_cm` toward the pitcher since the hitter was set.
    pub(super) fn open_deg(&self, seen_deg: f64, along_cm: f64) -> f64 {
        let seen = match self.front {
            Side::Left => 1.0,
            Side::Right => -1.0,
        };
        let yaw = (self.yaw_rad - along_cm / CAMERA_AWAY_CM).to_degrees();
        wrapped(match self.view {
            View::OpenSide => seen * seen_deg + yaw,
            View::BackSide => seen * (seen_deg - 180.0) - yaw,
            View::Front => seen * seen_deg + 90.0,
            View::Rear => seen * seen_deg - 90.0,
        })
    }

    /// The turn as it counts from the plate.
    pub(crate) fn open_turn(&self, turn: TrunkTurn, along_cm: f64) -> TrunkTurn {
        let line = |line: TurnAngle| TurnAngle {
            deg: self.open_deg(line.deg.into(), along_cm) as f32,
            ..line
        };
        match turn.origin {
            TurnOrigin::Plate => turn,
            TurnOrigin::Camera => TrunkTurn {
                pelvis: line(turn.pelvis),
                shoulders: line(turn.shoulders),
                origin: TurnOrigin::Plate,
            },
        }
    }
}

/// Degrees from -180 to 180.
pub(super) fn wrapped(deg: f64) -> f64 {
    deg - 360.0 * (deg / 360.0).round()
}

/// How far the pelvis is along the line to the pitcher in each sample, centimeters from where it was while the hitter was
/// set; all zero where that was not seen.
pub(super) fn pelvis_along_cm(
    signals: &Signals,
    estimates: &EventEstimates,
    stance: Stance,
) -> Vec<f64> {
    let Some(gather) = estimates.gather else {
        return vec![0.0; signals.len];
    };
    let x = &signals.hips.x_cm;
    let from = signals.index(gather.sample - SET_SECS * signals.rate_hz);
    let set = mean_over(x, (from, signals.index(gather.sample)));
    x.iter().map(|x| stance.forward() * (x - set)).collect()
}

impl Rep {
    /// What its turns count from, and the frames' turns as they count from the plate. `frames` are the rep's poses.
    pub(crate) fn turns_from_plate(
        &self,
        frames: &[PoseFrame],
    ) -> (Option<TurnReference>, Vec<Option<TrunkTurn>>) {
        let Some((reference, signals, along)) = self.turn_reference(frames) else {
            // Without landmarks nothing tells where the camera stands.
            let known = |turn: &TrunkTurn| turn.origin == TurnOrigin::Plate;
            return (None, frames.iter().map(|f| f.turn.filter(known)).collect());
        };
        let turns = frames.iter().map(|frame| {
            let at = signals.index(signals.sample_at(frame.captured_at));
            Some(reference.open_turn(frame.turn?, along[at]))
        });
        (Some(reference), turns.collect())
    }

    fn turn_reference(&self, frames: &[PoseFrame]) -> Option<(TurnReference, Signals, Vec<f64>)> {
        let body = BodySeries::from_frames(frames, self.fps)?;
        let stance = Stance {
            front: self.bats.front(),
            pitcher: self.pitcher_in(frames)?,
        };
        // A film in slow motion has no ruler, and no angle of the camera with it.
        let ruler = self.ruler?;
        let roll_rad = ruler.roll_deg.unwrap_or(0.0).to_radians();
        let signals = Signals::new(&body, ruler.scale, roll_rad).ok()?;
        let sample = |event| self.events.at(event).map(|at| signals.sample_at(at));
        let estimate = |event| sample(event).map(|sample| EventEstimate { sample, sigma: 0.0 });
        let estimates = EventEstimates {
            set: sample(EventName::Set),
            gather: estimate(EventName::Gather),
            plant: estimate(EventName::Plant),
            ..EventEstimates::default()
        };
        let yaw = leveled(&signals, &estimates, stance, self.view, ruler.roll_deg).yaw;
        let along = pelvis_along_cm(&signals, &estimates, stance);
        Some((TurnReference::new(stance, self.view, yaw), signals, along))
    }
}

#[cfg(test)]
mod tests {
    use super::super::test_figure::{BATS_LEFT, BATS_RIGHT};
    use super::*;

    /// What a camera sees of a line that is `open_deg` open: the ray's own axes, by geometry.
    fn seen_deg(open_deg: f64, bats_right: bool, view: View, yaw_deg: f64) -> f64 {
        // Toward the pitcher and toward the plate, from the back joint to the front one: an open line leaves the plate.
        let (sin, cos) = open_deg.to_radians().sin_cos();
        let line = if bats_right { [cos, -sin] } else { [-cos, sin] };
        // From the camera to the hitter, and to the right of that. The pitcher is to the right of a hitter who bats right
        // and is seen from the plate; one who bats left is the mirror.
        let (sin, cos) = yaw_deg.to_radians().sin_cos();
        let away = match view {
            View::BackSide => [-sin, cos],
            _ => [-sin, -cos],
        };
        let mirror = if bats_right { 1.0 } else { -1.0 };
        let right = [-away[1] * mirror, away[0] * mirror];
        let on = |axis: [f64; 2]| line[0] * axis[0] + line[1] * axis[1];
        on(away).atan2(on(right)).to_degrees()
    }

    #[test]
    fn a_turn_comes_out_the_same_from_any_camera_at_a_side_and_for_both_kinds_of_hitter() {
        for bats_right in [true, false] {
            for view in [View::OpenSide, View::BackSide] {
                for yaw_deg in [-25.0, 0.0, 15.0f64] {
                    for open_deg in [-40.0, 0.0, 30.0, 85.0, 120.0] {
                        let stance = if bats_right { BATS_RIGHT } else { BATS_LEFT };
                        let yaw = CameraYaw {
                            rad: Some(yaw_deg.to_radians()),
                            spread_rad: 0.0,
                        };
                        let reference = TurnReference::new(stance, view, yaw);
                        let seen = seen_deg(open_deg, bats_right, view, yaw_deg);
                        let told = reference.open_deg(seen, 0.0);
                        assert!((told - open_deg).abs() < 1e-9, "{told} for {open_deg}");
                        // A pelvis that has gone to the pitcher is seen as by a camera farther to the catcher's side.
                        let gone = 20.0;
                        let ray = yaw_deg - (gone / CAMERA_AWAY_CM).to_degrees();
                        let seen = seen_deg(open_deg, bats_right, view, ray);
                        let told = reference.open_deg(seen, gone);
                        assert!((told - open_deg).abs() < 1e-9, "{told} for {open_deg}");
                    }
                }
            }
        }
    }

    #[test]
    fn hands_over_the_back_foot_show_the_side_before_any_rep() {
        use crate::pose::{Body, ImagePoint};
        let stands = |left_shoulder: f32, hands: f32| {
            let mut body = Body::empty();
            for (landmark, x_px) in [
                (Landmark::LeftShoulder, left_shoulder),
                (Landmark::RightShoulder, -left_shoulder),
                (Landmark::LeftWrist, hands),
                (Landmark::RightWrist, hands),
                (Landmark::LeftHip, 1.0),
                (Landmark::RightHip, -1.0),
            ] {
                body.image[landmark.index()] = Some(ImagePoint {
                    x_px,
                    y_px: 0.0,
                    visibility: 1.0,
                });
            }
            PoseFrame::new(0, Default::default(), Some(body))
        };
        for (left_shoulder, hands, front, view) in [
            (20.0, -30.0, Side::Left, View::OpenSide),
            (20.0, 30.0, Side::Right, View::OpenSide),
            (-20.0, 30.0, Side::Left, View::BackSide),
            (-20.0, -30.0, Side::Right, View::BackSide),
        ] {
            let frame = stands(left_shoulder, hands);
            let guessed = TurnReference::guessed(&frame, None).unwrap();
            assert_eq!((guessed.front, guessed.view), (front, view));
            let told = TurnReference::guessed(&frame, Some(Bats::Right)).unwrap();
            assert_eq!(told.front, Side::Left);
        }
    }
}
