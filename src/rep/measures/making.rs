//! What measures are made of: places of events, means and slopes of signals, spreads.
//!
//! In: what a [`Maker`] knows of a rep. Out: numbers, and [`Measure`]s of them, or why there is none.

use crate::motion::Path;
use crate::rep::fit::Corner;
use crate::rep::not_measured::NotMeasured;
use crate::rep::types::{Measure, RepKind, View};

use super::Maker;

/// The resting place before the gather is averaged over this long.
const REST_SECS: f64 = 0.3;
/// Landmarks seen worse than this on average make no measure.
const LEAST_VISIBILITY: f64 = 0.4;
/// What the landmarks' own lag and the curve's shape add to the spread of a time span, milliseconds.
pub(super) const TIMING_MS: f64 = 15.0;

impl Maker<'_> {
    /// The mean before the gather, while the hitter is set.
    pub(super) fn rest(&self, values: &[f64]) -> Result<f64, NotMeasured> {
        let signals = self.s.signals;
        let rest = REST_SECS * signals.rate_hz;
        let until = match (self.s.moments.gather, self.s.moments.lift_off) {
            (Some(gather), _) => gather.place,
            // Whose gather began before the recording is taken as he stood before the foot left, if that much shows.
            (None, Some(lift)) if lift.place >= rest => lift.place,
            _ => return Err(NotMeasured::SetNotShown),
        };
        let from = (until - REST_SECS * signals.rate_hz).max(self.s.moments.set.unwrap_or(0.0));
        let (from, until) = (signals.index(from), signals.index(until));
        Ok(values[from..=until].iter().sum::<f64>() / (until - from + 1) as f64)
    }

    /// What reaches beyond plant is made of a swing only.
    pub(super) fn need_swing(&self) -> Result<(), NotMeasured> {
        match self.s.kind {
            RepKind::Swing => Ok(()),
            RepKind::Take => Err(NotMeasured::NoSwing),
        }
    }

    pub(super) fn need_open_side(&self) -> Result<(), NotMeasured> {
        match self.s.view {
            View::OpenSide => Ok(()),
            View::Rear | View::Front => Err(NotMeasured::OpenSideNeeded),
        }
    }

    pub(super) fn need_full_model(&self) -> Result<(), NotMeasured> {
        if self.s.signals.lite {
            return Err(NotMeasured::LiteModelHinge);
        }
        Ok(())
    }

    pub(super) fn gather(&self) -> Result<Corner, NotMeasured> {
        self.s.moments.gather.ok_or(NotMeasured::GatherNotSeen)
    }

    pub(super) fn lift_off(&self) -> Result<Corner, NotMeasured> {
        self.s.moments.lift_off.ok_or(NotMeasured::LiftOffNotSeen)
    }

    pub(super) fn plant(&self) -> Result<Corner, NotMeasured> {
        self.s.moments.plant.ok_or(NotMeasured::PlantNotSeen)
    }

    pub(super) fn contact(&self) -> Result<Corner, NotMeasured> {
        self.s.moments.contact.ok_or(NotMeasured::ContactNotSeen)
    }

    /// The value between two grid moments.
    pub(super) fn at(&self, values: &[f64], place: f64) -> f64 {
        let place = place.clamp(0.0, (values.len() - 1) as f64);
        let (i, share) = (place.floor() as usize, place.fract());
        values[i] * (1.0 - share) + values[(i + 1).min(values.len() - 1)] * share
    }

    /// Change per grid step around a place.
    pub(super) fn slope(&self, values: &[f64], place: f64) -> f64 {
        0.5 * (self.at(values, place + 1.0) - self.at(values, place - 1.0))
    }

    pub(super) fn span(&self, from: Corner, to: Corner) -> Result<Measure, NotMeasured> {
        let ms = 1000.0 / self.s.signals.rate_hz;
        if to.place <= from.place {
            return Err(NotMeasured::EventOrderUnclear);
        }
        // A place on the grid is never surer than a fifth of a frame, however smooth the curve.
        let spread = from.spread.hypot(to.spread).max(0.3) * ms;
        self.made(
            (to.place - from.place) * ms,
            spread.hypot(TIMING_MS),
            &self.front.ankle,
            to,
        )
    }

    pub(super) fn length(
        &self,
        value: f64,
        wander: f64,
        slip: f64,
        seen: &Path,
        when: Corner,
    ) -> Result<Measure, NotMeasured> {
        let scale = self.s.signals.scale.spread.hypot(self.unfold_spread) * value;
        self.made(value, wander.hypot(slip).hypot(scale), seen, when)
    }

    pub(super) fn made(
        &self,
        value: f64,
        plus_minus: f64,
        seen: &Path,
        when: Corner,
    ) -> Result<Measure, NotMeasured> {
        let signals = self.s.signals;
        let reach = 0.1 * signals.rate_hz;
        let (from, to) = (
            signals.index(when.place - reach),
            signals.index(when.place + reach),
        );
        if signals.found[from..=to].iter().any(|f| !f) {
            return Err(NotMeasured::OutOfSight);
        }
        let confidence = seen.visibility[from..=to].iter().sum::<f64>() / (to - from + 1) as f64;
        if confidence < LEAST_VISIBILITY {
            return Err(NotMeasured::PartHidden);
        }
        Ok(Measure::Made {
            value,
            plus_minus,
            confidence,
        })
    }
}
