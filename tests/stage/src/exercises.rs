//! Exercises with and without weights, drawn from dice like the other movements.

use crate::figure::{ANKLE, HIPS, Posture, axes, ease, scaled, sum};
use crate::movements::motion;
use crate::{Dice, Motion, Spot};

/// 0 to 1 and back once a period, resting at 0 for the share `rest` of it.
fn cycle(t: f64, period: f64, rest: f64) -> f64 {
    let phase = (t / period).fract();
    let s = ((phase - rest) / (1.0 - rest)).max(0.0);
    0.5 - 0.5 * (std::f64::consts::TAU * s).cos()
}

pub fn squats(dice: &mut Dice) -> Motion {
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

pub fn push_ups(dice: &mut Dice) -> Motion {
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

pub fn jumping_jacks(dice: &mut Dice) -> Motion {
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

/// A bar in two hands, `apart` from each other.
fn bar(p: &Posture, apart: f64, height: f64, front: f64) -> [Spot; 2] {
    [0.5, -0.5].map(|side| p.beside(side * apart, height, front))
}

pub fn deadlift(dice: &mut Dice) -> Motion {
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

pub fn clean_and_jerk(dice: &mut Dice) -> Motion {
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

pub fn overhead_press(dice: &mut Dice) -> Motion {
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

pub fn kettlebell(dice: &mut Dice) -> Motion {
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
