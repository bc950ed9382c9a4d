//! The line on which the pitch comes in, laid through the place where barrel and ball meet, for the replay of a rep.
//!
//! In: a rep, its frames with the bat. Out: a [`PitchLine`] in pixels of the picture. For the eye only.

use serde::Serialize;

use super::replay_data::tenths;
use crate::coach::{JudgedRep, PitchPlayed};
use crate::pitch::{Pitch, Speed};
use crate::pose::{PoseFrame, SeenBat};
use crate::rep::{BARREL_CM, ON_PLANE_CM, View, bat_length_cm};
use crate::time::CaptureTime;

/// Frames with a bat that are farther from contact than this do not tell where it was then, seconds.
const NEAR_SECS: f64 = 0.04;

/// A line in the picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(super) struct PitchLine {
    /// Where barrel and ball meet.
    at: [f32; 2],
    /// Toward the pitcher along the line: a step of one pixel.
    toward: [f32; 2],
    /// How far above and below the line is near enough, pixels.
    half_px: f32,
    /// How steeply the pitch comes down, degrees; `None` where none was played, and the line is level as off a tee.
    descent_deg: Option<f32>,
}

impl PitchLine {
    /// Of a rep whose pitcher is to the picture's right (1) or left (-1). `None` where the bat was not seen at contact, and where the
    /// camera stands on the line to the pitcher.
    pub(super) fn of(judged: &JudgedRep, frames: &[PoseFrame], forward: f64) -> Option<Self> {
        let rep = &judged.rep;
        if matches!(rep.view, View::Rear | View::Front) {
            return None;
        }
        let scale = rep.ruler.as_ref()?.scale;
        let [knob, tip] = bat_at(frames, rep.events.contact?)?;
        let share = 1.0 - BARREL_CM / bat_length_cm(scale.height_cm);
        let at = [0, 1].map(|axis| knob[axis] + share * (tip[axis] - knob[axis]));
        let descent = match &judged.pitch {
            Some(pitch) => Some(descent_deg(pitch)?),
            None => None,
        };
        let up = descent.unwrap_or(0.0).to_radians();
        // A level line falls to the right by the camera's roll.
        let roll = rep.ruler?.roll_deg.unwrap_or(0.0).to_radians();
        let (along, rise) = (forward * up.cos(), up.sin());
        let toward = [
            along * roll.cos() + rise * roll.sin(),
            along * roll.sin() - rise * roll.cos(),
        ];
        Some(Self {
            at: tenths(at.map(|px| px as f32)),
            toward: toward.map(|px| px as f32),
            half_px: (ON_PLANE_CM / scale.cm_per_px) as f32,
            descent_deg: descent.map(|deg| deg as f32),
        })
    }
}

/// How steeply the pitch that was played comes down at the plate; `None` where no level has such a flight.
pub(super) fn descent_deg(pitch: &PitchPlayed) -> Option<f64> {
    let secs = pitch.arrival.secs_since(pitch.release);
    let speed = Speed::from_km_h(pitch.speed_kmh);
    Some(Pitch::recognized(speed, secs)?.flight.descent_deg)
}

/// Knob and tip at a moment between two frames: the bat turns about its knob meanwhile, the shorter way.
fn bat_at(frames: &[PoseFrame], moment: CaptureTime) -> Option<[[f64; 2]; 2]> {
    let seen = || {
        frames
            .iter()
            .filter_map(|frame| Some((frame.captured_at.secs_since(moment), frame.bat?)))
    };
    let (before, from) = seen().rfind(|(secs, _)| (-NEAR_SECS..=0.0).contains(secs))?;
    let (after, to) = seen().find(|(secs, _)| (0.0..=NEAR_SECS).contains(secs))?;
    let share = match after > before {
        true => -before / (after - before),
        false => 0.0,
    };
    let between = |a: f64, b: f64| a + share * (b - a);
    let [from, to] = [from, to].map(Lying::of);
    let turn = (to.angle - from.angle + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU)
        - std::f64::consts::PI;
    let angle = from.angle + share * turn;
    let length = between(from.length, to.length);
    let knob = [0, 1].map(|axis| between(from.knob[axis], to.knob[axis]));
    let tip = [
        knob[0] + length * angle.cos(),
        knob[1] + length * angle.sin(),
    ];
    Some([knob, tip])
}

/// How a bat lies in the picture.
struct Lying {
    knob: [f64; 2],
    length: f64,
    angle: f64,
}

impl Lying {
    fn of(bat: SeenBat) -> Self {
        let [knob, tip] = [bat.knob_px, bat.tip_px].map(|place| place.map(f64::from));
        let [x, y] = [0, 1].map(|axis| tip[axis] - knob[axis]);
        Self {
            knob,
            length: x.hypot(y),
            angle: y.atan2(x),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::judged;
    use crate::motion::Scale;
    use crate::pitch::{Air, Level, SpeedClass};
    use crate::rep::Ruler;

    /// A bat of 200 pixels about a knob that stands at the middle, by its angle below level to the right.
    fn bat(deg: f32) -> SeenBat {
        let (sin, cos) = deg.to_radians().sin_cos();
        SeenBat {
            knob_px: [600.0, 400.0],
            tip_px: [600.0 + 200.0 * cos, 400.0 + 200.0 * sin],
            probability: 0.9,
        }
    }

    fn frame(secs: f64, bat: Option<SeenBat>) -> PoseFrame {
        let mut frame = PoseFrame::new(0, CaptureTime::from_secs(secs), None);
        frame.bat = bat;
        frame
    }

    /// A swing with contact at 13.25 s, half a centimeter a pixel, seen square or with this roll.
    fn swing(roll_deg: f64, pitch: Option<PitchPlayed>) -> JudgedRep {
        let mut judged = judged(1);
        judged.rep.view = View::OpenSide;
        judged.rep.events.contact = Some(CaptureTime::from_secs(13.25));
        judged.rep.ruler = Some(Ruler {
            scale: Scale {
                cm_per_px: 0.5,
                height_cm: 178.0,
                spread: 0.0,
            },
            roll_deg: Some(roll_deg),
        });
        judged.pitch = pitch;
        judged
    }

    fn about_contact() -> [PoseFrame; 3] {
        [
            frame(13.24, Some(bat(-20.0))),
            frame(13.25, None),
            frame(13.26, Some(bat(20.0))),
        ]
    }

    #[test]
    fn off_a_tee_the_line_is_level_and_runs_through_the_barrel_at_contact() {
        let line = PitchLine::of(&swing(0.0, None), &about_contact(), 1.0).unwrap();
        // Between the two frames the bat is level; 15 of 84 cm from its end is 164.3 of 200 pixels from the knob.
        assert!(
            (line.at[0] - 764.3).abs() < 0.1 && (line.at[1] - 400.0).abs() < 0.1,
            "{line:?}"
        );
        assert_eq!((line.toward, line.descent_deg), ([1.0, 0.0], None));
        assert!((line.half_px - 6.6).abs() < 1e-3);
        let rolled = PitchLine::of(&swing(2.0, None), &about_contact(), -1.0).unwrap();
        // A level line falls to the right: toward a pitcher on the left it rises.
        let (sin, cos) = 2f32.to_radians().sin_cos();
        assert!((rolled.toward[0] + cos).abs() < 1e-4 && (rolled.toward[1] + sin).abs() < 1e-4);
    }

    #[test]
    fn a_pitch_that_was_played_comes_down_as_it_flies() {
        let speed = Level::HighSchool.usual_speed(SpeedClass::Fast);
        let flight = Pitch::new(Level::HighSchool, speed, Air::default())
            .unwrap()
            .flight;
        let pitch = PitchPlayed {
            speed_kmh: speed.km_h(),
            release: CaptureTime::from_secs(12.9),
            arrival: CaptureTime::from_secs(12.9 + flight.secs),
        };
        let line = PitchLine::of(&swing(0.0, Some(pitch)), &about_contact(), -1.0).unwrap();
        // 82 mph; 7.9 degrees at 80 mph is worked out from a hand 10 cm higher, 6 in ball flight (A. Nathan, as cited elsewhere).
        let deg = f64::from(line.descent_deg.unwrap());
        assert!((5.5..8.5).contains(&deg), "{deg}");
        // It came from the left and from above.
        let slope = f64::from(line.toward[1] / line.toward[0])
            .atan()
            .to_degrees();
        assert!(
            line.toward[0] < 0.0 && (slope - deg).abs() < 0.01,
            "{slope} {deg}"
        );
    }

    #[test]
    fn without_a_bat_about_contact_or_from_the_line_to_the_pitcher_there_is_none() {
        let far = [
            frame(13.20, Some(bat(-20.0))),
            frame(13.26, Some(bat(20.0))),
        ];
        assert_eq!(PitchLine::of(&swing(0.0, None), &far, 1.0), None);
        let mut rear = swing(0.0, None);
        rear.rep.view = View::Rear;
        assert_eq!(PitchLine::of(&rear, &about_contact(), 1.0), None);
    }
}
