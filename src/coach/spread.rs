//! Notices when a hitter's swings begin to scatter: a reason to suggest a stop before tired swings are learned.
//!
//! In: the values of the measures in focus, swing by swing. Out: a [`Spread`], once at most. Pure.
//!
//! The rule, a CUSUM on sequential ranks:
//! 1. A swing's residual in a measure is its distance from the median of the three swings before, which hardly changes
//!    when the level drifts or steps, as it does while a hitter learns.
//! 2. The swing's distance is the root mean square of its residuals, each divided by its measure's median residual, so
//!    that measures that go wrong together count together.
//! 3. The distance's rank among all so far becomes an exponential score (I. R. Savage, Ann. Math. Stat. 27, 1956). Ranks
//!    of steady swings are alike whatever the distribution, so a few wild swings raise no false alarm.
//! 4. The score less an allowance is summed, never below zero (E. S. Page, Biometrika 41, 1954; with sequential ranks:
//!    D. McDonald, Nav. Res. Logist. 37, 1990). Above the threshold, the spread has grown.
//!
//! The citations are from memory. Threshold and allowance were set by simulation; the tests count the false alarms. That
//! tired hitters scatter is common practice, no source: it is a suggestion, never an order.

use std::collections::{BTreeMap, VecDeque};

use crate::rep::MeasureName;
use crate::stats::median;

/// How many swings before this one give the level of its residual.
const LEVEL_OVER: usize = 3;

/// Distances before the first that is ranked: ranks among fewer say nothing.
const FIRST_DISTANCES: usize = 8;

/// How far a score may be above its mean, which is 1, without adding to the sum.
const ALLOWANCE: f64 = 0.25;

/// The sum at which the spread has grown, for up to [`FLAT_UNTIL`] swings.
const THRESHOLD: f64 = 12.2;

/// From this many swings on, the threshold rises, so that a long day does not add up to a false alarm.
const FLAT_UNTIL: usize = 50;

/// The decay rate of a steady hitter's sums, per unit of the sum: the root of exp(-1.25 t) = 1 - t, the large-deviation
/// exponent of a CUSUM of exponential scores.
const TAIL: f64 = 0.371;

/// The latest swings, at most, that the report compares with those before.
const REPORT_OVER: usize = 10;

/// The spread has grown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// The swing at which it was noticed, from 1.
    pub(crate) swing: usize,
    /// The measure whose spread grew most.
    pub(crate) measure: MeasureName,
    /// The growth of its spread as a factor; biased upward, because it is taken when it is high.
    pub(crate) times: f64,
}

/// After this many swings the watch starts over: nobody tires over more than that without a rest.
const MOST_ROWS: usize = 1000;

/// Watches the swings of one hitter, from the first of a set or of a session.
#[derive(Clone, Debug)]
pub struct SpreadWatch {
    measures: Vec<WatchedMeasure>,
    swings: usize,
    /// Rows of residuals in the measures' order, one row for each swing that had any.
    residuals: Vec<Option<f64>>,
    sum: f64,
    /// How many rows there were when the sum was last zero.
    rows_at_zero: usize,
    said: bool,
}

#[derive(Clone, Debug)]
struct WatchedMeasure {
    name: MeasureName,
    latest: VecDeque<f64>,
}

impl SpreadWatch {
    /// Watches these measures; a yes or no, or a sequence, has no spread and is left out.
    pub fn new(focus: &[MeasureName]) -> Self {
        let measures = focus
            .iter()
            .filter(|name| name.unit().is_quantity())
            .map(|&name| WatchedMeasure {
                name,
                latest: VecDeque::with_capacity(LEVEL_OVER),
            })
            .collect();
        Self {
            measures,
            swings: 0,
            residuals: Vec::new(),
            sum: 0.0,
            rows_at_zero: 0,
            said: false,
        }
    }

    /// Adds the next swing's values; what could not be measured is left out. Gives the growth once, when it is first
    /// noticed.
    pub fn add(&mut self, values: &BTreeMap<MeasureName, f64>) -> Option<Spread> {
        if self.said {
            return None;
        }
        if self.row_count() == MOST_ROWS {
            self.start_over();
        }
        self.swings += 1;
        // The full capacity at once, so that memory use is flat from the first swing on.
        if self.residuals.capacity() == 0 {
            self.residuals
                .reserve_exact(MOST_ROWS * self.measures.len());
        }
        let before = self.residuals.len();
        for watched in &mut self.measures {
            let value = values.get(&watched.name).copied();
            self.residuals.push(watched.residual(value));
        }
        if self.residuals[before..].iter().all(Option::is_none) {
            self.residuals.truncate(before);
            return None;
        }
        let distances = self.distances();
        let count = distances.len();
        if count <= FIRST_DISTANCES {
            return None;
        }
        self.sum = (self.sum + savage_score(&distances) - 1.0 - ALLOWANCE).max(0.0);
        if self.sum == 0.0 {
            self.rows_at_zero = self.row_count();
        }
        if self.sum < threshold(self.swings) {
            return None;
        }
        self.said = true;
        self.grown()
    }

    fn rows(&self) -> std::slice::ChunksExact<'_, Option<f64>> {
        // Without measures there are no rows, but a chunk size of 0 would panic.
        self.residuals.chunks_exact(self.measures.len().max(1))
    }

    fn row_count(&self) -> usize {
        self.rows().len()
    }

    /// Starts over, so that neither memory nor the work for a swing grows without end.
    fn start_over(&mut self) {
        self.residuals.clear();
        self.swings = 0;
        self.sum = 0.0;
        self.rows_at_zero = 0;
    }

    /// The distance of each swing so far, by the medians known now.
    fn distances(&self) -> Vec<f64> {
        let scales: Vec<Option<f64>> = (0..self.measures.len())
            .map(|idx| {
                let column = self.rows().filter_map(|row| row[idx]);
                median(&column.collect::<Vec<f64>>()).filter(|scale| *scale > 0.0)
            })
            .collect();
        self.rows()
            .filter_map(|row| {
                let scaled: Vec<f64> = row
                    .iter()
                    .zip(&scales)
                    .filter_map(|(residual, scale)| Some((*residual)? / (*scale)?))
                    .collect();
                let squares = scaled.iter().map(|scaled| scaled * scaled).sum::<f64>();
                (!scaled.is_empty()).then(|| (squares / scaled.len() as f64).sqrt())
            })
            .collect()
    }

    /// The measure that grew most, the latest swings compared with those before.
    fn grown(&self) -> Option<Spread> {
        let spread = |rows: std::ops::Range<usize>, idx: usize| {
            let rows = self.rows().take(rows.end).skip(rows.start);
            median(&rows.filter_map(|row| row[idx]).collect::<Vec<f64>>())
        };
        // The sum may have been above zero by chance when the growth began, so only the latest swings count.
        let all = self.row_count();
        let begun = self.rows_at_zero.max(all.saturating_sub(REPORT_OVER));
        let (measure, times) = self
            .measures
            .iter()
            .enumerate()
            .filter_map(|(idx, watched)| {
                let early = spread(0..begun, idx).filter(|early| *early > 0.0)?;
                Some((watched.name, spread(begun..all, idx)? / early))
            })
            .max_by(|(_, a), (_, b)| a.total_cmp(b))?;
        Some(Spread {
            swing: self.swings,
            measure,
            times,
        })
    }
}

impl WatchedMeasure {
    /// How far the next value lies from the level before it; `None` until there is one.
    fn residual(&mut self, value: Option<f64>) -> Option<f64> {
        let value = value.filter(|value| value.is_finite())?;
        let level = (self.latest.len() == LEVEL_OVER)
            .then(|| median(self.latest.make_contiguous()))
            .flatten();
        if self.latest.len() == LEVEL_OVER {
            self.latest.pop_front();
        }
        self.latest.push_back(value);
        Some((value - level?).abs())
    }
}

/// The exponential score of the last value among all: the expected size of a value of its rank in a sample from the
/// exponential distribution with mean 1. Ties share the mean of their ranks' scores.
fn savage_score(values: &[f64]) -> f64 {
    let Some((last, before)) = values.split_last() else {
        return 1.0;
    };
    let count = values.len();
    let below = before.iter().filter(|value| *value < last).count();
    let equal = before.iter().filter(|value| *value == last).count();
    let score = |rank: usize| {
        (count - rank + 1..=count)
            .map(|j| 1.0 / j as f64)
            .sum::<f64>()
    };
    (below + 1..=below + 1 + equal).map(score).sum::<f64>() / (equal + 1) as f64
}

/// The sum at which the spread has grown. Past [`FLAT_UNTIL`] swings the chance of a false alarm falls with the third
/// power of their number, so that all later swings together add little.
fn threshold(swings: usize) -> f64 {
    let past = swings.max(FLAT_UNTIL) as f64 / FLAT_UNTIL as f64;
    THRESHOLD + 3.0 * past.ln() / TAIL
}

#[cfg(test)]
mod tests {
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Exp1, StandardNormal, StudentT};

    use super::*;

    const FOCUS: [MeasureName; 3] = [
        MeasureName::HeadToPlant,
        MeasureName::StrideLength,
        MeasureName::GatherToPlant,
    ];

    /// A hitter whose values at a swing (from 0) are made by `value`, in so many measures.
    fn first_alarm(
        measures: usize,
        swings: usize,
        rng: &mut StdRng,
        mut value: impl FnMut(usize, usize, &mut StdRng) -> f64,
    ) -> Option<Spread> {
        let mut watch = SpreadWatch::new(&FOCUS[..measures]);
        (0..swings).find_map(|swing| {
            let values = FOCUS[..measures]
                .iter()
                .enumerate()
                .map(|(idx, name)| (*name, value(swing, idx, rng)))
                .collect();
            watch.add(&values)
        })
    }

    fn normal(rng: &mut StdRng) -> f64 {
        StandardNormal.sample(rng)
    }

    /// The share of simulated sets with an alarm.
    fn alarms(
        sets: usize,
        measures: usize,
        swings: usize,
        mut value: impl FnMut(usize, usize, &mut StdRng) -> f64,
    ) -> f64 {
        let mut rng = StdRng::seed_from_u64(4);
        let count = (0..sets)
            .filter(|_| first_alarm(measures, swings, &mut rng, &mut value).is_some())
            .count();
        count as f64 / sets as f64
    }

    #[test]
    fn scores_of_ranks_have_a_mean_of_one_and_the_highest_is_a_harmonic_number() {
        // Savage's scores: the i-th of n is the sum of 1/n to 1/(n - i + 1); the last of five is 1 + 1/2 + .. + 1/5.
        let among = |last: f64| savage_score(&[1.0, 2.0, 3.0, 4.0, last]);
        assert!((among(9.0) - 137.0 / 60.0).abs() < 1e-12);
        assert!((among(0.0) - 0.2).abs() < 1e-12);
        let all: f64 = [0.5, 1.5, 2.5, 3.5, 4.5].map(among).iter().sum();
        assert!((all / 5.0 - 1.0).abs() < 1e-12);
        assert!((savage_score(&[7.0; 6]) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_tail_is_the_root_that_it_is_said_to_be() {
        assert!(((-(1.0 + ALLOWANCE) * TAIL).exp() - (1.0 - TAIL)).abs() < 5e-4);
    }

    #[test]
    fn steady_sets_of_50_raise_fewer_than_2_false_alarms_in_100() {
        let sets = 3000;
        let student = StudentT::new(3.0).unwrap();
        let mut report = Vec::new();
        let mut check = |what: &str, measures: usize, share: f64| {
            report.push(format!("{what}, {measures} measures: {share:.4}"));
            share < 0.02
        };
        let mut well = true;
        for measures in [1, 3] {
            well &= check(
                "normal",
                measures,
                alarms(sets, measures, 50, |_, _, r| normal(r)),
            );
            well &= check(
                "heavy tails (Student, 3 degrees)",
                measures,
                alarms(sets, measures, 50, |_, _, r| student.sample(r)),
            );
            well &= check(
                "one sided (exponential)",
                measures,
                alarms(sets, measures, 50, |_, _, r| Exp1.sample(r)),
            );
            well &= check(
                "a wild swing in 16",
                measures,
                alarms(sets, measures, 50, |_, _, r| {
                    let wild = if r.random_bool(0.06) { 4.0 } else { 1.0 };
                    wild * normal(r)
                }),
            );
            well &= check(
                "drift by four spreads",
                measures,
                alarms(sets, measures, 50, |swing, _, r| {
                    swing as f64 * 4.0 / 50.0 + normal(r)
                }),
            );
            well &= check(
                "a step by two and a half spreads",
                measures,
                alarms(sets, measures, 50, |swing, _, r| {
                    if swing >= 25 {
                        2.5 + normal(r)
                    } else {
                        normal(r)
                    }
                }),
            );
        }
        // Swings that resemble the one before (correlation 0.4), and measures that move together (correlation 0.8).
        let mut last = 0.0;
        let alike = alarms(sets, 1, 50, |_, _, r| {
            last = 0.4 * last + 0.84_f64.sqrt() * normal(r);
            last
        });
        well &= check("each like the last", 1, alike);
        let mut shared = 0.0;
        let together = alarms(sets, 3, 50, |_, idx, r| {
            if idx == 0 {
                shared = normal(r);
            }
            0.8_f64.sqrt() * shared + 0.2_f64.sqrt() * normal(r)
        });
        well &= check("together", 3, together);
        println!("{}", report.join("\n"));
        assert!(well, "{report:?}");
    }

    #[test]
    fn a_whole_day_does_not_add_up_to_many() {
        let share = alarms(1500, 2, 300, |_, _, r| normal(r));
        println!("300 swings: {share:.4}");
        assert!(share < 0.06, "{share}");
    }

    #[test]
    fn a_spread_that_doubles_after_30_swings_is_found() {
        let tired = |from: usize, times: f64| {
            move |swing: usize, _: usize, r: &mut StdRng| {
                if swing >= from {
                    times * normal(r)
                } else {
                    normal(r)
                }
            }
        };
        let found = [
            (
                "one measure, 50 swings",
                alarms(2000, 1, 50, tired(30, 2.0)),
                0.35,
            ),
            (
                "two measures, 50 swings",
                alarms(2000, 2, 50, tired(30, 2.0)),
                0.65,
            ),
            (
                "three measures, 50 swings",
                alarms(2000, 3, 50, tired(30, 2.0)),
                0.80,
            ),
            (
                "three measures, half as much again",
                alarms(2000, 3, 50, tired(30, 1.5)),
                0.30,
            ),
            (
                "one measure, three times, 50 swings",
                alarms(2000, 1, 50, tired(30, 3.0)),
                0.75,
            ),
            (
                "one of three, three times, after 30 of 60",
                alarms(2000, 3, 60, |swing, idx, r| {
                    if swing >= 30 && idx == 1 {
                        3.0 * normal(r)
                    } else {
                        normal(r)
                    }
                }),
                0.30,
            ),
            (
                "two measures, after 60 of 100",
                alarms(1000, 2, 100, tired(60, 2.0)),
                0.90,
            ),
        ];
        println!("{found:?}");
        for (what, share, least) in found {
            assert!(share > least, "{what}: {share}");
        }
    }

    #[test]
    fn it_says_so_once_and_soon_and_names_the_measure_that_grew() {
        let mut rng = StdRng::seed_from_u64(9);
        let mut said = Vec::new();
        for _ in 0..200 {
            let mut watch = SpreadWatch::new(&FOCUS);
            let alarms: Vec<Spread> = (0..90)
                .filter_map(|swing| {
                    let wide = if swing >= 40 { 5.0 } else { 1.0 };
                    watch.add(&BTreeMap::from([
                        (FOCUS[0], normal(&mut rng)),
                        (FOCUS[1], 70.0 + wide * normal(&mut rng)),
                        (FOCUS[2], 800.0 + 20.0 * normal(&mut rng)),
                    ]))
                })
                .collect();
            assert!(alarms.len() <= 1, "{alarms:?}");
            said.extend(alarms);
        }
        let right = |spread: &&Spread| spread.measure == FOCUS[1] && spread.times > 1.5;
        assert!(said.iter().filter(right).count() >= 180, "{said:?}");
        said.sort_by_key(|spread| spread.swing);
        let middle = said[said.len() / 2];
        assert!((42..=52).contains(&middle.swing), "{middle:?}");
    }

    #[test]
    fn what_has_no_spread_or_was_not_measured_raises_nothing() {
        let mut watch = SpreadWatch::new(&[MeasureName::BackBeforeForward, FOCUS[0], FOCUS[1]]);
        for swing in 0..60 {
            let same = BTreeMap::from([
                (MeasureName::BackBeforeForward, f64::from(swing % 2)),
                (FOCUS[0], 5.0),
            ]);
            assert_eq!(watch.add(&same), None);
            assert_eq!(watch.add(&BTreeMap::new()), None);
            assert_eq!(watch.add(&BTreeMap::from([(FOCUS[1], f64::NAN)])), None);
        }
    }
}
