//! How long the barrel's path stays on the plane on which the pitch comes in.
//!
//! In: a [`SwingPath`] about contact, how steeply the pitch comes down. Out: an [`OnPlane`]. The plane lies level across the
//! plate and holds the pitch's line through the place where the barrel is at contact; that ball and barrel meet there is supposed.

use crate::rep::not_measured::NotMeasured;

use super::rigid::Motion;
use super::{SwingPath, Told};

/// So far above or below the ball's middle line the barrel's middle may pass: then that line still runs through the
/// barrel. Half of 2.61 in, the thickest that baseball's rules allow a bat; bat and ball touch up to 7.0 cm (half of it
/// and half of a ball of 9 to 9 1/4 in around).
pub(crate) const ON_PLANE_CM: f64 = 3.3;
/// Steps in which the path is followed, seconds.
const STEP_SECS: f64 = 0.001;
/// Where the barrel gets on plane and leaves it is never surer than this against contact, milliseconds.
const SUREST_MS: f64 = 5.0;

/// The stretch about contact in which the barrel is on the plane.
pub(in crate::rep) struct OnPlane {
    /// From where it gets there to contact, milliseconds.
    pub before_ms: Told,
    /// From contact to where it leaves, milliseconds.
    pub after_ms: Told,
    /// Both together.
    pub ms: Told,
    /// Along the pitch's line, centimeters.
    pub length_cm: Told,
}

impl SwingPath {
    /// Against a pitch that comes down at `descent_deg`, which is known to `spread_deg`.
    ///
    /// # Errors
    /// Where the stretch reaches an end of what was fitted.
    pub(in crate::rep) fn on_plane(
        &self,
        fastest: f64,
        (descent_deg, spread_deg): Told,
    ) -> Result<OnPlane, NotMeasured> {
        let (contact, off) = self.met_at(fastest);
        let at = |motion: &Motion, contact: f64, deg: f64| self.stretch(motion, contact, deg);
        let mut told = self.fit.tell_all(|motion| at(motion, contact, descent_deg));
        let motion = &self.fit.motion;
        for (a, b) in [
            (
                at(motion, contact - off, descent_deg),
                at(motion, contact + off, descent_deg),
            ),
            (
                at(motion, contact, descent_deg - spread_deg),
                at(motion, contact, descent_deg + spread_deg),
            ),
        ] {
            for (k, (value, spread)) in told.iter_mut().enumerate() {
                *spread = spread.hypot(a[k] - *value).max(spread.hypot(b[k] - *value));
            }
        }
        if told
            .iter()
            .any(|(value, spread)| !(value + spread).is_finite())
        {
            return Err(NotMeasured::BatTooUnsure);
        }
        for (_, spread) in &mut told[..2] {
            *spread = spread.hypot(SUREST_MS);
        }
        let [before_ms, after_ms, ms, length_cm] = told;
        Ok(OnPlane {
            before_ms,
            after_ms,
            ms,
            length_cm,
        })
    }

    /// Milliseconds before contact, after it, in all; centimeters along the line. No numbers where an end is not seen.
    fn stretch(&self, motion: &Motion, contact: f64, descent_deg: f64) -> [f64; 4] {
        let (sin, cos) = descent_deg.to_radians().sin_cos();
        let met = self.barrel(motion, contact);
        // Along the pitch's line toward the pitcher, and off the plane.
        let seen = |secs: f64| {
            let off = self.barrel(motion, contact + secs * self.rate_hz) - met;
            (off.x * cos + off.y * sin, off.y * cos - off.x * sin)
        };
        let end = |way: f64, last: f64| {
            let (mut secs, mut before) = (0.0, (0.0_f64, 0.0_f64));
            while secs < last {
                secs += STEP_SECS;
                let now = seen(way * secs);
                if now.1.abs() > ON_PLANE_CM {
                    let share = (ON_PLANE_CM - before.1.abs()) / (now.1.abs() - before.1.abs());
                    let along = before.0 + share * (now.0 - before.0);
                    return (1e3 * (secs - (1.0 - share) * STEP_SECS), along);
                }
                before = now;
            }
            (f64::NAN, f64::NAN)
        };
        let at = self.secs(contact);
        let (before, from) = end(-1.0, at);
        let (after, to) = end(1.0, self.fit.motion.last_secs() - at);
        [before, after, before + after, to - from]
    }
}
