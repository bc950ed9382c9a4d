//! What measures are made of: the rest before the gather, time spans, lengths.
//!
//! In: what a [`Measurer`] knows of a rep. Out: numbers, and [`Measure`]s of them, or why there is none.

use crate::motion::Path;
use crate::motion::filter::mean_over;
use crate::rep::context::{LEAST_VISIBILITY, REST_SECS};
use crate::rep::estimates::EventEstimate;
use crate::rep::not_measured::NotMeasured;
use crate::rep::types::Measure;

use super::Measurer;

/// No time span between two events is surer than this, samples: a fifth of a frame at either end, however smooth the curve.
const SUREST_SPAN: f64 = 0.3;
/// How well a measure's landmarks were seen is averaged over this long before and after its event, seconds.
const SEEN_SECS: f64 = 0.1;
/// What the landmarks' own lag and the curve's shape add to the spread of a time span, milliseconds.
pub(super) const TIMING_MS: f64 = 15.0;

impl Measurer<'_> {
    /// The mean before the gather, while the hitter is set.
    pub(super) fn rest(&self, values: &[f64]) -> Result<f64, NotMeasured> {
        Ok(mean_over(values, self.rest_samples()?))
    }

    /// The first sample of that rest.
    pub(super) fn rest_from(&self) -> Result<f64, NotMeasured> {
        Ok(self.rest_samples()?.0 as f64)
    }

    fn rest_samples(&self) -> Result<(usize, usize), NotMeasured> {
        let signals = self.context.signals;
        let rest = REST_SECS * signals.rate_hz;
        let until = match (
            self.context.estimates.gather,
            self.context.estimates.lift_off,
        ) {
            (Some(gather), _) => gather.sample,
            // Where the gather began before the recording, the hitter is taken as before the foot left, if that much shows.
            (None, Some(lift)) if lift.sample >= rest => lift.sample,
            _ => return Err(NotMeasured::SetNotShown),
        };
        let from = (until - rest).max(self.context.estimates.set.unwrap_or(0.0));
        Ok((signals.index(from), signals.index(until)))
    }

    pub(super) fn span(
        &self,
        from: EventEstimate,
        to: EventEstimate,
    ) -> Result<Measure, NotMeasured> {
        let ms = 1000.0 / self.context.signals.rate_hz;
        self.context.need_steady(from)?;
        self.context.need_steady(to)?;
        if to.sample <= from.sample {
            return Err(NotMeasured::EventOrderUnclear);
        }
        let spread = from.sigma.hypot(to.sigma).max(SUREST_SPAN) * ms;
        self.made(
            (to.sample - from.sample) * ms,
            spread.hypot(TIMING_MS),
            &self.front.ankle,
            to,
        )
    }

    /// A length; `since` is the sample from which on it was traveled.
    pub(super) fn length(
        &self,
        value: f64,
        since: f64,
        wander: f64,
        slip: f64,
        seen: &Path,
        when: EventEstimate,
    ) -> Result<Measure, NotMeasured> {
        let scale = self.context.signals.scale.spread.hypot(self.unfold_spread) * value;
        let steadied = self.context.steadied_cm(since, when.sample)?;
        let spread = wander.hypot(slip).hypot(scale).hypot(steadied);
        self.made(value, spread, seen, when)
    }

    pub(super) fn made(
        &self,
        value: f64,
        plus_minus: f64,
        seen: &Path,
        when: EventEstimate,
    ) -> Result<Measure, NotMeasured> {
        let signals = self.context.signals;
        let reach = SEEN_SECS * signals.rate_hz;
        let (from, to) = (
            signals.index(when.sample - reach),
            signals.index(when.sample + reach),
        );
        if signals.found[from..=to].iter().any(|f| !f) {
            return Err(NotMeasured::OutOfSight);
        }
        let confidence = mean_over(&seen.visibility, (from, to));
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
