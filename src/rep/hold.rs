//! How a swing's finish was held, learnt after the swing itself was judged.
//!
//! In: a swing just found and the frames that follow. Out: the measure `finish_hold_ms`, once the hitter moves off, has
//! held it long enough, or something else ends the waiting. The cue never waits for it; only what is logged does. All
//! waiting is in capture time.

use crate::motion::{BodySeries, Scale, Signals};
use crate::pose::PoseFrame;
use crate::time::CaptureTime;

use super::finder::{FinderSettings, FoundRep};
use super::firing::{HOLD_ENOUGH_SECS, finish_hold};
use super::not_measured::NotMeasured;
use super::types::{Measure, MeasureName, RepKind};

/// How often the growing stretch is looked at, seconds: a look costs a few milliseconds.
const LOOK_SECS: f64 = 0.2;
/// What the low pass needs to see beyond a moment before it can be trusted there, seconds.
const EDGE_SECS: f64 = 0.15;
/// Frames from this long before the finish on are kept: enough of the body for its scale.
const BEFORE_SECS: f64 = 1.5;

/// Waits for the end of one finish.
pub struct HoldWatch {
    told: FinderSettings,
    frames: Vec<PoseFrame>,
    fps: f64,
    finish: CaptureTime,
    next_look: CaptureTime,
    /// How many of the frames the rep itself was found with.
    known: usize,
}

impl HoldWatch {
    /// A watch for this rep; `None` where there is nothing to wait for: a take, a finish that was not seen, or a hold
    /// that is known already.
    pub fn new(told: FinderSettings, found: &FoundRep) -> Option<Self> {
        let finish = found.rep.events.finish?;
        let known = found
            .rep
            .measures
            .get(&MeasureName::FinishHold)
            .is_some_and(|m| m.value().is_some());
        if known || found.rep.kind != RepKind::Swing {
            return None;
        }
        let from = finish.plus_secs(-BEFORE_SECS);
        let frames: Vec<PoseFrame> = found
            .frames
            .iter()
            .filter(|f| f.captured_at >= from)
            .cloned()
            .collect();
        Some(Self {
            told,
            known: frames.len(),
            frames,
            fps: found.rep.fps,
            finish,
            next_look: found.rep.known_at.plus_secs(LOOK_SECS),
        })
    }

    /// Takes the next frame; gives the measure once it is known.
    pub fn push(&mut self, frame: &PoseFrame) -> Option<Measure> {
        let now = frame.captured_at;
        self.frames.push(frame.clone());
        if now < self.next_look {
            return None;
        }
        self.next_look = now.plus_secs(LOOK_SECS);
        let overdue = now.secs_since(self.finish) > HOLD_ENOUGH_SECS + EDGE_SECS + LOOK_SECS;
        match self.look(now) {
            made @ Ok(_) => Some(written(made)),
            why @ Err(_) if overdue => Some(written(why)),
            Err(_) => None,
        }
    }

    /// The measure by what was seen so far: nothing more will come.
    pub fn end(&self) -> Measure {
        let end = self.frames.last().map_or(self.finish, |f| f.captured_at);
        // The very last frames are judged without knowing what follows them; better so than not at all.
        written(self.look(end.plus_secs(EDGE_SECS)))
    }

    /// The frames that came after those the rep was found with.
    pub fn later_frames(&self) -> &[PoseFrame] {
        &self.frames[self.known..]
    }

    fn look(&self, now: CaptureTime) -> Result<Held, NotMeasured> {
        let unseen = NotMeasured::OutOfSight;
        let body = BodySeries::from_frames(&self.frames, self.fps).ok_or(unseen)?;
        let scale = match self.told.cm_per_px {
            Some(known) => Scale::from_known_length(known, self.told.height_cm),
            None => Scale::from_body(&body, self.told.height_cm).ok_or(unseen)?,
        };
        let signals = Signals::new(&body, scale, 0.0).map_err(|_| unseen)?;
        let (millis, plus_minus) = finish_hold(&signals, Some(signals.place_of(self.finish)))?;
        if now.secs_since(self.finish) < 1e-3 * millis + EDGE_SECS {
            return Err(NotMeasured::EndsInHold);
        }
        let (from, to) = (
            signals.index(signals.place_of(self.finish)),
            signals.index(signals.place_of(self.finish.plus_secs(1e-3 * millis))),
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
