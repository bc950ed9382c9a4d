//! From a rep to its verdicts and the one cue that follows it.
//!
//! In: a rep. Out: a [`JudgedRep`]. Pure; when the cue was decided is the rep's own `known_at`.

use super::band::Bands;
use super::cue::{IN_BAND, cue_for};
use super::verdict::{CueGiven, JudgedRep, Verdict};
use crate::rep::{MeasureName, Rep, RepKind};

/// The coach's wishes, applied to one rep after the other.
#[derive(Clone, Debug)]
pub struct Coach {
    bands: Bands,
    /// Measures by importance.
    order: Vec<MeasureName>,
    reps: u32,
}

impl Coach {
    /// A coach with these bands; measures that `order` leaves out are judged and never cued.
    pub fn new(bands: Bands, order: Vec<MeasureName>) -> Self {
        Self {
            bands,
            order,
            reps: 0,
        }
    }

    /// The bands in force.
    pub fn bands(&self) -> &Bands {
        &self.bands
    }

    /// Puts other bands and another order in force; the count of reps goes on.
    pub fn revise(&mut self, bands: Bands, order: Vec<MeasureName>) {
        self.bands = bands;
        self.order = order;
    }

    /// Numbers and judges the next rep. A take is judged and not cued.
    pub fn judge(&mut self, rep: Rep) -> JudgedRep {
        self.reps += 1;
        let verdicts = rep
            .measures
            .iter()
            .filter_map(|(name, measure)| {
                let band = self.bands.get(name)?;
                Some((*name, band.judge(measure.value()?)))
            })
            .collect();
        let cue = (rep.kind == RepKind::Swing)
            .then(|| self.cue(&verdicts))
            .flatten()
            .map(|id| CueGiven {
                id: id.to_owned(),
                at: rep.known_at,
                latency_ms: None,
            });
        JudgedRep {
            number: self.reps,
            rep,
            verdicts,
            cue,
        }
    }

    /// The most important miss; "in band" if there is none; nothing if nothing could be judged.
    fn cue(
        &self,
        verdicts: &std::collections::BTreeMap<MeasureName, Verdict>,
    ) -> Option<&'static str> {
        let judged = || {
            self.order
                .iter()
                .filter_map(|name| Some((*name, *verdicts.get(name)?)))
        };
        judged().next()?;
        Some(
            judged()
                .find_map(|(name, verdict)| cue_for(name, verdict))
                .unwrap_or(IN_BAND),
        )
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::coach::Band;
    use crate::rep::{Bats, Events, Measure, View};
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
            view: View::OpenSide,
            fps: 60.0,
            events: Events::default(),
            measures,
            known_at: CaptureTime::from_secs(2.0),
        }
    }

    fn coach() -> Coach {
        let band = |low, high| Band {
            low: Some(low),
            high: Some(high),
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

    fn cue_of(rep: Rep) -> Option<String> {
        coach().judge(rep).cue.map(|c| c.id)
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
        assert_eq!(cue_of(both).as_deref(), Some("hands_late"));
        let one = rep(
            RepKind::Swing,
            &[
                (MeasureName::HeadToPlant, 15.0),
                (MeasureName::HandsBack, 3.0),
            ],
        );
        assert_eq!(cue_of(one).as_deref(), Some("head_forward"));
    }

    #[test]
    fn all_in_gives_the_pleasant_tone_and_nothing_judged_gives_silence() {
        assert_eq!(
            cue_of(rep(RepKind::Swing, &[(MeasureName::HeadToPlant, 5.0)])).as_deref(),
            Some(IN_BAND)
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
}
