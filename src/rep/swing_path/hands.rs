//! The way of the hands to the ball, and how the barrel trails them.
//!
//! In: a [`SwingPath`] about contact. Out: how far the hands leave the straight way, the angle by which the barrel lags.

use nalgebra::Vector2;

use super::rigid::Motion;
use super::{SwingPath, Told};

/// Hands start so long before contact: 134 ms on college hitters (130 to 146, 90 %; Thompson 2022).
const HANDS_START_SECS: f64 = 0.134;
/// The barrel's lag is read so long before contact, seconds.
const LAG_SECS: f64 = 0.05;
/// Points of the hands' way that are looked at.
const POINTS: usize = 32;

impl SwingPath {
    /// How far the hands get from the straight line between where they start and where they are at contact, as seen from
    /// the side; positive below it. Centimeters.
    pub(in crate::rep) fn hands_loop_cm(&self, fastest: f64) -> Told {
        let (contact, off) = self.met_at(fastest);
        let scale = self
            .camera
            .hands_scale(self.fit.motion.away(), &self.grip.at(contact));
        let at = |contact: f64| scale * self.loop_shown(contact);
        let value = at(contact);
        let slip = [-off, off].map(|off| at(contact + off) - value);
        (value, slip[0].abs().max(slip[1].abs()))
    }

    fn loop_shown(&self, contact: f64) -> f64 {
        let yaw_cos = self.to_hitter[(0, 0)];
        let at = |sample: f64| {
            let shown = self.grip.at(sample).shown;
            Vector2::new(shown.x / yaw_cos, shown.y)
        };
        let back = HANDS_START_SECS * self.rate_hz;
        let from = at(contact - back);
        let way = (at(contact) - from).normalize();
        (1..POINTS)
            .map(|i| i as f64 / POINTS as f64)
            .map(|share| -way.perp(&(at(contact - (1.0 - share) * back) - from)))
            .fold(
                0.0,
                |most: f64, now| if now.abs() > most.abs() { now } else { most },
            )
    }

    /// The angle by which the barrel trails the hands a set time before contact: 0 beside them, 90 straight behind.
    pub(in crate::rep) fn lag_deg(&self, fastest: f64) -> Told {
        let (contact, off) = self.met_at(fastest);
        let lag = |motion: &Motion, contact: f64| {
            let sample = contact - LAG_SECS * self.rate_hz;
            let (u, _) = motion.at(self.secs(sample));
            u.angle(&self.grip.velocity(sample)).to_degrees() - 90.0
        };
        let (value, spread) = self.fit.tell(|motion| lag(motion, contact));
        let [before, after] = [-off, off].map(|off| lag(&self.fit.motion, contact + off));
        (value, spread.hypot(0.5 * (after - before)))
    }
}
