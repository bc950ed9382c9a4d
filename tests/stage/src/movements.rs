//! What people do in front of a camera that is no swing of a bat.
//!
//! Each movement is drawn from dice: size, tempo, amplitude, style. The ways people move here are common practice, no
//! source; they are rough on purpose, for nothing depends on their being graceful.

use crate::exercises::{
    clean_and_jerk, deadlift, jumping_jacks, kettlebell, overhead_press, push_ups, squats,
};
use crate::figure::{ANKLE, HIPS, Posture, axes, ease, scaled, sum};
use crate::{Dice, Motion};

/// A movement's name and how it is drawn.
pub type Movement = (&'static str, fn(&mut Dice) -> Motion);

/// Everything that must give no rep.
pub const MOVEMENTS: &[Movement] = &[
    ("squats", squats),
    ("push-ups", push_ups),
    ("jumping jacks", jumping_jacks),
    ("bowling", bowling),
    ("deadlift", deadlift),
    ("clean and jerk", clean_and_jerk),
    ("overhead press", overhead_press),
    ("kettlebell swings", kettlebell),
    ("walking", walking),
    ("running", running),
    ("throwing", throwing),
    ("one-handed stroke", stroke),
    ("placing a ball on the tee", placing),
    ("waggles", waggles),
    ("waving", waving),
];

pub fn motion(dice: &mut Dice, secs: f64, posture: impl Fn(f64) -> Posture + 'static) -> Motion {
    let height_m = dice.between(1.4, 1.95);
    Motion {
        secs,
        height_m,
        at: Box::new(move |t| posture(t).pose(height_m)),
    }
}

fn bowling(dice: &mut Dice) -> Motion {
    let steps = dice.one_of(&[3.0, 4.0, 5.0]);
    let (speed, slide) = (dice.between(0.5, 1.1), dice.between(0.3, 0.6));
    let (start, step) = (dice.between(0.3, 1.5), dice.between(0.4, 0.6));
    let (back, up) = (dice.between(50.0, 110.0), dice.between(100.0, 170.0));
    let (low, lean) = (dice.between(0.08, 0.18), dice.between(20.0, 50.0));
    let right = dice.one_of(&[1.0, -1.0]);
    let facing = dice.one_of(&[90.0, -90.0, 90.0, 180.0]);
    let release = start + steps * step;
    motion(dice, release + 3.0, move |t| {
        let walked = speed * (t.clamp(start, release) - start) * 0.8
            + 0.5 * slide * ease(&[(release - step, 0.0), (release + 0.1, 1.0)], t);
        let bend = ease(
            &[
                (release - 1.5 * step, 0.0),
                (release - 0.05, 1.0),
                (release + 0.8, 1.0),
                (release + 1.6, 0.2),
            ],
            t,
        );
        let [_, _, front] = axes(facing);
        let at = scaled(front, walked);
        let mut p = Posture::standing(at[0], at[2], facing, 0.1);
        p.pelvis[1] = HIPS - low * bend;
        p.lean_deg = 5.0 + lean * bend;
        // Steps before the slide, then the foot of the other hand's side slides to the front.
        let walking = if t > start && t < release - step {
            1.0
        } else {
            0.0
        };
        let phase = std::f64::consts::PI * (t - start) / step;
        for (k, side) in [(0, 1.0), (1, -1.0)] {
            let stride = walking
                * 0.2
                * speed
                * (phase + if k == 0 { 0.0 } else { std::f64::consts::PI }).sin();
            let lift = walking * 0.05 * (phase + if k == 0 { 0.5 } else { 3.6 }).sin().max(0.0);
            let slid = if side == right { 0.22 } else { -0.28 } * bend;
            p.feet[k] = p.beside(0.05 * side, ANKLE + lift, stride + slid);
        }
        let arm = ease(
            &[
                (start, 70.0),
                (start + step, 60.0),
                (release - 0.9 * step, -back),
                (release, 10.0),
                (release + 0.25, up),
                (release + 1.2, up * 0.5),
                (release + 2.0, 0.0),
            ],
            t,
        )
        .to_radians();
        // The arm swings in the upright, whatever the trunk does.
        let at = p.shoulders();
        let swing = |side: f64, angle: f64, length: f64| {
            let [l, u, f] = axes(facing);
            sum(
                at,
                sum(
                    scaled(l, 0.12 * side),
                    sum(
                        scaled(u, -length * angle.cos()),
                        scaled(f, length * angle.sin()),
                    ),
                ),
            )
        };
        let free = ease(
            &[
                (start + 0.5 * step, 0.0),
                (release - step, 1.0),
                (release + 1.5, 1.0),
                (release + 2.2, 0.0),
            ],
            t,
        );
        let ball = swing(-right, arm, 0.2 + 0.12 * free);
        let other = p.reach(right * (0.05 + 0.3 * free), -0.18, 0.15 * (1.0 - free));
        p.hands = if right > 0.0 {
            [other, ball]
        } else {
            [ball, other]
        };
        p
    })
}

/// Somebody on the move from left to right or back, arms and legs in step.
fn gait(dice: &mut Dice, speed: f64, steps_per_sec: f64, bent: bool) -> Motion {
    let facing: f64 = 90.0 * dice.one_of(&[1.0, -1.0]);
    let (arms, secs) = (dice.between(0.6, 1.2), 4.0 / speed.max(0.5));
    let swing = if bent { 0.2 } else { 0.14 } * arms;
    let [_, _, front] = axes(facing);
    motion(dice, secs, move |t| {
        let at = scaled(front, speed * (t - 0.5 * secs));
        let mut p = Posture::standing(at[0], at[2], facing, 0.1);
        let phase = std::f64::consts::PI * steps_per_sec * t;
        let reach = 0.5 * speed / steps_per_sec;
        for (k, side) in [(0, 0.0), (1, std::f64::consts::PI)] {
            let wave = (phase + side).sin();
            let lift = (phase + side).cos().max(0.0) * if bent { 0.15 } else { 0.06 };
            p.feet[k] = p.beside(
                if k == 0 { 0.04 } else { -0.04 },
                ANKLE + lift,
                reach * wave,
            );
            let (sign, raise) = if k == 0 {
                (1.0, if bent { 0.15 } else { 0.0 })
            } else {
                (-1.0, if bent { 0.15 } else { 0.0 })
            };
            p.hands[k] = p.reach(
                0.12 * sign,
                -0.31 + raise,
                0.05 + raise * 0.5 - swing * wave,
            );
        }
        p.lean_deg = if bent { 10.0 } else { 3.0 };
        p.twist_deg = -8.0 * phase.sin();
        p
    })
}

fn walking(dice: &mut Dice) -> Motion {
    let speed = dice.between(0.5, 1.0);
    let rate = dice.between(1.6, 2.2);
    gait(dice, speed, rate, false)
}

fn running(dice: &mut Dice) -> Motion {
    let speed = dice.between(1.3, 3.0);
    let rate = dice.between(2.4, 3.2);
    gait(dice, speed, rate, true)
}

/// The side-on start of a throw or a stroke: a step toward +x, then the arm on the `right` side comes through.
fn throwing(dice: &mut Dice) -> Motion {
    let (start, stride) = (dice.between(0.8, 2.0), dice.between(0.15, 0.4));
    let (load, quick) = (dice.between(0.5, 0.9), dice.between(0.12, 0.2));
    let plant = start + load;
    let low = dice.between(-0.3, 0.1);
    motion(dice, plant + 2.5, move |t| {
        let step = ease(&[(start, 0.0), (plant, 1.0)], t);
        let turn = ease(&[(plant - 0.1, 0.0), (plant + quick, 1.0)], t);
        let mut p = Posture::standing(0.5 * stride * step, 0.0, 0.0, 0.2);
        p.feet = [
            [
                0.1 + stride * step,
                ANKLE + 0.1 * 4.0 * step * (1.0 - step),
                0.0,
            ],
            [-0.1, ANKLE, 0.0],
        ];
        p.pelvis = [0.4 * stride * step, HIPS - 0.05 * step, 0.0];
        p.facing_deg = 80.0 * turn;
        p.twist_deg = 10.0 * turn;
        p.lean_deg = 25.0 * turn;
        let parted = ease(&[(start, 0.0), (plant - 0.1, 1.0)], t);
        let through = ease(
            &[
                (plant, 0.0),
                (plant + quick, 1.0),
                (plant + 2.0 * quick, 2.0),
            ],
            t,
        );
        let glove = p.reach(0.05 + 0.25 * parted * (1.0 - turn), -0.1, 0.15);
        let arm = if through < 1.0 {
            p.reach(
                -0.02 - 0.25 * parted - 0.08 * through,
                -0.1 + (0.25 + low) * parted,
                0.15 - 0.2 * parted + 0.45 * through,
            )
        } else {
            p.reach(
                -0.35 + 0.4 * (through - 1.0),
                0.05 + low - 0.3 * (through - 1.0),
                0.4 - 0.2 * (through - 1.0),
            )
        };
        p.hands = [glove, arm];
        p
    })
}

fn stroke(dice: &mut Dice) -> Motion {
    let (start, take_back) = (dice.between(0.8, 2.0), dice.between(0.5, 0.9));
    let (quick, finish) = (dice.between(0.15, 0.3), dice.between(0.0, 0.25));
    let hit = start + take_back;
    let stride = dice.between(0.1, 0.35);
    let stance = dice.between(0.2, 0.35);
    motion(dice, hit + 2.5, move |t| {
        let back = ease(
            &[
                (start, 0.0),
                (hit, 1.0),
                (hit + quick, 1.0),
                (hit + 1.2, 0.0),
            ],
            t,
        );
        let turn = ease(&[(start, 60.0), (hit - 0.1, 0.0), (hit + quick, 80.0)], t);
        let step = ease(&[(start + 0.2, 0.0), (hit, 1.0)], t);
        let mut p = Posture::standing(0.4 * stride * step, 0.0, turn, 0.25);
        p.feet = [
            [0.5 * stance + stride * step, ANKLE, 0.0],
            [-0.5 * stance, ANKLE, 0.0],
        ];
        p.pelvis[1] = HIPS - 0.06 * back;
        p.lean_deg = 15.0;
        let through = ease(
            &[
                (hit - 0.05, 0.0),
                (hit + quick, 1.0),
                (hit + quick + 0.3, 1.6),
                (hit + 1.5, 0.3),
            ],
            t,
        );
        let racket = p.reach(
            -0.15 - 0.2 * back + 0.25 * through,
            -0.15 + finish * through,
            0.1 - 0.12 * back + 0.2 * through,
        );
        let other = p.reach(0.15 + 0.1 * back, -0.1, 0.22);
        p.hands = [other, racket];
        p
    })
}

fn placing(dice: &mut Dice) -> Motion {
    let (start, down) = (dice.between(0.8, 2.0), dice.between(0.5, 1.0));
    let (hold, lean) = (dice.between(0.4, 1.2), dice.between(30.0, 60.0));
    let (tee, deep) = (dice.between(0.25, 0.45), dice.between(0.02, 0.15));
    let facing = dice.between(-60.0, 120.0);
    let step = dice.between(0.0, 0.3);
    let placed = start + down;
    motion(dice, placed + hold + down + 2.0, move |t| {
        let bend = ease(
            &[
                (start, 0.0),
                (placed, 1.0),
                (placed + hold, 1.0),
                (placed + hold + down, 0.0),
            ],
            t,
        );
        let mut p = Posture::standing(0.0, 0.5 * step * bend, facing, 0.2);
        p.feet[1] = p.beside(-0.1, ANKLE, 0.6 * step * bend);
        p.pelvis[1] = HIPS - deep * bend;
        p.lean_deg = lean * bend;
        let hung = p.reach(0.14, -0.3, 0.05);
        let ball = p.beside(-0.05, tee, 0.3);
        let rest = p.reach(-0.1, -0.2, 0.15);
        let mix = |a: f64, b: f64| a + (b - a) * bend;
        p.hands = [
            hung,
            [
                mix(rest[0], ball[0]),
                mix(rest[1], ball[1]),
                mix(rest[2], ball[2]),
            ],
        ];
        p
    })
}

/// A hitter in the stance who moves the bat about and comes forward with it slowly, but does not swing.
fn waggles(dice: &mut Dice) -> Motion {
    let (rate, size) = (dice.between(0.8, 2.2), dice.between(0.02, 0.06));
    let (reach, slow) = (dice.between(0.1, 0.3), dice.between(0.45, 0.9));
    let (stance, period) = (dice.between(0.3, 0.45), dice.between(2.0, 3.5));
    let left = dice.chance(0.5);
    motion(dice, 10.0, move |t| {
        let side = if left { -1.0 } else { 1.0 };
        let mut p = Posture::standing(0.0, 0.0, 0.0, stance);
        p.pelvis[1] = HIPS - 0.05;
        p.lean_deg = 20.0;
        p.twist_deg = -10.0 * side;
        let forward = reach
            * ease(
                &[
                    (0.0, 0.0),
                    (1.0, 0.0),
                    (1.0 + slow, 1.0),
                    (1.0 + 2.0 * slow, 0.0),
                ],
                t % (period + 1.0),
            );
        let (sin, cos) = (std::f64::consts::TAU * rate * t).sin_cos();
        p.hands = [0.02, -0.02].map(|gap| {
            p.reach(
                side * (-0.14 + forward + size * sin) + gap,
                -0.06 + size * cos,
                0.12 + 0.4 * forward,
            )
        });
        p
    })
}

fn waving(dice: &mut Dice) -> Motion {
    let (rate, size) = (dice.between(1.0, 3.0), dice.between(15.0, 45.0));
    let (both, facing) = (dice.chance(0.4), dice.between(-60.0, 60.0));
    let (height, stance) = (dice.between(0.1, 0.25), dice.between(0.08, 0.25));
    let start = dice.between(0.5, 1.5);
    motion(dice, 8.0, move |t| {
        let raised = ease(
            &[(start, 0.0), (start + 0.6, 1.0), (6.0, 1.0), (6.6, 0.0)],
            t,
        );
        let swing = (size * (std::f64::consts::TAU * rate * t).sin()).to_radians();
        let mut p = Posture::standing(0.0, 0.0, facing, stance);
        let hand = |sign: f64| {
            let (l, u) = (0.15 + 0.15 * swing.sin(), height + 0.1 * swing.cos());
            p.reach(sign * l, -0.32 + (0.32 + u) * raised, 0.08)
        };
        let left = if both { hand(1.0) } else { p.hands[0] };
        p.hands = [left, hand(-1.0)];
        p
    })
}
