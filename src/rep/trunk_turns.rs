//! How pelvis and shoulder line turn through a rep, from what single frames show of it.
//!
//! In: a [`MeasureContext`] whose signals have turns. Out: [`TrunkTurns`], which tells a line's turn at any moment. Pure. About
//! each moment a parabola is laid through the readings: a turn of 700 degrees a second bends within a few frames.

use nalgebra::{Matrix3, Vector3};

use super::context::MeasureContext;
use super::not_measured::NotMeasured;
use super::turn_reference::{TurnReference, pelvis_along_cm};

/// The parabola reaches so far to either side, seconds, and at least so many frames.
const REACH_SECS: f64 = 0.06;
const REACH_FRAMES: f64 = 2.6;
/// So many readings within that make a parabola, and one of them lies on either side of the moment.
const LEAST_READINGS: usize = 4;
/// A reading that is less sure than this says nothing, degrees.
const MOST_UNSURE_DEG: f64 = 25.0;

/// Readings wander by so much from one frame to the next, degrees: within that of a top, any moment may have been it.
const FLAT: f64 = 3.0;

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
struct Reading {
    sample: f64,
    pelvis_deg: f64,
    shoulders_deg: f64,
    /// Of the surer use of a reading: one over the variance of the less sure line.
    weight: f64,
}

impl Reading {
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
    readings: Vec<Reading>,
    rate_hz: f64,
    reach: f64,
}

impl TrunkTurns {
    /// # Errors
    /// Where no frame shows the turn.
    pub(super) fn new(context: &MeasureContext) -> Result<Self, NotMeasured> {
        let signals = context.signals;
        let reference = TurnReference::new(context.stance, context.view, context.yaw);
        let along = pelvis_along_cm(signals, context.estimates, context.stance);
        let mut readings: Vec<Reading> = Vec::with_capacity(signals.turns.len());
        for read in signals.turns.iter() {
            let turn = reference.open_turn(read.turn, along[signals.index(read.sample)]);
            let spread = f64::from(turn.pelvis.spread_deg.max(turn.shoulders.spread_deg));
            if spread > MOST_UNSURE_DEG {
                continue;
            }
            readings.push(Reading {
                sample: read.sample,
                pelvis_deg: turn.pelvis.deg.into(),
                shoulders_deg: turn.shoulders.deg.into(),
                weight: spread.powi(-2),
            });
        }
        if signals.turns.is_empty() {
            return Err(NotMeasured::TurnNotShown);
        }
        Ok(Self {
            readings,
            rate_hz: signals.rate_hz,
            reach: (REACH_SECS * signals.rate_hz).max(REACH_FRAMES),
        })
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
    /// Where a moment of them is not shown, or the greatest lies at the end of the stretch, beyond which it may grow.
    pub(super) fn greatest(
        &self,
        line: TrunkLine,
        (from, to): (f64, f64),
        of: impl Fn(Turned) -> f64,
    ) -> Result<Top, NotMeasured> {
        let step = 0.001 * self.rate_hz;
        let steps = ((to - from) / step).floor().max(0.0) as usize;
        let values = (0..=steps)
            .map(|i| Ok(of(self.at(line, from + i as f64 * step)?)))
            .collect::<Result<Vec<f64>, NotMeasured>>()?;
        let top = (0..=steps)
            .max_by(|&a, &b| values[a].total_cmp(&values[b]))
            .filter(|&top| top < steps)
            .ok_or(NotMeasured::MomentNotShown)?;
        let low = |i: &usize| values[*i] < values[top] - FLAT;
        let before = (0..top).rev().find(low).unwrap_or(0);
        let after = (top..=steps).find(low).unwrap_or(steps);
        Ok(Top {
            sample: from + top as f64 * step,
            flat_secs: 0.001 * (after - before) as f64,
        })
    }

    fn near(&self, sample: f64) -> &[Reading] {
        let from = self
            .readings
            .partition_point(|r| r.sample <= sample - self.reach);
        let to = self
            .readings
            .partition_point(|r| r.sample < sample + self.reach);
        &self.readings[from..to.max(from)]
    }
}
