//! The order in which pelvis, arm, hands and bat are fastest in a swing.
//!
//! In: when the bat was fastest, and a [`MeasureContext`] with its [`TrunkTurns`]. Out: the order, or why there is none. Pure.
//! One camera times the parts to 8 to 26 milliseconds; skilled hitters have them some 30 apart (pelvis 94, upper arm 59, hand
//! 27, barrel 4 before contact, in that order in 38 of 40 swings: Thompson 2022). So parts stand in the order in which they
//! should be fastest but where one surely was before another that it should follow.

use crate::motion::Side;
use crate::motion::filter::{Butterworth, derivative};
use crate::pose::Landmark;

use super::context::{MeasureContext, Reading};
use super::not_measured::NotMeasured;
use super::trunk_turns::{TrunkLine, TrunkTurns};
use super::types::sequence_value;

/// The parts' movement is looked at from this long before plant to this long after contact, seconds.
const LOOK_SECS: (f64, f64) = (0.05, 0.05);
/// Cutoff of the zero-phase low pass for arm and hands, hertz.
const FASTEST_HZ: f64 = 8.0;
/// What pelvis, arm, hands and bat are timed wrong by, one standard deviation, seconds; measured on rendered hitters of two
/// generators against their joints.
const SPREAD_SECS: [f64; 4] = [0.018, 0.026, 0.018, 0.008];
/// By how much the landmarks show each of them late, seconds; measured on the same hitters.
const LATE_SECS: [f64; 4] = [0.0, 0.010, 0.014, 0.0];
/// The frames' own share of a time's standard deviation, in frames: an even spread over one.
const FRAME_SHARE: f64 = 0.29;
/// One part surely is fastest before another if their times differ by this many standard deviations (95 % of cases, normal
/// errors).
const TOLD_APART: f64 = 1.64;
/// A part must reach at least this speed: degrees a second for pelvis and arm, heights a second for the hands.
const LEAST_PELVIS: f64 = 150.0;
const LEAST_ARM: f64 = 200.0;
const LEAST_HANDS: f64 = 1.0;

/// When a part was fastest.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Fastest {
    /// 0 pelvis, 1 arm, 2 hands, 3 bat.
    part: usize,
    /// Seconds from the first sample.
    at_secs: f64,
    /// One standard deviation, seconds.
    spread_secs: f64,
}

impl Fastest {
    /// Whether it surely was fastest before another part.
    fn surely_before(&self, other: &Self) -> bool {
        other.at_secs - self.at_secs > TOLD_APART * self.spread_secs.hypot(other.spread_secs)
    }
}

impl MeasureContext<'_> {
    /// `sequence`, as [`sequence_value`] writes it. `bat` is the sample at which the barrel was fastest. An order has no
    /// uncertainty: it is 0.
    ///
    /// # Errors
    /// Where a part is hidden or does not move, and where not even the first and the last can be told apart.
    pub(super) fn sequence(&self, turns: &TrunkTurns, bat: f64) -> Reading {
        let (plant, contact) = (self.plant()?, self.contact()?);
        if contact.sample <= plant.sample {
            return Err(NotMeasured::EventOrderUnclear);
        }
        let signals = self.signals;
        let rate = signals.rate_hz;
        let look = (
            plant.sample - LOOK_SECS.0 * rate,
            contact.sample + LOOK_SECS.1 * rate,
        );
        let span = (signals.index(look.0), signals.index(look.1));
        let elbow = signals.elbow.as_ref().ok_or(NotMeasured::PartHidden)?;
        let parts = [&signals.hands, self.stance.front_of(elbow)];
        if parts.iter().any(|path| !self.seen(path, span)) {
            return Err(NotMeasured::PartHidden);
        }
        let pelvis = turns.greatest(TrunkLine::Pelvis, look, false, |turned| turned.deg_per_sec)?;
        if turns.at(TrunkLine::Pelvis, pelvis.sample)?.deg_per_sec < LEAST_PELVIS {
            return Err(NotMeasured::PartDidNotFire);
        }
        let height = signals.scale.height_cm;
        let arm = fastest(&self.front_arm_deg_per_sec()?, span, LEAST_ARM)?;
        let hands = fastest(&self.hands_cm_per_sec(), span, LEAST_HANDS * height)?;
        let samples = [pelvis.sample, arm, hands, bat];
        let times: Vec<Fastest> = samples
            .iter()
            .enumerate()
            .map(|(part, sample)| Fastest {
                part,
                at_secs: sample / rate - LATE_SECS[part],
                spread_secs: SPREAD_SECS[part].hypot(FRAME_SHARE / rate),
            })
            .collect();
        Ok((sequence_value(&order(&times)?), 0.0))
    }

    fn hands_cm_per_sec(&self) -> Vec<f64> {
        let (rate, hands) = (self.signals.rate_hz, &self.signals.hands);
        let speed = |course: &[f64]| derivative(&smooth(course, rate), rate);
        let (x, y) = (speed(&hands.x_cm), speed(&hands.y_cm));
        x.iter().zip(&y).map(|(x, y)| x.hypot(*y)).collect()
    }

    /// How fast the front upper arm turns in space, from the metric landmarks.
    fn front_arm_deg_per_sec(&self) -> Result<Vec<f64>, NotMeasured> {
        let (shoulder, elbow) = match self.stance.front {
            Side::Left => (Landmark::LeftShoulder, Landmark::LeftElbow),
            Side::Right => (Landmark::RightShoulder, Landmark::RightElbow),
        };
        let rate = self.signals.rate_hz;
        let mut axes = [const { Vec::new() }; 3];
        for i in 0..self.signals.len {
            let arm = self.vector_at(&[shoulder], &[elbow], i)?;
            for (axis, value) in axes.iter_mut().zip([arm.along, arm.up, arm.near]) {
                axis.push(value);
            }
        }
        let mut axes = axes.map(|axis| smooth(&axis, rate));
        for i in 0..self.signals.len {
            let length = axes.iter().map(|axis| axis[i].powi(2)).sum::<f64>().sqrt();
            for axis in &mut axes {
                axis[i] /= length.max(1e-6);
            }
        }
        let speeds = axes.map(|axis| derivative(&axis, rate));
        let turning = |i: usize| {
            speeds
                .iter()
                .map(|axis| axis[i].powi(2))
                .sum::<f64>()
                .sqrt()
        };
        Ok((0..self.signals.len)
            .map(|i| turning(i).to_degrees())
            .collect())
    }
}

fn smooth(course: &[f64], rate_hz: f64) -> Vec<f64> {
    Butterworth::low_pass(FASTEST_HZ, rate_hz).zero_phase(course)
}

/// The fractional sample at which a speed is highest within a span.
fn fastest(speed: &[f64], (from, to): (usize, usize), least: f64) -> Result<f64, NotMeasured> {
    let top = (from..=to)
        .max_by(|&a, &b| speed[a].total_cmp(&speed[b]))
        .filter(|&top| top > from && top < to && speed[top] >= least)
        .ok_or(NotMeasured::PartDidNotFire)?;
    // The top of the parabola through the three samples about it.
    let (before, after) = (speed[top - 1] - speed[top], speed[top + 1] - speed[top]);
    let bend = before + after;
    let off = if bend < 0.0 {
        0.5 * (before - after) / bend
    } else {
        0.0
    };
    Ok(top as f64 + off)
}

/// The order of parts that are given in the order in which they should be fastest.
///
/// # Errors
/// Where the first and the last of them are too close to tell which was first.
fn order(times: &[Fastest]) -> Result<Vec<usize>, NotMeasured> {
    if let [first, .., last] = times
        && !first.surely_before(last)
        && !last.surely_before(first)
    {
        return Err(NotMeasured::FiredTooClose);
    }
    let mut in_order: Vec<Fastest> = Vec::with_capacity(times.len());
    for time in times {
        let at = in_order
            .iter()
            .position(|other| time.surely_before(other))
            .unwrap_or(in_order.len());
        in_order.insert(at, *time);
    }
    Ok(in_order.iter().map(|time| time.part).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn order_of(at_millis: [f64; 4]) -> Result<Vec<usize>, NotMeasured> {
        let times: Vec<Fastest> = (0..4)
            .map(|part| Fastest {
                part,
                at_secs: at_millis[part] / 1000.0,
                spread_secs: 0.010,
            })
            .collect();
        order(&times)
    }

    #[test]
    fn parts_stand_in_the_usual_order_but_where_one_surely_was_before() {
        // Two spreads of 10 ms make 14 ms, and 1.64 of those 23 ms.
        assert_eq!(order_of([0.0, 35.0, 67.0, 90.0]), Ok(vec![0, 1, 2, 3]));
        assert_eq!(order_of([20.0, 0.0, 67.0, 90.0]), Ok(vec![0, 1, 2, 3]));
        assert_eq!(order_of([30.0, 0.0, 67.0, 90.0]), Ok(vec![1, 0, 2, 3]));
        assert_eq!(order_of([60.0, 30.0, 0.0, 90.0]), Ok(vec![2, 1, 0, 3]));
        assert_eq!(order_of([90.0, 60.0, 30.0, 0.0]), Ok(vec![3, 2, 1, 0]));
        assert_eq!(
            order_of([0.0, 5.0, 10.0, 15.0]),
            Err(NotMeasured::FiredTooClose)
        );
    }

    #[test]
    fn the_published_order_is_told_though_its_neighbors_are_close() {
        // Thompson 2022, college hitters: milliseconds before contact, in the middle; 38 of 40 swings in this order.
        let times: Vec<Fastest> = [-0.094, -0.059, -0.027, -0.004]
            .into_iter()
            .enumerate()
            .map(|(part, at_secs)| Fastest {
                part,
                at_secs,
                spread_secs: SPREAD_SECS[part].hypot(FRAME_SHARE / 60.0),
            })
            .collect();
        assert_eq!(order(&times), Ok(vec![0, 1, 2, 3]));
    }

    #[test]
    fn parts_that_lie_15_ms_apart_make_an_order_at_any_rate_and_closer_ones_do_not() {
        for rate_hz in [60.0, 120.0, 240.0] {
            let apart = |secs: f64| {
                let times: Vec<Fastest> = (0..4)
                    .map(|part| Fastest {
                        part,
                        at_secs: part as f64 * secs,
                        spread_secs: SPREAD_SECS[part].hypot(FRAME_SHARE / rate_hz),
                    })
                    .collect();
                order(&times)
            };
            assert_eq!(apart(0.015), Ok(vec![0, 1, 2, 3]), "{rate_hz}");
            assert_eq!(apart(0.010), Err(NotMeasured::FiredTooClose), "{rate_hz}");
        }
    }

    #[test]
    fn the_highest_speed_is_found_between_samples_and_not_at_an_end() {
        let speed: Vec<f64> = (0..20)
            .map(|i| 100.0 - (f64::from(i) - 7.3).powi(2))
            .collect();
        assert!((fastest(&speed, (2, 15), 50.0).unwrap() - 7.3).abs() < 1e-9);
        for (span, least) in [((8, 15), 50.0), ((2, 7), 50.0), ((2, 15), 101.0)] {
            assert_eq!(
                fastest(&speed, span, least),
                Err(NotMeasured::PartDidNotFire)
            );
        }
    }
}
