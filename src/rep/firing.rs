//! What the body does from plant to finish: the order in which its parts fire, its balance, and how the finish is held.
//!
//! In: a [`Sight`]. Out: a value with one standard deviation, or why there is none. Pure. An order is only told where the
//! parts fire farther apart in time than the frames and the landmarks' noise allow to tell.

use crate::motion::filter::{Butterworth, derivative};
use crate::motion::{Path, Signals};
use crate::pose::Landmark;

use super::angles::{Found, LEAST_VISIBILITY, Sight, TRUNK_DEPTH};
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
/// The model shows the turn of the hips late by this much, seconds; measured on the same hitters.
const HIPS_LATE_SECS: f64 = 0.050;
/// The frames' own share of a time's standard deviation, in frames: an even spread over one.
const FRAME_SHARE: f64 = 0.29;
/// Two parts are told apart when their times differ by this many standard deviations (95 % of cases, normal errors).
const TOLD_APART: f64 = 1.64;
/// A part must reach at least this speed to have fired: heights a second, and for the hips radians a second.
const LEAST_SPEED: [f64; 4] = [0.1, 0.1, 1.0, 0.5];

/// The navel lies this share of the way from the hips' middle to the shoulders' middle, the middle of the breastbone the
/// second (common practice, no source).
const NAVEL: f64 = 0.25;
const BREASTBONE: f64 = 0.8;
/// Standard uncertainty of the balance offset, a share of standing height. Measured on rendered hitters.
const BALANCE_SPREAD: f64 = 0.0115;
/// Cutoff of the zero-phase low pass before the worst moment is looked for, hertz.
const BALANCE_HZ: f64 = 6.0;

/// The finish is held while the hips' middle is slower than the first and both ankles than the second, heights a second
/// (common practice names the hold, no source a speed; found on rendered hitters as the least that landmarks do not reach
/// while the joints stand still).
const HELD_SPEEDS: (f64, f64) = (0.2, 0.2);
/// Cutoff of the zero-phase low pass for the hold, hertz.
const HOLD_HZ: f64 = 3.0;
/// The follow-through takes this long to settle after the hands rest; a body that still moves then holds nothing.
const SETTLE_SECS: f64 = 0.3;
/// A hold of this length is long enough: what follows is not looked at, seconds.
pub(super) const HOLD_ENOUGH_SECS: f64 = 2.0;
/// Standard uncertainty of a hold, milliseconds: where the hands rest and where the body moves off are both soft.
const HOLD_SPREAD_MS: f64 = 80.0;

/// When a part fired.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Fired {
    /// Place in [`FIRING`].
    part: usize,
    /// Seconds on the grid.
    at_secs: f64,
    /// One standard deviation, seconds.
    spread_secs: f64,
}

impl Sight<'_> {
    /// `sequence`: the order in which back heel, back knee, hips and hands fire, as [`sequence_value`] writes it.
    ///
    /// A part fires when its speed first reaches half of its highest between plant and contact: the heel's upward speed, the
    /// knee's and the hands' toward the pitcher, the hips' turn about the vertical. An order has no spread; 0 is given.
    ///
    /// # Errors
    /// Where a part is hidden or does not move, and where two parts fire too close together to tell which was first.
    pub(super) fn sequence(&self) -> Found {
        let plant = self.plant()?;
        let contact = self.moments.contact.ok_or(NotMeasured::ContactNotSeen)?;
        if contact.place <= plant.place {
            return Err(NotMeasured::EventOrderUnclear);
        }
        let signals = self.signals;
        let rate = signals.rate_hz;
        let from = signals.index(plant.place - LOOK_SECS.0 * rate);
        let to = signals.index(contact.place + LOOK_SECS.1 * rate);
        let height = signals.scale.height_cm;
        let back = self.foot(!self.front_is_left);
        let heel = back.heel.as_ref().ok_or(NotMeasured::NoHeels)?;
        let knee = if self.front_is_left {
            &signals.knee.right
        } else {
            &signals.knee.left
        };
        for path in [heel, knee, &signals.hands] {
            let seen = path.visibility[from..=to].iter().sum::<f64>() / (to - from + 1) as f64;
            if seen < LEAST_VISIBILITY || signals.found[from..=to].iter().any(|f| !f) {
                return Err(NotMeasured::PartHidden);
            }
        }
        let in_heights = |v: &[f64], sign: f64| v.iter().map(|x| sign * x / height).collect();
        let courses: [Vec<f64>; 4] = [
            in_heights(&heel.y_cm, 1.0),
            in_heights(&knee.x_cm, self.forward),
            self.hips_turn_rad()?,
            in_heights(&signals.hands.x_cm, self.forward),
        ];
        let mut fired = Vec::with_capacity(FIRING.len());
        for (part, course) in courses.iter().enumerate() {
            let place = half_speed_place(course, rate, from..=to, LEAST_SPEED[part])
                .ok_or(NotMeasured::PartDidNotFire)?;
            let late = if FIRING[part] == "hip" {
                HIPS_LATE_SECS
            } else {
                0.0
            };
            fired.push(Fired {
                part,
                at_secs: place / rate - late,
                spread_secs: FIRING_SPREAD_SECS[part].hypot(FRAME_SHARE / rate),
            });
        }
        order(&mut fired)
    }

    /// `balance_offset_cm`: the farthest that head or breastbone get from over the navel, toward or away from the pitcher,
    /// at any moment from plant to finish (to the stretch's end where the finish is not seen).
    ///
    /// # Errors
    /// Without metric landmarks, a plant or a contact, or with the head or trunk hidden.
    pub(super) fn balance_offset(&self) -> Found {
        use Landmark::{LeftEar, LeftHip, LeftShoulder, RightEar, RightHip, RightShoulder};
        let plant = self.plant()?;
        let contact = self.moments.contact.ok_or(NotMeasured::ContactNotSeen)?;
        let (sin, cos) = self.yaw()?.sin_cos();
        let signals = self.signals;
        let from = signals.index(plant.place);
        let to = signals.index(self.moments.finish.unwrap_or(signals.len as f64));
        if to <= signals.index(contact.place) {
            return Err(NotMeasured::EndsInSwing);
        }
        let smooth = |path: &Path| path.smoothed(BALANCE_HZ, signals.rate_hz);
        let (head, hips, shoulders) = (
            smooth(&signals.head),
            smooth(&signals.hips),
            smooth(&signals.shoulders),
        );
        for path in [&head, &hips, &shoulders] {
            let seen = path.visibility[from..=to].iter().sum::<f64>() / (to - from + 1) as f64;
            if seen < LEAST_VISIBILITY || signals.found[from..=to].iter().any(|f| !f) {
                return Err(NotMeasured::HeadOrTrunkHidden);
            }
        }
        // How much nearer to the camera than the hips, centimetres.
        let near = |ends: [Landmark; 2]| -> Result<Vec<f64>, NotMeasured> {
            let raw = (0..signals.len)
                .map(|i| {
                    Ok(100.0 * TRUNK_DEPTH * self.way_at(&[LeftHip, RightHip], &ends, i)?.near)
                })
                .collect::<Result<Vec<f64>, NotMeasured>>()?;
            Ok(Butterworth::low_pass(BALANCE_HZ, signals.rate_hz).zero_phase(&raw))
        };
        let (ears, trunk) = (
            near([LeftEar, RightEar])?,
            near([LeftShoulder, RightShoulder])?,
        );
        // A camera that stands off square sees part of the lean toward the plate as a lean toward the pitcher.
        let along = |x: f64, near: f64| (self.forward * x * cos + near * sin).abs();
        let worst = (from..=to)
            .map(|i| {
                let side = shoulders.x_cm[i] - hips.x_cm[i];
                let head = along(
                    head.x_cm[i] - hips.x_cm[i] - NAVEL * side,
                    ears[i] - NAVEL * trunk[i],
                );
                head.max(along(
                    (BREASTBONE - NAVEL) * side,
                    (BREASTBONE - NAVEL) * trunk[i],
                ))
            })
            .fold(0.0, f64::max);
        Ok((worst, BALANCE_SPREAD * signals.scale.height_cm))
    }

    /// The hips' turn about the vertical from the metric landmarks, radians, growing as they open.
    fn hips_turn_rad(&self) -> Result<Vec<f64>, NotMeasured> {
        let (front, back) = if self.front_is_left {
            (Landmark::LeftHip, Landmark::RightHip)
        } else {
            (Landmark::RightHip, Landmark::LeftHip)
        };
        let mut turned = Vec::with_capacity(self.signals.len);
        let mut last = 0.0;
        for i in 0..self.signals.len {
            let line = self.way_at(&[back], &[front], i)?;
            // The front hip goes away from the plate, and so from the camera, as the hips open.
            let raw = (-line.near).atan2(line.along);
            let turns = ((raw - last) / std::f64::consts::TAU).round();
            last = raw - turns * std::f64::consts::TAU;
            turned.push(last);
        }
        Ok(turned)
    }
}

/// `finish_hold_ms`: how long after the finish hips and feet stay where they are, at most [`HOLD_ENOUGH_SECS`].
///
/// Works in every view, for it needs no direction. `contact` and `finish` are places on the grid.
///
/// # Errors
/// Where the finish is not seen, the hitter goes out of sight, or the stretch ends while the finish is still held: how
/// long it was held is then not known yet.
pub(super) fn finish_hold(signals: &Signals, finish: Option<f64>) -> Found {
    let finish = finish.ok_or(NotMeasured::FinishNotSeen)?;
    let rate = signals.rate_hz;
    let height = signals.scale.height_cm;
    let from = signals.index(finish);
    let enough = from + (HOLD_ENOUGH_SECS * rate).round() as usize;
    let settle = from + (SETTLE_SECS * rate).round() as usize;
    let speed = |p: &Path| p.smoothed(HOLD_HZ, rate).speed(rate);
    let hips = speed(&signals.hips);
    let (left, right) = (
        speed(&signals.feet.left.ankle),
        speed(&signals.feet.right.ankle),
    );
    let held = |i: usize| {
        hips[i] < HELD_SPEEDS.0 * height
            && left[i] < HELD_SPEEDS.1 * height
            && right[i] < HELD_SPEEDS.1 * height
    };
    let last = signals.len.saturating_sub(1);
    if settle > last {
        return Err(NotMeasured::EndsWithFinish);
    }
    if !held(settle) {
        return Ok((0.0, HOLD_SPREAD_MS));
    }
    for i in settle..=enough.min(last) {
        if !signals.found[i] {
            return Err(NotMeasured::OutOfSight);
        }
        if !held(i) {
            return Ok((1000.0 * (i as f64 - finish) / rate, HOLD_SPREAD_MS));
        }
    }
    if enough <= last {
        Ok((1000.0 * HOLD_ENOUGH_SECS, HOLD_SPREAD_MS))
    } else {
        Err(NotMeasured::EndsInHold)
    }
}

/// Where a course first reaches [`FIRED`] of its highest speed within a range, walking back from that speed; a place on
/// the grid. `None` where it never gets as fast as `least`.
fn half_speed_place(
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

/// Sorts by time and gives the order, if every two neighbours are far enough apart.
fn order(fired: &mut [Fired]) -> Found {
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
    use super::super::stick_figure::Figure;
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
        let (mut course, mut place) = (Vec::new(), 0.0f64);
        for i in 0..240 {
            course.push(place);
            let away = (f64::from(i) / rate - 0.5) / 0.040;
            place += (-0.5 * away * away).exp() / rate;
        }
        let found = half_speed_place(&course, rate, 60..=180, 0.1).unwrap() / rate;
        // The low pass widens the step, and so moves its flank, by a few milliseconds.
        assert!((found - (0.5 - 1.1774 * 0.040)).abs() < 0.006, "{found}");
        assert_eq!(half_speed_place(&course, rate, 60..=180, 2.0), None);
    }

    #[test]
    fn a_swing_fired_well_apart_is_told_and_a_quick_one_refused() {
        // Heel, knee and hands within the landmarks' noise, as skilled hitters fire them, cannot be told apart.
        let apart = Figure {
            fire_secs: [0.00, 0.05, 0.24, 0.40],
            contact_secs: 0.50,
            ..Figure::default()
        };
        let (signals, moments) = apart.build();
        assert_eq!(
            apart.sight(&signals, &moments).sequence(),
            Ok((1234.0, 0.0))
        );
        let hands_first = Figure {
            fire_secs: [0.15, 0.20, 0.40, 0.00],
            contact_secs: 0.50,
            ..Figure::default()
        };
        let (signals, moments) = hands_first.build();
        assert_eq!(
            hands_first.sight(&signals, &moments).sequence(),
            Ok((4123.0, 0.0))
        );
        let quick = Figure {
            fire_secs: [0.04, 0.05, 0.06, 0.07],
            ..Figure::default()
        };
        let (signals, moments) = quick.build();
        assert_eq!(
            quick.sight(&signals, &moments).sequence(),
            Err(NotMeasured::FiredTooClose)
        );
    }

    #[test]
    fn balance_is_the_farthest_of_head_and_breastbone_from_the_navel() {
        for (forward, front_is_left) in [(1.0, true), (-1.0, false)] {
            for yaw_deg in [-15.0, 0.0, 15.0] {
                let figure = Figure {
                    head_ahead_cm: 9.0,
                    yaw_deg,
                    forward,
                    front_is_left,
                    ..Figure::default()
                };
                let (signals, moments) = figure.build();
                let found = figure.sight(&signals, &moments).balance_offset();
                let (value, _) = found.unwrap();
                assert!((value - 9.0).abs() < 0.3, "{value} from {yaw_deg}");
            }
        }
    }

    #[test]
    fn a_hold_lasts_until_the_feet_or_hips_go() {
        let figure = Figure {
            leaves_secs: 1.8,
            ..Figure::default()
        };
        let (signals, moments) = figure.build();
        let (held, spread) = finish_hold(&signals, moments.finish).unwrap();
        let truth = 1000.0 * figure.held_secs();
        assert!((held - truth).abs() < 2.0 * spread, "{held} {truth}");
    }

    #[test]
    fn a_hold_is_not_known_before_it_ends_and_stops_at_enough() {
        let still = Figure {
            leaves_secs: 99.0,
            ..Figure::default()
        };
        let (signals, moments) = still.build();
        assert_eq!(
            finish_hold(&signals, moments.finish),
            Err(NotMeasured::EndsInHold)
        );
        let late = signals.len as f64 - 5.0;
        assert_eq!(
            finish_hold(&signals, Some(late)),
            Err(NotMeasured::EndsWithFinish)
        );
        let early = signals.len as f64 - 1.0 - 2.1 * signals.rate_hz;
        let (held, _) = finish_hold(&signals, Some(early)).unwrap();
        assert!((held - 1000.0 * HOLD_ENOUGH_SECS).abs() < 1e-9);
        assert_eq!(finish_hold(&signals, None), Err(NotMeasured::FinishNotSeen));
    }
}
