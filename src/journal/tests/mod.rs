//! Tests of the journal, and the reps they use.

mod clips;
mod columns;
mod consents;
mod contract;
mod damage;
mod deletion;
mod export;
mod forget;
mod full_disk;
mod kill;
mod maintenance;
mod not_counted;
mod opening;
mod plans;
mod refusals;
mod store;
mod storing;
mod timeline_turns;
mod timelines;
mod waiting;
mod writing;

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::Connection;

use super::*;
use crate::coach::{AbsoluteBand, AbsoluteBands, CueGiven, JudgedRep, Verdict};
use crate::motion::{Direction, Scale};
use crate::picture_size::PictureSize;
use crate::pose::{
    Body, ImagePoint, LANDMARK_COUNT, PoseFrame, SeenBat, TrunkTurn, TurnAngle, TurnOrigin,
    WorldPoint,
};
use crate::rep::{Bats, Events, LoadStyle, Measure, MeasureName, Rep, RepKind, Ruler, Style, View};
use crate::time::CaptureTime;

/// Numbers that look random and are the same in every run (xorshift, Marsaglia 2003).
pub(super) struct Dice(u64);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub(super) fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// 0 up to, not including, 1.
    pub(super) fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// About normal, spread 1 (sum of twelve).
    pub(super) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

impl JournalReader {
    /// The connection of a reader that is known to read a file.
    pub(in crate::journal) fn connection(&self) -> &Connection {
        self.file("look into it").unwrap()
    }
}

impl Journal {
    fn delete_hitter(&mut self, choice: &HitterChoice) -> Result<DeletionReport, JournalError> {
        let hitter = self.reader().hitter(choice)?;
        self.delete(DeletionTarget::Hitter(hitter.id), &[])
    }
}

pub(super) fn stamp(text: &str) -> Timestamp {
    text.parse().unwrap()
}

pub(super) fn time(secs: f64) -> Option<CaptureTime> {
    Some(CaptureTime::from_secs(secs))
}

/// The swing of the contract's example, with a value, an open band and a measure not made.
pub(crate) fn judged(number: u32) -> JudgedRep {
    let made = |value, plus_minus, confidence| Measure::Made {
        value,
        plus_minus,
        confidence,
    };
    let measures = BTreeMap::from([
        (MeasureName::HeadToPlant, made(6.1, 1.2, 0.93)),
        (
            MeasureName::HeadDrop,
            made(f64::from(number) + 0.25, 0.5, 0.8),
        ),
        (MeasureName::StrideLength, made(71.5, 2.0, 0.9)),
        (
            MeasureName::HandsBack,
            Measure::NotMade {
                why: "back hand hidden".into(),
            },
        ),
    ]);
    JudgedRep {
        number,
        rep: Rep {
            kind: RepKind::Swing,
            bats: Bats::Right,
            pitcher: Some(Direction::Right),
            view: View::OpenSide,
            fps: 60.0,
            events: Events {
                set: time(12.10),
                gather: time(12.31),
                lift_off: time(12.62),
                plant: time(13.07),
                heel_rise: None,
                contact: time(13.25),
                finish: time(13.66),
            },
            measures,
            style: Style {
                stance_width_cm: Some(62.5),
                hand_height_cm: None,
                lift_height_cm: Some(11.5),
                load: Some(LoadStyle::ToeTap),
            },
            ruler: Some(Ruler {
                scale: Scale {
                    cm_per_px: 0.25,
                    height_cm: 174.0,
                    spread: 0.03,
                },
                roll_deg: None,
            }),
            heard: None,
            known_at: CaptureTime::from_nanos(13_700_000_123 + i64::from(number) * 8_000_000_000),
        },
        bands: bands(),
        verdicts: BTreeMap::from([
            (MeasureName::HeadToPlant, Verdict::In),
            (MeasureName::StrideLength, Verdict::High),
        ]),
        cue: Some(CueGiven {
            id: "head_forward".into(),
            at: CaptureTime::from_secs(13.81),
            latency_ms: None,
        }),
        no_cue: None,
        pitch: None,
    }
}

fn bands() -> AbsoluteBands {
    AbsoluteBands::from([
        (
            MeasureName::HeadToPlant,
            AbsoluteBand {
                low: Some(-2.0),
                high: Some(8.0),
            },
        ),
        (
            MeasureName::StrideLength,
            AbsoluteBand {
                low: None,
                high: Some(70.0),
            },
        ),
        (
            MeasureName::HandsBack,
            AbsoluteBand {
                low: Some(5.0),
                high: Some(15.0),
            },
        ),
    ])
}

/// A body that shifts, strides and turns, with landmarks that jitter by about a pixel as a pose
/// model's do; times jitter as a camera's do.
pub(super) fn frames(count: usize, fps: f64, world: bool, dice: &mut Dice) -> Vec<PoseFrame> {
    (0..count)
        .map(|i| {
            let secs = i as f64 / fps;
            let mut body = Body::empty();
            for (l, point) in body.image.iter_mut().enumerate() {
                let (home_x, home_y) = (500.0 + 9.0 * (l % 7) as f64, 120.0 + 16.0 * l as f64);
                let swing = 90.0 * (-((secs - 1.5) * 5.0).powi(2)).exp() * (l % 5) as f64;
                *point = Some(ImagePoint {
                    x_px: (home_x + 30.0 * (secs * 1.7).sin() + swing + dice.normal()) as f32,
                    y_px: (home_y + 12.0 * (secs * 2.3).cos() + swing / 3.0 + dice.normal()) as f32,
                    visibility: (0.93 + 0.02 * dice.normal()).clamp(0.0, 1.0) as f32,
                });
            }
            body.world = world.then(|| {
                std::array::from_fn(|l| WorldPoint {
                    x_m: (0.02 * l as f64 + 0.1 * secs.sin() + 0.003 * dice.normal()) as f32,
                    y_m: (0.05 * l as f64 - 0.8 + 0.003 * dice.normal()) as f32,
                    z_m: (0.2 * secs.cos() + 0.008 * dice.normal()) as f32,
                })
            });
            let jitter_nanos = (dice.normal() * 200_000.0) as i64;
            PoseFrame::new(
                1000 + i as u64,
                CaptureTime::from_nanos((12.0e9 + secs * 1e9) as i64 + jitter_nanos),
                Some(body),
            )
        })
        .collect()
}

/// A bat that turns about the hands, and is not seen in every fourth frame.
pub(super) fn with_bats(mut frames: Vec<PoseFrame>) -> Vec<PoseFrame> {
    for (i, frame) in frames.iter_mut().enumerate() {
        let (sin, cos) = (0.05 * i as f32).sin_cos();
        frame.bat = (i % 4 != 3).then_some(SeenBat {
            knob_px: [540.3 - 12.0 * cos, 310.0 - 12.0 * sin],
            tip_px: [540.3 + 96.0 * cos, 310.0 + 96.0 * sin],
            probability: 0.97 - 0.001 * i as f32,
        });
    }
    frames
}

/// A trunk that opens, and is not read in every third frame.
pub(super) fn with_turns(mut frames: Vec<PoseFrame>) -> Vec<PoseFrame> {
    for (i, frame) in frames.iter_mut().enumerate() {
        let line = |deg: f32| TurnAngle {
            deg,
            spread_deg: 6.3 + 0.01 * i as f32,
        };
        let opened = 70.0 * (0.08 * i as f32).sin();
        frame.turn = (i % 3 != 2).then_some(TrunkTurn {
            pelvis: line(opened),
            shoulders: line(opened - 31.7),
            origin: TurnOrigin::Camera,
        });
    }
    frames
}

pub(crate) fn record(number: u32) -> RepRecord {
    RepRecord {
        judged: judged(number),
        frames: with_turns(with_bats(frames(
            120,
            60.0,
            false,
            &mut Dice::new(number.into()),
        ))),
        picture: PictureSize {
            width_px: 1280,
            height_px: 720,
        },
        logged_at: stamp("2026-05-01T17:03:09.25Z"),
    }
}

pub(super) fn session() -> NewSession {
    NewSession {
        hitter: None,
        started_at: stamp("2026-05-01T17:00:00Z"),
        source: "demo.mp4".into(),
        settings: "[camera]\nfps = 60\n".into(),
        program_version: "0.1.0".into(),
        plan: None,
        said_by: None,
    }
}

/// SQLite's own judgement of the whole file, foreign keys included.
pub(super) fn assert_sound(connection: &Connection) {
    let verdict: String = connection
        .query_row("PRAGMA integrity_check", [], |row| row.get(0))
        .unwrap();
    assert_eq!(verdict, "ok");
    assert!(
        !connection
            .prepare("PRAGMA foreign_key_check")
            .unwrap()
            .exists([])
            .unwrap()
    );
}

/// What a timeline gives back for these frames: the same, on the grid of its steps.
pub(super) fn on_the_grid(frames: &[PoseFrame]) -> Vec<PoseFrame> {
    let on = |value: f32, steps: f64| ((f64::from(value) * steps).round() / steps) as f32;
    let mut frames = frames.to_vec();
    for bat in frames.iter_mut().filter_map(|frame| frame.bat.as_mut()) {
        for px in bat.knob_px.iter_mut().chain(&mut bat.tip_px) {
            *px = on(*px, 16.0);
        }
        bat.probability = on(bat.probability, 255.0);
    }
    for turn in frames.iter_mut().filter_map(|frame| frame.turn.as_mut()) {
        for line in [&mut turn.pelvis, &mut turn.shoulders] {
            line.deg = on(line.deg, 10.0);
            line.spread_deg = on(line.spread_deg, 4.0);
        }
    }
    for body in frames.iter_mut().filter_map(|frame| frame.body.as_mut()) {
        for point in body.image.iter_mut().flatten() {
            point.x_px = on(point.x_px, 16.0);
            point.y_px = on(point.y_px, 16.0);
            point.visibility = on(point.visibility, 255.0);
        }
        for point in body.world.iter_mut().flat_map(|world| world.iter_mut()) {
            for value in [&mut point.x_m, &mut point.y_m, &mut point.z_m] {
                *value = on(*value, 1000.0);
            }
        }
    }
    frames
}

/// The largest difference between two timelines in pixels, visibility and meters; panics where
/// they differ in times, numbers or presence.
pub(super) fn farthest_apart(a: &[PoseFrame], b: &[PoseFrame]) -> (f32, f32, f32) {
    assert_eq!(a.len(), b.len());
    let (mut px, mut visibility, mut meters) = (0f32, 0f32, 0f32);
    for (a, b) in a.iter().zip(b) {
        assert_eq!(
            (a.index, a.captured_at, a.body.is_some()),
            (b.index, b.captured_at, b.body.is_some())
        );
        assert_eq!(a.bat.is_some(), b.bat.is_some(), "the bat of {}", a.index);
        if let (Some(p), Some(q)) = (&a.bat, &b.bat) {
            let places = |bat: &SeenBat| [bat.knob_px, bat.tip_px].concat();
            for (p, q) in places(p).into_iter().zip(places(q)) {
                px = px.max((p - q).abs());
            }
            visibility = visibility.max((p.probability - q.probability).abs());
        }
        assert_eq!(
            a.turn.is_some(),
            b.turn.is_some(),
            "the turn of {}",
            a.index
        );
        if let (Some(p), Some(q)) = (&a.turn, &b.turn) {
            assert_eq!(p.origin, q.origin);
            for (p, q) in [(p.pelvis, q.pelvis), (p.shoulders, q.shoulders)] {
                assert!((p.deg - q.deg).abs() <= 0.05 + 1e-4, "{p:?} and {q:?}");
                assert!(
                    (p.spread_deg - q.spread_deg).abs() <= 0.125,
                    "{p:?} and {q:?}"
                );
            }
        }
        let (Some(a), Some(b)) = (&a.body, &b.body) else {
            continue;
        };
        for l in 0..LANDMARK_COUNT {
            assert_eq!(a.image[l].is_some(), b.image[l].is_some());
            let (Some(p), Some(q)) = (a.image[l], b.image[l]) else {
                continue;
            };
            px = px.max((p.x_px - q.x_px).abs()).max((p.y_px - q.y_px).abs());
            visibility = visibility.max((p.visibility - q.visibility).abs());
        }
        assert_eq!(a.world.is_some(), b.world.is_some());
        let (Some(a), Some(b)) = (&a.world, &b.world) else {
            continue;
        };
        for (p, q) in a.iter().zip(b.iter()) {
            for (p, q) in [(p.x_m, q.x_m), (p.y_m, q.y_m), (p.z_m, q.z_m)] {
                meters = meters.max((p - q).abs());
            }
        }
    }
    (px, visibility, meters)
}
