//! A rep measured again after a person moved one of its events.
//!
//! In: the rep as it is logged, its landmarks, the event and its new time. Out: the events and measures as they are with
//! it. Everything else about the rep, its scale above all, stays as it was when it was found.

use std::collections::BTreeMap;

use crate::motion::{BodySeries, Scale, Signals};
use crate::pose::PoseFrame;
use crate::time::CaptureTime;

use super::analysis::levelled;
use super::event_name::EventName;
use super::events::{self, Moments};
use super::finder::FinderSettings;
use super::fit::Corner;
use super::measures::{self, Setting};
use super::types::{Bats, Events, Measure, MeasureName, PitchTimes, Rep, RepKind};

/// A person who looks at single frames sets an event to the nearest of them; standard uncertainty in frames.
const BY_EYE_FRAMES: f64 = 1.0;
/// The fit's own spread of an event that was not moved counts where the fit finds the event again this near, frames.
const SAME_FRAMES: f64 = 0.5;
/// What an event is uncertain by whose fit is not found again, frames.
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
        let front_is_left = self.bats == Bats::Right;
        let forward = forward(&signals, &self.events, front_is_left);
        let found = self.found_again(&signals, forward, front_is_left);
        let place = |event: EventName| events.at(event).map(|at| signals.place_of(at));
        let corner = |event: EventName, found: Option<Corner>| {
            let place = place(event)?;
            let spread = match found {
                _ if event == moved => BY_EYE_FRAMES,
                Some(found) if (found.place - place).abs() < SAME_FRAMES => found.spread,
                _ => UNKNOWN_FRAMES,
            };
            Some(Corner { place, spread })
        };
        let moments = Moments {
            set: place(EventName::Set),
            gather: corner(EventName::Gather, found.gather),
            lift_off: corner(EventName::LiftOff, found.lift_off),
            plant: corner(EventName::Plant, found.plant),
            heel_rise: corner(EventName::HeelRise, found.heel_rise),
            contact: corner(EventName::Contact, found.contact),
            finish: place(EventName::Finish),
        };
        let told = FinderSettings {
            roll_deg,
            ..FinderSettings::default()
        };
        let (level, yaw_rad, roll_spread_rad) = levelled(
            &signals,
            &moments,
            forward,
            front_is_left,
            (&told, self.view),
        );
        let mut measures = measures::measure(&Setting {
            signals: &level,
            moments: &moments,
            forward,
            front_is_left,
            kind: self.kind,
            view: self.view,
            yaw_rad,
            roll_spread_rad,
            pitch,
        });
        // How long the finish was held was learnt from what came after these landmarks.
        if moved != EventName::Finish
            && let Some(held) = self.measures.get(&MeasureName::FinishHold)
        {
            measures.insert(MeasureName::FinishHold, held.clone());
        }
        Ok(measures)
    }

    /// The events as the fits find them in these signals, for how sure they are.
    fn found_again(&self, signals: &Signals, forward: f64, front_is_left: bool) -> Moments {
        let rate = signals.rate_hz;
        match (self.kind, self.events.contact, self.events.plant) {
            (RepKind::Swing, Some(contact), _) => {
                let hand_peak = signals.place_of(contact) - events::CONTACT_AFTER_PEAK_SECS * rate;
                events::of_swing(signals, hand_peak, forward, front_is_left)
            }
            (_, _, Some(plant)) => {
                let down = signals.place_of(plant);
                events::of_stride(
                    signals,
                    down + 0.1 * rate,
                    down + 0.2 * rate,
                    forward,
                    front_is_left,
                )
            }
            _ => Moments::default(),
        }
    }
}

/// Which way the pitcher is, from the feet: the front one is nearer to the pitcher.
fn forward(signals: &Signals, events: &Events, front_is_left: bool) -> f64 {
    let at = events.plant.or(events.contact).or(events.lift_off);
    let place = at.map_or(0.0, |at| signals.place_of(at));
    let i = signals.index(place);
    let (left, right) = (&signals.feet.left.ankle, &signals.feet.right.ankle);
    let ahead = left.x_cm[i] - right.x_cm[i];
    if front_is_left == (ahead > 0.0) {
        1.0
    } else {
        -1.0
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
