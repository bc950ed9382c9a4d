//! How long a swing's finish was held, found after the swing itself was measured and cued.
//!
//! In: a swing just found and the frames that follow. Out: the measure `finish_hold_ms`, once the hitter moves off, has
//! held it long enough, or something else ends the waiting. The cue never waits for it; only what is logged does. All
//! waiting is in capture time.

use crate::motion::{BodySeries, Path, Signals, Steadying};
use crate::pose::PoseFrame;
use crate::time::CaptureTime;

use super::context::Reading;
use super::not_measured::NotMeasured;
use super::setup::HitterSetup;
use super::types::{Measure, MeasureName, Rep, RepKind};

/// How often the growing stretch is analyzed, seconds: it costs a few milliseconds.
const LOOK_SECS: f64 = 0.2;
/// How much the low pass needs to see after a time before it can be trusted there, seconds.
const EDGE_SECS: f64 = 0.15;
/// Frames from this long before the finish on are looked at: enough of the body for its scale.
const BEFORE_SECS: f64 = 1.5;

/// The finish is held while the hips' middle is slower than the first and both ankles than the second, heights a second
/// (common practice names the hold, no source a speed; found on rendered hitters as the least that landmarks do not reach
/// while the joints stand still).
const HELD_SPEEDS: (f64, f64) = (0.2, 0.2);
/// Cutoff of the zero-phase low pass for the hold, hertz.
const HOLD_HZ: f64 = 3.0;
/// The follow-through takes this long to settle after the hands rest; a body that still moves then holds nothing.
const SETTLE_SECS: f64 = 0.3;
/// A hold of this length is long enough: what follows is not looked at, seconds.
const HOLD_ENOUGH_SECS: f64 = 2.0;
/// Standard uncertainty of a hold, milliseconds: where the hands rest and where the body moves off are both soft.
const HOLD_SPREAD_MS: f64 = 80.0;

/// Waits for the end of one finish.
pub struct HoldWatch {
    setup: HitterSetup,
    fps: f64,
    finish: CaptureTime,
    next_look: CaptureTime,
}

impl HoldWatch {
    /// A watch for this rep; `None` where there is nothing to wait for: a take, a finish that was not seen, or a hold
    /// that is known already.
    pub fn new(setup: HitterSetup, rep: &Rep) -> Option<Self> {
        let finish = rep.events.finish?;
        let known = rep
            .measures
            .get(&MeasureName::FinishHold)
            .is_some_and(|m| m.value().is_some());
        if known || rep.kind != RepKind::Swing {
            return None;
        }
        Some(Self {
            setup,
            fps: rep.fps,
            finish,
            next_look: rep.known_at.plus_secs(LOOK_SECS),
        })
    }

    /// Gives the measure once it is known. `frames` are those that the rep was found with and all that came since; asked
    /// after each new one.
    pub fn step(&mut self, frames: &[PoseFrame]) -> Option<Measure> {
        let now = frames.last()?.captured_at;
        if now < self.next_look {
            return None;
        }
        self.next_look = now.plus_secs(LOOK_SECS);
        let overdue = now.secs_since(self.finish) > HOLD_ENOUGH_SECS + EDGE_SECS + LOOK_SECS;
        match self.look(frames, now) {
            made @ Ok(_) => Some(written(made)),
            why @ Err(_) if overdue => Some(written(why)),
            Err(_) => None,
        }
    }

    /// The measure by what was seen so far: nothing more will come.
    pub fn end(&self, frames: &[PoseFrame]) -> Measure {
        let end = frames.last().map_or(self.finish, |f| f.captured_at);
        // The very last frames are read without knowing what follows them, which is better than not at all.
        written(self.look(frames, end.plus_secs(EDGE_SECS)))
    }

    fn look(&self, frames: &[PoseFrame], now: CaptureTime) -> Result<Held, NotMeasured> {
        let unseen = NotMeasured::OutOfSight;
        let from = self.finish.plus_secs(-BEFORE_SECS);
        let frames = &frames[frames.partition_point(|f| f.captured_at < from)..];
        let body = BodySeries::from_frames(frames, self.fps).ok_or(unseen)?;
        let scale = self.setup.scale(&body).ok_or(unseen)?;
        let signals = Signals::new(&body, scale, 0.0).map_err(|_| unseen)?;
        let (millis, plus_minus) = finish_hold(&signals, Some(signals.sample_at(self.finish)))?;
        if now.secs_since(self.finish) < 1e-3 * millis + EDGE_SECS {
            return Err(NotMeasured::EndsInHold);
        }
        let (from, to) = (
            signals.index(signals.sample_at(self.finish)),
            signals.index(signals.sample_at(self.finish.plus_secs(1e-3 * millis))),
        );
        let seen = &signals.hips.visibility[from..=to];
        Ok(Held {
            millis,
            plus_minus,
            confidence: seen.iter().sum::<f64>() / seen.len() as f64,
        })
    }
}

struct Held {
    millis: f64,
    plus_minus: f64,
    confidence: f64,
}

fn written(held: Result<Held, NotMeasured>) -> Measure {
    match held {
        Ok(held) => Measure::Made {
            value: held.millis,
            plus_minus: held.plus_minus,
            confidence: held.confidence,
        },
        Err(why) => why.into(),
    }
}

/// `finish_hold_ms`: how long after the finish hips and feet stay where they are, at most [`HOLD_ENOUGH_SECS`].
///
/// Works in every view, for it needs no direction. `finish` is a fractional sample index.
///
/// # Errors
/// Where the finish is not seen, the hitter goes out of sight, or the stretch ends while the finish is still held: how
/// long it was held is then not known yet.
pub(super) fn finish_hold(signals: &Signals, finish: Option<f64>) -> Reading {
    let finish = finish.ok_or(NotMeasured::FinishNotSeen)?;
    let rate = signals.rate_hz;
    let height = signals.scale.height_cm;
    let from = signals.index(finish);
    let enough = from + (HOLD_ENOUGH_SECS * rate).round() as usize;
    let settle = from + (SETTLE_SECS * rate).round() as usize;
    let speed = |p: &Path| p.smoothed(HOLD_HZ, rate).speed(rate);
    let hips = speed(&signals.hips);
    let (left, right) = (
        speed(&signals.feet.left.ankle),
        speed(&signals.feet.right.ankle),
    );
    let held = |i: usize| {
        hips[i] < HELD_SPEEDS.0 * height
            && left[i] < HELD_SPEEDS.1 * height
            && right[i] < HELD_SPEEDS.1 * height
    };
    let last = signals.len.saturating_sub(1);
    let lost = |steadying: &Steadying| steadying.is_lost(from, enough.min(last));
    if signals.steadying.as_deref().is_some_and(lost) {
        return Err(NotMeasured::CameraMoved);
    }
    if settle > last {
        return Err(NotMeasured::EndsWithFinish);
    }
    if !held(settle) {
        return Ok((0.0, HOLD_SPREAD_MS));
    }
    for i in settle..=enough.min(last) {
        if !signals.found[i] {
            return Err(NotMeasured::OutOfSight);
        }
        if !held(i) {
            return Ok((1000.0 * (i as f64 - finish) / rate, HOLD_SPREAD_MS));
        }
    }
    if enough <= last {
        Ok((1000.0 * HOLD_ENOUGH_SECS, HOLD_SPREAD_MS))
    } else {
        Err(NotMeasured::EndsInHold)
    }
}

#[cfg(test)]
mod tests {
    use super::super::test_figure::Figure;
    use super::*;

    #[test]
    fn a_hold_lasts_until_the_feet_or_hips_go() {
        let figure = Figure {
            leaves_secs: 1.8,
            ..Figure::default()
        };
        let (signals, estimates) = figure.build();
        let (held, spread) = finish_hold(&signals, estimates.finish).unwrap();
        let truth = 1000.0 * figure.held_secs();
        assert!((held - truth).abs() < 2.0 * spread, "{held} {truth}");
    }

    #[test]
    fn a_hold_is_not_known_before_it_ends_and_stops_at_enough() {
        let still = Figure {
            leaves_secs: 99.0,
            ..Figure::default()
        };
        let (signals, estimates) = still.build();
        assert_eq!(
            finish_hold(&signals, estimates.finish),
            Err(NotMeasured::EndsInHold)
        );
        let late = signals.len as f64 - 5.0;
        assert_eq!(
            finish_hold(&signals, Some(late)),
            Err(NotMeasured::EndsWithFinish)
        );
        let early = signals.len as f64 - 1.0 - 2.1 * signals.rate_hz;
        let (held, _) = finish_hold(&signals, Some(early)).unwrap();
        assert!((held - 1000.0 * HOLD_ENOUGH_SECS).abs() < 1e-9);
        assert_eq!(finish_hold(&signals, None), Err(NotMeasured::FinishNotSeen));
    }
}
