//! Turns the stream of poses into reps, as it comes.
//!
//! In: pose frames in time order. Out: a [`FoundRep`] shortly after each swing or take, and the hitter's
//! phase at any time. The frame-by-frame part only notices that something may be over; what it was, and
//! when its parts happened, is read afterwards from the whole stretch with filters that do not delay.
//! All waiting is in capture time, so a recording read fast gives the same reps as a live camera.

use std::collections::VecDeque;

use crate::motion::{BodySeries, Scale, Signals};
use crate::pose::PoseFrame;
use crate::time::CaptureTime;

use super::analysis::{self, Verdicts};
use super::pulse::{self, Pulse, PulseReader};
use super::types::{Bats, Phase, Rep, View};

/// How much of the past is kept: the longest rep from set to finish, with room for the set itself.
const KEPT_SECS: f64 = 9.0;
/// How much of it an analysis looks at.
const LOOK_BACK_SECS: f64 = 6.0;
/// A burst of the hands faster than this wakes the finder, heights a second.
const WAKE_SPEED: f64 = 1.1;
/// The hands have come to rest below this, heights a second.
const REST_SPEED: f64 = 0.45;
/// They must have rested this long.
const REST_SECS: f64 = 0.05;
/// The earliest and latest time after the burst's peak at which a swing is taken for over.
const SWING_OVER_SECS: (f64, f64) = (0.42, 0.8);
/// How long after a foot has come to rest a stride counts as a take.
const TAKE_SECS: f64 = 0.75;
/// A foot faster than this strides, slower than the second rests; heights a second.
const FOOT_SPEEDS: (f64, f64) = (0.22, 0.1);
/// A new rep cannot begin this soon after the one before.
const REFRACTORY_SECS: f64 = 1.0;
/// The hands' way back after a swing is not a swing of the other side until this long after it.
const WAY_BACK_SECS: f64 = 4.0;

/// What the operator has said about the hitter and the camera.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FinderSettings {
    /// Standing height, if it is known.
    pub height_cm: Option<f64>,
    /// Centimetres a pixel where the hitter stands, if a known length was measured in the picture.
    pub cm_per_px: Option<f64>,
    /// The side, if it was told.
    pub bats: Option<Bats>,
    /// The camera's place, if it was told.
    pub view: Option<View>,
}

/// A rep with the poses it was read from.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundRep {
    /// The rep.
    pub rep: Rep,
    /// The frames from shortly before its first event to shortly after its last.
    pub frames: Vec<PoseFrame>,
}

/// Follows one hitter.
pub struct RepFinder {
    settings: FinderSettings,
    recent: VecDeque<PoseFrame>,
    pulse: PulseReader,
    hands: Hands,
    foot: FootWatch,
    phase: Phase,
    /// When the last swing's hands peaked, and which way it went.
    last_swing: Option<(CaptureTime, f64)>,
    /// Nothing before this may become a rep any more.
    free_from: Option<CaptureTime>,
    /// The way the pitcher stands, once a swing has shown it.
    forward: Option<f64>,
}

/// What the hands are doing, live.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Hands {
    Quiet,
    Burst {
        peak_at: CaptureTime,
        peak: f64,
        resting_since: Option<CaptureTime>,
    },
}

/// What the feet are doing, live.
#[derive(Clone, Copy, Debug, PartialEq)]
enum FootWatch {
    Standing,
    Moving { since: CaptureTime },
    Down { at: CaptureTime },
}

impl RepFinder {
    /// A finder that has seen nothing yet.
    pub fn new(settings: FinderSettings) -> Self {
        Self {
            settings,
            recent: VecDeque::new(),
            pulse: PulseReader::default(),
            hands: Hands::Quiet,
            foot: FootWatch::Standing,
            phase: Phase::Away,
            last_swing: None,
            free_from: None,
            forward: None,
        }
    }

    /// What the hitter is doing as of the last frame; live and therefore a little late and rough.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// Takes the next frame. Gives a rep when one has just ended.
    pub fn push(&mut self, frame: PoseFrame) -> Option<FoundRep> {
        let now = frame.captured_at;
        self.recent.push_back(frame);
        while self
            .recent
            .front()
            .is_some_and(|f| now.secs_since(f.captured_at) > KEPT_SECS)
        {
            self.recent.pop_front();
        }
        let pulse = self.recent.back().and_then(|f| self.pulse.read(f));
        let Some(pulse) = pulse else {
            self.phase = Phase::Away;
            // A swing whose end is hidden is still judged by what was seen of it.
            return self.hands_step(now, 0.0);
        };
        self.follow_phase(&pulse);
        self.hands_step(now, pulse.hand_speed)
            .or_else(|| self.foot_step(now, &pulse))
    }

    /// The recording is over: a swing that waits for its end is judged by what there is.
    pub fn finish(&mut self) -> Option<FoundRep> {
        let now = self.recent.back()?.captured_at;
        match self.hands {
            Hands::Burst { peak_at, .. } => {
                self.hands = Hands::Quiet;
                self.judge_swing(peak_at, now)
            }
            Hands::Quiet => None,
        }
    }

    fn hands_step(&mut self, now: CaptureTime, speed: f64) -> Option<FoundRep> {
        match &mut self.hands {
            Hands::Quiet => {
                if speed > WAKE_SPEED {
                    self.hands = Hands::Burst {
                        peak_at: now,
                        peak: speed,
                        resting_since: None,
                    };
                }
                None
            }
            Hands::Burst {
                peak_at,
                peak,
                resting_since,
            } => {
                if speed > *peak && now.secs_since(*peak_at) < 0.25 {
                    (*peak, *peak_at) = (speed, now);
                }
                if speed > REST_SPEED {
                    *resting_since = None;
                } else if resting_since.is_none() {
                    *resting_since = Some(now);
                }
                let rested = resting_since.is_some_and(|since| now.secs_since(since) >= REST_SECS);
                let age = now.secs_since(*peak_at);
                let over = (rested && age >= SWING_OVER_SECS.0) || age >= SWING_OVER_SECS.1;
                if !over {
                    return None;
                }
                let peak_at = *peak_at;
                self.hands = Hands::Quiet;
                self.judge_swing(peak_at, now)
            }
        }
    }

    fn foot_step(&mut self, now: CaptureTime, pulse: &Pulse) -> Option<FoundRep> {
        let speed = pulse.foot_speed;
        self.foot = match self.foot {
            FootWatch::Standing if speed > FOOT_SPEEDS.0 => FootWatch::Moving { since: now },
            FootWatch::Moving { since } if speed < FOOT_SPEEDS.1 && now.secs_since(since) > 0.1 => {
                FootWatch::Down { at: now }
            }
            FootWatch::Down { at }
                if speed > FOOT_SPEEDS.0 && now.secs_since(at) < 0.5 * TAKE_SECS =>
            {
                FootWatch::Moving { since: now }
            }
            FootWatch::Down { at } if now.secs_since(at) >= TAKE_SECS => {
                self.foot = FootWatch::Standing;
                return self.judge_take(at, now);
            }
            other => other,
        };
        None
    }

    fn judge_swing(&mut self, peak_at: CaptureTime, now: CaptureTime) -> Option<FoundRep> {
        let signals = self.signals(now)?;
        let verdicts = Verdicts {
            told: &self.settings,
            forward: self.forward,
            not_before: self.free_from,
            no_turn_before: self
                .last_swing
                .map(|(at, forward)| (at.plus_secs(WAY_BACK_SECS), forward)),
        };
        let found = analysis::swing(&signals, peak_at, now, &verdicts)?;
        self.last_swing = Some((found.hand_peak, found.forward));
        self.forward = Some(found.forward);
        self.free_from = Some(found.hand_peak.plus_secs(REFRACTORY_SECS));
        self.foot = FootWatch::Standing;
        Some(self.with_frames(found.rep))
    }

    fn judge_take(&mut self, down_at: CaptureTime, now: CaptureTime) -> Option<FoundRep> {
        if matches!(self.hands, Hands::Burst { .. }) {
            return None;
        }
        let signals = self.signals(now)?;
        let verdicts = Verdicts {
            told: &self.settings,
            forward: self.forward,
            not_before: self.free_from,
            no_turn_before: None,
        };
        let rep = analysis::take(&signals, down_at, now, &verdicts)?;
        self.free_from = Some(down_at.plus_secs(0.3));
        Some(self.with_frames(rep))
    }

    fn signals(&self, now: CaptureTime) -> Option<Signals> {
        let from = now.plus_secs(-LOOK_BACK_SECS);
        let frames: Vec<PoseFrame> = self
            .recent
            .iter()
            .filter(|f| f.captured_at >= from)
            .cloned()
            .collect();
        let frames = &frames[pulse::last_jump(&frames)..];
        let body = BodySeries::from_frames(frames, self.pulse.frame_rate()?)?;
        let scale = match self.settings.cm_per_px {
            Some(known) => Scale::from_known_length(known, self.settings.height_cm),
            None => Scale::from_body(&body, self.settings.height_cm)?,
        };
        Signals::new(&body, scale, 0.0).ok()
    }

    fn with_frames(&self, rep: Rep) -> FoundRep {
        let times: Vec<CaptureTime> = rep
            .events
            .named()
            .into_iter()
            .filter_map(|(_, t)| t)
            .collect();
        let first = times
            .iter()
            .min()
            .map_or(rep.known_at, |t| t.plus_secs(-0.5));
        // A long set is not worth keeping: two seconds before the gather show all of it.
        let first = first.max(
            rep.events
                .gather
                .or(rep.events.plant)
                .unwrap_or(rep.known_at)
                .plus_secs(-2.0),
        );
        let frames = self
            .recent
            .iter()
            .filter(|f| f.captured_at >= first)
            .cloned()
            .collect();
        FoundRep { rep, frames }
    }

    fn follow_phase(&mut self, pulse: &Pulse) {
        let in_stance = pulse.upright && pulse.hands_up;
        self.phase = match (self.hands, self.foot) {
            _ if !pulse.upright => Phase::Away,
            (Hands::Burst { peak, .. }, _) if pulse.hand_speed < 0.6 * peak => Phase::Finish,
            (Hands::Burst { .. }, _) => Phase::Swing,
            _ if !in_stance => Phase::Away,
            (_, FootWatch::Moving { .. })
                if matches!(self.phase, Phase::Set | Phase::Gather | Phase::Stride) =>
            {
                Phase::Stride
            }
            (_, FootWatch::Down { .. }) if matches!(self.phase, Phase::Stride | Phase::Planted) => {
                Phase::Planted
            }
            (_, FootWatch::Standing) if pulse.body_speed < 0.06 => Phase::Set,
            (_, FootWatch::Standing) if matches!(self.phase, Phase::Set | Phase::Gather) => {
                Phase::Gather
            }
            (_, FootWatch::Standing) if self.phase == Phase::Finish => Phase::Away,
            _ => self.phase,
        };
    }
}
