//! Bands: the range a coach accepts for a measure, fixed or around the hitter's baseline.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::baseline::has_baseline;
use super::verdict::Verdict;
use crate::rep::MeasureName;

/// A range with one or both ends, in the measure's unit. The ends belong to it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AbsoluteBand {
    /// The least value accepted; `None` accepts any.
    pub low: Option<f64>,
    /// The greatest value accepted; `None` accepts any.
    pub high: Option<f64>,
}

impl AbsoluteBand {
    /// The verdict on a value in the band's unit.
    pub(crate) fn judge(&self, value: f64) -> Verdict {
        if self.low.is_some_and(|low| value < low) {
            Verdict::Low
        } else if self.high.is_some_and(|high| value > high) {
            Verdict::High
        } else {
            Verdict::In
        }
    }
}

/// A band as the coach sets it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Band {
    /// The same for everyone.
    Absolute(AbsoluteBand),
    /// Around the hitter's baseline, in the measure's unit.
    Relative {
        /// How far below the baseline is accepted; `None` accepts any.
        below: Option<f64>,
        /// How far above the baseline is accepted; `None` accepts any.
        above: Option<f64>,
    },
}

impl Band {
    /// The band with its ends resolved; `None` while it needs a baseline that is not known yet.
    pub(crate) fn absolute(&self, usual: Option<f64>) -> Option<AbsoluteBand> {
        match *self {
            Band::Absolute(band) => Some(band),
            Band::Relative { below, above } => {
                let usual = usual?;
                Some(AbsoluteBand {
                    low: below.map(|below| usual - below),
                    high: above.map(|above| usual + above),
                })
            }
        }
    }
}

/// A band as it is written in a settings file or a plan: `{ low = -4, high = 10 }` or `{ below = 6, above = 6 }`.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub(crate) struct BandEnds {
    pub(crate) low: Option<f64>,
    pub(crate) high: Option<f64>,
    pub(crate) below: Option<f64>,
    pub(crate) above: Option<f64>,
}

impl BandEnds {
    /// These ends as a band of the measure, or why they make none.
    pub(crate) fn band(self, of: MeasureName) -> Result<Band, String> {
        let Self {
            low,
            high,
            below,
            above,
        } = self;
        let ends = [low, high, below, above];
        if ends.into_iter().flatten().any(|end| !end.is_finite()) {
            return Err(format!("the band of {of} has an end that is no number"));
        }
        let relative = below.is_some() || above.is_some();
        if !relative {
            return match (low, high) {
                (Some(low), Some(high)) if low > high => Err(format!(
                    "the band of {of} has low = {low} above high = {high}"
                )),
                _ => Ok(Band::Absolute(AbsoluteBand { low, high })),
            };
        }
        if low.is_some() || high.is_some() {
            return Err(format!(
                "the band of {of} mixes low or high with below or above; give low and high, or below and above: the first are \
                 fixed ends, the second lie around the hitter's own usual value"
            ));
        }
        if [below, above]
            .into_iter()
            .flatten()
            .any(|reach| reach < 0.0)
        {
            return Err(format!(
                "the band of {of} has below or above under 0; both say how far from the usual value is accepted"
            ));
        }
        if !has_baseline(of) {
            return Err(format!(
                "{of} has no usual value for a band to lie around; give low and high"
            ));
        }
        Ok(Band::Relative { below, above })
    }
}

/// Bands as the coach sets them, by measure.
pub type Bands = BTreeMap<MeasureName, Band>;

/// Bands with their ends resolved, by measure.
pub(crate) type AbsoluteBands = BTreeMap<MeasureName, AbsoluteBand>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_belong_to_the_band_and_a_missing_end_accepts_all() {
        let band = AbsoluteBand {
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
        let open_below = AbsoluteBand {
            low: None,
            high: Some(5.0),
        };
        assert_eq!(open_below.judge(-1e9), Verdict::In);
        assert_eq!(AbsoluteBand::default().judge(0.0), Verdict::In);
    }

    #[test]
    fn a_relative_band_lies_around_the_usual_value_and_waits_for_it() {
        let both = Band::Relative {
            below: Some(6.0),
            above: Some(4.0),
        };
        assert_eq!(both.absolute(None), None);
        assert_eq!(
            both.absolute(Some(70.0)),
            Some(AbsoluteBand {
                low: Some(64.0),
                high: Some(74.0)
            })
        );
        let open = Band::Relative {
            below: None,
            above: Some(4.0),
        };
        assert_eq!(
            open.absolute(Some(70.0)).map(|band| band.judge(-1e9)),
            Some(Verdict::In)
        );
        let fixed = AbsoluteBand {
            low: Some(1.0),
            high: None,
        };
        assert_eq!(Band::Absolute(fixed).absolute(None), Some(fixed));
    }
}
