//! A rep measured again after a person moved one of its events.
//!
//! In: the rep as it is logged, its landmarks, the event and its new time. Out: the events and measures as they are with
//! it. Everything else about the rep, its scale above all, stays as it was when it was found.

use std::collections::BTreeMap;

use crate::motion::{BodySeries, Direction, Scale, Signals, Stance};
use crate::pose::Landmark;
use crate::pose::PoseFrame;
use crate::time::CaptureTime;

use super::analysis::leveled;
use super::context::MeasureContext;
use super::estimates::{EventEstimate, EventEstimates};
use super::event_name::EventName;
use super::events;
use super::heard::Heard;
use super::measures;
use super::not_measured::NotMeasured;
use super::types::{Events, Measure, MeasureName, PitchTimes, Rep, RepKind};
use super::view::as_sure_as_seen;

/// A person who looks at single frames sets an event to the nearest of them; standard uncertainty in frames.
const BY_EYE_FRAMES: f64 = 1.0;
/// The fit's own spread of an event that was not moved counts where the fit finds the event again this near, frames.
const SAME_FRAMES: f64 = 0.5;
/// Standard uncertainty of an event whose fit is not found again, frames.
const UNKNOWN_FRAMES: f64 = 2.0;

/// What a rep becomes.
#[derive(Clone, Debug, PartialEq)]
pub struct Corrected {
    /// Its times.
    pub events: Events,
    /// Its measures.
    pub measures: BTreeMap<MeasureName, Measure>,
}

/// Why an event cannot be moved there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CannotMove {
    /// It would lie before one that comes before it, or after one that comes after it.
    #[error("it would no longer lie between the events before and after it")]
    OutOfOrder,
    /// There is no picture of that time.
    #[error("the rep was not recorded at that time")]
    NotRecorded,
    /// What it was measured with is not known, or its landmarks do not suffice.
    #[error("this rep's landmarks cannot be measured again")]
    Unmeasurable,
}

impl Rep {
    /// This rep with one event at another time, or without it.
    ///
    /// `frames` are the rep's landmarks in time order, `pitch` is the pitch that it met. `height_cm` serves reps that
    /// were logged without their scale; such a rep is measured by the body's proportions once more.
    ///
    /// # Errors
    /// See [`CannotMove`].
    pub fn with_event_moved(
        &self,
        frames: &[PoseFrame],
        pitch: Option<PitchTimes>,
        height_cm: Option<f64>,
        event: EventName,
        to: Option<CaptureTime>,
    ) -> Result<Corrected, CannotMove> {
        let (Some(first), Some(last)) = (frames.first(), frames.last()) else {
            return Err(CannotMove::Unmeasurable);
        };
        if to.is_some_and(|to| !(first.captured_at..=last.captured_at).contains(&to)) {
            return Err(CannotMove::NotRecorded);
        }
        let events = self.events.with(event, to);
        if !in_order(&events) {
            return Err(CannotMove::OutOfOrder);
        }
        let measures = self.measured(frames, pitch, height_cm, events, event)?;
        Ok(Corrected { events, measures })
    }

    fn measured(
        &self,
        frames: &[PoseFrame],
        pitch: Option<PitchTimes>,
        height_cm: Option<f64>,
        events: Events,
        moved: EventName,
    ) -> Result<BTreeMap<MeasureName, Measure>, CannotMove> {
        let body = BodySeries::from_frames(frames, self.fps).ok_or(CannotMove::Unmeasurable)?;
        let (scale, roll_deg) = match self.ruler {
            Some(ruler) => (ruler.scale, ruler.roll_deg),
            None => (
                Scale::from_body(&body, height_cm).ok_or(CannotMove::Unmeasurable)?,
                None,
            ),
        };
        let signals = Signals::new(&body, scale, roll_deg.unwrap_or(0.0).to_radians())
            .map_err(|_| CannotMove::Unmeasurable)?;
        let stance = Stance {
            front: self.bats.front(),
            pitcher: self.pitcher_in(frames).ok_or(CannotMove::Unmeasurable)?,
        };
        let found = self.found_again(&signals, stance);
        let sample = |event: EventName| events.at(event).map(|at| signals.sample_at(at));
        let estimate = |event: EventName, found: Option<EventEstimate>| {
            let sample = sample(event)?;
            let sigma = match found {
                _ if event == moved => BY_EYE_FRAMES,
                Some(found) if event == EventName::Contact && self.heard_spread_ms().is_some() => {
                    found.sigma
                }
                Some(found) if (found.sample - sample).abs() < SAME_FRAMES => found.sigma,
                _ => UNKNOWN_FRAMES,
            };
            Some(EventEstimate { sample, sigma })
        };
        let estimates = EventEstimates {
            set: sample(EventName::Set),
            gather: estimate(EventName::Gather, found.gather),
            lift_off: estimate(EventName::LiftOff, found.lift_off),
            plant: estimate(EventName::Plant, found.plant),
            heel_rise: estimate(EventName::HeelRise, found.heel_rise),
            contact: estimate(EventName::Contact, found.contact),
            finish: sample(EventName::Finish),
        };
        let leveled = leveled(&signals, &estimates, stance, self.view, roll_deg);
        let mut measures = measures::measure(&MeasureContext {
            signals: &leveled.signals,
            estimates: &estimates,
            stance,
            kind: self.kind,
            view: self.view,
            yaw: leveled.yaw,
            roll_spread_rad: leveled.roll_spread_rad,
            pitch,
        });
        // That the camera was lost is not in these landmarks.
        let moved_camera = Measure::from(NotMeasured::CameraMoved);
        for (name, logged) in &self.measures {
            if *logged == moved_camera {
                measures.insert(*name, moved_camera.clone());
            }
        }
        // How long the finish was held was learned from what came after these landmarks.
        if moved != EventName::Finish
            && let Some(held) = self.measures.get(&MeasureName::FinishHold)
        {
            measures.insert(MeasureName::FinishHold, held.clone());
        }
        Ok(measures)
    }

    /// The events as the fits find them in these signals, for how sure they are.
    fn found_again(&self, signals: &Signals, stance: Stance) -> EventEstimates {
        let rate = signals.rate_hz;
        match (self.kind, self.events.contact, self.events.plant) {
            (RepKind::Swing, Some(contact), _) => {
                let sample = signals.sample_at(contact);
                let hand_peak = sample - events::HANDS_FASTEST_BEFORE_SECS * rate;
                let heard = self.heard_spread_ms().map(|ms| EventEstimate {
                    sample,
                    sigma: 1e-3 * ms * rate,
                });
                let found = events::of_swing(signals, hand_peak, stance, heard);
                match heard {
                    Some(_) => found,
                    None => as_sure_as_seen(found, self.view, rate),
                }
            }
            (_, _, Some(plant)) => events::of_take(signals, signals.sample_at(plant), stance),
            _ => EventEstimates::default(),
        }
    }
}

impl Rep {
    /// The standard deviation of contact where it was heard, milliseconds.
    fn heard_spread_ms(&self) -> Option<f64> {
        match self.heard {
            Some(Heard::Contact { plus_minus_ms, .. }) => Some(plus_minus_ms),
            Some(Heard::Nothing | Heard::Unclear) | None => None,
        }
    }

    /// Where the pitcher is in the picture.
    ///
    /// For a rep that was logged before this was kept with it, its landmarks show it: the front ankle is on the pitcher's
    /// side of the back one. `None` where they do not suffice.
    pub(crate) fn pitcher_in(&self, frames: &[PoseFrame]) -> Option<Direction> {
        if self.pitcher.is_some() {
            return self.pitcher;
        }
        let body = BodySeries::from_frames(frames, self.fps)?;
        let left = body.point(Landmark::LeftAnkle)?;
        let right = body.point(Landmark::RightAnkle)?;
        let at = self.stance_shows_at();
        let sample = at.map_or(0.0, |at| at.secs_since(body.start) * body.rate_hz);
        let i = (sample.round().max(0.0) as usize).min(body.len.saturating_sub(1));
        Some(Stance::from_ankles(self.bats.front(), left.x[i] - right.x[i]).pitcher)
    }

    /// When the feet are farthest apart: at plant, else when the hitter is nearest to it.
    fn stance_shows_at(&self) -> Option<CaptureTime> {
        let events = &self.events;
        events.plant.or(events.contact).or(events.lift_off)
    }
}

/// Whether what was seen lies in its order. A back heel may rise at any time between the gather and the finish.
fn in_order(events: &Events) -> bool {
    use EventName::{Contact, Finish, Gather, HeelRise, LiftOff, Plant, Set};
    let rises = |order: &[EventName]| {
        let times: Vec<CaptureTime> = order.iter().filter_map(|event| events.at(*event)).collect();
        times.is_sorted()
    };
    rises(&[Set, Gather, LiftOff, Plant, Contact, Finish]) && rises(&[Gather, HeelRise, Finish])
}
