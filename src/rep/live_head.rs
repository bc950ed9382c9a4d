//! How far the head has gone toward the pitcher, frame by frame, while a rep runs.
//!
//! In: each pose frame with the hitter's phase. Out: a [`HeadTravel`] from the gather to the plant. Causal, so a little
//! late and rough: it feeds the tone that a hitter may hear while moving. What is logged is measured afterwards.

use crate::motion::{Direction, UNKNOWN_HEIGHT_CM};
use crate::pose::{Body, CameraMotion, Landmark, OneEuro, OneEuroTuning, PoseFrame, SpeedFrom};
use crate::time::CaptureTime;

use super::picture::{HEIGHT_OF_STANCE, middle_px, point_px};
use super::setup::HitterSetup;
use super::types::Phase;

/// How the filter is tuned, speeds in body heights a second: a head at rest trembles by a pixel, a head that
/// drifts forward moves by a body height in four seconds.
const TUNING: OneEuroTuning = OneEuroTuning {
    min_cutoff_hz: 2.0,
    beta: 6.0,
    derivative_cutoff_hz: 1.0,
    speed_from: SpeedFrom::Filtered,
};
/// How quickly the resting position follows the hitter while set, seconds. Slow, so that a phase that flickers to "set"
/// and back for a few frames does not take a drifted head for a resting one.
const FOLLOW_SECS: f64 = 0.4;
/// A hitter must have been set this long before there is a travel, seconds.
const SET_SECS: f64 = 0.3;
/// A body that looks smaller than this is too far off to follow, pixels.
const LEAST_HEIGHT_PX: f64 = 20.0;
/// Ankles nearer to each other in the picture than this are not seen from the open side, H. Another limit than the one for
/// finished swings, which is in `hand_burst.rs`: here a single frame decides.
const LEAST_STANCE: f64 = 0.15;

/// Where the head is against its resting position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeadTravel {
    /// The frame that shows it.
    pub at: CaptureTime,
    /// Centimeters toward the pitcher.
    pub forward_cm: f64,
}

/// Follows the head of one hitter.
pub struct LiveHead {
    setup: HitterSetup,
    filter: OneEuro,
    rest: Option<Rest>,
    last: Option<CaptureTime>,
}

/// The resting position while set.
#[derive(Clone, Copy)]
struct Rest {
    x_px: f64,
    cm_per_px: f64,
    pitcher: Direction,
    since: CaptureTime,
}

/// What one frame shows.
struct HeadView {
    head_x_px: f64,
    height_px: f64,
    /// Where the pitcher should be: away from the hands, which wait over the back foot.
    away_from_hands: Direction,
}

impl LiveHead {
    /// One that has seen nothing yet.
    pub fn new(setup: HitterSetup) -> Self {
        Self {
            setup,
            filter: OneEuro::new(TUNING),
            rest: None,
            last: None,
        }
    }

    /// Goes by this setup from now on; a resting position that was seen keeps the scale it was seen with.
    pub fn set_setup(&mut self, setup: HitterSetup) {
        self.setup = setup;
    }

    /// Takes the next frame; `pitcher` is known once a swing has shown it. Gives the travel between the gather and the
    /// swing.
    pub fn push(
        &mut self,
        frame: &PoseFrame,
        phase: Phase,
        pitcher: Option<Direction>,
    ) -> Option<HeadTravel> {
        let at = frame.captured_at;
        let body = frame.body.as_ref();
        let body = body.filter(|_| frame.camera != Some(CameraMotion::Lost));
        let Some(view) = body.and_then(HeadView::of) else {
            *self = Self::new(self.setup);
            return None;
        };
        let gap = self.last.map_or(0.0, |last| at.secs_since(last));
        self.last = Some(at);
        let x_px = self.filter.next(view.head_x_px, 1.0 / view.height_px, gap);
        match phase {
            Phase::Set => {
                self.settle(at, gap, x_px, &view, pitcher);
                None
            }
            Phase::Gather | Phase::Stride | Phase::Planted => {
                let rest = self.rest?;
                (at.secs_since(rest.since) >= SET_SECS).then_some(HeadTravel {
                    at,
                    forward_cm: rest.pitcher.sign() * (x_px - rest.x_px) * rest.cm_per_px,
                })
            }
            Phase::Away | Phase::Swing | Phase::Finish => {
                self.rest = None;
                None
            }
        }
    }

    fn settle(
        &mut self,
        at: CaptureTime,
        gap: f64,
        x_px: f64,
        view: &HeadView,
        pitcher: Option<Direction>,
    ) {
        let cm_per_px = self
            .setup
            .cm_per_px
            .unwrap_or_else(|| self.setup.height_cm.unwrap_or(UNKNOWN_HEIGHT_CM) / view.height_px);
        let pitcher = pitcher.unwrap_or(view.away_from_hands);
        let share = (gap / FOLLOW_SECS).clamp(0.0, 1.0);
        self.rest = Some(match self.rest {
            Some(rest) => Rest {
                x_px: rest.x_px + share * (x_px - rest.x_px),
                cm_per_px: rest.cm_per_px + share * (cm_per_px - rest.cm_per_px),
                pitcher,
                ..rest
            },
            None => Rest {
                x_px,
                cm_per_px,
                pitcher,
                since: at,
            },
        });
    }
}

impl HeadView {
    /// `None` where a part is missing, and where the hitter is not seen from the open side.
    fn of(body: &Body) -> Option<Self> {
        let point = |landmark| point_px(body, landmark);
        let middle = |a, b| Some(middle_px(point(a)?, point(b)?));
        let head =
            middle(Landmark::LeftEar, Landmark::RightEar).or_else(|| point(Landmark::Nose))?;
        let (left, right) = (point(Landmark::LeftAnkle)?, point(Landmark::RightAnkle)?);
        let shoulders = middle(Landmark::LeftShoulder, Landmark::RightShoulder)?;
        let hands = middle(Landmark::LeftWrist, Landmark::RightWrist)?;
        let height_px = HEIGHT_OF_STANCE * (middle_px(left, right)[1] - head[1]);
        if height_px < LEAST_HEIGHT_PX || (left[0] - right[0]).abs() < LEAST_STANCE * height_px {
            return None;
        }
        Some(Self {
            head_x_px: head[0],
            height_px,
            away_from_hands: Direction::of(shoulders[0] - hands[0]),
        })
    }
}
