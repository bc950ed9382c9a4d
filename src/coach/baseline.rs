//! Baselines: what is usual for one hitter, for each measure and side.
//!
//! In: the hitter's swings in time order, stored ones first. Out: a [`Baseline`] for each measure. Pure; nothing is stored,
//! because the journal's swings give the same baselines again.
//!
//! The rule: the first N values (the setting `baseline.swings`) fix the baseline as their median, and its spread as their
//! median absolute deviation, scaled to a standard deviation. From then on each swing moves the baseline toward the
//! median of the last N values, by a fiftieth of the spread at most, and the spread toward theirs by the same step. So a
//! wild value hardly moves it, a slump of fifty swings moves it by about one spread, and a lasting change is followed.

use std::collections::HashMap;

use crate::rep::{Bats, MeasureName, Rep, RepKind};
use crate::stats::median;

/// How many swings fix a baseline by default.
pub(crate) const DEFAULT_SWINGS: usize = 20;

/// Median absolute deviation to standard deviation, for normally distributed values (P. J. Rousseeuw and
/// C. Croux, "Alternatives to the Median Absolute Deviation", J. Am. Stat. Assoc. 88, 1993).
const DEVIATION_TO_SPREAD: f64 = 1.4826;

/// The most that one swing moves a baseline, in spreads (our choice: fifty swings are a day's work).
const MOST_STEP: f64 = 0.02;

/// A spread of zero would hold the baseline forever; this is the last digit that logs show, in any unit.
const LEAST_SPREAD: f64 = 0.01;

/// Values of a measure that are kept at least: well above the most swings that may fix a baseline. Memory must not grow
/// over weeks of running.
const KEPT: usize = 1000;

/// What is usual for a hitter in one measure, in the measure's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Baseline {
    /// The middle of the hitter's values.
    pub(crate) median: f64,
    /// One standard deviation from swing to swing, estimated from the median absolute deviation.
    pub(crate) spread: f64,
    /// How many values are behind it.
    pub(crate) count: usize,
}

/// The baselines of one hitter.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Baselines {
    swings: usize,
    measures: HashMap<(Bats, MeasureName), RunningBaseline>,
}

impl Default for Baselines {
    fn default() -> Self {
        Self::new(DEFAULT_SWINGS)
    }
}

impl Baselines {
    /// No baseline yet; `swings` values will fix each, at least one.
    pub(crate) fn new(swings: usize) -> Self {
        Self {
            swings: swings.max(1),
            measures: HashMap::new(),
        }
    }

    /// Lets this many values fix each baseline. The kept values are replayed, so that the baselines are those of a new
    /// start with the same reps.
    pub(crate) fn set_swings(&mut self, swings: usize) {
        let swings = swings.max(1);
        if swings == self.swings {
            return;
        }
        self.swings = swings;
        for baseline in self.measures.values_mut() {
            let values = std::mem::take(&mut baseline.values);
            let count = baseline.count;
            *baseline = RunningBaseline::default();
            for value in values {
                baseline.add(value, swings);
            }
            baseline.count = count;
        }
    }

    /// Adds the hitter's next rep. Only what was measured in a swing counts; a take changes nothing.
    pub(crate) fn add(&mut self, rep: &Rep) {
        if rep.kind != RepKind::Swing {
            return;
        }
        for (&name, measure) in &rep.measures {
            if let Some(value) = measure.value() {
                self.add_value(rep.bats, name, value);
            }
        }
    }

    /// Adds one measure of the hitter's latest swing that became known later than the others.
    pub(crate) fn add_value(&mut self, bats: Bats, name: MeasureName, value: f64) {
        if value.is_finite() && has_baseline(name) {
            let baseline = self.measures.entry((bats, name)).or_default();
            baseline.add(value, self.swings);
        }
    }

    /// The baseline on this side; `None` until enough swings are behind it, and for measures that have none.
    pub(crate) fn get(&self, bats: Bats, name: MeasureName) -> Option<Baseline> {
        let baseline = self.measures.get(&(bats, name))?;
        let (median, spread) = baseline.usual?;
        Some(Baseline {
            median,
            spread,
            count: baseline.count,
        })
    }
}

/// Whether a measure can have a baseline: a yes or no has none, and neither has a sequence.
pub(crate) fn has_baseline(name: MeasureName) -> bool {
    name.unit().is_quantity()
}

/// A baseline and the values that it follows.
#[derive(Clone, Debug, Default, PartialEq)]
struct RunningBaseline {
    /// The latest values, [`KEPT`] to twice as many, for a change of the number of swings. What lies further back no longer
    /// matters to a baseline that moves.
    values: Vec<f64>,
    /// How many there were in all.
    count: usize,
    /// Median and spread, once known.
    usual: Option<(f64, f64)>,
}

impl RunningBaseline {
    fn add(&mut self, value: f64, swings: usize) {
        if self.values.len() == 2 * KEPT {
            self.values.drain(..KEPT);
        }
        // The full capacity at once, so that memory use is flat from the first swing on.
        if self.values.capacity() == 0 {
            self.values.reserve_exact(2 * KEPT);
        }
        self.values.push(value);
        self.count += 1;
        let Some(before_latest) = self.values.len().checked_sub(swings) else {
            return;
        };
        let Some((new_median, new_spread)) = middle_and_spread(&self.values[before_latest..])
        else {
            return;
        };
        self.usual = Some(match self.usual {
            None => (new_median, new_spread),
            Some((median, spread)) => {
                let step = MOST_STEP * spread.max(LEAST_SPREAD);
                let toward = |from: f64, to: f64| from + (to - from).clamp(-step, step);
                (toward(median, new_median), toward(spread, new_spread))
            }
        });
    }
}

/// The median, and the median absolute deviation from it as a standard deviation.
fn middle_and_spread(values: &[f64]) -> Option<(f64, f64)> {
    let middle = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    Some((middle, DEVIATION_TO_SPREAD * median(&deviations)?))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::rep::{Events, Measure, NotMeasured, Style, View};
    use crate::time::CaptureTime;

    const STRIDE: MeasureName = MeasureName::StrideLength;

    fn swing(name: MeasureName, value: f64) -> Rep {
        let measure = Measure::Made {
            value,
            plus_minus: 2.0,
            confidence: 0.9,
        };
        Rep {
            kind: RepKind::Swing,
            bats: Bats::Right,
            pitcher: None,
            view: View::OpenSide,
            fps: 60.0,
            events: Events::default(),
            measures: BTreeMap::from([(name, measure)]),
            style: Style::default(),
            ruler: None,
            heard: None,
            known_at: CaptureTime::default(),
        }
    }

    fn after(swings: usize, values: &[f64]) -> Baselines {
        let mut baselines = Baselines::new(swings);
        for value in values {
            baselines.add(&swing(STRIDE, *value));
        }
        baselines
    }

    fn usual(baselines: &Baselines) -> Baseline {
        baselines.get(Bats::Right, STRIDE).unwrap()
    }

    /// Numbers about 70 with a spread of 2, the same in every run: sums of twelve uniform numbers (xorshift).
    fn normal(count: usize, start: u64) -> Vec<f64> {
        let mut state = start | 1;
        let mut uniform = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..count)
            .map(|_| 70.0 + 2.0 * ((0..12).map(|_| uniform()).sum::<f64>() - 6.0))
            .collect()
    }

    #[test]
    fn median_and_deviation_are_those_of_the_statistics_manual() {
        // The example in the manual of R, stats::mad: mad(c(1:9), constant = 1) equals mad(c(1:8, 100), constant = 1),
        // both 2.
        let nine: Vec<f64> = (1..=9).map(f64::from).collect();
        let wild: Vec<f64> = (1..=8).map(f64::from).chain([100.0]).collect();
        for values in [nine, wild] {
            let found = usual(&after(9, &values));
            assert_eq!(found.median, 5.0);
            assert!((found.spread - 2.0 * 1.4826).abs() < 1e-12);
            assert_eq!(found.count, 9);
        }
        // The factor is one over the upper quartile of the normal distribution, 0.674489750196 (any table of it).
        assert!((DEVIATION_TO_SPREAD * 0.674_489_750_196 - 1.0).abs() < 1e-5);
    }

    #[test]
    fn weeks_of_swings_are_counted_and_not_all_kept() {
        let values = normal(5 * KEPT, 7);
        let baselines = after(20, &values);
        assert_eq!(usual(&baselines).count, 5 * KEPT);
        let kept = &baselines.measures[&(Bats::Right, STRIDE)];
        assert!(kept.values.len() <= 2 * KEPT);
        // What was dropped makes no difference to where the baseline stands.
        let latest = after(20, &values[3 * KEPT..]);
        assert!((usual(&latest).median - usual(&baselines).median).abs() < 1e-9);
    }

    #[test]
    fn nothing_is_usual_before_the_first_swings_are_in() {
        let mut baselines = after(20, &normal(19, 3));
        assert_eq!(baselines.get(Bats::Right, STRIDE), None);
        // A take, a swing without the measure and one from the other side bring it no nearer.
        baselines.add(&Rep {
            kind: RepKind::Take,
            ..swing(STRIDE, 70.0)
        });
        baselines.add(&Rep {
            bats: Bats::Left,
            ..swing(STRIDE, 70.0)
        });
        let hidden = Measure::from(NotMeasured::PartHidden);
        baselines.add(&Rep {
            measures: BTreeMap::from([(STRIDE, hidden)]),
            ..swing(STRIDE, 0.0)
        });
        baselines.add(&swing(STRIDE, f64::NAN));
        assert_eq!(baselines.get(Bats::Right, STRIDE), None);
        baselines.add(&swing(STRIDE, 70.0));
        assert_eq!(usual(&baselines).count, 20);
    }

    #[test]
    fn steady_swings_keep_it_where_it_is() {
        let found = usual(&after(20, &normal(400, 5)));
        assert!((found.median - 70.0).abs() < 1.0, "{found:?}");
        assert!((found.spread - 2.0).abs() < 0.8, "{found:?}");
    }

    #[test]
    fn a_slump_does_not_become_the_norm_and_a_lasting_change_does() {
        let first = normal(20, 7);
        let before = usual(&after(20, &first));
        let with_slump = |swings: usize| {
            let slump = normal(swings, 11).into_iter().map(|v| v + 12.0);
            usual(&after(
                20,
                &first.iter().copied().chain(slump).collect::<Vec<_>>(),
            ))
        };
        // The spread, which the step hangs on, may have grown a little on the way.
        let moved = |swings: usize| (with_slump(swings).median - before.median) / before.spread;
        assert!((0.0..=0.4).contains(&moved(15)), "{}", moved(15));
        assert!((0.5..=1.3).contains(&moved(50)), "{}", moved(50));
        assert!((with_slump(800).median - 82.0).abs() < 1.0);
        assert!((with_slump(800).spread - 2.0).abs() < 0.8);
    }

    #[test]
    fn one_wild_value_moves_nothing_by_more_than_a_step() {
        let values = normal(40, 13);
        let before = usual(&after(20, &values));
        let wild: Vec<f64> = values.iter().copied().chain([1e6]).collect();
        let after_it = usual(&after(20, &wild));
        assert!((after_it.median - before.median).abs() <= MOST_STEP * before.spread + 1e-12);
        assert!((after_it.spread - before.spread).abs() <= MOST_STEP * before.spread + 1e-12);
    }

    #[test]
    fn values_that_are_all_the_same_do_not_hold_it_for_ever() {
        let mut values = vec![70.0; 20];
        values.extend(normal(2000, 17).iter().map(|v| v + 5.0));
        assert!((usual(&after(20, &values)).median - 75.0).abs() < 1.0);
    }

    #[test]
    fn another_number_of_swings_gives_what_a_new_start_with_it_gives() {
        let values = normal(60, 11);
        for (before, now) in [(20, 12), (12, 20), (20, 80), (80, 20)] {
            let mut revised = after(before, &values[..50]);
            revised.set_swings(now);
            assert_eq!(revised, after(now, &values[..50]), "{before} to {now}");
            for value in &values[50..] {
                revised.add(&swing(MeasureName::HeadToPlant, *value));
            }
            let started = {
                let mut started = after(now, &values[..50]);
                for value in &values[50..] {
                    started.add(&swing(MeasureName::HeadToPlant, *value));
                }
                started
            };
            assert_eq!(revised, started);
        }
    }

    #[test]
    fn what_is_no_quantity_has_no_usual_value() {
        for name in [MeasureName::BackBeforeForward, MeasureName::Sequence] {
            let mut baselines = Baselines::new(20);
            for _ in 0..30 {
                baselines.add(&swing(name, 1.0));
            }
            assert_eq!(baselines.get(Bats::Right, name), None);
            assert!(!has_baseline(name));
        }
        assert!(has_baseline(STRIDE));
    }
}
