//! From a rep to its verdicts and the one cue that follows it.
//!
//! In: a rep. Out: a [`JudgedRep`]. Pure; when the cue was decided is the rep's own `known_at`.

use std::collections::BTreeMap;

use super::band::{AbsoluteBand, AbsoluteBands, Bands};
use super::baseline::Baselines;
use super::cue::{CueId, cue_for};
use super::judged::{CueGiven, JudgedRep, verdicts};
use super::quiet::QuietReason;
use super::verdict::Verdict;
use crate::rep::{Bats, Measure, MeasureName, Rep, RepKind};
use crate::text_enum::Recorded;

/// A measure less certain than this share of its band's width is cued only for a miss that is likely.
const UNSURE_SHARE: f64 = 0.25;
/// A value this many standard deviations beyond its band lies there in truth three times in four (quartile of the normal
/// distribution).
const LIKELY_SDS: f64 = 0.674;

/// Judges one rep after the other by the coach's bands, and picks the cue by the coach's order.
#[derive(Clone, Debug)]
pub struct Coach {
    bands: Bands,
    /// Measures by importance.
    order: Vec<MeasureName>,
    baselines: Baselines,
    reps: u32,
}

impl Coach {
    /// A coach who has not seen the hitter before. Measures that `order` leaves out are judged and never cued.
    pub fn new(bands: Bands, order: Vec<MeasureName>) -> Self {
        Self {
            bands,
            order,
            baselines: Baselines::default(),
            reps: 0,
        }
    }

    /// The same coach, with the hitter's baselines.
    #[must_use]
    pub(crate) fn with_baselines(mut self, baselines: Baselines) -> Self {
        self.baselines = baselines;
        self
    }

    /// The bands for the next rep on this side. One that needs a baseline that is not known yet is left out: its measure
    /// is not judged.
    pub(crate) fn bands_for(&self, bats: Bats) -> AbsoluteBands {
        self.bands
            .keys()
            .filter_map(|name| Some((*name, self.band_for(bats, *name)?)))
            .collect()
    }

    /// The band of one measure for the next rep on this side, as [`Self::bands_for`] has it.
    pub(crate) fn band_for(&self, bats: Bats, name: MeasureName) -> Option<AbsoluteBand> {
        let usual = self
            .baselines
            .get(bats, name)
            .map(|baseline| baseline.median);
        self.bands.get(&name)?.absolute(usual)
    }

    /// Puts other bands and another order in force; the count of reps goes on.
    pub(crate) fn set_bands(&mut self, bands: Bands, order: Vec<MeasureName>) {
        self.bands = bands;
        self.order = order;
    }

    /// Lets this many swings fix each baseline, as if it had been so from the first one on.
    pub(crate) fn set_baseline_swings(&mut self, swings: usize) {
        self.baselines.set_swings(swings);
    }

    /// Numbers and judges the next rep, then adds it to the baselines. A take is judged and not cued.
    pub fn judge(&mut self, rep: Rep) -> JudgedRep {
        self.reps += 1;
        let bands = self.bands_for(rep.bats);
        self.baselines.add(&rep);
        let verdicts = verdicts(&bands, &rep.measures);
        let cue = match rep.kind {
            RepKind::Swing => self.cue(&verdicts, &bands, &rep),
            RepKind::Take => Ok(None),
        };
        let no_cue = cue.err().map(Recorded::Known);
        let cue = cue.ok().flatten().map(|id| CueGiven {
            id: Recorded::Known(id),
            at: rep.known_at,
            latency_ms: None,
        });
        JudgedRep {
            number: self.reps,
            rep,
            bands,
            verdicts,
            cue,
            no_cue,
            pitch: None,
        }
    }

    /// Judges a movement that does not count, by the bands of now: it gets no number and no cue and goes into no baseline.
    pub(crate) fn judge_not_counted(&self, rep: Rep) -> JudgedRep {
        let bands = self.bands_for(rep.bats);
        JudgedRep {
            number: 0,
            verdicts: verdicts(&bands, &rep.measures),
            rep,
            bands,
            cue: None,
            no_cue: Some(Recorded::Known(QuietReason::NotCounted)),
            pitch: None,
        }
    }

    /// Adds a measure to a rep that was judged before the measure was known. It is judged by the rep's own bands and
    /// added to the baselines; the cue, which did not wait for it, stays.
    pub(crate) fn complete(&mut self, judged: &mut JudgedRep, name: MeasureName, measure: Measure) {
        if let Some(value) = measure.value() {
            if judged.rep.kind == RepKind::Swing {
                self.baselines.add_value(judged.rep.bats, name, value);
            }
            if let Some(band) = judged.bands.get(&name) {
                judged.verdicts.insert(name, band.judge(value));
            }
        }
        judged.rep.measures.insert(name, measure);
    }

    /// The cue for the most important miss; "in band" without a miss; `None` where nothing could be judged.
    ///
    /// # Errors
    /// Where all that was missed may be in band.
    fn cue(
        &self,
        verdicts: &BTreeMap<MeasureName, Verdict>,
        bands: &AbsoluteBands,
        rep: &Rep,
    ) -> Result<Option<CueId>, QuietReason> {
        let unsure = |name: &MeasureName| match (bands.get(name), rep.measures.get(name)) {
            (Some(band), Some(measure)) => may_be_in_band(band, measure),
            _ => false,
        };
        let judged: Vec<(MeasureName, Verdict)> = self
            .order
            .iter()
            .filter_map(|name| Some((*name, *verdicts.get(name)?)))
            .collect();
        let missed = judged
            .iter()
            .filter(|(name, _)| !unsure(name))
            .find_map(|(name, verdict)| cue_for(*name, *verdict));
        match missed {
            Some(cue) => Ok(Some(cue)),
            None if judged.iter().any(|(name, _)| unsure(name)) => Err(QuietReason::Unsure),
            None => Ok((!judged.is_empty()).then_some(CueId::InBand)),
        }
    }
}

/// Whether a miss is not likely to be one, in a rep that shows the measure much worse than the band allows for: from behind the
/// back contact is known to 50 ms, and every swing would hear that the foot was down late. A band with one end allows for nothing.
fn may_be_in_band(band: &AbsoluteBand, measure: &Measure) -> bool {
    let Measure::Made {
        value, plus_minus, ..
    } = measure
    else {
        return false;
    };
    let (low, high) = (
        band.low.unwrap_or(f64::NEG_INFINITY),
        band.high.unwrap_or(f64::INFINITY),
    );
    let width = band
        .low
        .zip(band.high)
        .map_or(0.0, |(low, high)| high - low);
    let miss = (low - value).max(value - high);
    miss > 0.0 && miss < LIKELY_SDS * plus_minus && *plus_minus > UNSURE_SHARE * width
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::{AbsoluteBand, Band};
    use crate::rep::{Events, Style, View};
    use crate::time::CaptureTime;

    fn rep(kind: RepKind, values: &[(MeasureName, f64)]) -> Rep {
        let measures = values
            .iter()
            .map(|&(name, value)| {
                (
                    name,
                    Measure::Made {
                        value,
                        plus_minus: 1.0,
                        confidence: 0.9,
                    },
                )
            })
            .collect();
        Rep {
            kind,
            bats: Bats::Right,
            pitcher: None,
            view: View::OpenSide,
            fps: 60.0,
            events: Events::default(),
            measures,
            style: Style::default(),
            ruler: None,
            heard: None,
            known_at: CaptureTime::from_secs(2.0),
        }
    }

    fn coach() -> Coach {
        let band = |low, high| {
            Band::Absolute(AbsoluteBand {
                low: Some(low),
                high: Some(high),
            })
        };
        let bands = BTreeMap::from([
            (MeasureName::HeadToPlant, band(-4.0, 10.0)),
            (MeasureName::HandsBack, band(1.0, 20.0)),
        ]);
        Coach::new(
            bands,
            vec![MeasureName::HandsBack, MeasureName::HeadToPlant],
        )
    }

    fn cue_of(rep: Rep) -> Option<CueId> {
        coach().judge(rep).cue.and_then(|cue| cue.id.known())
    }

    #[test]
    fn a_band_with_one_end_is_missed_only_by_what_is_likely_a_miss() {
        let band = AbsoluteBand {
            low: Some(10.0),
            high: None,
        };
        let may_be_in = |value| {
            let measure = Measure::Made {
                value,
                plus_minus: 10.0,
                confidence: 0.9,
            };
            may_be_in_band(&band, &measure)
        };
        // 0.674 of 10 is 6.74.
        assert_eq!([9.0, 4.0, 3.0].map(may_be_in), [true, true, false]);
    }

    #[test]
    fn a_miss_within_an_unusual_uncertainty_is_passed_over() {
        let heard = |hands_back: f64, plus_minus: f64| {
            let mut rep = rep(RepKind::Swing, &[(MeasureName::HeadToPlant, 15.0)]);
            let measure = Measure::Made {
                value: hands_back,
                plus_minus,
                confidence: 0.9,
            };
            rep.measures.insert(MeasureName::HandsBack, measure);
            cue_of(rep)
        };
        // A quarter of the band from 1 to 20 is 4.75; 0.674 of 7 is 4.7.
        assert_eq!(heard(-1.0, 4.5), Some(CueId::HandsLate));
        assert_eq!(heard(-1.0, 5.0), Some(CueId::HeadForward));
        assert_eq!(heard(-3.5, 7.0), Some(CueId::HeadForward));
        assert_eq!(heard(-4.0, 7.0), Some(CueId::HandsLate));
        let only = |plus_minus| {
            let mut rep = rep(RepKind::Swing, &[]);
            let measure = Measure::Made {
                value: 0.0,
                plus_minus,
                confidence: 0.9,
            };
            rep.measures.insert(MeasureName::HandsBack, measure);
            cue_of(rep)
        };
        assert_eq!((only(4.5), only(5.0)), (Some(CueId::HandsLate), None));
        let mut rep = rep(RepKind::Swing, &[(MeasureName::HeadToPlant, 3.0)]);
        let measure = Measure::Made {
            value: 0.0,
            plus_minus: 5.0,
            confidence: 0.9,
        };
        rep.measures.insert(MeasureName::HandsBack, measure);
        let judged = coach().judge(rep);
        assert_eq!(judged.no_cue, Some(Recorded::Known(QuietReason::Unsure)));
        assert_eq!(
            judged.cue, None,
            "a miss that may be none is not called in band"
        );
    }

    #[test]
    fn the_most_important_miss_is_cued() {
        let both = rep(
            RepKind::Swing,
            &[
                (MeasureName::HeadToPlant, 15.0),
                (MeasureName::HandsBack, -3.0),
            ],
        );
        assert_eq!(cue_of(both), Some(CueId::HandsLate));
        let one = rep(
            RepKind::Swing,
            &[
                (MeasureName::HeadToPlant, 15.0),
                (MeasureName::HandsBack, 3.0),
            ],
        );
        assert_eq!(cue_of(one), Some(CueId::HeadForward));
    }

    #[test]
    fn all_in_gives_the_pleasant_tone_and_nothing_judged_gives_silence() {
        assert_eq!(
            cue_of(rep(RepKind::Swing, &[(MeasureName::HeadToPlant, 5.0)])),
            Some(CueId::InBand)
        );
        assert_eq!(
            cue_of(rep(RepKind::Swing, &[(MeasureName::HeadDrop, 50.0)])),
            None
        );
    }

    #[test]
    fn a_take_is_numbered_and_judged_but_not_cued() {
        let mut coach = coach();
        let take = coach.judge(rep(RepKind::Take, &[(MeasureName::HeadToPlant, 15.0)]));
        assert_eq!((take.number, take.cue.clone()), (1, None));
        assert_eq!(take.verdicts[&MeasureName::HeadToPlant], Verdict::High);
        assert_eq!(coach.judge(rep(RepKind::Swing, &[])).number, 2);
    }

    #[test]
    fn a_relative_band_judges_from_the_first_swing_after_the_baseline() {
        let stride = MeasureName::StrideLength;
        let bands = BTreeMap::from([(
            stride,
            Band::Relative {
                below: Some(6.0),
                above: Some(6.0),
            },
        )]);
        let mut coach = Coach::new(bands, vec![stride]).with_baselines(Baselines::new(5));
        for value in [68.0, 69.0, 70.0, 71.0, 90.0] {
            let judged = coach.judge(rep(RepKind::Swing, &[(stride, value)]));
            assert!(judged.bands.is_empty() && judged.verdicts.is_empty() && judged.cue.is_none());
        }
        let long = coach.judge(rep(RepKind::Swing, &[(stride, 77.0)]));
        let expected = AbsoluteBand {
            low: Some(64.0),
            high: Some(76.0),
        };
        assert_eq!(long.bands[&stride], expected);
        assert_eq!(long.verdicts[&stride], Verdict::High);
        assert_eq!(
            long.cue.and_then(|cue| cue.id.known()),
            Some(CueId::StrideLong)
        );
        // The other side of the plate is another hitter in this.
        let mut left = rep(RepKind::Swing, &[(stride, 77.0)]);
        left.bats = Bats::Left;
        assert!(coach.judge(left).verdicts.is_empty());
    }
}
