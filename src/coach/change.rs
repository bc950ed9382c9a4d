//! Whether two groups of swings differ by more than chance makes them differ.
//!
//! In: a measure's values before and after. Out: yes or no. Pure. Chance is asked by the rank-sum test (Mann and Whitney, Ann. Math.
//! Stat. 18, 1947), which needs no spread and no normal distribution, at 5 in 100.

use crate::rep::MeasureName;
use crate::stats::median;

/// 95 of 100 differences that are nothing lie within so many of their standard errors.
const SURE: f64 = 1.96;
/// A group's median scatters by so much more than its mean: the square root of half of pi.
const MEDIAN_SCATTER: f64 = 1.2533;
/// With fewer swings on either side nothing is told.
const LEAST_SWINGS: usize = 4;
/// A college hitter's own bat speed varies by so much from swing to swing off a tee (Thompson 2022: 0.28 m/s), so two swings
/// differ from 0.8 m/s on. No camera sees hitters vary less.
const LEAST_BAT_SPEED_SPREAD_MPS: f64 = 0.28;

/// Whether the values of `after` lie to one side of those of `before` more than chance has it, and their middles farther apart
/// than a hitter varies.
pub(crate) fn is_change(of: MeasureName, before: &[f64], after: &[f64]) -> bool {
    if before.len().min(after.len()) < LEAST_SWINGS {
        return false;
    }
    let (Some(from), Some(to)) = (median(before), median(after)) else {
        return false;
    };
    let (n, m) = (before.len() as f64, after.len() as f64);
    let least = SURE * MEDIAN_SCATTER * least_spread(of) * (1.0 / n + 1.0 / m).sqrt();
    let error = (n * m * (n + m + 1.0) / 12.0).sqrt();
    // Half a pair, for sums go in steps and the normal curve does not.
    let off = (rank_sum(before, after) - 0.5 * n * m).abs() - 0.5;
    off > SURE * error && (to - from).abs() > least
}

/// In how many pairs of a value of either group that of `after` is larger; equal ones count half.
fn rank_sum(before: &[f64], after: &[f64]) -> f64 {
    let pairs = before
        .iter()
        .flat_map(|a| after.iter().map(move |b| b.total_cmp(a)));
    pairs.map(|order| 0.5 * f64::from(1 + order as i8)).sum()
}

/// From swing to swing no hitter varies less, in the measure's own unit.
fn least_spread(of: MeasureName) -> f64 {
    match of {
        MeasureName::BatSpeed => LEAST_BAT_SPEED_SPREAD_MPS,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed from Thompson 2022's tee swings: 0.8 m/s between two of them, 0.25 between two means of ten.
    #[test]
    fn the_smallest_change_of_bat_speed_is_the_published_one() {
        let smallest = |swings: f64| SURE * (2.0 / swings).sqrt() * LEAST_BAT_SPEED_SPREAD_MPS;
        assert!((smallest(1.0) - 0.8).abs() < 0.05);
        assert!((smallest(10.0) - 0.25).abs() < 0.01);
    }

    #[test]
    fn what_chance_makes_is_no_change_and_what_is_beyond_it_is_one() {
        let speeds = |middle: f64| -> Vec<f64> {
            (0..10).map(|i| middle + 0.1 * f64::from(i - 5)).collect()
        };
        let is = |to: f64| is_change(MeasureName::BatSpeed, &speeds(30.0), &speeds(to));
        assert!(!is(30.2) && !is(29.8) && is(31.0) && is(29.0));
        assert!(!is_change(MeasureName::BatSpeed, &[30.0; 3], &[40.0; 3]));
        // Swings that are all the same are no surer than hitters are.
        assert!(!is_change(MeasureName::BatSpeed, &[30.0; 4], &[30.4; 4]));
    }

    /// The two samples on SciPy's page of `mannwhitneyu` (age at diagnosis, from memory): U = 17 of 20, p = 0.11.
    #[test]
    fn pairs_are_counted_as_published() {
        let (males, females) = ([19.0, 22.0, 16.0, 29.0, 24.0], [20.0, 11.0, 17.0, 12.0]);
        assert_eq!(rank_sum(&females, &males), 17.0);
        assert_eq!(rank_sum(&[1.0, 2.0], &[2.0, 2.0]), 3.0);
        assert!(!is_change(MeasureName::HeadDrop, &females, &males));
    }

    /// One in twenty at most, of swings that scatter as a normal distribution.
    #[test]
    fn chance_is_rarely_told_as_a_change() {
        let mut rng = fastrand::Rng::with_seed(23);
        let mut group = |count: usize| -> Vec<f64> {
            (0..count)
                .map(|_| (0..12).map(|_| rng.f64()).sum::<f64>())
                .collect()
        };
        for count in [4, 10, 20] {
            let told = (0..2000)
                .filter(|_| is_change(MeasureName::HeadDrop, &group(count), &group(count)))
                .count();
            // 100 of 2000, and three standard deviations of that.
            assert!(told < 130, "{told} of 2000 with {count} swings");
        }
    }
}
