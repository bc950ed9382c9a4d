//! A clip's frame rate, from its timestamps.

use crate::time::CaptureTime;

/// Gaps further from the median than this share of it are dropped frames or pauses, not the rate.
const STEADY_SHARE: f64 = 0.25;

/// Frames per second from rising timestamps; zero for fewer than two.
///
/// The median gap shows which gaps are regular, and the mean of those gives the rate: timestamps rounded to
/// whole milliseconds (33, 33, 34, ...) have a median that is one percent off, but the right mean.
pub(super) fn nominal_fps(timestamps: &[CaptureTime]) -> f64 {
    let mut gaps: Vec<f64> = timestamps
        .windows(2)
        .map(|pair| pair[1].secs_since(pair[0]))
        .filter(|gap| *gap > 0.0)
        .collect();
    if gaps.is_empty() {
        return 0.0;
    }
    gaps.sort_by(f64::total_cmp);
    let median = gaps[gaps.len() / 2];
    let steady: Vec<f64> = gaps
        .into_iter()
        .filter(|gap| (gap - median).abs() <= STEADY_SHARE * median)
        .collect();
    steady.len() as f64 / steady.iter().sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fps_of(gaps_millis: &[i64]) -> f64 {
        let mut at = 0;
        let mut timestamps = vec![CaptureTime::default()];
        for gap in gaps_millis {
            at += gap * 1_000_000;
            timestamps.push(CaptureTime::from_nanos(at));
        }
        nominal_fps(&timestamps)
    }

    #[test]
    fn timestamps_in_whole_milliseconds_give_the_true_rate() {
        assert!((fps_of(&[33, 33, 34, 33, 33, 34]) - 30.0).abs() < 0.01);
        assert!((fps_of(&[17, 16, 17, 17, 16, 17]) - 60.0).abs() < 0.01);
    }

    #[test]
    fn pauses_and_dropped_frames_do_not_count() {
        assert!((fps_of(&[20, 20, 40, 20, 500, 20, 20]) - 50.0).abs() < 1e-9);
    }

    #[test]
    fn one_frame_has_no_rate() {
        assert_eq!(fps_of(&[]), 0.0);
        assert_eq!(nominal_fps(&[]), 0.0);
    }
}
