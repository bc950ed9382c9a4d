//! When the front foot comes down: its heel is on the ground and still.
//!
//! In: the front foot of a stride and about where it slows down. Out: the plant, with its spread. Real feet land toe first
//! and roll onto the heel while the hips already turn the foot on the spot, so the fall tells the landing, not the travel.

use crate::motion::filter::{Butterworth, derivative};
use crate::motion::{Foot, Signals};
use crate::stats::quantile;

use crate::rep::change_point::{Onset, comes_to_rest};
use crate::rep::estimates::EventEstimate;

/// Cutoff of the zero-phase low pass for the foot's height, hertz.
const FOOT_HZ: f64 = 9.0;
/// The fall is looked for from this long before the foot slows down to this long after, seconds.
const BEFORE_SECS: f64 = 0.25;
const AFTER_SECS: f64 = 0.15;
/// Where the foot stands is its middle height from this long before to this long after nothing more belongs to the stride,
/// seconds. Until it last was this much higher, H, it was not down: a leg that is lifted quickly, hangs and comes down
/// gently is fastest on its way up.
const STANDS_SECS: (f64, f64) = (0.03, 0.07);
const HIGHER: f64 = 0.012;
/// A foot that falls slower than this all the time slides; H a second.
const LEAST_FALL: f64 = 0.12;
/// The heel is down once the fall has slowed to this share of its highest speed.
const SLOWED: f64 = 0.15;
/// What is nearly as fast as the first fall is the heel's, after the toe's: the later one counts.
const AGAIN: f64 = 0.6;
/// What the landmarks move a landing by in time, one standard deviation, seconds. Measured on rendered hitters of two
/// generators and the captured one.
const LANDING_SPREAD_SECS: f64 = 0.018;
/// The two readings of a landing differ by no more than this, seconds: landmarks that go on settling after that are no fall.
const SETTLES_SECS: f64 = 0.06;
/// A fitted change point comes this much before rest: the foot's last centimeter lies within the landmarks' jitter.
/// Measured on rendered hitters at 30 and 60 frames a second alike.
const HIDDEN_SECS: f64 = 0.016;

/// The plant of a foot that has slowed down about the sample `down`. Nothing after `look_to` belongs to the stride.
pub(super) fn landing(
    signals: &Signals,
    foot: &Foot,
    down: usize,
    look_to: usize,
) -> Option<EventEstimate> {
    let rate = signals.rate_hz;
    let spread = LANDING_SPREAD_SECS * rate;
    let down = last_above_ground(signals, foot, down, look_to).unwrap_or(down);
    match fall_slows(signals, foot, down, look_to) {
        Some(slowed) => {
            // A second reading of the same landing: where the two differ, neither is sure.
            let fitted = fitted_rest(signals, &heights(foot), down, look_to);
            let (rested, sigma) = fitted.map_or((slowed, 0.0), |fit| (fit.sample, fit.sigma));
            Some(EventEstimate {
                sample: slowed.min(rested + SETTLES_SECS * rate),
                sigma: spread.hypot(0.5 * (slowed - rested)).hypot(sigma),
            })
        }
        None => fitted_rest(signals, &paths(foot), down, look_to).map(|fit| EventEstimate {
            sigma: fit.sigma.hypot(spread),
            ..fit
        }),
    }
}

/// Mean height of heel and ankle.
fn height(foot: &Foot) -> Vec<f64> {
    let heights = heights(foot);
    (0..foot.ankle.y_cm.len())
        .map(|i| heights.iter().map(|h| h[i]).sum::<f64>() / heights.len() as f64)
        .collect()
}

/// The last sample after `down` at which the foot is above where it stands.
fn last_above_ground(signals: &Signals, foot: &Foot, down: usize, look_to: usize) -> Option<usize> {
    let height = height(foot);
    let (before, after) = STANDS_SECS;
    let from = look_to.saturating_sub(signals.samples_in(before));
    let to = (look_to + signals.samples_in(after)).min(signals.len - 1);
    let ground = quantile(&height[from..=to], 0.5)?;
    let higher = HIGHER * signals.scale.height_cm;
    (down..look_to).rev().find(|&i| height[i] - ground > higher)
}

/// Where the fall of heel and ankle has slowed down; `None` for a foot that slides, or whose fall is not over.
fn fall_slows(signals: &Signals, foot: &Foot, down: usize, look_to: usize) -> Option<f64> {
    let rate = signals.rate_hz;
    let steps = |secs: f64| signals.samples_in(secs);
    let smooth = Butterworth::low_pass(FOOT_HZ, rate).zero_phase(&height(foot));
    let fall: Vec<f64> = derivative(&smooth, rate).iter().map(|v| -v).collect();
    let from = down.saturating_sub(steps(BEFORE_SECS));
    let to = (down + steps(AFTER_SECS)).min(look_to);
    let top = fall[from..=down.max(from)]
        .iter()
        .copied()
        .fold(0.0, f64::max);
    if top < LEAST_FALL * signals.scale.height_cm {
        return None;
    }
    let last = (from..=to).rev().find(|&i| fall[i] >= AGAIN * top)?;
    let limit = SLOWED * top;
    let before = (last..to).find(|&i| fall[i + 1] < limit)?;
    Some(before as f64 + (fall[before] - limit) / (fall[before] - fall[before + 1]))
}

/// Where signals of the foot come to rest, by a fitted curve.
fn fitted_rest(
    signals: &Signals,
    of_foot: &[&[f64]],
    down: usize,
    look_to: usize,
) -> Option<EventEstimate> {
    let steps = |secs: f64| signals.samples_in(secs);
    comes_to_rest(
        of_foot,
        down.saturating_sub(steps(0.06)),
        (down + steps(0.08)).min(look_to),
        steps(0.13),
        steps(0.05),
        Onset::Abrupt,
    )
    .map(|fit| EventEstimate {
        sample: fit.sample + HIDDEN_SECS * signals.rate_hz,
        ..fit
    })
}

/// Heights of the foot's landmarks.
fn heights(foot: &Foot) -> Vec<&[f64]> {
    let heel = foot.heel.as_ref();
    std::iter::once(foot.ankle.y_cm.as_slice())
        .chain(heel.map(|heel| heel.y_cm.as_slice()))
        .collect()
}

/// What shows a foot landing and lifting: heights and travel of its landmarks.
pub(super) fn paths(foot: &Foot) -> Vec<&[f64]> {
    std::iter::once(&foot.ankle)
        .chain(foot.heel.as_ref())
        .flat_map(|path| [path.x_cm.as_slice(), path.y_cm.as_slice()])
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::{BodySeries, Path, Scale};
    use crate::pose::{Body, ImagePoint, Landmark, PoseFrame};
    use crate::time::CaptureTime;

    const RATE_HZ: f64 = 60.0;
    const DOWN_SECS: f64 = 1.0;

    /// Signals that stand still, for their grid and scale.
    fn standing() -> Signals {
        let frames: Vec<PoseFrame> = (0..120)
            .map(|index| {
                let mut body = Body::empty();
                for (i, landmark) in Landmark::ALL.into_iter().enumerate() {
                    body.image[landmark.index()] = Some(ImagePoint {
                        x_px: 300.0 + 3.0 * i as f32,
                        y_px: 100.0 + 10.0 * i as f32,
                        visibility: 1.0,
                    });
                }
                PoseFrame::new(
                    index,
                    CaptureTime::from_secs(index as f64 / RATE_HZ),
                    Some(body),
                )
            })
            .collect();
        let body = BodySeries::from_frames(&frames, RATE_HZ).unwrap();
        let scale = Scale {
            cm_per_px: 0.4,
            height_cm: 180.0,
            spread: 0.0,
        };
        Signals::new(&body, scale, 0.0).unwrap()
    }

    /// A foot that comes down from 15 cm along these courses of heel and ankle and goes forward meanwhile; once it is
    /// down it turns on the spot, which takes the heel back.
    fn foot(heel: fn(f64) -> f64, ankle: fn(f64) -> f64) -> Foot {
        let path = |height: fn(f64) -> f64| {
            let times = (0..120).map(|i| f64::from(i) / RATE_HZ - DOWN_SECS);
            Path {
                x_cm: times
                    .clone()
                    .map(|t| {
                        if t < -0.05 {
                            80.0 * (t + 0.05)
                        } else {
                            -30.0 * (t + 0.05)
                        }
                    })
                    .collect(),
                y_cm: times.map(height).collect(),
                visibility: vec![1.0; 120],
            }
        };
        Foot {
            ankle: path(ankle),
            heel: Some(path(heel)),
            toe: None,
        }
    }

    fn landed_secs(foot: &Foot) -> f64 {
        let signals = standing();
        let down = (0.96 * RATE_HZ) as usize;
        landing(&signals, foot, down, signals.len - 1)
            .unwrap()
            .sample
            / RATE_HZ
            - DOWN_SECS
    }

    #[test]
    fn a_flat_foot_lands_when_its_fall_ends() {
        let fall = |t: f64| 15.0 * (-t / 0.2).clamp(0.0, 1.0).powf(1.5);
        let error = landed_secs(&foot(fall, fall));
        assert!(error.abs() < 0.025, "{error}");
    }

    #[test]
    fn a_foot_that_lands_toe_first_has_landed_with_its_heel() {
        // The ankle is down with the toe; the heel follows 0.08 s later.
        let error = landed_secs(&foot(
            |t| 15.0 * (-t / 0.28).clamp(0.0, 1.0),
            |t| 6.0 * (-(t + 0.04) / 0.24).clamp(0.0, 1.0),
        ));
        assert!(error.abs() < 0.02, "{error}");
    }

    #[test]
    fn a_foot_that_slides_has_landed_when_it_stands() {
        let flat = Path {
            x_cm: (0..120)
                .map(|i| -40.0 * (DOWN_SECS - f64::from(i) / RATE_HZ).max(0.0))
                .collect(),
            y_cm: vec![8.0; 120],
            visibility: vec![1.0; 120],
        };
        let error = landed_secs(&Foot {
            ankle: flat.clone(),
            heel: Some(flat),
            toe: None,
        });
        assert!((error - HIDDEN_SECS).abs() < 0.01, "{error}");
    }
}
