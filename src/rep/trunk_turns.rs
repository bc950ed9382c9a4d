//! How pelvis and shoulder line turn through a rep, from what single frames show of it.
//!
//! In: a [`MeasureContext`] whose signals have turns. Out: [`TrunkTurns`], which tells a line's turn at any moment. Pure. About
//! each moment a parabola is laid through the readings: a turn of 700 degrees a second bends within a few frames.

use nalgebra::{Matrix3, Vector3};

use super::context::MeasureContext;
use super::not_measured::NotMeasured;
use super::turn_reference::{TurnReference, pelvis_along_cm, wrapped};

/// The parabola reaches so far to either side, seconds, and at least so many frames.
const REACH_SECS: f64 = 0.06;
const REACH_FRAMES: f64 = 2.6;
/// So many readings within that make a parabola, and one of them lies on either side of the moment.
const LEAST_READINGS: usize = 4;
/// A reading that is less sure than this says nothing, degrees.
const MOST_UNSURE_READING_DEG: f64 = 25.0;
/// None counts for surer than this, degrees.
const SUREST_DEG: f64 = 1.0;
/// Turns are told within half a turn of this, degrees: from the load to contact they lie between some -60 and 120.
const MIDDLE_DEG: f64 = 40.0;

/// Readings wander by so much from one frame to the next, degrees: within that of a top, any moment may have been it.
const FLAT: f64 = 3.0;

/// Of the moments among which the greatest is looked for, so many must be shown.
const SHOWN_SHARE: f64 = 0.8;

/// A line of the trunk, or one against the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum TrunkLine {
    /// The line through the hip joints.
    Pelvis,
    /// The line through the shoulder joints.
    Shoulders,
    /// How far the pelvis is ahead of the shoulders.
    Separation,
}

/// What one frame shows, degrees open toward the pitcher.
#[derive(Clone, Copy, Debug, PartialEq)]
struct TurnReading {
    sample: f64,
    pelvis_deg: f64,
    shoulders_deg: f64,
    /// One over the variance of the less sure line.
    weight: f64,
}

impl TurnReading {
    fn of(&self, line: TrunkLine) -> f64 {
        match line {
            TrunkLine::Pelvis => self.pelvis_deg,
            TrunkLine::Shoulders => self.shoulders_deg,
            TrunkLine::Separation => self.pelvis_deg - self.shoulders_deg,
        }
    }
}

/// A line's turn at a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Turned {
    /// Degrees; 0 square to the plate, positive open toward the pitcher.
    pub deg: f64,
    /// How fast it turns, degrees a second.
    pub deg_per_sec: f64,
}

/// Where something of a line is greatest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Top {
    /// A fractional sample.
    pub sample: f64,
    /// How long it is within [`FLAT`] of that, seconds.
    pub flat_secs: f64,
}

/// The turns of one rep.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct TrunkTurns {
    readings: Vec<TurnReading>,
    rate_hz: f64,
    reach: f64,
}

impl TrunkTurns {
    /// The turns that the frames tell.
    pub(super) fn new(context: &MeasureContext) -> Self {
        let signals = context.signals;
        let reference = TurnReference::new(context.stance, context.view, context.yaw);
        let along = pelvis_along_cm(signals, context.estimates, context.stance);
        let mut readings: Vec<TurnReading> = Vec::with_capacity(signals.turns.len());
        for read in signals.turns.iter() {
            let turn = reference.open_turn(read.turn, along[signals.index(read.sample)]);
            let spread = f64::from(turn.pelvis.spread_deg.max(turn.shoulders.spread_deg));
            if spread > MOST_UNSURE_READING_DEG {
                continue;
            }
            let unwound = |deg: f32| MIDDLE_DEG + wrapped(f64::from(deg) - MIDDLE_DEG);
            readings.push(TurnReading {
                sample: read.sample,
                pelvis_deg: unwound(turn.pelvis.deg),
                shoulders_deg: unwound(turn.shoulders.deg),
                weight: spread.max(SUREST_DEG).powi(-2),
            });
        }
        Self {
            readings,
            rate_hz: signals.rate_hz,
            reach: (REACH_SECS * signals.rate_hz).max(REACH_FRAMES),
        }
    }

    /// How a line is turned at a moment, a fractional sample.
    ///
    /// # Errors
    /// Where too few frames about it show the turn.
    pub(super) fn at(&self, line: TrunkLine, sample: f64) -> Result<Turned, NotMeasured> {
        let near = self.near(sample);
        let before = near.iter().any(|r| r.sample <= sample);
        let after = near.iter().any(|r| r.sample >= sample);
        if near.len() < LEAST_READINGS || !before || !after {
            return Err(NotMeasured::TurnNotSeen);
        }
        let (mut squares, mut sums) = (Matrix3::zeros(), Vector3::zeros());
        for reading in near {
            let off = (reading.sample - sample) / self.reach;
            let weight = (1.0 - off.abs().powi(3)).powi(3) * reading.weight;
            let powers = Vector3::new(1.0, off, off * off);
            squares += weight * powers * powers.transpose();
            sums += weight * reading.of(line) * powers;
        }
        let fit = squares
            .try_inverse()
            .map(|inverse| inverse * sums)
            .filter(|fit| fit.iter().all(|v| v.is_finite()))
            .ok_or(NotMeasured::TurnNotSeen)?;
        Ok(Turned {
            deg: fit.x,
            deg_per_sec: fit.y / self.reach * self.rate_hz,
        })
    }

    /// The moment between two at which something of the line is greatest, to a thousandth of a second.
    ///
    /// # Errors
    /// Where too many of the moments are not shown, or the greatest lies beside what is not shown or at an end of the stretch,
    /// beyond which it may grow; at its start it may lie if `at_start` says so.
    pub(super) fn greatest(
        &self,
        line: TrunkLine,
        (from, to): (f64, f64),
        at_start: bool,
        of: impl Fn(Turned) -> f64,
    ) -> Result<Top, NotMeasured> {
        let step = 0.001 * self.rate_hz;
        let steps = ((to - from) / step).floor().max(0.0) as usize;
        let values: Vec<Option<f64>> = (0..=steps)
            .map(|i| Some(of(self.at(line, from + i as f64 * step).ok()?)))
            .collect();
        let shown = values.iter().flatten().count();
        if (shown as f64) < SHOWN_SHARE * values.len() as f64 {
            return Err(NotMeasured::TurnNotSeen);
        }
        let (top, highest) = values
            .iter()
            .enumerate()
            .filter_map(|(i, value)| Some((i, (*value)?)))
            .max_by(|(_, a), (_, b)| a.total_cmp(b))
            .filter(|(top, _)| *top < steps && values[*top + 1].is_some())
            .filter(|(top, _)| match top.checked_sub(1) {
                Some(before) => values[before].is_some(),
                None => at_start,
            })
            .ok_or(NotMeasured::MomentNotShown)?;
        let low = |i: &usize| values[*i].is_some_and(|value| value < highest - FLAT);
        let before = (0..top).rev().find(low).unwrap_or(0);
        let after = (top..=steps).find(low).unwrap_or(steps);
        Ok(Top {
            sample: from + top as f64 * step,
            flat_secs: 0.001 * (after - before) as f64,
        })
    }

    fn near(&self, sample: f64) -> &[TurnReading] {
        let from = self
            .readings
            .partition_point(|r| r.sample <= sample - self.reach);
        let to = self
            .readings
            .partition_point(|r| r.sample < sample + self.reach);
        &self.readings[from..to.max(from)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 60.0;

    fn turns(course: impl Fn(f64) -> (f64, f64)) -> TrunkTurns {
        let readings = (0..60).map(|i| {
            let (pelvis_deg, shoulders_deg) = course(f64::from(i) / RATE_HZ);
            TurnReading {
                sample: f64::from(i),
                pelvis_deg,
                shoulders_deg,
                weight: 1.0,
            }
        });
        TrunkTurns {
            readings: readings.collect(),
            rate_hz: RATE_HZ,
            reach: REACH_SECS * RATE_HZ,
        }
    }

    #[test]
    fn a_turn_that_speeds_up_is_told_between_frames() {
        // 10 degrees, 300 a second, 1200 a second more each second.
        let turns = turns(|t| (10.0 + 300.0 * t + 600.0 * t * t, 0.0));
        for secs in [0.2, 0.308, 0.5] {
            let told = turns.at(TrunkLine::Pelvis, secs * RATE_HZ).unwrap();
            assert!((told.deg - (10.0 + 300.0 * secs + 600.0 * secs * secs)).abs() < 1e-6);
            assert!((told.deg_per_sec - (300.0 + 1200.0 * secs)).abs() < 1e-5);
        }
        let ends = [-1.0, 60.0].map(|sample| turns.at(TrunkLine::Pelvis, sample));
        assert_eq!(ends, [Err(NotMeasured::TurnNotSeen); 2]);
    }

    #[test]
    fn a_top_says_how_flat_it_is_and_one_at_the_end_is_none() {
        // Within 3 degrees of the top for 0.1 s to either side.
        let turns = turns(|t| (50.0 - 300.0 * (t - 0.5).powi(2), 0.0));
        let ahead = |turned: Turned| turned.deg;
        let top = |span| turns.greatest(TrunkLine::Separation, span, false, ahead);
        let whole = top((12.0, 48.0)).unwrap();
        assert!((whole.sample - 30.0).abs() < 0.1, "{whole:?}");
        assert!((whole.flat_secs - 0.2).abs() < 0.004, "{whole:?}");
        for span in [(12.0, 24.0), (36.0, 48.0)] {
            assert_eq!(top(span), Err(NotMeasured::MomentNotShown));
        }
        let start = turns.greatest(TrunkLine::Separation, (36.0, 48.0), true, ahead);
        assert!((start.unwrap().sample - 36.0).abs() < 1e-9);
    }
}
