//! Where the knob points: where the bat's line, drawn out beyond the knob, meets the ground.
//!
//! In: a [`SwingPath`] about plant, the back foot. Out: how far behind that foot, in centimeters.

use nalgebra::{Rotation3, Vector3};

use crate::rep::estimates::EventEstimate;
use crate::rep::not_measured::NotMeasured;

use super::rigid::Motion;
use super::{GRIP_DEG, SwingPath, Told};

/// A bat that rises by less than this share of its length points at the horizon, not at the ground.
const LEAST_UPRIGHT: f64 = 0.35;

impl SwingPath {
    /// From the back foot to where the knob points, toward the catcher. The foot's place is `foot_cm` as the signals have
    /// it, along the picture and up, at the ground.
    ///
    /// # Errors
    /// Where the bat lies too flat.
    pub(in crate::rep) fn knob_points_cm(
        &self,
        event: EventEstimate,
        foot_cm: [f64; 2],
    ) -> Result<Told, NotMeasured> {
        let foot = self.grip.against_aim(foot_cm);
        let yaw_cos = self.to_hitter[(0, 0)];
        let behind = |motion: &Motion, sample: f64, turned_rad: f64, yaw_rad: f64| {
            let to_hitter =
                Rotation3::from_axis_angle(&Vector3::y_axis(), yaw_rad) * self.to_hitter;
            let (u, _) = motion.at(self.secs(sample));
            let grip = self.grip.at(sample);
            let hands = self.camera.place(motion.away(), &grip, Vector3::zeros());
            let u = to_hitter * u;
            let slope = (u.x.atan2(u.y) + turned_rad).tan();
            let meets = (to_hitter * hands).x - slope * (hands.y - foot.y);
            foot.x / yaw_cos - meets
        };
        let (u, _) = self.fit.motion.at(self.secs(event.sample));
        if u.y < LEAST_UPRIGHT {
            return Err(NotMeasured::BatAtLens);
        }
        let (value, spread) = self
            .fit
            .tell(|motion| behind(motion, event.sample, 0.0, 0.0));
        let motion = &self.fit.motion;
        let slip = [-event.sigma, event.sigma]
            .map(|off| (behind(motion, event.sample + off, 0.0, 0.0) - value).abs());
        let grip = behind(motion, event.sample, GRIP_DEG.to_radians(), 0.0) - value;
        let yaw = behind(motion, event.sample, 0.0, self.yaw_spread_rad) - value;
        let slip = 0.5 * (slip[0] + slip[1]);
        Ok((value, spread.hypot(slip).hypot(grip).hypot(yaw)))
    }
}
