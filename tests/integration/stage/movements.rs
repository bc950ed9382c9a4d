//! What people do in front of a camera that is no swing of a bat.
//!
//! Each movement is drawn from dice: size, tempo, amplitude, style. The ways people move here are common practice, no
//! source; they are rough on purpose, for nothing depends on their being graceful.

use super::figure::{ANKLE, HIPS, Posture, axes, ease, scaled, sum};
use super::{Dice, Motion};

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

fn motion(dice: &mut Dice, secs: f64, posture: impl Fn(f64) -> Posture + 'static) -> Motion {
    let height_m = dice.between(1.4, 1.95);
    Motion {
        secs,
        height_m,
        at: Box::new(move |t| posture(t).pose(height_m)),
    }
}

/// 0 to 1 and back once a period, resting at 0 for the share `rest` of it.
fn cycle(t: f64, period: f64, rest: f64) -> f64 {
    let phase = (t / period).fract();
    let s = ((phase - rest) / (1.0 - rest)).max(0.0);
    0.5 - 0.5 * (std::f64::consts::TAU * s).cos()
}

fn squats(dice: &mut Dice) -> Motion {
    let (period, depth) = (dice.between(0.9, 3.5), dice.between(0.1, 0.28));
    let (lean, stance) = (dice.between(15.0, 45.0), dice.between(0.15, 0.35));
    let (rest, style) = (dice.between(0.0, 0.3), dice.one_of(&[0, 1, 2, 3, 4]));
    let jump = if dice.chance(0.2) {
        dice.between(0.03, 0.12)
    } else {
        0.0
    };
    motion(dice, 10.0, move |t| {
        let down = cycle(t, period, rest);
        let up = (1.0 - 6.0 * down).max(0.0)
            * if (t / period).fract() > 0.5 {
                jump
            } else {
                0.0
            };
        let mut p = Posture::standing(0.0, 0.0, 0.0, stance);
        p.pelvis = [0.0, HIPS - depth * down + up, -0.4 * depth * down];
        p.feet.iter_mut().for_each(|f| f[1] += up);
        p.lean_deg = lean * down;
        p.hands = match style {
            // Arms forward on the way down.
            0 => [0.08, -0.08].map(|l| p.reach(l, -0.3 + 0.25 * down, 0.05 + 0.25 * down)),
            // A bar on the back.
            1 => [0.17, -0.17].map(|l| p.reach(l, 0.02, -0.02)),
            // A weight held to the chest.
            2 => [0.03, -0.03].map(|l| p.reach(l, -0.05, 0.12)),
            // Hands behind the head.
            3 => [0.06, -0.06].map(|l| p.reach(l, 0.12, -0.03)),
            // Arms thrown back and up.
            _ => [0.14, -0.14]
                .map(|l| p.reach(l, -0.3 + 0.6 * (1.0 - down) * jump / 0.12, -0.15 * down)),
        };
        p
    })
}

fn push_ups(dice: &mut Dice) -> Motion {
    let (period, depth) = (dice.between(0.7, 2.5), dice.between(0.1, 0.22));
    let (rest, facing) = (dice.between(0.0, 0.3), 90.0 * dice.one_of(&[-1.0, 1.0]));
    let apart = dice.between(0.1, 0.2);
    motion(dice, 10.0, move |t| {
        let down = depth * cycle(t, period, rest);
        let mut p = Posture::standing(0.0, 0.0, facing, 0.1);
        let [_, _, front] = axes(facing);
        p.pelvis = [0.0, 0.2 - 0.5 * down, 0.0];
        p.lean_deg = ((0.33 - down - p.pelvis[1]) / 0.29).acos().to_degrees();
        p.feet = [0.05, -0.05].map(|l| p.beside(l, 0.07, -0.47));
        let shoulders = scaled(front, 0.29);
        p.hands = [apart, -apart].map(|l| {
            let side = scaled(axes(facing)[0], l);
            let spot = sum(shoulders, side);
            [spot[0], 0.03, spot[2]]
        });
        p
    })
}

fn jumping_jacks(dice: &mut Dice) -> Motion {
    let (period, wide) = (dice.between(0.6, 1.4), dice.between(0.1, 0.22));
    let (top, front) = (dice.between(120.0, 178.0), dice.between(0.0, 0.12));
    let (facing, rest) = (
        dice.one_of(&[0.0, 0.0, 90.0, 180.0, 30.0]),
        dice.between(0.0, 0.2),
    );
    motion(dice, 10.0, move |t| {
        let out = cycle(t, period, rest);
        let hop = 0.03 * cycle(2.0 * t, period, rest);
        let mut p = Posture::standing(0.0, 0.0, facing, 0.08 + 2.0 * wide * out);
        p.pelvis[1] = HIPS - 0.03 * out + hop;
        p.feet.iter_mut().for_each(|f| f[1] += hop);
        let angle = (10.0 + (top - 10.0) * out).to_radians();
        p.hands = [1.0, -1.0].map(|side| {
            p.reach(
                side * (0.11 + 0.32 * angle.sin()),
                -0.32 * angle.cos(),
                front,
            )
        });
        p
    })
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

/// A bar in two hands, `apart` from each other.
fn bar(p: &Posture, apart: f64, height: f64, front: f64) -> [super::Spot; 2] {
    [0.5, -0.5].map(|side| p.beside(side * apart, height, front))
}

fn deadlift(dice: &mut Dice) -> Motion {
    let (period, apart) = (dice.between(1.2, 4.0), dice.between(0.22, 0.36));
    let (stance, lean) = (dice.between(0.12, 0.4), dice.between(50.0, 80.0));
    let low = dice.between(0.1, 0.2);
    motion(dice, 10.0, move |t| {
        let down = cycle(t, period, 0.1);
        let mut p = Posture::standing(0.0, 0.0, 0.0, stance);
        p.pelvis = [0.0, HIPS - low * down, -0.12 * down];
        p.lean_deg = lean * down;
        p.hands = bar(&p, apart, 0.47 - 0.33 * down, 0.06 + 0.12 * down);
        p
    })
}

fn clean_and_jerk(dice: &mut Dice) -> Motion {
    let (apart, stance) = (dice.between(0.25, 0.42), dice.between(0.12, 0.25));
    let (pull, wait) = (dice.between(0.6, 1.1), dice.between(0.8, 2.0));
    let (jerk, split) = (dice.between(0.25, 0.45), dice.between(0.0, 0.25));
    let drop = dice.between(0.3, 0.7);
    let start = dice.between(0.5, 1.5);
    let (racked, up) = (start + pull, start + pull + wait);
    let (locked, down) = (up + jerk, up + jerk + dice.between(1.0, 2.0));
    motion(dice, down + drop + 2.0, move |t| {
        let mut p = Posture::standing(0.0, 0.0, 0.0, stance);
        let bend = ease(
            &[
                (start, 1.0),
                (racked, 0.0),
                (down + 0.3 * drop, 0.0),
                (down + drop, 1.0),
            ],
            t,
        );
        let dip = ease(
            &[
                (racked - 0.1, 0.0),
                (racked + 0.05, 0.7),
                (racked + 0.7, 0.0),
                (up - 0.25, 0.0),
                (up - 0.1, 0.35),
                (up, 0.0),
                (locked, 0.4),
                (locked + 0.8, 0.0),
            ],
            t,
        );
        let parted = split
            * ease(
                &[
                    (up, 0.0),
                    (locked, 1.0),
                    (locked + 0.4, 1.0),
                    (locked + 0.9, 0.0),
                ],
                t,
            );
        p.pelvis = [0.0, HIPS - 0.2 * bend - 0.2 * dip, -0.12 * bend];
        p.lean_deg = 55.0 * bend;
        p.feet = [
            p.beside(0.5 * stance, ANKLE, parted + 0.12 * bend),
            p.beside(-0.5 * stance, ANKLE, -parted + 0.12 * bend),
        ];
        let height = ease(
            &[
                (start, 0.15),
                (racked, 0.8),
                (up, 0.82),
                (locked, 1.14),
                (down, 1.14),
                (down + drop, 0.15),
            ],
            t,
        ) - 0.12 * dip;
        let front = ease(
            &[
                (start, 0.16),
                (racked - 0.3 * pull, 0.1),
                (racked, 0.07),
                (up, 0.07),
                (locked, 0.01),
                (down, 0.01),
                (down + drop, 0.22),
            ],
            t,
        );
        p.hands = bar(&p, apart, height, front);
        p
    })
}

fn overhead_press(dice: &mut Dice) -> Motion {
    let (period, apart) = (dice.between(0.9, 3.0), dice.between(0.2, 0.4));
    let stance = dice.between(0.1, 0.3);
    let seated = dice.chance(0.2);
    motion(dice, 10.0, move |t| {
        let up = cycle(t, period, 0.1);
        let mut p = Posture::standing(0.0, 0.0, 0.0, stance);
        if seated {
            p.pelvis[1] = 0.3;
            p.feet = [0.1, -0.1].map(|l| p.beside(l, ANKLE, 0.24));
        }
        p.hands = [0.5, -0.5].map(|s| p.reach(s * apart, 0.02 + 0.29 * up, 0.07 * (1.0 - up)));
        p
    })
}

fn kettlebell(dice: &mut Dice) -> Motion {
    let (period, stance) = (dice.between(0.9, 1.5), dice.between(0.2, 0.35));
    let (top, lean) = (dice.between(70.0, 110.0), dice.between(45.0, 65.0));
    motion(dice, 10.0, move |t| {
        let down = cycle(t, period, 0.0);
        let mut p = Posture::standing(0.0, 0.0, 0.0, stance);
        p.pelvis = [0.0, HIPS - 0.06 * down, -0.12 * down];
        p.lean_deg = lean * down;
        let arm = (top - (top + 35.0) * down).to_radians();
        let at = p.shoulders();
        p.hands = [0.02, -0.02].map(|x| [x, at[1] - 0.31 * arm.cos(), at[2] + 0.31 * arm.sin()]);
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
