//! How fast hands, feet and body move now, in body heights a second.
//!
//! In: the newest pose frame. Out: a [`LiveMotion`]. Causal and rough on purpose: it only decides when a stretch is worth
//! an analysis, and which phase a screen shows.

use std::collections::VecDeque;

use crate::pose::{Body, Landmark, PoseFrame};
use crate::stats::{median, median_in_place};
use crate::time::CaptureTime;

use super::picture::{HEIGHT_OF_STANCE, middle_px, point_px};

/// Speeds are taken over this long.
const SPAN_SECS: f64 = 0.066;
/// A span longer than this many times that holds a gap, across which no speed is known.
const LONGEST_SPAN: f64 = 5.0;
/// The body's height and the frame rate are medians over this long, and over so many frames at least: a slow camera gives few,
/// and a pause leaves none.
const MEDIAN_SECS: f64 = 2.0;
const LEAST_MEDIAN_FRAMES: usize = 60;
/// The ankles of an upright body are at least this far below its hips, heights.
const UPRIGHT_LEGS: f64 = 0.2;
/// Hips that get farther than this from one frame to the next, H, are somebody else's.
const JUMP: f64 = 0.35;

/// The first frame after the last one at which the landmarks went over to another body; 0 where they never did.
pub(super) fn last_jump(frames: &[PoseFrame]) -> usize {
    let views: Vec<(usize, BodyView)> = frames
        .iter()
        .enumerate()
        .filter_map(|(i, frame)| Some((i, BodyView::of(frame.body.as_ref()?)?)))
        .collect();
    views
        .windows(2)
        .rev()
        .find(|pair| {
            let (a, b) = (pair[0].1, pair[1].1);
            distance(a.hips, b.hips) > JUMP * a.height_px.max(b.height_px)
        })
        .map_or(0, |pair| pair[1].0)
}

/// The newest frame's motion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LiveMotion {
    /// Of the wrists' middle.
    pub hand_speed: f64,
    /// Of the faster ankle.
    pub foot_speed: f64,
    /// Of the hips' middle.
    pub body_speed: f64,
    /// Shoulders over hips over ankles.
    pub upright: bool,
    /// Wrists above the hips.
    pub hands_up: bool,
}

/// Keeps the few frames that speeds need.
#[derive(Default)]
pub(super) struct LiveMotionReader {
    /// The bodies of about the last [`SPAN_SECS`], oldest first.
    views: VecDeque<(CaptureTime, BodyView)>,
    heights_px: VecDeque<(CaptureTime, f64)>,
    gaps_secs: VecDeque<(CaptureTime, f64)>,
    last: Option<CaptureTime>,
    /// Room for sorting, so that a frame allocates no memory.
    sorted: Vec<f64>,
}

impl LiveMotionReader {
    /// Frames a second as they come, the median of [`MEDIAN_SECS`]; `None` before the second frame.
    pub(super) fn frame_rate(&self) -> Option<f64> {
        let gaps: Vec<f64> = self.gaps_secs.iter().map(|(_, gap)| *gap).collect();
        median(&gaps).filter(|gap| *gap > 1e-4).map(|gap| 1.0 / gap)
    }

    /// Reads the next frame; `None` where it has no body or lacks a part that is needed.
    pub(super) fn read(&mut self, frame: &PoseFrame) -> Option<LiveMotion> {
        let at = frame.captured_at;
        if let Some(last) = self.last {
            push_recent(&mut self.gaps_secs, at, at.secs_since(last));
        }
        self.last = Some(at);

        let view = BodyView::of(frame.body.as_ref()?)?;
        push_recent(&mut self.heights_px, at, view.height_px);
        self.views.push_back((at, view));
        while self.views.len() > 2 && at.secs_since(self.views[1].0) >= SPAN_SECS {
            self.views.pop_front();
        }
        self.sorted.clear();
        self.sorted
            .extend(self.heights_px.iter().map(|(_, height)| *height));
        let height_px = median_in_place(&mut self.sorted)?.max(1.0);
        let (since, old) = *self.views.front()?;
        let span_secs = at.secs_since(since);
        let known = span_secs > 0.0 && span_secs <= LONGEST_SPAN * SPAN_SECS;
        let speed = |a: [f64; 2], b: [f64; 2]| {
            if known {
                distance(a, b) / span_secs / height_px
            } else {
                0.0
            }
        };
        Some(LiveMotion {
            hand_speed: speed(view.hands, old.hands),
            foot_speed: speed(view.left_foot, old.left_foot)
                .max(speed(view.right_foot, old.right_foot)),
            body_speed: speed(view.hips, old.hips),
            upright: view.upright,
            hands_up: view.hands_up,
        })
    }
}

fn push_recent(values: &mut VecDeque<(CaptureTime, f64)>, at: CaptureTime, value: f64) {
    values.push_back((at, value));
    while values.len() > LEAST_MEDIAN_FRAMES && at.secs_since(values[0].0) > MEDIAN_SECS {
        values.pop_front();
    }
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// What one frame shows of a body; points in pixels.
#[derive(Clone, Copy)]
struct BodyView {
    hands: [f64; 2],
    left_foot: [f64; 2],
    right_foot: [f64; 2],
    hips: [f64; 2],
    /// Standing height.
    height_px: f64,
    upright: bool,
    hands_up: bool,
}

impl BodyView {
    /// Where one of a pair is hidden, the other stands for both.
    fn of(body: &Body) -> Option<Self> {
        let pair = |a: Landmark, b: Landmark| match (point_px(body, a), point_px(body, b)) {
            (Some(p), Some(q)) => Some((p, q)),
            (p, q) => p.or(q).map(|only| (only, only)),
        };
        let middle = |a: Landmark, b: Landmark| pair(a, b).map(|(p, q)| middle_px(p, q));
        let shoulders = middle(Landmark::LeftShoulder, Landmark::RightShoulder)?;
        let hips = middle(Landmark::LeftHip, Landmark::RightHip)?;
        let (left_foot, right_foot) = pair(Landmark::LeftAnkle, Landmark::RightAnkle)?;
        let ankles_y = 0.5 * (left_foot[1] + right_foot[1]);
        let head_y = point_px(body, Landmark::Nose)
            .or_else(|| point_px(body, Landmark::LeftEar))
            .unwrap_or(shoulders)[1];
        let (left, right) = pair(Landmark::LeftWrist, Landmark::RightWrist)?;
        let weight = |l: Landmark| {
            let seen = body.point(l).map_or(0.0, |p| f64::from(p.visibility));
            0.05 + seen * seen
        };
        let (wl, wr) = (weight(Landmark::LeftWrist), weight(Landmark::RightWrist));
        let hands = [0, 1].map(|k| (left[k] * wl + right[k] * wr) / (wl + wr));
        let height_px = (ankles_y - head_y).abs() * HEIGHT_OF_STANCE;
        Some(Self {
            hands,
            left_foot,
            right_foot,
            hips,
            height_px,
            upright: shoulders[1] < hips[1]
                && hips[1] < ankles_y
                && (ankles_y - hips[1]) > UPRIGHT_LEGS * height_px,
            hands_up: hands[1] < hips[1],
        })
    }
}
