//! Made motion: the captured swing and what people do besides, filmed and labelled, or seen through the pose model.

use cagehand_stage::capture::Capture;
use cagehand_stage::film::{Cut, EXERCISES, Film, Stand};
use cagehand_stage::filmed_swing::{film_of_a_swing, swing};
use cagehand_stage::movements::MOVEMENTS;
use cagehand_stage::{Camera, Dice, Motion, Points, Take};

use crate::{Failure, Source};

/// Films of each other movement, and of swings from each side, and the same seen by the pose model.
const FILMS: u64 = 60;
const FILMED_SWINGS: u64 = 150;
const SEEN_SWINGS: u64 = 150;
const SEEN: u64 = 40;
/// The tests draw from other seeds.
const SEED: u64 = 40_000_000;
/// The captured swing is one motion, whatever its tempo, size and view: a fold takes all of it or nothing.
const CAPTURED: &str = "captured";

fn take(dice: &mut Dice, seed: u64) -> Take {
    Take {
        fps: dice.one_of(&[25.0, 30.0, 30.0, 50.0, 60.0, 60.0, 120.0, 240.0]),
        points: dice.one_of(&[Points::Thirteen, Points::Seventeen, Points::WithFeet]),
        camera: Camera {
            roll_deg: 2.0 * dice.bell(),
            distance_m: dice.between(3.0, 7.0),
            height_m: dice.between(0.6, 1.9),
            ..Camera::at(dice.between(0.0, 360.0))
        },
        noise: dice.between(0.5, 1.5),
        seed,
    }
}

/// Gives every source in turn.
pub(crate) fn all(
    mut give: impl FnMut(&Source, &mut Dice) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let capture = Capture::load();
    let captured = |kind: &str, frames, at: f64| Source {
        kind: kind.to_owned(),
        name: CAPTURED.to_owned(),
        copy: 0,
        frames,
        swings: Some(vec![at]),
        pace: 1.0,
    };
    for seed in SEED..SEED + FILMED_SWINGS {
        for stand in [Stand::Side, Stand::Other] {
            let mut dice = Dice::new(seed);
            let (frames, peak) = film_of_a_swing(&capture, seed, stand, None);
            give(&captured("film_of_a_swing", frames, peak), &mut dice)?;
        }
    }
    for seed in SEED..SEED + SEEN_SWINGS {
        let mut dice = Dice::new(seed);
        let (motion, [.., peak]) = swing(&capture, &mut dice);
        let frames = take(&mut dice, seed).film(&motion);
        give(&captured("seen_swing", frames, peak), &mut dice)?;
    }
    for (number, (name, draw)) in MOVEMENTS.iter().chain(EXERCISES).enumerate() {
        for seed in 0..FILMS + SEEN {
            let mut dice = Dice::new(SEED + 10_000 * number as u64 + seed);
            let motion: Motion = draw(&mut dice);
            let frames = if seed < FILMS {
                let film = Film::draw(&mut dice, motion.height_m).slowed(&mut dice);
                let shown = dice.between(1.0, 4.0).min(motion.secs);
                let from = dice.between(0.0, motion.secs - shown);
                film.label(
                    &motion,
                    Cut {
                        from,
                        to: from + shown,
                    },
                    &mut dice,
                )
            } else {
                take(&mut dice, seed).film(&motion)
            };
            let source = Source {
                kind: format!("made {name}"),
                name: format!("{name} {seed}"),
                copy: 0,
                frames,
                swings: Some(Vec::new()),
                pace: 1.0,
            };
            give(&source, &mut dice)?;
        }
    }
    Ok(())
}
