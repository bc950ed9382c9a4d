//! Where the camera stands, and which of the hitter's feet is in front, read from how the body looks.
//!
//! In: signals around a swing or a plant. Out: a [`View`], a [`Stance`]. Both are read from before the trunk turns.

use crate::motion::filter::mean_over;
use crate::motion::{BodySeries, CameraYaw, Direction, Pair, Path, Side, Signals, Stance};
use crate::pose::{Landmark, PoseFrame};

use super::estimates::{EventEstimate, EventEstimates};
use super::setup::HitterSetup;
use super::swing::{SIDE_ON_STANCE, Swing};
use super::types::View;

/// Which way the chest faces and which foot is in front is read from so long to so long before the swing or the plant,
/// seconds: later the trunk turns, and legs that pass each other are taken for each other.
const STANCE_SECS: (f64, f64) = (1.0, 0.3);
/// Ankles nearer to each other than this in that time do not show which foot is in front, H.
const LEAST_STANCE: f64 = 0.12;
/// Hands that are held nearer to the hips than this do not show where the pitcher is, H.
const LEAST_HANDS_BACK: f64 = 0.03;
/// In a stance the hands move by less than this against the hips, H, in a swing by half of H (common practice, no source).
const MOST_HANDS_MOVE: f64 = 0.15;

/// What contact is uncertain by besides its fit from behind the back, one standard deviation, seconds: on eight swings of five
/// hitters it was off by 53 ms (rms).
const CONTACT_SPREAD_BACK_SIDE_SECS: f64 = 0.045;
/// The same from the rear or the front, where one captured swing was off by 63 and 152 ms.
const CONTACT_SPREAD_END_ON_SECS: f64 = 0.11;

/// Where the camera stands about a swing or a plant at `sample`, from how wide the stance looks and which way round the
/// body is. `square` tells that the pelvis shows a camera at a side, which a narrow stance does not.
pub(super) fn view(signals: &Signals, sample: f64, square: bool) -> View {
    let i = signals.index(sample);
    let base = (signals.feet.left.ankle.x_cm[i] - signals.feet.right.ankle.x_cm[i]).abs();
    if square || base >= SIDE_ON_STANCE * signals.scale.height_cm {
        match shows_back(signals, sample) {
            true => View::BackSide,
            false => View::OpenSide,
        }
    } else if signals.shoulder.left.x_cm[i] > signals.shoulder.right.x_cm[i] {
        // The person's left is to the image's right: the chest faces the camera.
        View::Front
    } else {
        View::Rear
    }
}

/// Somebody who stands before the camera, feet in the batting stance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct StandingIn {
    pub view: View,
    /// Standing height in the picture, pixels.
    pub stature_px: f64,
    /// Where the pitcher is, from which side of the hips the hands are held; `None` where they are in front of the trunk.
    pub pitcher: Option<Direction>,
    /// How far the camera stands off square, degrees, positive on the pitcher's side; `None` where only the back shows,
    /// without metric landmarks, where it is not known who is where, and in a swing.
    pub off_square_deg: Option<f64>,
}

/// How somebody stands before the camera in the latest frames; `None` before a second of that.
pub(crate) fn standing_in(frames: &[PoseFrame]) -> Option<StandingIn> {
    let secs = frames
        .last()?
        .captured_at
        .secs_since(frames.first()?.captured_at);
    if secs < STANCE_SECS.0 {
        return None;
    }
    let body = BodySeries::from_frames(frames, (frames.len() - 1) as f64 / secs)?;
    let scale = HitterSetup::default().scale(&body)?;
    let signals = Signals::new(&body, scale, 0.0).ok()?;
    let last = signals.len - 1;
    let view = view(&signals, last as f64, false);
    let pitcher = pitcher_of_hands(&signals);
    let off_square = || {
        // The chest of somebody who swings tells its own turn, not the camera's.
        if !hands_rest(&signals) {
            return None;
        }
        let ankles = (&signals.feet.left.ankle, &signals.feet.right.ankle);
        let ahead = left_ahead(&signals, last as f64, ankles.0, ankles.1);
        let front = match (pitcher? == Direction::Right) == (ahead > 0.0) {
            true => Side::Left,
            false => Side::Right,
        };
        let stance = Stance::from_ankles(front, ahead);
        CameraYaw::from_chest(&signals, (0, last), None, stance).rad
    };
    Some(StandingIn {
        view,
        stature_px: scale.height_cm / scale.cm_per_px,
        pitcher,
        off_square_deg: (view == View::OpenSide)
            .then(off_square)
            .flatten()
            .map(f64::to_degrees),
    })
}

/// Whether the hands stay where they are against the hips, as in a stance.
fn hands_rest(signals: &Signals) -> bool {
    let ahead = signals.hands.x_cm.iter().zip(&signals.hips.x_cm);
    let (low, high) = ahead
        .map(|(hands, hips)| hands - hips)
        .fold((f64::MAX, f64::MIN), |(low, high), at| {
            (low.min(at), high.max(at))
        });
    high - low < MOST_HANDS_MOVE * signals.scale.height_cm
}

/// Whoever waits for the pitch holds the hands on the catcher's side of the hips.
fn pitcher_of_hands(signals: &Signals) -> Option<Direction> {
    let all = (0, signals.len - 1);
    let ahead = mean_over(&signals.hips.x_cm, all) - mean_over(&signals.hands.x_cm, all);
    (ahead.abs() > LEAST_HANDS_BACK * signals.scale.height_cm).then(|| Direction::of(ahead))
}

/// Whether a hitter who is seen from a side shows the back: the person's left is to the image's left.
///
/// Only a pose model's sides are those of the body. People who label joints at times go by the picture's sides, so that
/// a track of theirs, which has no metric landmarks, counts as seen from the open side until told otherwise.
fn shows_back(signals: &Signals, sample: f64) -> bool {
    if signals.world(Landmark::LeftHip).is_none() {
        return false;
    }
    let gap = |left: &Path, right: &Path| left_ahead(signals, sample, left, right);
    let Pair { left, right } = &signals.feet;
    gap(&signals.shoulder.left, &signals.shoulder.right)
        + gap(&signals.knee.left, &signals.knee.right)
        + gap(&left.ankle, &right.ankle)
        < 0.0
}

/// The events as sure as they are in this view: contact is timed by the hands, which the trunk hides from a camera behind
/// the back and which go toward a camera on the line to the pitcher.
pub(super) fn as_sure_as_seen(
    estimates: EventEstimates,
    view: View,
    rate_hz: f64,
) -> EventEstimates {
    let more_secs = match view {
        View::OpenSide => 0.0,
        View::BackSide => CONTACT_SPREAD_BACK_SIDE_SECS,
        View::Rear | View::Front => CONTACT_SPREAD_END_ON_SECS,
    };
    EventEstimates {
        contact: estimates.contact.map(|contact| EventEstimate {
            sigma: contact.sigma.hypot(more_secs * rate_hz),
            ..contact
        }),
        ..estimates
    }
}

/// The stance of a swing by where the feet are before it; as it was found where they are too near to each other.
pub(super) fn stance_before(signals: &Signals, swing: &Swing) -> Stance {
    let Pair { left, right } = &signals.feet;
    let ahead = swing.stance.forward()
        * left_ahead(signals, swing.hand_peak, &left.ankle, &right.ankle)
        / signals.scale.height_cm;
    let front = if ahead > LEAST_STANCE {
        Side::Left
    } else if ahead < -LEAST_STANCE {
        Side::Right
    } else {
        swing.stance.front
    };
    Stance {
        front,
        ..swing.stance
    }
}

/// How far the left one of two parts is to the right of the other one in the picture before `sample`, centimeters.
fn left_ahead(signals: &Signals, sample: f64, left: &Path, right: &Path) -> f64 {
    let at = |secs: f64| signals.index(sample - secs * signals.rate_hz);
    let stretch = (at(STANCE_SECS.0), at(STANCE_SECS.1));
    mean_over(&left.x_cm, stretch) - mean_over(&right.x_cm, stretch)
}

#[cfg(test)]
mod tests {
    use super::super::test_figure::{BATS_LEFT, BATS_RIGHT, BATS_RIGHT_FROM_BEHIND, Figure};
    use super::*;

    const SAMPLE: f64 = 70.0;

    #[test]
    fn a_hitter_who_shows_the_back_is_told_from_one_who_shows_the_chest() {
        for (stance, from, wanted) in [
            (BATS_RIGHT, View::OpenSide, View::OpenSide),
            (BATS_LEFT, View::OpenSide, View::OpenSide),
            (BATS_RIGHT_FROM_BEHIND, View::BackSide, View::BackSide),
        ] {
            for yaw_deg in [-20.0, 0.0, 20.0] {
                let figure = Figure {
                    stance,
                    yaw_deg,
                    view: from,
                    ..Figure::default()
                };
                let (signals, _) = figure.build();
                assert_eq!(view(&signals, SAMPLE, false), wanted, "{figure:?}");
            }
        }
    }

    #[test]
    fn somebody_who_waits_shows_where_the_pitcher_is_and_how_square_the_camera_stands() {
        for stance in [BATS_RIGHT, BATS_LEFT] {
            for yaw_deg in [-18.0, 0.0, 18.0] {
                let figure = Figure {
                    stance,
                    yaw_deg,
                    // Waits for all of the second and more that is looked at.
                    fire_secs: [9.0; 4],
                    contact_secs: 9.5,
                    ..Figure::default()
                };
                let frames = figure.frames_until(0.8);
                let seen = standing_in(&frames).unwrap();
                assert_eq!(seen.view, View::OpenSide, "{figure:?}");
                assert_eq!(seen.pitcher, Some(stance.pitcher), "{figure:?}");
                // The angle is told within 8 degrees (95 %) of rendered hitters' (`docs/accuracy.md`).
                let off = seen.off_square_deg.unwrap() - yaw_deg;
                assert!(off.abs() < 8.0, "{off} of {yaw_deg}, {stance:?}");
                assert_eq!(standing_in(&frames[..50]), None);
            }
        }
        let swings = Figure::default();
        let seen = standing_in(&swings.frames_until(swings.contact_secs)).unwrap();
        assert_eq!((seen.view, seen.off_square_deg), (View::OpenSide, None));
        let from_behind = Figure {
            stance: BATS_RIGHT_FROM_BEHIND,
            view: View::BackSide,
            ..Figure::default()
        };
        let seen = standing_in(&from_behind.frames_until(0.1)).unwrap();
        assert_eq!((seen.view, seen.off_square_deg), (View::BackSide, None));
        assert_eq!(seen.pitcher, Some(BATS_RIGHT_FROM_BEHIND.pitcher));
    }

    #[test]
    fn sides_that_people_labeled_do_not_show_the_back() {
        let figure = Figure {
            stance: BATS_RIGHT_FROM_BEHIND,
            view: View::BackSide,
            metric: false,
            ..Figure::default()
        };
        let (signals, _) = figure.build();
        assert_eq!(view(&signals, SAMPLE, false), View::OpenSide);
    }

    #[test]
    fn contact_is_less_sure_where_the_hands_do_not_show_and_nothing_else_is() {
        let (signals, estimates) = Figure::default().build();
        let ms = |view| {
            let seen = as_sure_as_seen(estimates, view, signals.rate_hz);
            assert_eq!(seen.plant, estimates.plant);
            1000.0 * seen.contact.unwrap().sigma / signals.rate_hz
        };
        assert!(ms(View::OpenSide) < 5.0);
        assert!((40.0..60.0).contains(&ms(View::BackSide)));
        assert!(ms(View::Front) > 100.0 && ms(View::Rear) > 100.0);
    }

    #[test]
    fn the_front_foot_is_the_one_that_was_ahead_before_the_swing() {
        let (signals, _) = Figure::default().build();
        let swing = Swing {
            hand_peak: SAMPLE,
            from_side: true,
            stance: Stance {
                front: Side::Right,
                ..BATS_RIGHT
            },
        };
        assert_eq!(stance_before(&signals, &swing), BATS_RIGHT);
    }
}
