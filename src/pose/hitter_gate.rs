//! Tells the hitter from others: a body is the hitter's only if it is near where the hitter was and of the same size.
//!
//! In: position and size of each body that was found. Out: whether it can be the hitter, and how far it is from where the
//! hitter was. A body cannot leap or change its size between two frames; a crop that has slipped onto a passer-by does
//! both.

use super::landmarker::Landmarks;
use super::roi::Roi;
use crate::time::CaptureTime;

/// The hips of a hitter never move faster than this, crop sides a second: about three metres a second.
const LEAP_SIDES_PER_SEC: f32 = 1.3;
/// By what factor a body's size may differ from the hitter's usual size.
const GROWTH: f32 = 1.35;
/// How far from the last position the hitter may be found again, crop sides.
const NEAR_SIDES: f32 = 0.22;
/// How long somebody who was found again must stay near the last position.
const PROBATION_SECS: f64 = 1.0;
/// Time constant with which the usual size follows the measured size, seconds.
const SETTLE_SECS: f32 = 1.5;
/// After this long without the hitter anybody may be.
const FORGET_SECS: f64 = 2.5;

/// Position and size of a body in the image.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct BodyBox {
    /// Between the hips, pixels.
    pub center_px: [f32; 2],
    /// Side of the square around the body, pixels.
    pub side_px: f32,
}

impl BodyBox {
    /// Of a body that the landmark model found.
    pub(super) fn of(landmarks: &Landmarks) -> Self {
        let (center, rim) = (landmarks.center_px, landmarks.rim_px);
        Self {
            center_px: center,
            side_px: 2.5 * (rim[0] - center[0]).hypot(rim[1] - center[1]),
        }
    }

    /// Of a body for which this crop was made.
    pub(super) fn of_roi(roi: &Roi) -> Self {
        Self {
            center_px: [roi.center_x_px, roi.center_y_px],
            side_px: roi.side_px,
        }
    }

    /// How far away the other body is, in sides of this one.
    pub(super) fn distance_sides(&self, other: BodyBox) -> f32 {
        let [x, y] = other.center_px;
        (x - self.center_px[0]).hypot(y - self.center_px[1]) / self.side_px.max(1.0)
    }
}

/// Where the hitter was last, and how large the hitter usually is.
#[derive(Clone, Copy, Debug)]
pub(super) struct HitterGate {
    last: BodyBox,
    usual_side_px: f32,
    seen_at: CaptureTime,
    /// Until then somebody who was found again must stay near the last position.
    probation_until: Option<CaptureTime>,
}

impl HitterGate {
    /// Takes the body for the hitter's.
    pub(super) fn new(body: BodyBox, now: CaptureTime) -> Self {
        Self {
            last: body,
            usual_side_px: body.side_px,
            seen_at: now,
            probation_until: None,
        }
    }

    /// Whether the hitter has been gone for so long that anybody may be the hitter.
    pub(super) fn has_expired(&self, now: CaptureTime) -> bool {
        now.secs_since(self.seen_at) > FORGET_SECS
    }

    /// Whether a body followed from the frame before can still be the hitter's.
    pub(super) fn accepts(&self, body: BodyBox, now: CaptureTime) -> bool {
        if self.on_probation(now) {
            return self.distance_sides(body).is_some();
        }
        let secs = now.secs_since(self.seen_at).max(0.0) as f32;
        // A little slack for the first frames, in which the crop still settles.
        let reach = (0.05 + LEAP_SIDES_PER_SEC * secs) * self.usual_side_px;
        self.distance_px(body) <= reach && self.has_usual_size(body)
    }

    /// How far a newly detected body is from the last position, crop sides; `None` where it cannot be the hitter's.
    pub(super) fn distance_sides(&self, body: BodyBox) -> Option<f32> {
        let sides = self.distance_px(body) / self.usual_side_px;
        (sides <= NEAR_SIDES && self.has_usual_size(body)).then_some(sides)
    }

    /// Starts probation for somebody found near the last position after the hitter was lost: whoever walks on is a
    /// passer-by, whoever stays is the hitter.
    pub(super) fn reacquired(&mut self, now: CaptureTime) {
        self.probation_until = Some(now.plus_secs(PROBATION_SECS));
        self.seen_at = now;
    }

    fn on_probation(&self, now: CaptureTime) -> bool {
        self.probation_until.is_some_and(|until| now < until)
    }

    /// Follows the hitter to this body.
    pub(super) fn update(&mut self, body: BodyBox, now: CaptureTime) {
        let secs = now.secs_since(self.seen_at).clamp(0.0, 1.0) as f32;
        self.seen_at = now;
        if self.on_probation(now) {
            return;
        }
        let share = secs / (secs + SETTLE_SECS);
        self.usual_side_px += share * (body.side_px - self.usual_side_px);
        self.last = body;
    }

    fn distance_px(&self, body: BodyBox) -> f32 {
        let [x, y] = body.center_px;
        (x - self.last.center_px[0]).hypot(y - self.last.center_px[1])
    }

    fn has_usual_size(&self, body: BodyBox) -> bool {
        let factor = body.side_px / self.usual_side_px;
        (1.0 / GROWTH..=GROWTH).contains(&factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: f32, side: f32) -> BodyBox {
        BodyBox {
            center_px: [x, 400.0],
            side_px: side,
        }
    }

    fn secs(t: f64) -> CaptureTime {
        CaptureTime::from_secs(t)
    }

    #[test]
    fn a_hitter_who_steps_out_is_followed() {
        let mut gate = HitterGate::new(at(600.0, 600.0), secs(0.0));
        for i in 1..120 {
            let now = secs(f64::from(i) / 60.0);
            // Half a body height a second, and a step toward the camera that makes the body a quarter larger.
            let body = at(600.0 + 4.0 * i as f32, 600.0 + 1.2 * i as f32);
            assert!(gate.accepts(body, now), "frame {i}");
            gate.update(body, now);
        }
    }

    #[test]
    fn a_leap_and_a_sudden_growth_are_somebody_else() {
        let gate = HitterGate::new(at(600.0, 600.0), secs(0.0));
        assert!(!gate.accepts(at(700.0, 600.0), secs(1.0 / 60.0)));
        assert!(!gate.accepts(at(600.0, 900.0), secs(1.0 / 60.0)));
        assert!(gate.accepts(at(610.0, 620.0), secs(1.0 / 60.0)));
    }

    #[test]
    fn who_is_found_where_the_hitter_was_but_walks_on_is_a_passer_by() {
        let mut gate = HitterGate::new(at(600.0, 600.0), secs(0.0));
        gate.reacquired(secs(0.5));
        let mut kept = 0;
        for i in 0..60 {
            let now = secs(0.5 + f64::from(i) / 60.0);
            let body = at(600.0 - 8.0 * i as f32, 640.0);
            if !gate.accepts(body, now) {
                break;
            }
            gate.update(body, now);
            kept = i;
        }
        assert!(kept < 20, "{kept}");
        assert!(
            gate.distance_sides(at(590.0, 600.0)).is_some(),
            "the last position has not moved along"
        );
    }

    #[test]
    fn of_several_people_the_one_near_the_last_position_is_the_hitter_until_the_gate_expires() {
        let gate = HitterGate::new(at(600.0, 600.0), secs(0.0));
        assert!(gate.distance_sides(at(650.0, 580.0)).is_some());
        assert_eq!(gate.distance_sides(at(900.0, 600.0)), None);
        assert_eq!(gate.distance_sides(at(600.0, 350.0)), None);
        assert!(!gate.has_expired(secs(2.0)));
        assert!(gate.has_expired(secs(3.0)));
    }
}
