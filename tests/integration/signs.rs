//! Signs of the arms: meant ones are taken, other arms ask for nothing, and what is asked for is done and heard at once.
//!
//! No film of people who make these signs is known to us: the meant ones are made by a stick figure, with landmarks as wrong as the
//! model's. What people do otherwise is filmed (`docs/signs.md` has the figures), captured, and made by the same figure.

use std::fmt::Write as _;

use cagehand::pose::PoseFrame;
use cagehand::signs::{Sign, SignWatch};

use cagehand_stage::capture::Capture;
use cagehand_stage::figure::{Posture, ease};
use cagehand_stage::film::{EXERCISES, Stand};
use cagehand_stage::filmed_swing::film_of_a_swing;
use cagehand_stage::movements::{MOVEMENTS, motion};
use cagehand_stage::{Camera, Dice, Motion, Points, Take};

use super::program::{Place, project};

const RATES: [f64; 5] = [30.0, 60.0, 90.0, 120.0, 240.0];
const POINTS: [Points; 3] = [Points::Thirteen, Points::Seventeen, Points::WithFeet];
/// A hand at the end of a straight arm, from the middle of the shoulders: shares of standing height.
const SHOULDER: f64 = 0.11;
const ARM: f64 = 0.332;

fn signs(frames: &[PoseFrame]) -> Vec<Sign> {
    let mut watch = SignWatch::new(None);
    frames
        .iter()
        .filter_map(|frame| watch.step(frame))
        .collect()
}

/// Where a hand is, so many degrees out to its side from hanging and to the front, its arm bent by a share of its length.
fn hand(p: &Posture, side: f64, out_deg: f64, front_deg: f64, bent: f64) -> [f64; 3] {
    let (out, front) = (out_deg.to_radians(), front_deg.to_radians());
    let arm = ARM * (1.0 - bent);
    p.reach(
        side * (SHOULDER + arm * out.sin() * front.cos()),
        -arm * out.cos() * front.cos(),
        arm * front.sin(),
    )
}

/// Somebody who stands, makes a sign for so long and lets the hands down. People differ in how straight and how still they are.
fn meant(dice: &mut Dice, sign: Sign, facing_deg: f64) -> Motion {
    let held = match sign {
        Sign::HandUp | Sign::HandUpArmOut => dice.between(1.15, 2.4),
        Sign::HandKeptUp => dice.between(3.4, 4.6),
    };
    let (wait, rise) = (dice.between(0.6, 1.2), dice.between(0.25, 0.7));
    let side = dice.one_of(&[1.0, -1.0]);
    let (up, up_front) = (dice.between(155.0, 184.0), dice.between(-12.0, 22.0));
    let (out, out_front) = (dice.between(74.0, 106.0), dice.between(-10.0, 25.0));
    let (hang, bent) = (
        dice.between(4.0, 26.0),
        [dice.between(0.0, 0.07), dice.between(0.0, 0.07)],
    );
    let (lean, sideways) = (dice.between(-4.0, 12.0), dice.between(-6.0, 6.0));
    let (sway, pace, bob) = (
        dice.between(0.0, 0.02),
        dice.between(0.2, 0.7),
        dice.between(0.0, 4.0),
    );
    let stance = dice.between(0.12, 0.45);
    let arms_out = sign == Sign::HandUpArmOut;
    let end = wait + rise + held;
    motion(dice, end + rise + 0.8, move |t| {
        let raised = ease(
            &[
                (wait, 0.0),
                (wait + rise, 1.0),
                (end, 1.0),
                (end + rise, 0.0),
            ],
            t,
        );
        let phase = std::f64::consts::TAU * pace * t;
        let mut p = Posture::standing(sway * phase.sin(), 0.0, facing_deg, stance);
        (p.lean_deg, p.side_deg) = (lean, sideways);
        let wobble = bob * (1.7 * phase).sin();
        let high = hand(
            &p,
            side,
            hang + raised * (up - hang) + wobble,
            raised * up_front,
            bent[0],
        );
        let low = match arms_out {
            true => hand(
                &p,
                -side,
                hang + raised * (out - hang) - wobble,
                raised * out_front,
                bent[1],
            ),
            false => hand(&p, -side, hang, 0.0, bent[1]),
        };
        p.hands = if side > 0.0 { [high, low] } else { [low, high] };
        p
    })
}

fn camera(dice: &mut Dice) -> Camera {
    Camera {
        yaw_deg: 0.0,
        roll_deg: dice.between(-4.0, 4.0),
        distance_m: dice.between(2.5, 8.0),
        height_m: dice.between(0.7, 2.0),
    }
}

fn taken(dice: &mut Dice, motion: &Motion, seed: u64) -> Vec<PoseFrame> {
    let take = Take {
        fps: dice.one_of(&RATES),
        points: dice.one_of(&POINTS),
        noise: dice.between(0.5, 1.5),
        ..Take::new(camera(dice), seed)
    };
    take.film(motion)
}

/// Of those who stand as the page asks, facing the camera within 30 degrees, or for a raised hand any way, 95 in 100 are promised.
#[test]
fn meant_signs_are_taken() {
    const EACH: u64 = 300;
    for (sign, wanted) in [
        (Sign::HandUp, &[Sign::HandUp][..]),
        (Sign::HandKeptUp, &[Sign::HandUp, Sign::HandKeptUp][..]),
        (Sign::HandUpArmOut, &[Sign::HandUpArmOut][..]),
    ] {
        for (way, turned) in [("facing", 30.0), ("any way", 180.0)] {
            if sign == Sign::HandUpArmOut && turned > 30.0 {
                continue;
            }
            let got = (0..EACH)
                .filter(|seed| {
                    let mut dice = Dice::new(31_000 + seed);
                    let facing = dice.between(-turned, turned);
                    let motion = meant(&mut dice, sign, facing);
                    signs(&taken(&mut dice, &motion, *seed)) == wanted
                })
                .count();
            let share = got as f64 / EACH as f64;
            println!("{sign}, {way}: {share:.3}");
            assert!(share >= 0.95, "{sign}, {way}: {share:.3}");
        }
    }
}

/// A sign counts once, however long it is held, and again after the hands were down.
#[test]
fn a_sign_counts_once_until_the_hands_come_down() {
    let mut dice = Dice::new(5);
    let mut frames = Vec::new();
    for part in 0..2 {
        let motion = meant(&mut dice, Sign::HandUpArmOut, 0.0);
        let take = Take::new(Camera::at(0.0), part);
        let begin = frames
            .last()
            .map_or(0.0, |f: &PoseFrame| f.captured_at.secs() + 1.0 / 60.0);
        for frame in take.film(&motion) {
            let at = frame.captured_at.plus_secs(begin);
            frames.push(PoseFrame::new(frames.len() as u64, at, frame.body));
        }
    }
    assert_eq!(signs(&frames), [Sign::HandUpArmOut, Sign::HandUpArmOut]);
    // Held for ten seconds.
    let motion = motion(&mut dice, 10.0, |_| {
        let mut p = Posture::standing(0.0, 0.0, 0.0, 0.3);
        p.hands = [
            hand(&p, 1.0, 178.0, 0.0, 0.0),
            hand(&p, -1.0, 10.0, 0.0, 0.0),
        ];
        p
    });
    let held = Take::new(Camera::at(0.0), 3).film(&motion);
    assert_eq!(signs(&held), [Sign::HandUp, Sign::HandKeptUp]);
}

/// Arms that hitters hold still, or nearly so: nobody asks for anything by them.
#[test]
fn other_held_arms_are_no_signs() {
    type Hands = fn(&Posture) -> [[f64; 3]; 2];
    let others: [(&str, Hands); 9] = [
        ("both hands overhead, a stretch or a celebration", |p| {
            [
                hand(p, 1.0, 175.0, 0.0, 0.0),
                hand(p, -1.0, 175.0, 0.0, 0.0),
            ]
        }),
        ("arms in a V", |p| {
            [
                hand(p, 1.0, 140.0, 0.0, 0.0),
                hand(p, -1.0, 140.0, 0.0, 0.0),
            ]
        }),
        ("the bat across the shoulders", |p| {
            [
                hand(p, 1.0, 95.0, -10.0, 0.15),
                hand(p, -1.0, 95.0, -10.0, 0.15),
            ]
        }),
        ("the bat pointed at the pitcher", |p| {
            [hand(p, 1.0, 100.0, 0.0, 0.0), hand(p, -1.0, 10.0, 0.0, 0.0)]
        }),
        (
            "an arm over the head, bent, the other hand at its elbow",
            |p| [p.reach(0.02, 0.1, -0.03), p.reach(0.1, 0.2, 0.0)],
        ),
        ("a hand at the helmet", |p| {
            [p.reach(0.06, 0.16, 0.05), hand(p, -1.0, 10.0, 0.0, 0.0)]
        }),
        ("hands at the bat by the ear", |p| {
            [p.reach(0.12, 0.02, 0.1), p.reach(0.1, 0.0, 0.1)]
        }),
        ("a finish, both hands high over a shoulder", |p| {
            [p.reach(0.1, 0.12, 0.0), p.reach(0.12, 0.14, 0.0)]
        }),
        ("hands on the hips", |p| {
            [p.reach(0.12, -0.26, 0.03), p.reach(-0.12, -0.26, 0.03)]
        }),
    ];
    for (name, hands) in others {
        for seed in 0..40 {
            let mut dice = Dice::new(77_000 + seed);
            let facing = dice.between(-180.0, 180.0);
            let motion = motion(&mut dice, 4.0, move |_| {
                let mut p = Posture::standing(0.0, 0.0, facing, 0.3);
                p.hands = hands(&p);
                p
            });
            let found = signs(&taken(&mut dice, &motion, seed));
            assert!(found.is_empty(), "{name}, {facing:.0} degrees: {found:?}");
        }
    }
}

/// Who waves a hand overhead by less than the landmarks' own unrest is taken for one who holds it; wider waves are told apart.
const WAVES_TAKEN: usize = 12;

#[test]
fn swings_and_exercises_are_no_signs() {
    let capture = Capture::load();
    let (mut secs, mut found, mut waves) = (0.0, Vec::new(), 0);
    for seed in 0..200 {
        for stand in [Stand::Side, Stand::Other] {
            let (frames, _) = film_of_a_swing(&capture, seed, stand, None);
            secs += frames.len() as f64 / 30.0;
            found.extend(
                signs(&frames)
                    .into_iter()
                    .map(|sign| format!("swing {seed}: {sign}")),
            );
        }
    }
    for (number, (name, draw)) in MOVEMENTS.iter().chain(EXERCISES).enumerate() {
        for seed in 0..30 {
            let mut dice = Dice::new(1_000 * number as u64 + seed);
            let motion = draw(&mut dice);
            secs += motion.secs;
            let frames = taken(&mut dice, &motion, seed);
            if *name == "waving" {
                waves += usize::from(!signs(&frames).is_empty());
                continue;
            }
            found.extend(
                signs(&frames)
                    .into_iter()
                    .map(|sign| format!("{name} {seed}: {sign}")),
            );
        }
    }
    println!(
        "{secs:.0} s, {} signs, {waves} of 30 waves taken",
        found.len()
    );
    assert!(waves <= WAVES_TAKEN, "{waves} of 30");
    assert!(found.is_empty(), "{found:#?}");
}

const SWING: &str = "tests/data/tracks/right_60fps_swing_2.track.jsonl";

/// A swing, then signs, in one track: `parts` in order, each a sign or the swing. Gives its path and when each sign is complete.
fn track(place: &Place, parts: &[Option<Sign>]) -> (String, Vec<(Sign, f64)>) {
    let swing = std::fs::read_to_string(project(SWING)).unwrap();
    let mut lines = swing.lines();
    let mut text = format!("{}\n", lines.next().unwrap());
    let swing: Vec<&str> = lines.collect();
    let (mut begin, mut complete, mut watch) = (0.0, Vec::new(), SignWatch::new(None));
    for (number, part) in parts.iter().enumerate() {
        let mut last = begin;
        let mut put = |t: f64, points: String| {
            last = begin + t;
            writeln!(text, "{{\"t\":{last:.4},\"points\":{points}}}").unwrap();
        };
        match part {
            None => {
                for line in &swing {
                    let frame: serde_json::Value = serde_json::from_str(line).unwrap();
                    put(frame["t"].as_f64().unwrap(), frame["points"].to_string());
                }
            }
            Some(sign) => {
                let motion = meant(&mut Dice::new(500 + number as u64), *sign, 0.0);
                let take = Take {
                    points: Points::WithFeet,
                    ..Take::new(Camera::at(0.0), number as u64)
                };
                for frame in take.film(&motion) {
                    let at = frame.captured_at.plus_secs(begin);
                    let frame = PoseFrame::new(frame.index, at, frame.body);
                    complete.extend(watch.step(&frame).map(|sign| (sign, at.secs())));
                    let body = frame.body.unwrap();
                    let points: Vec<_> = body
                        .image
                        .iter()
                        .map(|p| p.map_or([0.0, 0.0, 0.0], |p| [p.x_px, p.y_px, p.visibility]))
                        .collect();
                    put(at.secs() - begin, serde_json::to_string(&points).unwrap());
                }
            }
        }
        begin = last + 0.5;
    }
    let path = place.path("signs.track.jsonl");
    std::fs::write(&path, text).unwrap();
    (path.to_str().unwrap().to_owned(), complete)
}

/// When something is first heard at or after a time, seconds.
fn heard_after(wav: &std::path::Path, at: f64) -> f64 {
    let mut reader = hound::WavReader::open(wav).unwrap();
    let rate = f64::from(reader.spec().sample_rate);
    let loud = reader
        .samples::<i16>()
        .map(Result::unwrap)
        .enumerate()
        .skip((at * rate) as usize)
        .find(|(_, sample)| sample.unsigned_abs() > 300);
    loud.expect("something is heard").0 as f64 / rate
}

#[test]
fn what_a_sign_asks_for_is_done_and_heard_within_300_ms() {
    let place = Place::new();
    let parts = [
        None,
        Some(Sign::HandUp),
        Some(Sign::HandKeptUp),
        None,
        Some(Sign::HandKeptUp),
        None,
        Some(Sign::HandUpArmOut),
    ];
    let (track, complete) = track(&place, &parts);
    let asked: Vec<Sign> = complete.iter().map(|(sign, _)| *sign).collect();
    use Sign::{HandKeptUp, HandUp, HandUpArmOut};
    assert_eq!(
        asked,
        [HandUp, HandUp, HandKeptUp, HandUp, HandKeptUp, HandUpArmOut]
    );

    let common = [
        "replay",
        &track,
        "--height-cm",
        "183",
        "--pace",
        "fast",
        "--no-journal",
    ];
    let said = place.run_well(
        &[
            &common[..],
            &["--sound", "heard.wav", "--reps", "reps.jsonl"],
        ]
        .concat(),
    );
    let lines: Vec<&str> = said.lines().collect();
    let at = |begin: &str| {
        lines
            .iter()
            .position(|line| line.starts_with(begin))
            .unwrap_or_else(|| panic!("{begin}: {said}"))
    };
    assert!(at("sign: hand up") < at("1 swing"), "{said}");
    assert!(at("paused") < at("a rep is not counted: paused"), "{said}");
    assert!(
        at("a rep is not counted: paused") < at("reps are counted again"),
        "{said}"
    );
    assert!(said.contains("no one is waiting for a turn"), "{said}");
    let reps = std::fs::read_to_string(place.path("reps.jsonl")).unwrap();
    assert_eq!(
        reps.lines().count(),
        2,
        "the swing in the pause does not count: {reps}"
    );
    for (sign, at) in complete {
        let late = heard_after(&place.path("heard.wav"), at) - at;
        assert!(
            late <= 0.3,
            "{sign}, complete at {at:.3} s: {late:.3} s late; {said}"
        );
    }

    // Turned off, the same arms ask for nothing.
    std::fs::write(place.path("off.toml"), "[signs]\nread = false\n").unwrap();
    let said = place.run_well(
        &[
            &["--settings", "off.toml"],
            &common[..],
            &["--sound", "none", "--reps", "all.jsonl"],
        ]
        .concat(),
    );
    assert!(
        !said.contains("sign:") && !said.contains("paused"),
        "{said}"
    );
    let reps = std::fs::read_to_string(place.path("all.jsonl")).unwrap();
    assert_eq!(reps.lines().count(), 3, "{reps}");
}
