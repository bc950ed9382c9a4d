//! Whether two groups of swings differ by more than chance makes them differ.
//!
//! In: a measure's values before and after. Out: yes or no. Pure. It is the smallest detectable change of test theory: 1.96
//! standard errors of the difference.

use crate::rep::MeasureName;
use crate::stats::median;

/// 95 of 100 differences that are nothing lie within so many of their standard errors.
const SURE: f64 = 1.96;
/// A group's median scatters by so much more than its mean: the square root of half of pi.
const MEDIAN_SCATTER: f64 = 1.2533;
/// The median absolute deviation of a normal spread as a standard deviation.
const DEVIATION_TO_SPREAD: f64 = 1.4826;
/// With fewer swings on either side nothing is told.
const LEAST_SWINGS: usize = 4;
/// A college hitter's own bat speed varies by so much from swing to swing off a tee (Thompson 2022: 0.28 m/s), so two swings
/// differ from 0.8 m/s on. No camera sees hitters vary less.
const LEAST_BAT_SPEED_SPREAD_MPS: f64 = 0.28;

/// Whether the middle of `after` lies farther from that of `before` than chance takes it.
pub(crate) fn is_change(of: MeasureName, before: &[f64], after: &[f64]) -> bool {
    if before.len().min(after.len()) < LEAST_SWINGS {
        return false;
    }
    let (Some(from), Some(to)) = (median(before), median(after)) else {
        return false;
    };
    let variance = |values: &[f64], middle: f64| {
        let off: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
        let spread = DEVIATION_TO_SPREAD * median(&off).unwrap_or(0.0);
        spread.max(least_spread(of)).powi(2) / values.len() as f64
    };
    let error = MEDIAN_SCATTER * (variance(before, from) + variance(after, to)).sqrt();
    (to - from).abs() > SURE * error
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

    /// One in twenty at most, of swings that scatter as a normal distribution.
    #[test]
    fn chance_is_rarely_told_as_a_change() {
        let mut rng = fastrand::Rng::with_seed(23);
        let mut group = |count: usize| -> Vec<f64> {
            (0..count)
                .map(|_| (0..12).map(|_| rng.f64()).sum::<f64>())
                .collect()
        };
        let told = (0..2000)
            .filter(|_| is_change(MeasureName::HeadDrop, &group(20), &group(20)))
            .count();
        assert!(told < 180, "{told} of 2000");
    }
}
