//! Where the hitter is, so that somebody who walks through the picture is not taken for them.
//!
//! In: the place and size of each body that was found. Out: whether it can be the same person, and which of several
//! people it is. A body cannot leap or change its size between two frames; a crop that has slipped onto a
//! passer-by does both.

use crate::time::CaptureTime;

/// The hips of a hitter never move faster than this, crop sides a second: about three metres a second.
const LEAP_SIDES_PER_SEC: f32 = 1.3;
/// How much a body may seem to grow or shrink against its usual size, as a factor.
const GROWTH: f32 = 1.35;
/// How far from home the hitter may be found again, crop sides.
const NEAR_SIDES: f32 = 0.22;
/// How long somebody found anew must stay near home.
const PROBATION_SECS: f64 = 1.0;
/// The usual size follows the size seen over this long, seconds.
const SETTLE_SECS: f32 = 1.5;
/// After this long without the hitter anybody may be the hitter.
const FORGET_SECS: f64 = 2.5;

/// A body's place in the image.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    /// Between the hips, pixels.
    pub center_px: [f32; 2],
    /// Side of the square around the body, pixels.
    pub side_px: f32,
}

/// The hitter's last place and usual size.
#[derive(Clone, Copy, Debug)]
pub(super) struct Home {
    last: Place,
    usual_side_px: f32,
    seen_at: CaptureTime,
    /// Until then somebody found anew must stay near home to be the hitter.
    probation_until: Option<CaptureTime>,
}

impl Home {
    /// The home of somebody just found.
    pub(super) fn new(place: Place, now: CaptureTime) -> Self {
        Self {
            last: place,
            usual_side_px: place.side_px,
            seen_at: now,
            probation_until: None,
        }
    }

    /// Whether nobody has been seen for so long that this home says nothing any more.
    pub(super) fn is_forgotten(&self, now: CaptureTime) -> bool {
        now.secs_since(self.seen_at) > FORGET_SECS
    }

    /// Whether a body followed from the last frame can still be the same person.
    pub(super) fn can_be(&self, place: Place, now: CaptureTime) -> bool {
        if self.on_probation(now) {
            return self.distance(place).is_some();
        }
        let secs = now.secs_since(self.seen_at).max(0.0) as f32;
        // A little slack for the first frames, in which the crop still settles.
        let reach = (0.05 + LEAP_SIDES_PER_SEC * secs) * self.usual_side_px;
        self.gap(place) <= reach && self.is_of_size(place)
    }

    /// How far a person found anew is from home, crop sides; `None` where it cannot be the hitter.
    pub(super) fn distance(&self, place: Place) -> Option<f32> {
        let sides = self.gap(place) / self.usual_side_px;
        (sides <= NEAR_SIDES && self.is_of_size(place)).then_some(sides)
    }

    /// Somebody was found here after the hitter had been lost. Whoever walks on is a passer-by; only who stays becomes
    /// the hitter again.
    pub(super) fn found_again(&mut self, now: CaptureTime) {
        self.probation_until = Some(now.plus_secs(PROBATION_SECS));
        self.seen_at = now;
    }

    fn on_probation(&self, now: CaptureTime) -> bool {
        self.probation_until.is_some_and(|until| now < until)
    }

    /// The hitter was here.
    pub(super) fn seen(&mut self, place: Place, now: CaptureTime) {
        let secs = now.secs_since(self.seen_at).clamp(0.0, 1.0) as f32;
        self.seen_at = now;
        if self.on_probation(now) {
            return;
        }
        let share = secs / (secs + SETTLE_SECS);
        self.usual_side_px += share * (place.side_px - self.usual_side_px);
        self.last = place;
    }

    fn gap(&self, place: Place) -> f32 {
        let [x, y] = place.center_px;
        (x - self.last.center_px[0]).hypot(y - self.last.center_px[1])
    }

    fn is_of_size(&self, place: Place) -> bool {
        let factor = place.side_px / self.usual_side_px;
        (1.0 / GROWTH..=GROWTH).contains(&factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: f32, side: f32) -> Place {
        Place {
            center_px: [x, 400.0],
            side_px: side,
        }
    }

    fn secs(t: f64) -> CaptureTime {
        CaptureTime::from_secs(t)
    }

    #[test]
    fn a_hitter_who_steps_out_is_followed() {
        let mut home = Home::new(at(600.0, 600.0), secs(0.0));
        for i in 1..120 {
            let now = secs(f64::from(i) / 60.0);
            // Half a body height a second, and a step toward the camera that makes the body a quarter larger.
            let place = at(600.0 + 4.0 * i as f32, 600.0 + 1.2 * i as f32);
            assert!(home.can_be(place, now), "frame {i}");
            home.seen(place, now);
        }
    }

    #[test]
    fn a_leap_and_a_sudden_growth_are_somebody_else() {
        let home = Home::new(at(600.0, 600.0), secs(0.0));
        assert!(!home.can_be(at(700.0, 600.0), secs(1.0 / 60.0)));
        assert!(!home.can_be(at(600.0, 900.0), secs(1.0 / 60.0)));
        assert!(home.can_be(at(610.0, 620.0), secs(1.0 / 60.0)));
    }

    #[test]
    fn who_is_found_where_the_hitter_was_but_walks_on_is_a_passer_by() {
        let mut home = Home::new(at(600.0, 600.0), secs(0.0));
        home.found_again(secs(0.5));
        let mut kept = 0;
        for i in 0..60 {
            let now = secs(0.5 + f64::from(i) / 60.0);
            let place = at(600.0 - 8.0 * i as f32, 640.0);
            if !home.can_be(place, now) {
                break;
            }
            home.seen(place, now);
            kept = i;
        }
        assert!(kept < 20, "{kept}");
        assert!(
            home.distance(at(590.0, 600.0)).is_some(),
            "home has not moved along"
        );
    }

    #[test]
    fn of_several_people_the_one_at_home_is_the_hitter_until_home_is_forgotten() {
        let home = Home::new(at(600.0, 600.0), secs(0.0));
        assert!(home.distance(at(650.0, 580.0)).is_some());
        assert_eq!(home.distance(at(900.0, 600.0)), None);
        assert_eq!(home.distance(at(600.0, 350.0)), None);
        assert!(!home.is_forgotten(secs(2.0)));
        assert!(home.is_forgotten(secs(3.0)));
    }
}
