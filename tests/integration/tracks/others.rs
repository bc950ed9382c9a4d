//! What people do that is no swing of a bat gives no rep, whatever their size, tempo and the camera's place.

use cagehand::rep::RepKind;

use cagehand_stage::movements::MOVEMENTS;
use cagehand_stage::{Camera, Dice, Points, Take, reps_of};

const SEEDS: u64 = 60;

/// Reps of one movement over many people and cameras: how many were looked at, and what each false one was.
fn false_reps(number: usize) -> Vec<String> {
    let (name, draw) = MOVEMENTS[number];
    let mut found = Vec::new();
    for seed in 0..SEEDS {
        let mut dice = Dice::new(10_000 * number as u64 + seed + 77);
        let motion = draw(&mut dice);
        let camera = Camera {
            yaw_deg: dice.between(0.0, 360.0),
            roll_deg: dice.between(-3.0, 3.0),
            distance_m: dice.between(3.5, 7.0),
            height_m: dice.between(0.7, 1.8),
        };
        let take = Take {
            fps: dice.one_of(&[24.0, 25.0, 30.0, 50.0, 60.0]),
            points: dice.one_of(&[Points::Thirteen, Points::Seventeen, Points::WithFeet]),
            ..Take::new(camera, seed)
        };
        let height_cm = dice.chance(0.5).then_some(100.0 * motion.height_m);
        for rep in reps_of(&take.film(&motion), height_cm) {
            // Somebody who is about to throw strides like a hitter; where the hands hide each other that is a take.
            let stride_of_a_throw = rep.kind == RepKind::Take
                && ["throwing", "one-handed stroke"].contains(&name)
                && rep.events.lift_off.is_some();
            if !stride_of_a_throw {
                found.push(format!("{name} {seed}: {:?} {:?}", rep.kind, take));
            }
        }
    }
    found
}

#[test]
fn other_movements_are_no_reps() {
    let found: Vec<String> = (0..MOVEMENTS.len()).flat_map(false_reps).collect();
    assert!(found.is_empty(), "{found:#?}");
}

/// The movements above are lively enough to be tempting: without this the test before could pass on statues.
#[test]
fn other_movements_have_hands_as_fast_as_a_swing() {
    use cagehand::pose::Landmark::{LeftWrist, RightWrist};
    for name in [
        "jumping jacks",
        "bowling",
        "clean and jerk",
        "kettlebell swings",
        "throwing",
        "one-handed stroke",
    ] {
        let (_, draw) = MOVEMENTS.iter().find(|m| m.0 == name).unwrap();
        let mut fast = 0;
        for seed in 0..SEEDS {
            let motion = draw(&mut Dice::new(seed));
            let speed = |t: f64| {
                [LeftWrist, RightWrist]
                    .map(|l| {
                        let (a, b) = ((motion.at)(t - 0.01).at(l), (motion.at)(t + 0.01).at(l));
                        let way: f64 = a.iter().zip(b).map(|(p, q)| (p - q) * (p - q)).sum();
                        way.sqrt() / 0.02 / motion.height_m
                    })
                    .into_iter()
                    .fold(0.0, f64::max)
            };
            let top = (0..=(motion.secs * 50.0) as usize)
                .map(|i| speed(i as f64 / 50.0))
                .fold(0.0, f64::max);
            fast += u64::from(top > 1.7);
        }
        assert!(
            fast * 2 > SEEDS,
            "{name}: only {fast} of {SEEDS} have fast hands"
        );
    }
}
