//! A quick look at each frame: how fast hands, feet and body move now, in body heights a second.
//!
//! In: the newest pose frame. Out: a [`LiveMotion`]. Causal and rough on purpose; it only decides when to look closer.

use std::collections::VecDeque;

use crate::pose::{Body, Landmark, PoseFrame};
use crate::stats::{median, median_in_place};
use crate::time::CaptureTime;

/// Speeds are taken over this long.
const SPAN_SECS: f64 = 0.066;
/// Body height is the median over this many frames with a body.
const HEIGHTS: usize = 120;
/// Standing height over the picture's nose-to-ankle height in a hitting stance.
const HEIGHT_OF_STANCE: f64 = 1.3;

/// Hips that get farther than this from one frame to the next, H, are somebody else's.
const JUMP: f64 = 0.35;

/// The first frame after the last one at which the landmarks went over to another body; 0 where they never did.
pub(super) fn last_jump(frames: &[PoseFrame]) -> usize {
    let places: Vec<(usize, [f64; 2], f64)> = frames
        .iter()
        .enumerate()
        .filter_map(|(i, f)| {
            let (place, height, ..) = look(f.body.as_ref()?, f.captured_at)?;
            Some((i, place.hips, height))
        })
        .collect();
    places
        .windows(2)
        .rev()
        .find(|pair| {
            let ((_, a, tall), (_, b, small)) = (pair[0], pair[1]);
            (a[0] - b[0]).hypot(a[1] - b[1]) > JUMP * tall.max(small)
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

#[derive(Clone, Copy)]
struct Place {
    at: CaptureTime,
    hands: [f64; 2],
    left_foot: [f64; 2],
    right_foot: [f64; 2],
    hips: [f64; 2],
}

/// Keeps the few frames that speeds need.
#[derive(Default)]
pub(super) struct LiveMotionReader {
    places: VecDeque<Place>,
    heights: VecDeque<f64>,
    gaps: VecDeque<f64>,
    last: Option<CaptureTime>,
    /// Room for sorting, so that a frame costs no memory of its own.
    sorted: Vec<f64>,
}

impl LiveMotionReader {
    /// Frames a second as they come, median of the last two seconds; `None` before the second frame.
    pub(super) fn frame_rate(&self) -> Option<f64> {
        let gaps: Vec<f64> = self.gaps.iter().copied().collect();
        median(&gaps).filter(|gap| *gap > 1e-4).map(|gap| 1.0 / gap)
    }

    /// Reads the next frame; `None` where it has no body or lacks a part that is needed.
    pub(super) fn read(&mut self, frame: &PoseFrame) -> Option<LiveMotion> {
        let at = frame.captured_at;
        if let Some(last) = self.last {
            self.gaps.push_back(at.secs_since(last));
            if self.gaps.len() > HEIGHTS {
                self.gaps.pop_front();
            }
        }
        self.last = Some(at);

        let body = frame.body.as_ref()?;
        let (place, height, upright, hands_up) = look(body, at)?;
        self.heights.push_back(height);
        if self.heights.len() > HEIGHTS {
            self.heights.pop_front();
        }
        self.places.push_back(place);
        while self.places.len() > 2 && at.secs_since(self.places[1].at) >= SPAN_SECS {
            self.places.pop_front();
        }
        self.sorted.clear();
        self.sorted.extend(&self.heights);
        let height = median_in_place(&mut self.sorted)?.max(1.0);
        let old = self.places.front()?;
        let span = at.secs_since(old.at);
        if span <= 0.0 || span > 5.0 * SPAN_SECS {
            return Some(LiveMotion {
                hand_speed: 0.0,
                foot_speed: 0.0,
                body_speed: 0.0,
                upright,
                hands_up,
            });
        }
        let speed = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]) / span / height;
        Some(LiveMotion {
            hand_speed: speed(place.hands, old.hands),
            foot_speed: speed(place.left_foot, old.left_foot)
                .max(speed(place.right_foot, old.right_foot)),
            body_speed: speed(place.hips, old.hips),
            upright,
            hands_up,
        })
    }
}

fn look(body: &Body, at: CaptureTime) -> Option<(Place, f64, bool, bool)> {
    let point = |l: Landmark| {
        body.point(l)
            .map(|p| [f64::from(p.x_px), f64::from(p.y_px)])
    };
    // Where one of a pair is hidden, the other stands for both.
    let pair = |a: Landmark, b: Landmark| match (point(a), point(b)) {
        (Some(p), Some(q)) => Some((p, q)),
        (p, q) => p.or(q).map(|only| (only, only)),
    };
    let middle = |a: Landmark, b: Landmark| {
        let (p, q) = pair(a, b)?;
        Some([0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])])
    };
    let shoulders = middle(Landmark::LeftShoulder, Landmark::RightShoulder)?;
    let hips = middle(Landmark::LeftHip, Landmark::RightHip)?;
    let (left_foot, right_foot) = pair(Landmark::LeftAnkle, Landmark::RightAnkle)?;
    let ankles_y = 0.5 * (left_foot[1] + right_foot[1]);
    let head_y = point(Landmark::Nose)
        .or_else(|| point(Landmark::LeftEar))
        .unwrap_or(shoulders)[1];
    let (left, right) = pair(Landmark::LeftWrist, Landmark::RightWrist)?;
    let weight = |l: Landmark| {
        let seen = body.point(l).map_or(0.0, |p| f64::from(p.visibility));
        0.05 + seen * seen
    };
    let (wl, wr) = (weight(Landmark::LeftWrist), weight(Landmark::RightWrist));
    let hands = [0, 1].map(|k| (left[k] * wl + right[k] * wr) / (wl + wr));
    let height = (ankles_y - head_y).abs() * HEIGHT_OF_STANCE;
    let upright =
        shoulders[1] < hips[1] && hips[1] < ankles_y && (ankles_y - hips[1]) > 0.2 * height;
    Some((
        Place {
            at,
            hands,
            left_foot,
            right_foot,
            hips,
        },
        height,
        upright,
        hands[1] < hips[1],
    ))
}
