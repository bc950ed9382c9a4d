//! Turns the stream of poses into reps, as it comes.
//!
//! In: pose frames in time order. Out: a [`FoundRep`] shortly after each swing or take, and the hitter's
//! phase at any time. The frame-by-frame part only notices that something may be over; what it was, and
//! when its parts happened, is read afterwards from the whole stretch with filters that do not delay.
//! All waiting is in capture time, so a recording read fast gives the same reps as a live camera.

use std::collections::VecDeque;

use crate::motion::{BodySeries, Direction, Signals};
use crate::pose::{BatAndTurn, PoseFrame};
use crate::time::CaptureTime;

use super::analysis::{self, AnalysisContext, FoundSwing, Refractory};
use super::ears::Ears;
use super::hidden_landmarks::resolve_hidden;
use super::live_motion::{self, LiveMotion, LiveMotionReader};
use super::not_counted::{NotCounted, NotCountedQueue, NotCountedReason, Refused};
use super::setup::HitterSetup;
use super::slow_motion::SlowMotion;
use super::take;
use super::types::{Phase, PitchTimes, Rep};

/// How much of the past is kept: the longest rep from set to finish, with room for the set itself.
const KEPT_SECS: f64 = 9.0;
/// How much of it an analysis reads.
const LOOK_BACK_SECS: f64 = 6.0;
/// A burst of the hands faster than this wakes the finder, heights a second.
const WAKE_SPEED: f64 = 1.1;
/// The hands have come to rest below this, heights a second.
const REST_SPEED: f64 = 0.45;
/// They must have rested this long.
const HANDS_REST_SECS: f64 = 0.05;
/// A faster frame moves the burst's peak for this long after it; what comes later belongs to another burst.
const PEAK_SECS: f64 = 0.25;
/// The earliest and latest time after the burst's peak at which a swing counts as over.
const SWING_OVER_SECS: (f64, f64) = (0.42, 0.8);
/// How long after a foot has come to rest a stride counts as a take.
const TAKE_SECS: f64 = 0.75;
/// A foot faster than this strides, slower than the second rests; heights a second.
const FOOT_SPEEDS: (f64, f64) = (0.22, 0.1);
/// A foot that was fast for less than this only twitched.
const LEAST_STRIDE_SECS: f64 = 0.1;
/// A foot that moves again this soon after it rested only tapped: the stride goes on.
const TAP_SECS: f64 = 0.5 * TAKE_SECS;
/// A new rep cannot begin this soon after the one before.
const REFRACTORY_SECS: f64 = 1.0;
/// The same after a take, from when its foot came down.
const REFRACTORY_AFTER_TAKE_SECS: f64 = 0.3;

/// Hands slower than this share of their burst's peak follow through.
const FOLLOW_THROUGH: f64 = 0.6;
/// A body slower than this is quiet in its stance, heights a second.
const QUIET_SPEED: f64 = 0.06;

/// A rep keeps the frames from this long before its first event on, but at most from so long before its gather: two
/// seconds show all of a long set.
const KEPT_BEFORE_SECS: f64 = 0.5;
const KEPT_BEFORE_GATHER_SECS: f64 = 2.0;

/// A recording that ends without a swing is analyzed once more as a whole, as if filmed at life's pace and at these many
/// times slower where its pace is not known.
const SECOND_LOOK: [f64; 3] = [1.0, 2.0, 4.0];

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
    setup: HitterSetup,
    recent: VecDeque<PoseFrame>,
    live_motion: LiveMotionReader,
    hands: Hands,
    foot: FootWatch,
    phase: Phase,
    /// Whether [`Self::recent`] still holds every frame.
    all_kept: bool,
    /// When the last swing's hands peaked, and where the pitcher was.
    last_swing: Option<(CaptureTime, Direction)>,
    /// Nothing so soon after the last rep may become one.
    refractory: Option<Refractory>,
    /// Where the stretch that was analyzed last begins, if the landmarks were on another body before.
    another_body_before: Option<CaptureTime>,
    /// Where the pitcher is, once a swing has shown it.
    pitcher: Option<Direction>,
    /// The pitch that the hitter swings at, if one was played.
    pitch: Option<PitchTimes>,
    /// What was seen and does not count.
    not_counted: NotCountedQueue,
    /// What is known of the sounds, where a microphone listens.
    ears: Option<Ears>,
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
    pub fn new(setup: HitterSetup) -> Self {
        Self {
            setup,
            recent: VecDeque::new(),
            live_motion: LiveMotionReader::default(),
            hands: Hands::Quiet,
            foot: FootWatch::Standing,
            phase: Phase::Away,
            all_kept: true,
            last_swing: None,
            another_body_before: None,
            refractory: None,
            pitcher: None,
            pitch: None,
            not_counted: NotCountedQueue::default(),
            ears: None,
        }
    }

    /// Goes by what these ears hear from now on; what was learned is given back by [`Self::take_ears`].
    pub fn set_ears(&mut self, ears: Option<Ears>) {
        self.ears = ears;
    }

    /// The ears, for the finder after this one.
    pub(crate) fn take_ears(&mut self) -> Option<Ears> {
        self.ears.take()
    }

    /// The ears, to give them what was heard.
    pub fn ears_mut(&mut self) -> Option<&mut Ears> {
        self.ears.as_mut()
    }

    /// Goes by this setup from the next frame on; what was seen is kept. A rep that is under way is measured by it.
    pub fn set_setup(&mut self, setup: HitterSetup) {
        self.setup = setup;
    }

    /// The pitch that was played last, or that there is none. The next reps are measured against it as far as they belong to
    /// it, so keep it set until the reps that it may have caused are found: two seconds after its arrival.
    pub fn set_pitch(&mut self, pitch: Option<PitchTimes>) {
        self.pitch = pitch;
    }

    /// Where the pitcher is in the picture, once a swing has shown it.
    pub fn pitcher(&self) -> Option<Direction> {
        self.pitcher
    }

    /// What the hitter is doing as of the last frame; live and therefore a little late and rough.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// Takes the next frame. Gives a rep when one has just ended.
    pub fn push(&mut self, mut frame: PoseFrame) -> Option<FoundRep> {
        let now = frame.captured_at;
        if let Some(body) = &mut frame.body {
            resolve_hidden(body);
        }
        self.recent.push_back(frame);
        while self
            .recent
            .front()
            .is_some_and(|f| now.secs_since(f.captured_at) > KEPT_SECS)
        {
            self.recent.pop_front();
            self.all_kept = false;
        }
        self.not_counted.step(now);
        let motion = self.recent.back().and_then(|f| self.live_motion.read(f));
        let Some(motion) = motion else {
            self.phase = Phase::Away;
            // A swing whose end is hidden is still analyzed, by what was seen of it.
            return self.hands_step(now, 0.0);
        };
        self.follow_phase(&motion);
        self.hands_step(now, motion.hand_speed)
            .or_else(|| self.foot_step(now, &motion))
    }

    /// Puts bat and turn to a frame that was pushed before; nothing where that frame is forgotten.
    pub(crate) fn put_bat_and_turn(&mut self, frame: u64, read: BatAndTurn) {
        if let Ok(at) = self.recent.binary_search_by_key(&frame, |f| f.index) {
            let frame = &mut self.recent[at];
            (frame.bat, frame.turn) = (read.bat, read.turn);
        }
    }

    /// The recording is over: a swing that has not come to its end is analyzed as far as it goes.
    pub fn finish(&mut self) -> Option<FoundRep> {
        let now = self.recent.back()?.captured_at;
        let waiting = match std::mem::replace(&mut self.hands, Hands::Quiet) {
            Hands::Burst { peak_at, .. } => self.judge_swing(peak_at, now),
            Hands::Quiet => None,
        };
        let found = waiting.or_else(|| self.second_look(now));
        self.not_counted.end();
        found
    }

    /// What was seen and not counted, each movement once, some seconds after it.
    pub fn take_not_counted(&mut self) -> Vec<NotCounted> {
        self.not_counted.take()
    }

    /// The same with what a later look might still have counted: the finder will see no more.
    pub fn take_all_not_counted(&mut self) -> Vec<NotCounted> {
        self.not_counted.end();
        self.not_counted.take()
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
                if speed > *peak && now.secs_since(*peak_at) < PEAK_SECS {
                    (*peak, *peak_at) = (speed, now);
                }
                if speed > REST_SPEED {
                    *resting_since = None;
                } else if resting_since.is_none() {
                    *resting_since = Some(now);
                }
                let rested =
                    resting_since.is_some_and(|since| now.secs_since(since) >= HANDS_REST_SECS);
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

    fn foot_step(&mut self, now: CaptureTime, motion: &LiveMotion) -> Option<FoundRep> {
        let speed = motion.foot_speed;
        self.foot = match self.foot {
            FootWatch::Standing if speed > FOOT_SPEEDS.0 => FootWatch::Moving { since: now },
            FootWatch::Moving { since }
                if speed < FOOT_SPEEDS.1 && now.secs_since(since) > LEAST_STRIDE_SECS =>
            {
                FootWatch::Down { at: now }
            }
            FootWatch::Down { at } if speed > FOOT_SPEEDS.0 && now.secs_since(at) < TAP_SECS => {
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
        let signals = self.signals(now, LOOK_BACK_SECS)?;
        let context = self.context(SlowMotion::NONE);
        let mut refused = Vec::new();
        let found = analysis::swing(&signals, peak_at, now, &context, &mut refused);
        for refused in refused {
            // Whichever side was named, it was a swing: what follows is the hands' way back.
            if refused.missed.reason == NotCountedReason::OtherSide
                && let Some(pitcher) = refused.rep.as_ref().and_then(|rep| rep.pitcher)
            {
                self.last_swing = Some((refused.at, pitcher));
            }
            self.note_refused(refused);
        }
        found.map(|found| self.take_down(found))
    }

    /// A short recording in which no swing was found as it came, analyzed as a whole.
    ///
    /// Only here is a film taken to be in slow motion: what a camera sends never is, and a hitter who goes through the
    /// motion slowly between reps does not swing.
    fn second_look(&mut self, now: CaptureTime) -> Option<FoundRep> {
        if !self.all_kept || self.last_swing.is_some() {
            return None;
        }
        let signals = self.signals(now, KEPT_SECS)?;
        let factors = match self.setup.life_pace {
            true => &SECOND_LOOK[..1],
            false => &SECOND_LOOK[..],
        };
        let found = factors.iter().find_map(|&factor| {
            let slow_motion = SlowMotion { factor };
            let at_life = slow_motion.to_life(&signals);
            let context = self.context(slow_motion);
            // What does not count was told when it came.
            let found = analysis::swing(&at_life, signals.start, now, &context, &mut Vec::new())?;
            Some(FoundSwing {
                hand_peak: slow_motion.time_on_film(found.hand_peak, signals.start),
                rep: slow_motion.on_film(found.rep, signals.start, now),
                ..found
            })
        })?;
        Some(self.take_down(found))
    }

    fn context(&self, slow_motion: SlowMotion) -> AnalysisContext<'_> {
        AnalysisContext {
            setup: &self.setup,
            slow_motion,
            pitch: self.pitch,
            pitcher: self.pitcher,
            not_before: self.refractory,
            last_swing: self.last_swing,
            another_body_before: self.another_body_before,
            ears: self.ears.as_ref(),
        }
    }

    fn note_refused(&mut self, refused: Refused) {
        let Refused {
            kind,
            at,
            missed,
            rep,
        } = refused;
        let found = rep.map(|rep| self.with_frames(rep));
        self.not_counted.refused(NotCounted {
            kind,
            at,
            missed,
            found,
        });
    }

    fn take_down(&mut self, found: FoundSwing) -> FoundRep {
        self.last_swing = Some((found.hand_peak, found.pitcher));
        self.pitcher = Some(found.pitcher);
        self.refractory = Some(Refractory {
            from: found.hand_peak,
            secs: REFRACTORY_SECS,
        });
        self.foot = FootWatch::Standing;
        if let (Some(ears), Some(heard)) = (&mut self.ears, &found.heard) {
            ears.learn(heard);
        }
        self.not_counted.counted(&found.rep);
        self.with_frames(found.rep)
    }

    fn judge_take(&mut self, down_at: CaptureTime, now: CaptureTime) -> Option<FoundRep> {
        if matches!(self.hands, Hands::Burst { .. }) {
            return None;
        }
        let signals = self.signals(now, LOOK_BACK_SECS)?;
        let context = self.context(SlowMotion::NONE);
        match take::take(&signals, down_at, now, &context) {
            Ok(rep) => {
                self.refractory = Some(Refractory {
                    from: down_at,
                    secs: REFRACTORY_AFTER_TAKE_SECS,
                });
                self.not_counted.counted(&rep);
                Some(self.with_frames(rep))
            }
            Err(refused) => {
                if let Some(refused) = refused {
                    self.note_refused(*refused);
                }
                None
            }
        }
    }

    fn signals(&mut self, now: CaptureTime, look_back_secs: f64) -> Option<Signals> {
        let from = now.plus_secs(-look_back_secs);
        let recent = self.recent.make_contiguous();
        let frames = &recent[recent.partition_point(|f| f.captured_at < from)..];
        let jump = live_motion::last_jump(frames);
        let frames = &frames[jump..];
        self.another_body_before = frames.first().filter(|_| jump > 0).map(|f| f.captured_at);
        let body = BodySeries::from_frames(frames, self.live_motion.frame_rate()?)?;
        let scale = self.setup.scale(&body)?;
        let roll_rad = self.setup.roll_deg.unwrap_or(0.0).to_radians();
        Signals::new(&body, scale, roll_rad).ok()
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
            .map_or(rep.known_at, |t| t.plus_secs(-KEPT_BEFORE_SECS));
        let first = first.max(
            rep.events
                .gather
                .or(rep.events.plant)
                .unwrap_or(rep.known_at)
                .plus_secs(-KEPT_BEFORE_GATHER_SECS),
        );
        let frames = self
            .recent
            .iter()
            .filter(|f| f.captured_at >= first)
            .cloned()
            .collect();
        FoundRep { rep, frames }
    }

    fn follow_phase(&mut self, motion: &LiveMotion) {
        let in_stance = motion.upright && motion.hands_up;
        self.phase = match (self.hands, self.foot) {
            _ if !motion.upright => Phase::Away,
            (Hands::Burst { peak, .. }, _) if motion.hand_speed < FOLLOW_THROUGH * peak => {
                Phase::Finish
            }
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
            (_, FootWatch::Standing) if motion.body_speed < QUIET_SPEED => Phase::Set,
            (_, FootWatch::Standing) if matches!(self.phase, Phase::Set | Phase::Gather) => {
                Phase::Gather
            }
            (_, FootWatch::Standing) if self.phase == Phase::Finish => Phase::Away,
            _ => self.phase,
        };
    }
}
