//! Where a rep's events lie among the samples of its signals, and how surely.
//!
//! A fractional sample index is a time on the signals' grid: 20.4 lies between the samples 20 and 21.

use crate::motion::Signals;

use super::types::Events;

/// One event as a fit finds it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct EventEstimate {
    /// Fractional sample index.
    pub sample: f64,
    /// One standard deviation, in samples.
    pub sigma: f64,
}

/// The events of a rep; `None` where the stretch does not show the event.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct EventEstimates {
    /// The hitter came to rest: fractional sample index.
    pub set: Option<f64>,
    /// The weight starts back.
    pub gather: Option<EventEstimate>,
    /// The front foot leaves the ground.
    pub lift_off: Option<EventEstimate>,
    /// The front foot is down and still.
    pub plant: Option<EventEstimate>,
    /// The back heel leaves the ground.
    pub heel_rise: Option<EventEstimate>,
    /// The bat meets the ball.
    pub contact: Option<EventEstimate>,
    /// The hands rest again: fractional sample index.
    pub finish: Option<f64>,
}

impl EventEstimates {
    /// The events in capture time.
    pub(super) fn times(&self, signals: &Signals) -> Events {
        let at = |sample: Option<f64>| sample.map(|sample| signals.time_at(sample));
        let estimated = |event: Option<EventEstimate>| at(event.map(|event| event.sample));
        Events {
            set: at(self.set),
            gather: estimated(self.gather),
            lift_off: estimated(self.lift_off),
            plant: estimated(self.plant),
            heel_rise: estimated(self.heel_rise),
            contact: estimated(self.contact),
            finish: at(self.finish),
        }
    }
}
