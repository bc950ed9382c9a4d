//! What a set was like: its swings counted by the measures in focus, summed up as speech and in print.
//!
//! In: judged reps. Out: a [`SetSummary`]. Pure.

use std::collections::VecDeque;

use super::cue::{CueId, cue_for};
use super::judged::JudgedRep;
use super::spoken::{PhraseId, Said, rounded};
use super::verdict::Verdict;
use crate::rep::{Lengths, MeasureName, RepKind};
use crate::stats::median;

/// Medians are of this many latest values: an open set may run for weeks, and memory must not grow with it.
const LATEST: usize = 500;

/// Counts reps, from one summary to the next.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct SetTally {
    swings: u32,
    takes: u32,
    judged: u32,
    in_band: u32,
    measures: Vec<MeasureTally>,
}

#[derive(Clone, Debug, PartialEq)]
struct MeasureTally {
    name: MeasureName,
    /// All judged values.
    values: Values,
    low: Values,
    high: Values,
}

/// Values: all are counted, the latest are kept.
#[derive(Clone, Debug, Default, PartialEq)]
struct Values {
    count: u32,
    latest: VecDeque<f64>,
}

impl Values {
    fn push(&mut self, value: f64) {
        self.count += 1;
        // The full capacity at once, so that memory use is flat from the first swing on.
        if self.latest.capacity() == 0 {
            self.latest.reserve_exact(LATEST);
        }
        if self.latest.len() == LATEST {
            self.latest.pop_front();
        }
        self.latest.push_back(value);
    }

    fn median(&self) -> Option<f64> {
        median(&Vec::from_iter(self.latest.iter().copied()))
    }
}

/// What the counted reps were like.
#[derive(Clone, Debug, PartialEq)]
pub struct SetSummary {
    /// Whole swings.
    pub(crate) swings: u32,
    /// Strides without a swing.
    pub(crate) takes: u32,
    /// Swings of which a measure in focus could be judged.
    pub(crate) judged: u32,
    /// Those of them with every judged measure in focus in its band.
    pub(crate) in_band: u32,
    /// What was missed most; `None` where nothing was.
    pub(crate) most_missed: Option<MissedMeasure>,
}

/// A measure on the wrong side of its band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct MissedMeasure {
    /// The measure.
    pub(crate) measure: MeasureName,
    /// Low or high, the side of most of its misses.
    pub(crate) side: Verdict,
    /// Misses on that side.
    pub(crate) times: u32,
    /// The median of those misses, in the measure's unit.
    pub(crate) missed_at: f64,
    /// The median of all its judged values, in band or not.
    pub(crate) median: f64,
}

impl SetTally {
    /// Nothing counted yet. The focus is in order of importance.
    pub(crate) fn new(focus: &[MeasureName]) -> Self {
        let measures = focus
            .iter()
            .map(|&name| MeasureTally {
                name,
                values: Values::default(),
                low: Values::default(),
                high: Values::default(),
            })
            .collect();
        Self {
            swings: 0,
            takes: 0,
            judged: 0,
            in_band: 0,
            measures,
        }
    }

    /// Counts these measures from here on. What was counted stays, and the values of measures that stay.
    pub(crate) fn refocus(&mut self, focus: &[MeasureName]) {
        let mut before = std::mem::replace(self, Self::new(focus));
        for measure in &mut self.measures {
            if let Some(old) = before
                .measures
                .iter_mut()
                .find(|old| old.name == measure.name)
            {
                std::mem::swap(measure, old);
            }
        }
        self.swings = before.swings;
        self.takes = before.takes;
        self.judged = before.judged;
        self.in_band = before.in_band;
    }

    /// Swings so far.
    pub(crate) const fn swings(&self) -> u32 {
        self.swings
    }

    /// Counts the next rep. Takes are counted and not judged.
    pub(crate) fn add(&mut self, judged: &JudgedRep) {
        if judged.rep.kind == RepKind::Take {
            self.takes += 1;
            return;
        }
        self.swings += 1;
        let (mut any, mut all_in) = (false, true);
        for tally in &mut self.measures {
            let measure = judged.rep.measures.get(&tally.name);
            let (Some(verdict), Some(value)) = (
                judged.verdicts.get(&tally.name),
                measure.and_then(|measure| measure.value()),
            ) else {
                continue;
            };
            any = true;
            all_in &= *verdict == Verdict::In;
            tally.values.push(value);
            match verdict {
                Verdict::In => {}
                Verdict::Low => tally.low.push(value),
                Verdict::High => tally.high.push(value),
            }
        }
        self.judged += u32::from(any);
        self.in_band += u32::from(any && all_in);
    }

    /// What was counted so far.
    pub(crate) fn summary(&self) -> SetSummary {
        // Measures are in order of importance: of two that are missed equally often, the first is named.
        let mut most_missed: Option<(u32, MissedMeasure)> = None;
        for tally in &self.measures {
            let misses = tally.low.count + tally.high.count;
            if let Some(miss) = tally.miss()
                && most_missed.is_none_or(|(most, _)| misses > most)
            {
                most_missed = Some((misses, miss));
            }
        }
        SetSummary {
            swings: self.swings,
            takes: self.takes,
            judged: self.judged,
            in_band: self.in_band,
            most_missed: most_missed.map(|(_, miss)| miss),
        }
    }
}

impl MeasureTally {
    fn miss(&self) -> Option<MissedMeasure> {
        let (side, misses) = if self.low.count > self.high.count {
            (Verdict::Low, &self.low)
        } else {
            (Verdict::High, &self.high)
        };
        Some(MissedMeasure {
            measure: self.name,
            side,
            times: misses.count,
            missed_at: misses.median()?,
            median: self.values.median()?,
        })
    }
}

impl SetSummary {
    /// As it is said: swings, how many in range, and what was off most often with its usual size.
    pub(crate) fn said(&self, lengths: Lengths) -> Vec<Said> {
        let mut said = vec![Said::Count(self.swings, PhraseId::Swings)];
        if self.judged == 0 {
            return said;
        }
        said.push(Said::Pause);
        said.push(match self.in_band {
            0 => Said::Phrase(PhraseId::None),
            all if all == self.judged => Said::Phrase(PhraseId::All),
            some => Said::Number(some),
        });
        said.push(Said::Phrase(PhraseId::InRange));
        let Some(miss) = &self.most_missed else {
            return said;
        };
        if let Some(cue) = miss.cue() {
            said.extend([Said::Pause, Said::Phrase(PhraseId::Mostly), Said::Cue(cue)]);
            if let Some(size) = rounded(miss.measure, miss.missed_at, lengths) {
                said.extend([Said::Pause, size.said()]);
            }
        }
        said
    }
}

impl MissedMeasure {
    /// What the hitter hears about it.
    pub(crate) fn cue(&self) -> Option<CueId> {
        cue_for(self.measure, self.side)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::coach::{AbsoluteBand, MOST_SAID};
    use crate::rep::{Bats, Events, Measure, Rep, Style, View};
    use crate::time::CaptureTime;

    use MeasureName::{HandsBack, HeadDrop, HeadToPlant};

    #[test]
    fn an_open_set_of_weeks_counts_all_and_keeps_the_latest() {
        let mut tally = SetTally::new(&[HeadToPlant]);
        for swing in 0..20 * LATEST {
            let value = if swing < 19 * LATEST { 30.0 } else { 12.0 };
            tally.add(&judged(RepKind::Swing, 1.0, &[(HeadToPlant, value)]));
        }
        let miss = tally.summary().most_missed.unwrap();
        assert_eq!(miss.times as usize, 20 * LATEST);
        assert_eq!((miss.missed_at, miss.median), (12.0, 12.0));
        let kept = &tally.measures[0];
        assert!(kept.values.latest.capacity() < 4 * LATEST);
        assert_eq!(kept.high.latest.len(), LATEST);
    }

    /// A rep that is judged by the settings' usual bands.
    pub(crate) fn judged(kind: RepKind, at_secs: f64, values: &[(MeasureName, f64)]) -> JudgedRep {
        let band = |low, high| AbsoluteBand {
            low: Some(low),
            high: Some(high),
        };
        let bands = BTreeMap::from([
            (HeadToPlant, band(-4.0, 10.0)),
            (HandsBack, band(1.0, 20.0)),
            (HeadDrop, band(-3.0, 10.0)),
            (MeasureName::BackBeforeForward, band(1.0, 1.0)),
        ]);
        let made = |value| Measure::Made {
            value,
            plus_minus: 1.0,
            confidence: 0.9,
        };
        JudgedRep {
            number: 1,
            rep: Rep {
                kind,
                bats: Bats::Right,
                pitcher: None,
                view: View::OpenSide,
                fps: 60.0,
                events: Events::default(),
                measures: values
                    .iter()
                    .map(|&(name, value)| (name, made(value)))
                    .collect(),
                style: Style::default(),
                ruler: None,
                heard: None,
                known_at: CaptureTime::from_secs(at_secs),
            },
            verdicts: values
                .iter()
                .filter_map(|(name, value)| Some((*name, bands.get(name)?.judge(*value))))
                .collect(),
            bands,
            cue: None,
            no_cue: None,
            pitch: None,
        }
    }

    fn summary(focus: &[MeasureName], swings: &[&[(MeasureName, f64)]]) -> SetSummary {
        let mut tally = SetTally::new(focus);
        for values in swings {
            tally.add(&judged(RepKind::Swing, 0.0, values));
        }
        tally.summary()
    }

    #[test]
    fn another_focus_keeps_the_counts_and_the_values_of_measures_that_stay() {
        let mut tally = SetTally::new(&[HeadDrop, HeadToPlant]);
        let both: &[_] = &[(HeadToPlant, 15.0), (HandsBack, -3.0)];
        tally.add(&judged(RepKind::Swing, 0.0, both));
        tally.add(&judged(RepKind::Take, 0.0, both));
        let before = tally.clone();
        tally.refocus(&[HeadDrop, HeadToPlant]);
        assert_eq!(tally, before, "the same focus is no change");
        tally.refocus(&[HandsBack, HeadToPlant]);
        let miss = tally.summary().most_missed.expect("a miss");
        assert_eq!((miss.measure, miss.times), (HeadToPlant, 1));
        tally.add(&judged(RepKind::Swing, 0.0, &both[1..]));
        let summary = tally.summary();
        assert_eq!((summary.swings, summary.takes), (2, 1));
        // Both were missed once now, and the one that stands first is named.
        assert_eq!(summary.most_missed.expect("a miss").measure, HandsBack);
    }

    #[test]
    fn a_set_is_summed_up_by_what_was_missed_most_and_to_which_side() {
        let found = summary(
            &[HeadToPlant, HandsBack],
            &[
                &[(HeadToPlant, 5.0), (HandsBack, 5.0), (HeadDrop, 40.0)],
                &[(HeadToPlant, 12.4), (HandsBack, 5.0)],
                &[(HeadToPlant, 14.0), (HandsBack, 0.0)],
                &[(HeadToPlant, 13.0)],
                &[(HeadToPlant, -5.0)],
                &[(HeadDrop, 2.0)],
            ],
        );
        let miss = found.most_missed.unwrap();
        assert_eq!((found.swings, found.judged, found.in_band), (6, 5, 1));
        assert_eq!(
            (miss.measure, miss.side, miss.times),
            (HeadToPlant, Verdict::High, 3)
        );
        assert_eq!((miss.missed_at, miss.median), (13.0, 12.4));
        use Said::{Count, Cue, Number, Pause, Phrase};
        assert_eq!(
            found.said(Lengths::Metric),
            [
                Count(6, PhraseId::Swings),
                Pause,
                Number(1),
                Phrase(PhraseId::InRange),
                Pause,
                Phrase(PhraseId::Mostly),
                Cue(CueId::HeadForward),
                Pause,
                Count(13, PhraseId::Centimeters),
            ]
        );
    }

    #[test]
    fn sets_with_nothing_to_tell_say_little() {
        let well = summary(&[HeadToPlant], &[&[(HeadToPlant, 1.0)]]);
        assert_eq!(
            well.said(Lengths::Metric)[2..],
            [Said::Phrase(PhraseId::All), Said::Phrase(PhraseId::InRange)]
        );
        let unseen = summary(&[HeadToPlant], &[&[], &[]]);
        assert_eq!(
            unseen.said(Lengths::Metric),
            [Said::Count(2, PhraseId::Swings)]
        );
        let mut takes = SetTally::new(&[HeadToPlant]);
        takes.add(&judged(RepKind::Take, 0.0, &[(HeadToPlant, 50.0)]));
        assert_eq!(takes.summary().most_missed, None);
        // A yes or no is counted and has no size.
        let early = summary(
            &[MeasureName::BackBeforeForward],
            &[&[(MeasureName::BackBeforeForward, 0.0)]],
        );
        assert_eq!(
            early.said(Lengths::Metric).last(),
            Some(&Said::Cue(CueId::WeightEarly))
        );
    }

    #[test]
    fn a_tie_goes_to_the_more_important_measure_and_numbers_stay_sayable() {
        let both: &[(MeasureName, f64)] = &[(HeadToPlant, 1e7), (HandsBack, -1e7)];
        for (focus, first) in [
            ([HeadToPlant, HandsBack], HeadToPlant),
            ([HandsBack, HeadToPlant], HandsBack),
        ] {
            let found = summary(&focus, &[both]);
            assert_eq!(found.most_missed.unwrap().measure, first);
            assert!(found.said(Lengths::Metric).iter().all(|said| match said {
                Said::Number(number) | Said::Count(number, _) => *number <= MOST_SAID,
                Said::Phrase(_) | Said::Cue(_) | Said::Instruction(_) | Said::Pause => true,
            }));
        }
    }
}
