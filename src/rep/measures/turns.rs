//! The measures of the trunk's turn: the coil of the load, pelvis and shoulders at plant and at contact, how far the pelvis is
//! ahead of the shoulders.
//!
//! In: what a [`Measurer`] knows of a rep, and its [`TrunkTurns`]. Out: [`Measure`]s, or why there is none.

use crate::rep::estimates::EventEstimate;
use crate::rep::not_measured::NotMeasured;
use crate::rep::trunk_turns::{Top, TrunkLine, TrunkTurns, Turned};
use crate::rep::types::Measure;

use super::Measurer;
use super::making::TIMING_MS;

/// What a reading is off by whatever the frames agree on, one standard deviation, degrees: the network's error follows the
/// posture. Set on rendered hitters of the kind that the network learned from, whose postures it had not seen; the other
/// generator's are off by half of it.
const fn network_off_deg(line: TrunkLine) -> f64 {
    match line {
        TrunkLine::Pelvis => 9.0,
        TrunkLine::Shoulders => 7.0,
        TrunkLine::Separation => 10.0,
    }
}
/// Turns that are more uncertain than this are no help to a coach, degrees.
const MOST_UNSURE_DEG: f64 = 25.0;
/// Where the largest separation lasts so long that its time would be less sure than this, it has none, milliseconds.
const MOST_UNSURE_TOP_MS: f64 = 60.0;
/// The load is looked at from the gather on; the largest separation from so long before plant, seconds.
const SEPARATES_SECS: f64 = 0.15;

impl Measurer<'_> {
    fn turns(&self) -> Result<&TrunkTurns, NotMeasured> {
        // A camera behind the back sees the trunk as well; one on the line to the pitcher was never judged.
        self.context.need_side()?;
        Ok(&self.turns)
    }

    /// A line's turn at an event.
    pub(super) fn turned(
        &self,
        line: TrunkLine,
        when: EventEstimate,
    ) -> Result<Measure, NotMeasured> {
        let turned = self.turns()?.at(line, when.sample)?;
        let slip = turned.deg_per_sec * when.sigma / self.context.signals.rate_hz;
        self.degrees(line, turned.deg, slip, when)
    }

    /// A line's turn at contact.
    pub(super) fn turned_at_contact(&self, line: TrunkLine) -> Result<Measure, NotMeasured> {
        self.context.need_swing()?;
        self.turned(line, self.best_contact()?)
    }

    /// `coil_deg`.
    pub(super) fn coil(&self) -> Result<Measure, NotMeasured> {
        let (gather, plant) = (self.context.gather()?, self.context.plant()?);
        let load = (gather.sample, plant.sample);
        let closed = |turned: Turned| -turned.deg;
        let line = TrunkLine::Pelvis;
        let when = self.turns()?.greatest(line, load, true, closed)?.sample;
        let coil = closed(self.turns()?.at(line, when)?);
        self.degrees(line, coil, 0.0, at(when))
    }

    /// `separation_max_deg`.
    pub(super) fn separation_max(&self) -> Result<Measure, NotMeasured> {
        let when = self.most_separated()?.sample;
        let line = TrunkLine::Separation;
        let turned = self.turns()?.at(line, when)?;
        self.degrees(line, turned.deg, 0.0, at(when))
    }

    /// `separation_max_before_ms`.
    pub(super) fn separation_max_before(&self) -> Result<Measure, NotMeasured> {
        let (top, contact) = (self.most_separated()?, self.best_contact()?);
        let ms = 1000.0 / self.context.signals.rate_hz;
        let flat = 0.5 * 1000.0 * top.flat_secs;
        let spread = (contact.sigma * ms).hypot(flat).hypot(TIMING_MS);
        let before = (contact.sample - top.sample) * ms;
        if spread > MOST_UNSURE_TOP_MS {
            return Err(NotMeasured::TopTooFlat);
        }
        self.made_of_trunk(before, spread, at(top.sample))
    }

    /// `sequence`.
    pub(super) fn sequence(&self) -> Result<Measure, NotMeasured> {
        let context = self.context;
        context.need_swing()?;
        context.need_open_side()?;
        let turns = self.turns()?;
        let read = context.sequence(turns, self.bat_at_contact()?.fastest());
        self.read(read, context.contact()?)
    }

    fn most_separated(&self) -> Result<Top, NotMeasured> {
        let context = self.context;
        context.need_swing()?;
        let (plant, contact) = (context.plant()?, self.best_contact()?);
        let from = plant.sample - SEPARATES_SECS * context.signals.rate_hz;
        let span = (from, contact.sample);
        self.turns()?
            .greatest(TrunkLine::Separation, span, false, |turned| turned.deg)
    }

    /// Contact as the barrel tells it, where it was seen; else as the hands do.
    fn best_contact(&self) -> Result<EventEstimate, NotMeasured> {
        match &self.bat_at_contact {
            Ok(bat) => Ok(bat.met()),
            Err(_) => self.context.contact(),
        }
    }

    fn degrees(
        &self,
        line: TrunkLine,
        deg: f64,
        slip: f64,
        when: EventEstimate,
    ) -> Result<Measure, NotMeasured> {
        // The plate is where the camera's angle says; of pelvis against shoulders it says nothing.
        let plate = match line {
            TrunkLine::Separation => 0.0,
            TrunkLine::Pelvis | TrunkLine::Shoulders => self.context.yaw.spread_rad.to_degrees(),
        };
        let spread = network_off_deg(line).hypot(slip).hypot(plate);
        if spread > MOST_UNSURE_DEG {
            return Err(NotMeasured::TurnTooUnsure);
        }
        self.made_of_trunk(deg, spread, when)
    }

    fn made_of_trunk(
        &self,
        value: f64,
        plus_minus: f64,
        when: EventEstimate,
    ) -> Result<Measure, NotMeasured> {
        self.context.need_steady(when)?;
        self.made(value, plus_minus, &self.shoulders, when)
    }
}

fn at(sample: f64) -> EventEstimate {
    EventEstimate { sample, sigma: 0.0 }
}
