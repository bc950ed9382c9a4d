//! How far the head has gone toward the pitcher, frame by frame, while a rep runs.
//!
//! In: each pose frame with the hitter's phase. Out: a [`HeadTravel`] from the gather to the plant. Causal, so a little
//! late and rough: it feeds the tone that a hitter may hear while moving. What is logged is measured afterwards.

use crate::pose::{Body, Landmark, OneEuro, OneEuroTuning, PoseFrame, SpeedFrom};
use crate::time::CaptureTime;

use super::finder::FinderSettings;
use super::types::Phase;

/// How the filter is tuned, speeds in body heights a second: a head at rest trembles by a pixel, a head that
/// drifts forward moves by a body height in four seconds.
const TUNING: OneEuroTuning = OneEuroTuning {
    min_cutoff_hz: 2.0,
    beta: 6.0,
    derivative_cutoff_hz: 1.0,
    speed_from: SpeedFrom::Filtered,
};
/// How quickly the resting place follows the hitter while set, seconds. Slow, so that a phase that flickers to "set" and
/// back for a few frames does not take a drifted head for a resting one.
const REST_SECS: f64 = 0.4;
/// A hitter must have been set this long before a travel is told, seconds.
const SET_SECS: f64 = 0.3;
/// Standing height over the picture's head-to-ankle height in a hitting stance.
const HEIGHT_OF_STANCE: f64 = 1.3;
/// Height where none was told, centimetres.
const UNKNOWN_HEIGHT_CM: f64 = 175.0;
/// The ankles are at least this far apart in the picture of a hitter seen from the open side, H.
const OPEN_SIDE_STANCE: f64 = 0.15;

/// Where the head is against its resting place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeadTravel {
    /// The frame that shows it.
    pub at: CaptureTime,
    /// Centimetres toward the pitcher.
    pub forward_cm: f64,
}

/// Follows the head of one hitter.
pub struct LiveHead {
    told: FinderSettings,
    filter: OneEuro,
    rest: Option<Rest>,
    last: Option<CaptureTime>,
}

/// The resting place while set.
#[derive(Clone, Copy)]
struct Rest {
    x_px: f64,
    cm_per_px: f64,
    /// +1 where the pitcher is to the image's right.
    forward: f64,
    since: CaptureTime,
}

/// What one frame shows.
struct Look {
    head_x_px: f64,
    height_px: f64,
    /// The way away from the hands, which wait over the back foot.
    away_from_hands: f64,
}

impl LiveHead {
    /// One that has seen nothing yet.
    pub fn new(told: FinderSettings) -> Self {
        Self {
            told,
            filter: OneEuro::new(TUNING),
            rest: None,
            last: None,
        }
    }

    /// Goes by what is told now; a resting place that was seen keeps the scale it was seen with.
    pub fn revise(&mut self, told: FinderSettings) {
        self.told = told;
    }

    /// Takes the next frame. `forward` is the way to the pitcher where a swing has shown it already: +1 to the image's
    /// right. Gives the travel between the gather and the swing.
    pub fn push(
        &mut self,
        frame: &PoseFrame,
        phase: Phase,
        forward: Option<f64>,
    ) -> Option<HeadTravel> {
        let at = frame.captured_at;
        let Some(look) = frame.body.as_ref().and_then(look) else {
            *self = Self::new(self.told);
            return None;
        };
        let gap = self.last.map_or(0.0, |last| at.secs_since(last));
        self.last = Some(at);
        let x_px = self.filter.next(look.head_x_px, 1.0 / look.height_px, gap);
        match phase {
            Phase::Set => {
                self.settle(at, gap, x_px, &look, forward);
                None
            }
            Phase::Gather | Phase::Stride | Phase::Planted => {
                let rest = self.rest?;
                (at.secs_since(rest.since) >= SET_SECS).then_some(HeadTravel {
                    at,
                    forward_cm: rest.forward * (x_px - rest.x_px) * rest.cm_per_px,
                })
            }
            Phase::Away | Phase::Swing | Phase::Finish => {
                self.rest = None;
                None
            }
        }
    }

    fn settle(&mut self, at: CaptureTime, gap: f64, x_px: f64, look: &Look, forward: Option<f64>) {
        let cm_per_px = self
            .told
            .cm_per_px
            .unwrap_or_else(|| self.told.height_cm.unwrap_or(UNKNOWN_HEIGHT_CM) / look.height_px);
        let forward = forward.unwrap_or(look.away_from_hands);
        let share = (gap / REST_SECS).clamp(0.0, 1.0);
        self.rest = Some(match self.rest {
            Some(rest) => Rest {
                x_px: rest.x_px + share * (x_px - rest.x_px),
                cm_per_px: rest.cm_per_px + share * (cm_per_px - rest.cm_per_px),
                forward,
                ..rest
            },
            None => Rest {
                x_px,
                cm_per_px,
                forward,
                since: at,
            },
        });
    }
}

fn look(body: &Body) -> Option<Look> {
    let point = |l: Landmark| {
        body.point(l)
            .map(|p| [f64::from(p.x_px), f64::from(p.y_px)])
    };
    let middle = |a: Landmark, b: Landmark| {
        let (p, q) = (point(a)?, point(b)?);
        Some([0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])])
    };
    let head = middle(Landmark::LeftEar, Landmark::RightEar).or_else(|| point(Landmark::Nose))?;
    let ankles = middle(Landmark::LeftAnkle, Landmark::RightAnkle)?;
    let shoulders = middle(Landmark::LeftShoulder, Landmark::RightShoulder)?;
    let hands = middle(Landmark::LeftWrist, Landmark::RightWrist)?;
    let height_px = HEIGHT_OF_STANCE * (ankles[1] - head[1]);
    let stance = (point(Landmark::LeftAnkle)?[0] - point(Landmark::RightAnkle)?[0]).abs();
    if height_px < 20.0 || stance < OPEN_SIDE_STANCE * height_px {
        return None;
    }
    Some(Look {
        head_x_px: head[0],
        height_px,
        away_from_hands: (shoulders[0] - hands[0]).signum(),
    })
}
