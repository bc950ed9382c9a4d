//! Films with labels put on by hand: thirteen points, a camera that moves, cuts, and films that are slowed down.
//!
//! In: a [`Motion`] and dice. Out: frames as a person would label them who clicks on each joint of each frame. Compared
//! with the pose model's landmarks they tremble from frame to frame, do not wander, and are guessed where a joint is
//! hidden. How films of sports are taken and labelled is common practice, no source.

use cagehand::pose::{Body, ImagePoint, Landmark, PoseFrame};
use cagehand::time::CaptureTime;

use crate::figure::{HIPS, Posture, ease};
use crate::movements::{Movement, motion};
use crate::{Dice, Motion, Points, Spot};

/// Where the camera stands, seen from the hitter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stand {
    /// Within 35 degrees of facing the chest or the back.
    Side,
    /// Anywhere else.
    Other,
}

/// How much of a motion is shown, in the motion's own seconds.
#[derive(Clone, Copy, Debug)]
pub struct Cut {
    pub from: f64,
    pub to: f64,
}

/// How a motion is filmed and labelled.
#[derive(Clone, Debug)]
pub struct Film {
    pub yaw_deg: f64,
    pub fps: f64,
    /// How many times slower than life the film runs.
    pub slow: f64,
    roll_deg: f64,
    distance_m: f64,
    height_m: f64,
    /// Pixels a metre at the hitter.
    px_per_m: f64,
    /// Share of the hips' way that the camera follows.
    follows: f64,
    /// How fast the camera drifts besides, metres a second of the film at the hitter.
    drift: [f64; 2],
    shake_m: f64,
    /// How many times larger the picture is at the end.
    zoom: f64,
    /// The labels' error, metres.
    jitter_m: f64,
    /// Whether the labels of hidden joints are left out instead of guessed.
    leaves_out: bool,
    /// Whether the head's label is on top of it.
    head_top: bool,
    hides: [f64; 2],
}

impl Film {
    /// Draws a film of a body this tall.
    pub fn draw(dice: &mut Dice, height_m: f64) -> Self {
        // A third of all films is taken from afar with a long lens, as on television.
        let from_afar = dice.chance(0.33);
        let distance_m = if from_afar {
            dice.between(15.0, 60.0)
        } else {
            dice.between(3.0, 12.0)
        };
        Self {
            yaw_deg: dice.between(0.0, 360.0),
            fps: dice.one_of(&[25.0, 30.0, 30.0]),
            slow: 1.0,
            roll_deg: 2.0 * dice.bell().clamp(-2.5, 2.5),
            distance_m,
            height_m: if from_afar {
                distance_m * dice.between(0.02, 0.18)
            } else {
                dice.between(0.5, 3.0)
            },
            px_per_m: dice.between(150.0, 450.0) / height_m,
            follows: dice.between(0.0, 0.8),
            drift: [dice.between(-0.2, 0.2), dice.between(-0.06, 0.06)],
            shake_m: dice.between(0.0, 0.012),
            zoom: 1.0 + dice.between(-0.15, 0.15) * f64::from(u8::from(dice.chance(0.5))),
            jitter_m: dice.between(0.01, 0.025) * height_m,
            leaves_out: dice.chance(0.3),
            head_top: dice.chance(0.5),
            hides: [dice.between(0.0, 0.6), dice.between(0.0, 0.08)],
        }
    }

    /// The same from another side.
    pub fn seen_from(self, yaw_deg: f64) -> Self {
        Self { yaw_deg, ..self }
    }

    /// The same, slowed down that many times.
    pub fn slowed_by(self, slow: f64) -> Self {
        Self { slow, ..self }
    }

    /// The same, slowed down as films of hitters are: 70 in 100 are not, 20 twice and 10 four times.
    pub fn slowed(self, dice: &mut Dice) -> Self {
        self.slowed_by(dice.one_of(&[1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 4.0]))
    }

    pub fn stand(&self) -> Stand {
        let off = (self.yaw_deg.rem_euclid(180.0) + 90.0).rem_euclid(180.0) - 90.0;
        if off.abs() <= 35.0 {
            Stand::Side
        } else {
            Stand::Other
        }
    }

    /// Where a spot shows, metres to the right and up at the hitter's distance, and how near it is.
    fn sees(&self, spot: Spot) -> [f64; 3] {
        let (sin, cos) = self.yaw_deg.to_radians().sin_cos();
        let across = spot[0] * cos - spot[2] * sin;
        let (near, up) = (spot[0] * sin + spot[2] * cos, spot[1] - 0.9);
        // The camera looks at the middle of the body, from above or below.
        let above = self.height_m - 0.9;
        let away = self.distance_m.hypot(above);
        let (s, c) = (above / away, self.distance_m / away);
        let nearness = near * c + up * s;
        let larger = away / (away - nearness).max(0.5);
        let (u, v) = (across * larger, (up * c - near * s) * larger);
        let (s, c) = self.roll_deg.to_radians().sin_cos();
        [u * c + v * s, v * c - u * s, nearness]
    }

    /// The labelled frames of a cut.
    pub fn label(&self, motion: &Motion, cut: Cut, dice: &mut Dice) -> Vec<PoseFrame> {
        let step = 1.0 / (self.fps * self.slow);
        let count = ((cut.to - cut.from) / step).floor() as u64 + 1;
        let first = (motion.at)(cut.from);
        let hips = first.middle(Landmark::LeftHip, Landmark::RightHip);
        let start = self.sees(hips);
        let centre = [dice.between(200.0, 440.0), dice.between(200.0, 300.0)];
        let joints: Vec<Landmark> = Landmark::ALL
            .into_iter()
            .filter(|l| Points::Thirteen.carries(*l))
            .collect();
        let hidden: Vec<Hidden> = joints
            .iter()
            .map(|_| Hidden::draw(dice, self, count))
            .collect();
        let mut shake = [0.0; 2];
        (0..count)
            .map(|index| {
                let pose = (motion.at)(cut.from + index as f64 * step);
                let secs = index as f64 / self.fps;
                shake = shake.map(|s| 0.85 * s + 0.53 * self.shake_m * dice.bell());
                let hips = self.sees(pose.middle(Landmark::LeftHip, Landmark::RightHip));
                let camera = [0, 1].map(|k| {
                    start[k] + self.follows * (hips[k] - start[k]) + self.drift[k] * secs + shake[k]
                });
                let zoom = 1.0 + (self.zoom - 1.0) * index as f64 / count as f64;
                let mut body = Body::empty();
                for (&joint, hidden) in joints.iter().zip(&hidden) {
                    let mut spot = pose.at(joint);
                    if joint == Landmark::Nose && self.head_top {
                        spot[1] += 0.055 * motion.height_m;
                    }
                    let seen = self.sees(spot);
                    // The side of the body that is turned away is hidden more often.
                    let hides = hidden.at(index, seen[2] < hips[2] - 0.03);
                    let off = if hides { 2.0 } else { 1.0 } * self.jitter_m;
                    let place = [0, 1].map(|k| {
                        let guess = if hides { hidden.off[k] } else { 0.0 };
                        seen[k] - camera[k]
                            + off * std::f64::consts::FRAC_1_SQRT_2 * dice.bell()
                            + guess
                    });
                    let scale = zoom * self.px_per_m;
                    let mut point = ImagePoint {
                        x_px: (centre[0] + scale * place[0]) as f32,
                        y_px: (centre[1] - scale * place[1]) as f32,
                        visibility: f32::from(u8::from(!hides)),
                    };
                    if hides && self.leaves_out {
                        (point.x_px, point.y_px) = (0.0, 0.0);
                    }
                    body.image[joint.index()] = Some(point);
                }
                PoseFrame::new(index, CaptureTime::from_secs(secs), Some(body))
            })
            .collect()
    }
}

/// When one joint is hidden, and how far off its label is guessed.
struct Hidden {
    from: u64,
    to: u64,
    always: bool,
    off: [f64; 2],
}

impl Hidden {
    fn draw(dice: &mut Dice, film: &Film, frames: u64) -> Self {
        let (turned_away, any) = (dice.chance(film.hides[0]), dice.chance(film.hides[1]));
        let span = dice.between(0.15, 0.6);
        let from = dice.between(-0.2, 1.0);
        let at = |share: f64| (share * frames as f64).max(0.0) as u64;
        Self {
            from: at(from),
            to: if turned_away || any {
                at(from + span)
            } else {
                0
            },
            always: any,
            off: [0, 1].map(|_| film.jitter_m * dice.bell()),
        }
    }

    fn at(&self, frame: u64, turned_away: bool) -> bool {
        (self.from..self.to).contains(&frame) && (turned_away || self.always)
    }
}

/// More of what is filmed in gyms; see [`super::movements::MOVEMENTS`].
pub const EXERCISES: &[Movement] = &[
    ("bench press", bench_press),
    ("rope skipping", rope),
    ("sit-ups", sit_ups),
    ("pull-ups", pull_ups),
];

/// Somebody on a bench who presses a bar up.
fn bench_press(dice: &mut Dice) -> Motion {
    let (period, apart) = (dice.between(1.0, 4.0), dice.between(0.2, 0.38));
    let wide = dice.between(0.15, 0.3);
    motion(dice, 10.0, move |t| {
        let s = 0.5 - 0.5 * (std::f64::consts::TAU * t / period).cos();
        let mut p = Posture::standing(0.0, 0.0, 0.0, wide);
        p.pelvis = [0.0, 0.28, 0.0];
        p.lean_deg = -85.0;
        p.feet = [0.5, -0.5].map(|l| p.beside(l * wide, 0.04, 0.27));
        p.hands = [0.5, -0.5].map(|l| p.beside(l * apart, 0.33 + 0.3 * s, -0.27));
        p
    })
}

/// Somebody who skips over a rope.
fn rope(dice: &mut Dice) -> Motion {
    let rate = dice.between(1.5, 3.0);
    let (up, size) = (dice.between(0.02, 0.06), dice.between(0.02, 0.06));
    motion(dice, 10.0, move |t| {
        let (sin, cos) = (std::f64::consts::TAU * rate * t).sin_cos();
        let mut p = Posture::standing(0.0, 0.0, 0.0, 0.08);
        let hop = up * sin.max(0.0);
        p.pelvis[1] = HIPS + hop - 0.02;
        p.feet.iter_mut().for_each(|f| f[1] += hop);
        p.hands =
            [1.0, -1.0].map(|side| p.reach(side * (0.2 + size * cos), -0.22 + size * sin, 0.12));
        p
    })
}

/// Somebody on the back who sits up.
fn sit_ups(dice: &mut Dice) -> Motion {
    let (period, far) = (dice.between(1.0, 3.5), dice.between(50.0, 110.0));
    let behind = dice.chance(0.5);
    motion(dice, 10.0, move |t| {
        let up = 0.5 - 0.5 * (std::f64::consts::TAU * t / period).cos();
        let mut p = Posture::standing(0.0, 0.0, 0.0, 0.12);
        p.pelvis = [0.0, 0.07, 0.0];
        p.lean_deg = -85.0 + far * up;
        p.feet = [0.06, -0.06].map(|l| p.beside(l, 0.04, 0.28));
        p.hands = [0.06, -0.06].map(|l| {
            if behind {
                p.reach(l, 0.12, -0.03)
            } else {
                p.reach(-l, -0.08, 0.1)
            }
        });
        p
    })
}

/// Somebody who hangs from a bar and pulls up.
fn pull_ups(dice: &mut Dice) -> Motion {
    let (period, apart) = (dice.between(1.0, 4.0), dice.between(0.15, 0.35));
    let sway = dice.between(0.0, 0.1);
    motion(dice, 10.0, move |t| {
        let up = ease(&[(0.0, 0.0), (0.5, 1.0), (1.0, 0.0)], (t / period).fract());
        let mut p = Posture::standing(0.0, sway * up, 0.0, 0.06);
        p.pelvis[1] = HIPS + 0.15 + 0.25 * up;
        p.feet = [0.03, -0.03].map(|l| p.beside(l, p.pelvis[1] - HIPS + 0.06, -sway));
        p.hands = [0.5, -0.5].map(|l| [l * apart, HIPS + 0.29 + 0.15 + 0.31, 0.0]);
        p
    })
}
