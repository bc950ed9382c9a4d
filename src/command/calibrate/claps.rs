//! `calibrate --clap`: how much later sound is stamped than the picture.
//!
//! In: the hands of somebody who claps where the hitter stands, and the sharp sounds meanwhile. Out: the lag with its standard
//! deviation. Hands that meet stop at once: the moment is where a parabola through their approach comes to the distance at
//! which they rest.

use nalgebra::{DMatrix, DVector};

use crate::stats::{median, quantile};

/// Claps that must be both seen and heard.
pub(super) const LEAST_CLAPS: usize = 6;
/// Hands that come together from less than this share of the widest apart do not clap.
const LEAST_APART: f64 = 0.4;
/// The approach is taken between these shares of the way, from far to near.
const APPROACH: (f64, f64) = (0.95, 0.1);
/// A clap's approach lasts at most so long, seconds.
const APPROACH_SECS: f64 = 0.5;
/// So much of the approach before they are nearest is fitted, seconds, and so soon after its last frame they have met.
const LAST_SECS: f64 = 0.16;
const MOST_AFTER_SECS: f64 = 0.05;
/// Hands rest on each other for so long at least, seconds: their distance then is that at which they met.
const REST_SECS: f64 = 0.03;
/// Sound and picture are at most so far apart, and claps agree so well, seconds.
const MOST_LAG_SECS: f64 = 0.35;
const AGREE_SECS: f64 = 0.03;
/// What the wrists' landmarks and the approach's shape leave open however often one claps, one standard deviation, seconds.
const SYSTEMATIC_SECS: f64 = 0.0025;

/// What claps show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct ClapLag {
    /// How much later sound is, seconds.
    pub secs: f64,
    /// One standard deviation.
    pub spread_secs: f64,
    /// Claps that were both seen and heard.
    pub claps: usize,
}

/// When hands met, seconds; `distances` are moments and how far apart the wrists are, in time order.
pub(super) fn seen_claps(distances: &[(f64, f64)]) -> Vec<f64> {
    let values: Vec<f64> = distances.iter().map(|(_, d)| *d).collect();
    let Some(widest) = quantile(&values, 0.95) else {
        return Vec::new();
    };
    let mut claps = Vec::new();
    let mut from = 0;
    // From each time that the hands are apart to the next time that they are together.
    while let Some(apart) = (from..values.len()).find(|&i| values[i] >= LEAST_APART * widest) {
        let Some(together) = (apart..values.len()).find(|&i| values[i] < LEAST_APART * widest)
        else {
            break;
        };
        // The hands were farthest apart shortly before, and are nearest shortly after.
        let (crossed, _) = distances[together];
        let begin = (0..together)
            .rev()
            .take_while(|&i| crossed - distances[i].0 <= APPROACH_SECS)
            .max_by(|&a, &b| values[a].total_cmp(&values[b]))
            .unwrap_or(together);
        let end = (together..values.len())
            .take_while(|&i| distances[i].0 - crossed <= 0.5 * APPROACH_SECS)
            .min_by(|&a, &b| values[a].total_cmp(&values[b]))
            .unwrap_or(together);
        claps.extend(meets(distances, begin, end));
        from = together + 1;
    }
    claps
}

/// Where the curve of the approach reaches the distance at which the hands rest.
fn meets(distances: &[(f64, f64)], begin: usize, end: usize) -> Option<f64> {
    let (nearest, _) = distances[end];
    // The nearest that they are together for so long on average.
    let rest = (begin..=end)
        .map(|i| {
            let (from, _) = distances[i];
            let together: Vec<f64> = distances[i..]
                .iter()
                .take_while(|(t, _)| t - from <= REST_SECS)
                .map(|(_, d)| *d)
                .collect();
            together.iter().sum::<f64>() / together.len() as f64
        })
        .reduce(f64::min)?;
    let way = distances[begin].1 - rest;
    let (far, near) = (rest + APPROACH.0 * way, rest + APPROACH.1 * way);
    // The last stretch before they meet: the hands may have wavered before.
    let last_far = (begin..=end)
        .rev()
        .find(|&i| distances[i].1 > far)
        .unwrap_or(begin);
    let on_way: Vec<(f64, f64)> = distances[last_far..=end]
        .iter()
        .copied()
        .filter(|(_, d)| (near..=far).contains(d))
        .collect();
    let late = on_way
        .iter()
        .filter(|(t, _)| nearest - t <= LAST_SECS)
        .count();
    crosses(&on_way[on_way.len() - late..], rest)
}

/// Where the parabola through these moments and distances first comes down to a distance after the last of them.
fn crosses(on_way: &[(f64, f64)], rest: f64) -> Option<f64> {
    let (last, _) = *on_way.last()?;
    if on_way.len() < 3 {
        return None;
    }
    let rows = on_way
        .iter()
        .flat_map(|(t, _)| [1.0, t - last, (t - last) * (t - last)]);
    let powers = DMatrix::from_row_iterator(on_way.len(), 3, rows);
    let distances = DVector::from_iterator(on_way.len(), on_way.iter().map(|(_, d)| d - rest));
    let fit = powers.svd(true, true).solve(&distances, 1e-9).ok()?;
    let (c, b, a) = (fit[0], fit[1], fit[2]);
    let under_root = b * b - 4.0 * a * c;
    // The root on the falling side, written so that a straight line has one too.
    let after = -2.0 * c / (b - under_root.max(0.0).sqrt());
    (b < 0.0 && after.is_finite() && after <= MOST_AFTER_SECS).then_some(last + after)
}

/// The lag by which most claps are heard where they were seen; both in seconds on one clock.
pub(super) fn lag(seen: &[f64], heard: &[f64]) -> Option<ClapLag> {
    let near = |lag: f64| -> Vec<f64> {
        seen.iter()
            .filter_map(|s| {
                heard
                    .iter()
                    .map(|h| h - s)
                    .min_by(|a, b| (a - lag).abs().total_cmp(&(b - lag).abs()))
            })
            .filter(|l| (l - lag).abs() <= AGREE_SECS)
            .collect()
    };
    let spread = |of: &[f64], middle: f64| {
        let off: Vec<f64> = of.iter().map(|l| (l - middle).abs()).collect();
        median(&off).unwrap_or(f64::MAX)
    };
    let tried = seen
        .iter()
        .flat_map(|s| heard.iter().map(move |h| h - s))
        .filter(|lag| lag.abs() <= MOST_LAG_SECS);
    let best = tried
        .map(near)
        .max_by(|a, b| {
            let tight = |of: &[f64]| -spread(of, median(of).unwrap_or_default());
            (a.len(), 0.0_f64)
                .partial_cmp(&(b.len(), 0.0))
                .unwrap_or(std::cmp::Ordering::Equal)
                .then(tight(a).total_cmp(&tight(b)))
        })
        .filter(|best| best.len() >= LEAST_CLAPS)?;
    let middle = median(&best)?;
    // The median's standard deviation by the median of the distances from it, as for a normal distribution.
    let of_one = 1.4826 * spread(&best, middle);
    let of_median = 1.2533 * of_one / (best.len() as f64).sqrt();
    Some(ClapLag {
        secs: middle,
        spread_secs: of_median.hypot(SYSTEMATIC_SECS),
        claps: best.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Wrists that clap each 0.8 s, filmed at `fps`: they swing together in 0.2 s, are fastest where they meet (how real hands
    /// do it is a guess), rest 60 ms and part again. Distances in pixels of 0.4 cm, trembling by `noise_px`.
    fn clapping(fps: f64, claps: usize, noise_px: f64, seed: u64) -> (Vec<f64>, Vec<(f64, f64)>) {
        const NEAR_CM: f64 = 9.0;
        const WIDE_CM: f64 = 60.0;
        const SWING_SECS: f64 = 0.2;
        let mut random = fastrand::Rng::with_seed(seed);
        let truth: Vec<f64> = (0..claps)
            .map(|k| 0.7 + 0.8 * k as f64 + 0.05 * random.f64())
            .collect();
        let distance = |t: f64| {
            let apart = truth.iter().map(|at| {
                let (before, after) = (at - t, t - at - 0.06);
                if before >= 0.0 {
                    (0.5 * std::f64::consts::PI * (before / SWING_SECS).min(1.0)).sin()
                } else {
                    1.0 - (-6.0 * after.max(0.0)).exp()
                }
            });
            (NEAR_CM + WIDE_CM * apart.fold(f64::MAX, f64::min)) / 0.4
        };
        let frames = (fps * (1.5 + 0.85 * claps as f64)) as usize;
        let seen = (0..frames)
            .map(|i| {
                let t = i as f64 / fps;
                // The sum of six has a variance of a half.
                let shake: f64 = (0..6).map(|_| random.f64() - 0.5).sum();
                (t, distance(t) + noise_px * std::f64::consts::SQRT_2 * shake)
            })
            .collect();
        (truth, seen)
    }

    #[test]
    fn claps_show_the_lag_to_a_few_milliseconds_at_60_and_30_frames_a_second() {
        for (fps, most_ms) in [(120.0, 4.0), (60.0, 3.0), (30.0, 7.0)] {
            for seed in 0..8 {
                let (truth, seen) = clapping(fps, 12, 3.0, seed);
                let mut random = fastrand::Rng::with_seed(seed);
                // Sound 35 ms late, with other sounds between.
                let mut heard: Vec<f64> = truth.iter().map(|t| t + 0.035).collect();
                heard.extend((0..10).map(|_| 10.0 * random.f64()));
                heard.sort_by(f64::total_cmp);
                let found = lag(&seen_claps(&seen), &heard).unwrap();
                let error_ms = 1e3 * (found.secs - 0.035);
                assert!(
                    error_ms.abs() < most_ms,
                    "{fps} {seed}: {error_ms} {found:?}"
                );
                assert!(
                    error_ms.abs() < 3.0 * 1e3 * found.spread_secs,
                    "{fps} {seed}: {error_ms} {found:?}"
                );
            }
        }
    }

    #[test]
    fn hands_that_do_not_clap_and_claps_that_are_not_heard_show_nothing() {
        let (truth, seen) = clapping(60.0, 12, 3.0, 1);
        assert_eq!(lag(&seen_claps(&seen), &truth[..4]), None);
        assert_eq!(lag(&[], &truth), None);
        let still: Vec<(f64, f64)> = (0..300).map(|i| (f64::from(i) / 60.0, 150.0)).collect();
        assert!(seen_claps(&still).is_empty() && seen_claps(&[]).is_empty());
    }
}
