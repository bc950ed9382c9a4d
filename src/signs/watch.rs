//! Tells a sign that is held from arms that go through it.

use std::collections::VecDeque;

use super::Sign;
use super::arms::{Arms, Shape};
use crate::pose::PoseFrame;
use crate::time::CaptureTime;

/// A sign counts once it has been held this long, seconds. Of filmed swings, pitches, serves and ten exercises none holds such
/// arms for half of it: see docs/signs.md.
const HOLD_SECS: f64 = 0.9;
/// A hand that is kept up this long asks for something else, seconds from its beginning.
const KEPT_SECS: f64 = 3.0;
/// This share of the frames must show the sign.
const SHARE: f64 = 0.65;
/// A held wrist wanders by this at most about its middle place, in trunks (root mean square), as its mean place in each ninth of the
/// hold has it: a hand that waves does not hold, landmarks that tremble from frame to frame do.
const WANDER: f64 = 0.11;
const PIECES: usize = 9;
/// Frames further apart than this are no hold, seconds.
const GAP_SECS: f64 = 0.4;
/// The hands must have been down for this long before a sign counts again, seconds.
const LOWERED_SECS: f64 = 0.3;

/// One frame of the last second.
#[derive(Clone, Copy)]
struct Seen {
    at: CaptureTime,
    arms: Option<Arms>,
}

/// What the hitter has asked since the hands were down.
#[derive(Clone, Copy, PartialEq)]
enum State {
    /// Nothing: the next sign counts.
    Ready,
    /// A hand is up and was answered; it was seen up at `seen`, and has been since `since`.
    HandUp {
        since: CaptureTime,
        seen: CaptureTime,
    },
    /// Something that was answered: the hands must come down.
    Answered,
}

/// Watches one hitter's arms.
pub struct SignWatch {
    roll_rad: f64,
    window: VecDeque<Seen>,
    state: State,
    /// Since when the hands are down.
    lowered_since: Option<CaptureTime>,
}

impl SignWatch {
    /// One that has seen nothing; `roll_deg` is the camera's roll, where it was measured.
    pub fn new(roll_deg: Option<f64>) -> Self {
        Self {
            roll_rad: roll_deg.unwrap_or(0.0).to_radians(),
            window: VecDeque::with_capacity(256),
            state: State::Ready,
            lowered_since: None,
        }
    }

    /// Takes the next frame; gives the sign that is complete with it.
    pub fn step(&mut self, pose: &PoseFrame) -> Option<Sign> {
        let at = pose.captured_at;
        let arms = pose
            .body
            .as_ref()
            .and_then(|body| Arms::of(body, self.roll_rad));
        let is_gap = |seen: &Seen| !(0.0..=GAP_SECS).contains(&at.secs_since(seen.at));
        if self.window.back().is_some_and(is_gap) {
            self.window.clear();
        }
        self.window.push_back(Seen { at, arms });
        // One frame more than the hold stays, so that the hold is covered whole.
        while self
            .window
            .get(1)
            .is_some_and(|seen| at.secs_since(seen.at) >= HOLD_SECS)
        {
            self.window.pop_front();
        }
        self.note_lowered(at, arms);
        match self.state {
            State::Ready => self.begin(at),
            State::HandUp { since, seen } => self.keep(at, since, seen, arms),
            State::Answered => None,
        }
    }

    fn note_lowered(&mut self, at: CaptureTime, arms: Option<Arms>) {
        match arms {
            Some(arms) if arms.lowered => {
                let since = *self.lowered_since.get_or_insert(at);
                if at.secs_since(since) >= LOWERED_SECS {
                    self.state = State::Ready;
                }
            }
            Some(_) => self.lowered_since = None,
            // Nobody is seen: that tells nothing about hands.
            None => {}
        }
    }

    fn begin(&mut self, at: CaptureTime) -> Option<Sign> {
        let held = self.held()?;
        let (sign, state) = match held {
            Shape::Up => (
                Sign::HandUp,
                State::HandUp {
                    since: at.plus_secs(-HOLD_SECS),
                    seen: at,
                },
            ),
            Shape::UpAndOut => (Sign::HandUpArmOut, State::Answered),
        };
        self.state = state;
        Some(sign)
    }

    fn keep(
        &mut self,
        at: CaptureTime,
        since: CaptureTime,
        seen: CaptureTime,
        arms: Option<Arms>,
    ) -> Option<Sign> {
        let is_up = arms.is_some_and(|arms| arms.shape == Some(Shape::Up));
        let seen = if is_up { at } else { seen };
        if at.secs_since(seen) > GAP_SECS {
            self.state = State::Answered;
            return None;
        }
        self.state = State::HandUp { since, seen };
        let kept = is_up && at.secs_since(since) >= KEPT_SECS && self.held() == Some(Shape::Up);
        kept.then(|| {
            self.state = State::Answered;
            Sign::HandKeptUp
        })
    }

    /// The shape that was held still for the whole window.
    fn held(&self) -> Option<Shape> {
        let (first, last) = (self.window.front()?, self.window.back()?);
        if last.at.secs_since(first.at) < HOLD_SECS {
            return None;
        }
        let shape = last.arms?.shape?;
        let in_shape = || {
            self.window
                .iter()
                .filter_map(|seen| Some((seen.at, seen.arms?)))
                .filter(|(_, arms)| arms.shape == Some(shape))
        };
        let count = in_shape().count();
        if (count as f64) < SHARE * self.window.len() as f64 {
            return None;
        }
        let piece_secs = HOLD_SECS / PIECES as f64;
        let still = (0..2).all(|wrist| {
            let piece_of = |at: CaptureTime| (at.secs_since(first.at) / piece_secs) as usize;
            let place = |piece| {
                let in_piece = in_shape().filter(|(at, _)| piece_of(*at) == piece);
                mean(in_piece.map(|(_, arms)| arms.wrists[wrist]))
            };
            // A piece without a frame in shape has no place.
            let places = || (0..=PIECES).filter_map(place);
            let Some(middle) = mean(places()) else {
                return false;
            };
            let squares = places().map(|place| [apart(place, middle).powi(2), 0.0]);
            mean(squares).is_some_and(|[square, _]| square.sqrt() <= WANDER)
        });
        still.then_some(shape)
    }
}

/// The mean place; `None` where there is none.
fn mean(places: impl Iterator<Item = [f64; 2]>) -> Option<[f64; 2]> {
    let (mut sum, mut count) = ([0.0; 2], 0.0);
    for [x, y] in places {
        sum = [sum[0] + x, sum[1] + y];
        count += 1.0;
    }
    (count > 0.0).then(|| sum.map(|total| total / count))
}

fn apart(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}
