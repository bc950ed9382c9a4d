//! The order in which the body's parts fire in a swing.
//!
//! In: a [`MeasureContext`]. Out: the order, or why there is none. Pure. There is an order only where the parts fire
//! farther apart in time than the frame rate and the landmarks' noise blur.

use crate::motion::Side;
use crate::motion::filter::{Butterworth, derivative};
use crate::pose::Landmark;

use super::context::{MeasureContext, Reading};
use super::not_measured::NotMeasured;
use super::types::{FIRING, sequence_value};

/// The parts' movement is looked at from this long before plant to this long after contact, seconds.
const LOOK_SECS: (f64, f64) = (0.15, 0.05);
/// A part has fired when it first moves this share of its highest speed: that instant is steeper, and so surer, than the
/// first stir of it.
const FIRED: f64 = 0.5;
/// Cutoff of the zero-phase low pass for the parts' movement, hertz.
const FIRING_HZ: f64 = 8.0;
/// What the landmarks' noise moves each of [`FIRING`] by in time, one standard deviation, seconds. Measured on rendered
/// hitters against their joints. The turn of the hips lies in depth and is hardly seen by one camera.
const FIRING_SPREAD_SECS: [f64; 4] = [0.014, 0.008, 0.039, 0.014];
/// The model shows each of [`FIRING`] late by this much, seconds; measured on the same hitters.
const FIRING_LATE_SECS: [f64; 4] = [0.0, 0.0, 0.050, 0.0];
/// The frames' own share of a time's standard deviation, in frames: an even spread over one.
const FRAME_SHARE: f64 = 0.29;
/// Two parts fire one after the other if their times differ by this many standard deviations (95 % of cases, normal errors).
const TOLD_APART: f64 = 1.64;
/// A part must reach at least this speed to have fired: heights a second, and for the hips radians a second.
const LEAST_SPEED: [f64; 4] = [0.1, 0.1, 1.0, 0.5];

/// When a part fired.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Fired {
    /// Index in [`FIRING`].
    part: usize,
    /// Seconds from the first sample.
    at_secs: f64,
    /// One standard deviation, seconds.
    spread_secs: f64,
}

impl MeasureContext<'_> {
    /// `sequence`: the order in which back heel, back knee, hips and hands fire, as [`sequence_value`] writes it.
    ///
    /// A part fires when its speed first reaches half of its highest between plant and contact: the heel's upward speed, the
    /// knee's and the hands' toward the pitcher, the hips' turn about the vertical. An order has no uncertainty: it is 0.
    ///
    /// # Errors
    /// Where a part is hidden or does not move, and where two parts fire too close together to tell which was first.
    pub(super) fn sequence(&self) -> Reading {
        let plant = self.plant()?;
        let contact = self.contact()?;
        if contact.sample <= plant.sample {
            return Err(NotMeasured::EventOrderUnclear);
        }
        self.steadied_cm(plant.sample, contact.sample)?;
        let signals = self.signals;
        let rate = signals.rate_hz;
        let from = signals.index(plant.sample - LOOK_SECS.0 * rate);
        let to = signals.index(contact.sample + LOOK_SECS.1 * rate);
        let height = signals.scale.height_cm;
        let heel = self.back_foot().heel.as_ref().ok_or(NotMeasured::NoHeels)?;
        let knee = self.stance.back_of(&signals.knee);
        let parts = [heel, knee, &signals.hands];
        if parts.iter().any(|path| !self.seen(path, (from, to))) {
            return Err(NotMeasured::PartHidden);
        }
        let forward = self.stance.forward();
        let in_heights = |v: &[f64], sign: f64| v.iter().map(|x| sign * x / height).collect();
        let courses: [Vec<f64>; 4] = [
            in_heights(&heel.y_cm, 1.0),
            in_heights(&knee.x_cm, forward),
            self.hips_turn_rad()?,
            in_heights(&signals.hands.x_cm, forward),
        ];
        let mut fired = Vec::with_capacity(FIRING.len());
        for (part, course) in courses.iter().enumerate() {
            let sample = half_speed_sample(course, rate, from..=to, LEAST_SPEED[part])
                .ok_or(NotMeasured::PartDidNotFire)?;
            fired.push(Fired {
                part,
                at_secs: sample / rate - FIRING_LATE_SECS[part],
                spread_secs: FIRING_SPREAD_SECS[part].hypot(FRAME_SHARE / rate),
            });
        }
        order(&mut fired)
    }

    /// The hips' turn about the vertical from the metric landmarks, radians, growing as they open.
    fn hips_turn_rad(&self) -> Result<Vec<f64>, NotMeasured> {
        let (front, back) = match self.stance.front {
            Side::Left => (Landmark::LeftHip, Landmark::RightHip),
            Side::Right => (Landmark::RightHip, Landmark::LeftHip),
        };
        let mut turned = Vec::with_capacity(self.signals.len);
        let mut last = 0.0;
        for i in 0..self.signals.len {
            let line = self.vector_at(&[back], &[front], i)?;
            // The front hip goes away from the plate, and so from the camera, as the hips open.
            let raw = (-line.near).atan2(line.along);
            let turns = ((raw - last) / std::f64::consts::TAU).round();
            last = raw - turns * std::f64::consts::TAU;
            turned.push(last);
        }
        Ok(turned)
    }
}

/// The fractional sample index at which a course first reaches [`FIRED`] of its highest speed within a range, walking back
/// from that speed. `None` where it never gets as fast as `least`.
fn half_speed_sample(
    course: &[f64],
    rate_hz: f64,
    within: std::ops::RangeInclusive<usize>,
    least: f64,
) -> Option<f64> {
    let smooth = Butterworth::low_pass(FIRING_HZ, rate_hz).zero_phase(course);
    let speed = derivative(&smooth, rate_hz);
    let start = *within.start();
    let peak = within.max_by(|&a, &b| speed[a].total_cmp(&speed[b]))?;
    let limit = FIRED * speed[peak];
    if speed[peak] < least {
        return None;
    }
    let below = (start..peak).rev().find(|&i| speed[i] < limit)?;
    Some(below as f64 + (limit - speed[below]) / (speed[below + 1] - speed[below]))
}

/// Sorts by time and gives the order, if every two neighbors are far enough apart.
fn order(fired: &mut [Fired]) -> Reading {
    fired.sort_by(|a, b| a.at_secs.total_cmp(&b.at_secs));
    let close = fired.windows(2).any(|pair| {
        let gap = pair[1].at_secs - pair[0].at_secs;
        gap < TOLD_APART * pair[0].spread_secs.hypot(pair[1].spread_secs)
    });
    if close {
        return Err(NotMeasured::FiredTooClose);
    }
    let parts: Vec<usize> = fired.iter().map(|f| f.part).collect();
    Ok((sequence_value(&parts), 0.0))
}

#[cfg(test)]
mod tests {
    use super::super::test_figure::Figure;
    use super::*;

    fn fired(at_millis: [f64; 4]) -> Vec<Fired> {
        (0..4)
            .map(|part| Fired {
                part,
                at_secs: at_millis[part] / 1000.0,
                spread_secs: 0.010,
            })
            .collect()
    }

    #[test]
    fn parts_far_enough_apart_are_put_in_order() {
        // Two spreads of 10 ms make 14 ms, and 1.64 of those 23 ms.
        let order_of = |times| order(&mut fired(times));
        assert_eq!(order_of([0.0, 30.0, 60.0, 90.0]), Ok((1234.0, 0.0)));
        assert_eq!(order_of([90.0, 30.0, 60.0, 0.0]), Ok((4231.0, 0.0)));
        assert!(order_of([0.0, 22.0, 60.0, 90.0]).is_err());
    }

    #[test]
    fn half_of_the_highest_speed_is_found_between_frames() {
        // A smooth step whose speed is a Gaussian of 40 ms around 0.5 s: half of it is reached 1.1774 sigma before.
        let rate = 240.0;
        let (mut course, mut position) = (Vec::new(), 0.0f64);
        for i in 0..240 {
            course.push(position);
            let away = (f64::from(i) / rate - 0.5) / 0.040;
            position += (-0.5 * away * away).exp() / rate;
        }
        let found = half_speed_sample(&course, rate, 60..=180, 0.1).unwrap() / rate;
        // The low pass widens the step, and so moves its flank, by a few milliseconds.
        assert!((found - (0.5 - 1.1774 * 0.040)).abs() < 0.006, "{found}");
        assert_eq!(half_speed_sample(&course, rate, 60..=180, 2.0), None);
    }

    #[test]
    fn a_swing_fired_well_apart_is_told_and_a_quick_one_refused() {
        // Heel, knee and hands within the landmarks' noise, as skilled hitters fire them, cannot be told apart.
        let apart = Figure {
            fire_secs: [0.00, 0.05, 0.24, 0.40],
            contact_secs: 0.50,
            ..Figure::default()
        };
        let (signals, estimates) = apart.build();
        assert_eq!(
            apart.context(&signals, &estimates).sequence(),
            Ok((1234.0, 0.0))
        );
        let hands_first = Figure {
            fire_secs: [0.15, 0.20, 0.40, 0.00],
            contact_secs: 0.50,
            ..Figure::default()
        };
        let (signals, estimates) = hands_first.build();
        assert_eq!(
            hands_first.context(&signals, &estimates).sequence(),
            Ok((4123.0, 0.0))
        );
        let quick = Figure {
            fire_secs: [0.04, 0.05, 0.06, 0.07],
            ..Figure::default()
        };
        let (signals, estimates) = quick.build();
        assert_eq!(
            quick.context(&signals, &estimates).sequence(),
            Err(NotMeasured::FiredTooClose)
        );
    }
}
