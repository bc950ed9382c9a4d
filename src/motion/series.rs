//! A stretch of poses brought onto an even time grid, so that filters may be used on it.
//!
//! In: the pose frames of a stretch, unevenly timed, some without a body. Out: per landmark the x, y
//! and visibility at each sample. Short holes are bridged by a straight line; across longer ones
//! the landmark is marked unknown there.

use std::borrow::Cow;
use std::sync::Arc;

use crate::pose::{LANDMARK_COUNT, Landmark, PoseFrame, TrunkTurn};
use crate::time::CaptureTime;

use super::filter::without_jumps;
use super::leg_swaps::with_legs_in_order;
use super::steadying::Steadying;

/// Longest hole that is bridged.
const BRIDGE_SECS: f64 = 0.2;

/// Grid rates stay between these, whatever the recording says of itself.
const RATE_HZ: std::ops::RangeInclusive<f64> = 15.0..=240.0;

/// One point of the body over time, in the unit of its source: a [`BodySeries`] has pixels from the picture's top left
/// corner.
#[derive(Clone, Debug, Default)]
pub(crate) struct PointSeries {
    /// To the image's right.
    pub x: Vec<f64>,
    /// In a [`BodySeries`] downward.
    pub y: Vec<f64>,
    /// 0 to 1; 0 where the point is unknown.
    pub visibility: Vec<f64>,
}

impl PointSeries {
    /// The middle of two points, seen as well as the worse of them.
    pub(super) fn middle(a: &PointSeries, b: &PointSeries) -> PointSeries {
        PointSeries {
            x: middle_of(&a.x, &b.x),
            y: middle_of(&a.y, &b.y),
            visibility: worse_of(&a.visibility, &b.visibility),
        }
    }
}

pub(super) fn middle_of(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| 0.5 * (a + b)).collect()
}

pub(super) fn worse_of(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a.min(*b)).collect()
}

/// The bat in one frame: a line from the knob to the tip. The unit and the way up are those of its holder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct BatLine {
    /// The middle of the exposure, as a fractional sample index: a bat turns too fast to be brought onto the grid.
    pub sample: f64,
    /// The end of the handle.
    pub knob: [f64; 2],
    /// The barrel's end.
    pub tip: [f64; 2],
    /// Probability that this is the bat.
    pub probability: f64,
}

/// How the trunk is turned in one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct TurnSample {
    /// The middle of the exposure, as a fractional sample index.
    pub sample: f64,
    /// As it was read.
    pub turn: TrunkTurn,
}

/// The model's metric landmark over time, in meters.
#[derive(Clone, Debug, Default)]
pub(crate) struct WorldSeries {
    /// To the image's right, down, and away from the camera.
    pub xyz: Vec<[f64; 3]>,
}

/// A body over time on an even grid.
#[derive(Clone, Debug)]
pub(crate) struct BodySeries {
    /// The first sample.
    pub start: CaptureTime,
    /// Samples a second.
    pub rate_hz: f64,
    /// Samples in all.
    pub len: usize,
    /// Whether a body was found there, or close enough to be bridged.
    pub found: Vec<bool>,
    /// Whether the lite model gave some of it.
    pub lite: bool,
    /// How the camera moved meanwhile, which is taken out of the points; `None` where it stood still.
    pub steadying: Option<Arc<Steadying>>,
    /// The bat in the frames in which one was seen, in time order.
    pub bat: Vec<BatLine>,
    /// The trunk's turn in the frames in which it was read, in time order.
    pub turns: Vec<TurnSample>,
    points: Vec<Option<PointSeries>>,
    world: Option<Arc<Vec<WorldSeries>>>,
}

impl BodySeries {
    /// Brings `frames` (in time order) onto a grid of the given rate.
    ///
    /// `None` for fewer than five frames with a body: nothing can be said of those.
    pub(crate) fn from_frames(frames: &[PoseFrame], rate_hz: f64) -> Option<Self> {
        let with_body: Vec<&PoseFrame> = frames.iter().filter(|f| f.body.is_some()).collect();
        if with_body.len() < 5 {
            return None;
        }
        let rate_hz = if rate_hz.is_finite() { rate_hz } else { 30.0 }
            .clamp(*RATE_HZ.start(), *RATE_HZ.end());
        let with_body = with_legs_in_order(&with_body);
        let start = with_body[0].captured_at;
        let span = with_body[with_body.len() - 1].captured_at.secs_since(start);
        let len = (span * rate_hz + 1e-6).floor() as usize + 1;
        let times: Vec<f64> = with_body
            .iter()
            .map(|f| f.captured_at.secs_since(start))
            .collect();
        let grid = Grid::new(&times, rate_hz, len);

        let points = Landmark::ALL
            .into_iter()
            .map(|landmark| {
                let seen = with_body
                    .iter()
                    .filter_map(|f| f.body.as_ref()?.point(landmark));
                let (mut x, mut y, mut v) = (Vec::new(), Vec::new(), Vec::new());
                for p in seen {
                    x.push(f64::from(p.x_px));
                    y.push(f64::from(p.y_px));
                    v.push(f64::from(p.visibility));
                }
                if x.len() == times.len() {
                    return Some(PointSeries {
                        x: grid.sample(&without_jumps(&x, rate_hz)),
                        y: grid.sample(&without_jumps(&y, rate_hz)),
                        visibility: grid.sample(&v),
                    });
                }
                Self::sparse_point(&with_body, landmark, start, rate_hz, len)
            })
            .collect();

        let world = with_body
            .iter()
            .map(|f| f.body.as_ref()?.world.as_ref())
            .collect::<Option<Vec<_>>>()
            .map(|all| {
                (0..LANDMARK_COUNT)
                    .map(|k| {
                        let axis = |get: fn(&crate::pose::WorldPoint) -> f32| {
                            let raw: Vec<f64> = all.iter().map(|w| f64::from(get(&w[k]))).collect();
                            grid.sample(&without_jumps(&raw, rate_hz))
                        };
                        let (x, y, z) = (axis(|p| p.x_m), axis(|p| p.y_m), axis(|p| p.z_m));
                        WorldSeries {
                            xyz: (0..len).map(|i| [x[i], y[i], z[i]]).collect(),
                        }
                    })
                    .collect()
            })
            .map(Arc::new);

        Some(Self {
            start,
            rate_hz,
            len,
            found: grid.near,
            lite: with_body
                .iter()
                .any(|f| f.body.as_ref().is_some_and(|b| b.lite)),
            steadying: Steadying::of(frames, start, rate_hz, len).map(Arc::new),
            bat: frames
                .iter()
                .filter_map(|frame| {
                    let seen = frame.bat?;
                    Some(BatLine {
                        sample: frame.captured_at.secs_since(start) * rate_hz,
                        knob: seen.knob_px.map(f64::from),
                        tip: seen.tip_px.map(f64::from),
                        probability: f64::from(seen.probability),
                    })
                })
                .collect(),
            turns: frames
                .iter()
                .filter_map(|frame| {
                    let sample = frame.captured_at.secs_since(start) * rate_hz;
                    frame.turn.map(|turn| TurnSample { sample, turn })
                })
                .collect(),
            points,
            world,
        })
    }

    /// A landmark that only some of the bodies have: unknown where its own holes are too long.
    fn sparse_point(
        frames: &[Cow<PoseFrame>],
        landmark: Landmark,
        start: CaptureTime,
        rate_hz: f64,
        len: usize,
    ) -> Option<PointSeries> {
        let mut times = Vec::new();
        let (mut x, mut y, mut v) = (Vec::new(), Vec::new(), Vec::new());
        for frame in frames {
            if let Some(p) = frame.body.as_ref().and_then(|b| b.point(landmark)) {
                times.push(frame.captured_at.secs_since(start));
                x.push(f64::from(p.x_px));
                y.push(f64::from(p.y_px));
                v.push(f64::from(p.visibility));
            }
        }
        if times.len() < 5 || times.len() * 3 < frames.len() {
            return None;
        }
        let grid = Grid::new(&times, rate_hz, len);
        let mut visibility = grid.sample(&v);
        for (value, near) in visibility.iter_mut().zip(&grid.near) {
            if !near {
                *value = 0.0;
            }
        }
        Some(PointSeries {
            x: grid.sample(&without_jumps(&x, rate_hz)),
            y: grid.sample(&without_jumps(&y, rate_hz)),
            visibility,
        })
    }

    /// The landmark over time, if the source has it.
    pub(crate) fn point(&self, landmark: Landmark) -> Option<&PointSeries> {
        self.points[landmark.index()].as_ref()
    }

    /// The metric landmark over time, if the source gives metric landmarks.
    pub(crate) fn world(&self, landmark: Landmark) -> Option<&WorldSeries> {
        self.world.as_ref().map(|w| &w[landmark.index()])
    }

    /// All metric landmarks, where the source gives them.
    pub(super) fn world_series(&self) -> Option<Arc<Vec<WorldSeries>>> {
        self.world.clone()
    }
}

/// Where each sample of the grid lies between the frames.
struct Grid {
    /// The frame before, and the share of the way to the one after.
    between: Vec<(usize, f64)>,
    /// Whether a frame is close enough.
    near: Vec<bool>,
}

impl Grid {
    fn new(times: &[f64], rate_hz: f64, len: usize) -> Self {
        let mut between = Vec::with_capacity(len);
        let mut near = Vec::with_capacity(len);
        let mut before = 0;
        for i in 0..len {
            let t = i as f64 / rate_hz;
            while before + 1 < times.len() && times[before + 1] <= t {
                before += 1;
            }
            let after = (before + 1).min(times.len() - 1);
            let hole = times[after] - times[before];
            let share = if hole > 0.0 {
                ((t - times[before]) / hole).clamp(0.0, 1.0)
            } else {
                0.0
            };
            between.push((before, share));
            let nearest = (t - times[before]).abs().min((times[after] - t).abs());
            near.push(
                nearest <= BRIDGE_SECS / 2.0
                    || (hole <= BRIDGE_SECS && t >= times[before] && t <= times[after]),
            );
        }
        Self { between, near }
    }

    fn sample(&self, values: &[f64]) -> Vec<f64> {
        self.between
            .iter()
            .map(|&(before, share)| {
                let after = (before + 1).min(values.len() - 1);
                values[before] * (1.0 - share) + values[after] * share
            })
            .collect()
    }
}
