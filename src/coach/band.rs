//! Bands: the range a coach accepts for a measure.

use std::collections::BTreeMap;

use super::verdict::Verdict;
use crate::rep::MeasureName;

/// A range with one or both ends, in the measure's unit. The ends belong to it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Band {
    /// The least value accepted; `None` accepts any.
    pub low: Option<f64>,
    /// The greatest value accepted; `None` accepts any.
    pub high: Option<f64>,
}

impl Band {
    /// How a value stands against the band.
    pub fn judge(&self, value: f64) -> Verdict {
        if self.low.is_some_and(|low| value < low) {
            Verdict::Low
        } else if self.high.is_some_and(|high| value > high) {
            Verdict::High
        } else {
            Verdict::In
        }
    }
}

/// The bands in force, by measure.
pub type Bands = BTreeMap<MeasureName, Band>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_belong_to_the_band_and_a_missing_end_accepts_all() {
        let band = Band {
            low: Some(2.0),
            high: Some(5.0),
        };
        for (value, verdict) in [
            (1.9, Verdict::Low),
            (2.0, Verdict::In),
            (5.0, Verdict::In),
            (5.1, Verdict::High),
        ] {
            assert_eq!(band.judge(value), verdict);
        }
        assert_eq!(
            Band {
                low: None,
                high: Some(5.0)
            }
            .judge(-1e9),
            Verdict::In
        );
        assert_eq!(Band::default().judge(0.0), Verdict::In);
    }
}
