//! The one-euro filter: a causal low pass that opens up with speed.
//!
//! Casiez, Roussel, Vogel, "1€ Filter", CHI 2012, doi 10.1145/2207676.2208639.

use std::f64::consts::PI;

/// How the filter is tuned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct OneEuroTuning {
    /// Cutoff at rest, hertz: lower means steadier.
    pub min_cutoff_hz: f64,
    /// How much the cutoff opens with speed: higher means less lag.
    pub beta: f64,
    /// Cutoff for the speed itself, hertz.
    pub derivative_cutoff_hz: f64,
    /// What the speed is taken against.
    pub speed_from: SpeedFrom,
}

/// What a value's speed is taken against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SpeedFrom {
    /// The filtered value before it, as the paper's authors do.
    Filtered,
    /// The unfiltered value before it, as the pose model's published pipeline does.
    Raw,
}

/// The filter for one number.
#[derive(Clone, Debug)]
pub(crate) struct OneEuro {
    tuning: OneEuroTuning,
    state: Option<State>,
}

#[derive(Clone, Copy, Debug)]
struct State {
    raw: f64,
    value: f64,
    speed: f64,
}

impl OneEuro {
    /// A filter that has seen nothing.
    pub(crate) fn new(tuning: OneEuroTuning) -> Self {
        Self {
            tuning,
            state: None,
        }
    }

    /// Filters the next value, `step_secs` after the one before.
    ///
    /// The speed is in units of `1 / per_unit`, so that the tuning can be in body sizes while the values are in pixels and
    /// the size changes from value to value. A step that is not positive returns the filtered value before it.
    pub(crate) fn next(&mut self, value: f64, per_unit: f64, step_secs: f64) -> f64 {
        let Some(last) = self.state else {
            self.state = Some(State {
                raw: value,
                value,
                speed: 0.0,
            });
            return value;
        };
        if step_secs <= 0.0 {
            return last.value;
        }
        let rate = 1.0 / step_secs;
        let alpha = |cutoff: f64| 1.0 / (1.0 + rate / (2.0 * PI * cutoff));
        let a = alpha(self.tuning.derivative_cutoff_hz);
        let before = match self.tuning.speed_from {
            SpeedFrom::Filtered => last.value,
            SpeedFrom::Raw => last.raw,
        };
        let speed = a * (value - before) * per_unit * rate + (1.0 - a) * last.speed;
        let a = alpha(self.tuning.min_cutoff_hz + self.tuning.beta * speed.abs());
        let filtered = a * value + (1.0 - a) * last.value;
        self.state = Some(State {
            raw: value,
            value: filtered,
            speed,
        });
        filtered
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn first_rows_of_the_authors_reference_table() {
        // casiez/OneEuroFilter, groundTruth.csv: 120 Hz, min cutoff 1, beta 0.1, derivative cutoff 1.
        let mut filter = OneEuro::new(OneEuroTuning {
            min_cutoff_hz: 1.0,
            beta: 0.1,
            derivative_cutoff_hz: 1.0,
            speed_from: SpeedFrom::Filtered,
        });
        let rows = [
            (-0.038_509_9, -0.038_509_9),
            (-0.028_066_4, -0.037_987_2),
            (0.048_622, -0.033_442_7),
            (0.111_498, -0.025_269_6),
        ];
        for (noisy, filtered) in rows {
            let ours = filter.next(noisy, 1.0, 1.0 / 120.0);
            assert!((ours - filtered).abs() < 5e-6, "{ours} {filtered}");
        }
    }

    #[test]
    fn a_clock_that_stands_still_changes_nothing() {
        let mut filter = OneEuro::new(OneEuroTuning {
            min_cutoff_hz: 1.0,
            beta: 0.0,
            derivative_cutoff_hz: 1.0,
            speed_from: SpeedFrom::Filtered,
        });
        filter.next(1.0, 1.0, 0.1);
        assert_eq!(filter.next(5.0, 1.0, 0.0), 1.0);
    }
}
