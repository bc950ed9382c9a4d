//! When the bat meets the ball, read from the hands.
//!
//! In: signals and about where the hands are fastest. Out: contact, with its spread.

use crate::motion::filter::derivative;
use crate::motion::{Signals, Stance};

use crate::rep::change_point::peak_sample;
use crate::rep::estimates::EventEstimate;
use crate::rep::swing::SIDE_ON_STANCE;

/// Cutoff of the zero-phase low pass for the hands' speed, hertz: the swing's burst lasts about a fifth of a second.
const HANDS_HZ: f64 = 10.0;
/// The hands' highest speed toward the pitcher is looked for from this long before to this long after their highest speed,
/// seconds: hands that a trunk hides on their way show two bursts.
const NEAR_PEAK_SECS: (f64, f64) = (0.1, 0.16);
/// Hands that reach less than this share of their speed toward the pitcher are seen along that line.
const FORWARD_SHARE: f64 = 0.6;
/// As the bat comes round, the hands slow down toward the pitcher: contact follows the moment when their speed last had this
/// share of its highest, before it was less than the second one. Seen from aside the speed may dip and come back.
const FALLEN: f64 = 0.8;
const OVER: f64 = 0.5;
/// How long after that, seconds, and what it varies by from swing to swing. See `docs/measures.md` for what it rests on.
const AFTER_FALL_SECS: f64 = 0.018;
const AFTER_FALL_SPREAD_SECS: f64 = 0.024;
/// How long the fall to that share is waited for, seconds.
const FALLS_WITHIN_SECS: f64 = 0.15;
/// Contact after the hands' highest speed where their way toward the pitcher does not show, and what that varies by.
const AFTER_PEAK_SECS: f64 = 0.07;
const AFTER_PEAK_SPREAD_SECS: f64 = 0.03;

/// About how long before contact the hands are fastest, seconds.
pub(in crate::rep) const HANDS_FASTEST_BEFORE_SECS: f64 = AFTER_PEAK_SECS;

/// Contact of a swing whose hands are fastest about the sample `hand_peak`.
pub(super) fn contact(signals: &Signals, hand_peak: f64, stance: Stance) -> EventEstimate {
    let rate = signals.rate_hz;
    match forward_speed_fell(signals, hand_peak, stance) {
        Some(fell) => EventEstimate {
            sample: fell + AFTER_FALL_SECS * rate,
            sigma: AFTER_FALL_SPREAD_SECS * rate,
        },
        None => EventEstimate {
            sample: hand_peak + AFTER_PEAK_SECS * rate,
            sigma: AFTER_PEAK_SPREAD_SECS * rate,
        },
    }
}

/// The fractional sample at which the hands' speed toward the pitcher has fallen to [`FALLEN`] of its highest; `None`
/// where the picture does not show that way, or ends before.
fn forward_speed_fell(signals: &Signals, hand_peak: f64, stance: Stance) -> Option<f64> {
    let rate = signals.rate_hz;
    let at = signals.index(hand_peak);
    let feet = &signals.feet;
    let base = (feet.left.ankle.x_cm[at] - feet.right.ankle.x_cm[at]).abs();
    if base < SIDE_ON_STANCE * signals.scale.height_cm {
        return None;
    }
    let hands = signals.hands.smoothed(HANDS_HZ, rate);
    let along = derivative(&hands.x_cm, rate);
    let forward: Vec<f64> = along.iter().map(|v| stance.forward() * v).collect();
    let (before, after) = NEAR_PEAK_SECS;
    let (from, to) = (
        signals.index(hand_peak - before * rate),
        signals.index(hand_peak + after * rate),
    );
    let top = (from..=to).max_by(|&a, &b| forward[a].total_cmp(&forward[b]))?;
    let fastest = hands.speed(rate)[from..=to]
        .iter()
        .copied()
        .fold(0.0, f64::max);
    if forward[top] < FORWARD_SHARE * fastest {
        return None;
    }
    let until = signals.index(peak_sample(&forward, top) + FALLS_WITHIN_SECS * rate);
    let limit = FALLEN * forward[top];
    let over = (top..until).find(|&i| forward[i] < OVER * forward[top]);
    let before = (top..over.unwrap_or(until))
        .rev()
        .find(|&i| forward[i] >= limit && forward[i + 1] < limit)?;
    Some(before as f64 + (forward[before] - limit) / (forward[before] - forward[before + 1]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::{BodySeries, Scale};
    use crate::pose::{Body, ImagePoint, Landmark, PoseFrame};
    use crate::rep::test_figure::{BATS_LEFT, BATS_RIGHT};
    use crate::time::CaptureTime;

    const RATE_HZ: f64 = 60.0;
    /// When the hands of the test are fastest toward the pitcher, and how far the speed's course spreads, seconds.
    const FASTEST_SECS: f64 = 1.0;
    const SPREAD_SECS: f64 = 0.06;

    /// A hitter whose hands go toward the pitcher with a Gaussian course of speed; the feet are `base_px` apart.
    fn hitter(stance: Stance, base_px: f64, secs: f64) -> Signals {
        use Landmark::*;
        let frames: Vec<PoseFrame> = (0..(secs * RATE_HZ) as u64)
            .map(|index| {
                let t = index as f64 / RATE_HZ;
                // A logistic is near enough to the sum of a Gaussian.
                let way = 80.0 / (1.0 + (-1.702 * (t - FASTEST_SECS) / SPREAD_SECS).exp());
                let mut body = Body::empty();
                for (landmark, x, y) in [
                    (Nose, 0.0, 100.0),
                    (LeftShoulder, 20.0, 150.0),
                    (RightShoulder, -20.0, 150.0),
                    (LeftHip, 15.0, 260.0),
                    (RightHip, -15.0, 260.0),
                    (LeftKnee, 20.0, 350.0),
                    (RightKnee, -20.0, 350.0),
                    (LeftAnkle, 0.5 * base_px, 440.0),
                    (RightAnkle, -0.5 * base_px, 440.0),
                    (LeftElbow, 0.0, 200.0),
                    (RightElbow, -30.0, 200.0),
                    (LeftWrist, way - 40.0, 170.0),
                    (RightWrist, way - 40.0, 170.0),
                ] {
                    body.image[landmark.index()] = Some(ImagePoint {
                        x_px: (300.0 + stance.forward() * x) as f32,
                        y_px: y as f32,
                        visibility: 1.0,
                    });
                }
                PoseFrame::new(index, CaptureTime::from_secs(t), Some(body))
            })
            .collect();
        let body = BodySeries::from_frames(&frames, RATE_HZ).unwrap();
        let scale = Scale {
            cm_per_px: 0.4,
            height_cm: 175.0,
            spread: 0.0,
        };
        Signals::new(&body, scale, 0.0).unwrap()
    }

    /// When that course has fallen to [`FALLEN`]: a logistic's speed is `4 s (1 - s)` of its highest.
    fn fell_secs() -> f64 {
        let s = 0.5 * (1.0 + (1.0 - FALLEN).sqrt());
        FASTEST_SECS + SPREAD_SECS / 1.702 * (s / (1.0 - s)).ln()
    }

    #[test]
    fn contact_follows_the_fall_of_the_hands_forward_speed() {
        for stance in [BATS_RIGHT, BATS_LEFT] {
            let signals = hitter(stance, 250.0, 2.0);
            let found = contact(&signals, (FASTEST_SECS - 0.03) * RATE_HZ, stance);
            let error = found.sample / RATE_HZ - fell_secs() - AFTER_FALL_SECS;
            assert!(error.abs() < 0.006, "{error}");
        }
    }

    #[test]
    fn where_the_way_forward_does_not_show_the_highest_speed_serves_and_is_less_sure() {
        let peak = FASTEST_SECS * RATE_HZ;
        let cut_short = hitter(BATS_RIGHT, 250.0, FASTEST_SECS + 0.03);
        let end_on = hitter(BATS_RIGHT, 60.0, 2.0);
        for signals in [cut_short, end_on] {
            let found = contact(&signals, peak, BATS_RIGHT);
            assert!((found.sample - peak - AFTER_PEAK_SECS * RATE_HZ).abs() < 1e-9);
            assert!(found.sigma > AFTER_FALL_SPREAD_SECS * RATE_HZ);
        }
    }
}
