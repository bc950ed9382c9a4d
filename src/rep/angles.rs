//! Angles of the trunk and the front foot: the measures that one picture plane does not hold alone.
//!
//! In: a [`MeasureContext`] whose signals have the model's metric landmarks. Out: a value with one
//! standard deviation, or why there is none. Pure. The model's depth is noisy and shrunk, so it is never trusted alone:
//! each angle also uses what the picture shows of it, and a measure whose error is too large to coach on is refused.

use std::ops::RangeInclusive;

use crate::motion::Path;
use crate::pose::Landmark;

use super::context::{LEAST_VISIBILITY, MeasureContext, Reading};
use super::estimates::EventEstimate;
use super::not_measured::NotMeasured;

/// Positions are averaged over this long to either side: landmarks jitter, and an angle of a short limb more so.
const REACH_SECS: f64 = 0.04;

/// Depth of the trunk that the model gives is this much too short. Reading on rendered hitters with known joints and
/// confirmed with each clip left out.
pub(super) const TRUNK_DEPTH: f64 = 1.2;
/// Standard uncertainty of a hinge read from the model's depth, degrees.
const DEPTH_HINGE_DEG: f64 = 4.5;
/// Hips' middle to shoulders' middle in the model's landmarks, as a share of standing height.
pub(super) const TRUNK_OF_HEIGHT: f64 = 0.284;
/// Standard uncertainty of that share from hitter to hitter and frame to frame, as a share of it.
const TRUNK_SPREAD: f64 = 0.03;
/// A trunk that is nearly upright looks hardly any shorter: its length does not show angles below this.
const LEAST_SHOWN_DEG: f64 = 5.0;
/// Standard uncertainty of the change of the hinge within a rep: what is wrong with a hitter's proportions stays the same.
const HINGE_CHANGE_DEG: f64 = 4.4;
/// A trunk seen longer than this share too long does not stand where the scale holds.
const LONGEST_TRUNK: f64 = 1.12;

/// The front foot's direction is off by this much besides the camera's angle, one standard deviation, degrees. Rendered
/// hitters of a second generator are read 8 degrees too closed, those of the first and the captured one are not.
const FOOT_OPEN_DEG: f64 = 8.0;
/// The same with the lite model.
const FOOT_OPEN_LITE_DEG: f64 = 11.0;
/// Standard uncertainty of the roll that is left in the signals, radians: the ground's slope is so small that it matters.
const ROLL_SPREAD_RAD: f64 = 0.025;
/// A level line that runs away from the camera rises in the picture by its length over this number: the sine of the angle
/// at which a camera at waist to chest height some 4.5 m away looks down on the feet.
pub(super) const GROUND_SLOPE: f64 = 4.0;
/// Heel to tip of the foot on the ground as that slope gives it, as a share of standing height. Outside of it the slope
/// is wrong, as with a camera high on a wall, or the foot is not flat.
const FOOT_OF_HEIGHT: RangeInclusive<f64> = 0.07..=0.26;
/// A foot that still swings through its plant is averaged a little after it, seconds.
const FOOT_FLAT_SECS: f64 = 0.015;

/// A vector in the hitter's frame as the camera shows it, in the unit of its source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct BodyVector {
    /// To the pitcher's side of the picture.
    pub along: f64,
    /// Against the pull of gravity, as far as the roll is known.
    pub up: f64,
    /// Toward the camera.
    pub near: f64,
}

impl MeasureContext<'_> {
    /// `trunk_hinge_deg`: hips' middle to shoulders' middle against vertical at plant.
    ///
    /// # Errors
    /// Without metric landmarks, without a plant, or with hips or shoulders hidden.
    pub(super) fn trunk_hinge(&self) -> Reading {
        self.hinge_at(self.plant()?)
    }

    /// `trunk_hinge_change_deg`: the hinge at contact less the hinge at plant; positive when the trunk bends further.
    ///
    /// # Errors
    /// As for [`MeasureContext::trunk_hinge`], and without a contact.
    pub(super) fn trunk_hinge_change(&self) -> Reading {
        let contact = self.contact()?;
        let (before, _) = self.hinge_at(self.plant()?)?;
        let (after, _) = self.hinge_at(contact)?;
        Ok((after - before, HINGE_CHANGE_DEG))
    }

    /// `front_foot_open_deg`: heel to tip of the front foot at plant; 0 points at the plate, 90 at the pitcher.
    ///
    /// # Errors
    /// Without heel, toe or metric landmarks, without a plant, with a hidden foot, or where camera or foot do not fit the
    /// ground that the reading supposes.
    pub(super) fn front_foot_open(&self) -> Reading {
        let plant = self.plant()?;
        let yaw_rad = self.yaw_rad()?;
        let foot = self.front_foot();
        let (Some(heel), Some(toe)) = (&foot.heel, &foot.toe) else {
            return Err(NotMeasured::NoHeelAndToe);
        };
        let sample = plant.sample + FOOT_FLAT_SECS * self.signals.rate_hz;
        let (from, to) = (
            self.mean_point(heel, sample)?,
            self.mean_point(toe, sample)?,
        );
        let height = self.signals.scale.height_cm;
        let along = self.stance.forward() * (to[0] - from[0]);
        // A toe that looks no nearer than the heel is at the end of what the slope resolves.
        let near = GROUND_SLOPE * (from[1] - to[1]).max(0.005 * height);
        if !FOOT_OF_HEIGHT.contains(&(along.hypot(near) / height)) {
            return Err(NotMeasured::FootNotFlat);
        }
        let turned = along.atan2(near);
        // A roll lifts or sinks the toe by its share of the way along; the slope makes that a way toward the camera.
        let by_roll = GROUND_SLOPE * turned.sin().powi(2) * ROLL_SPREAD_RAD;
        let unsure = self.signals.by_model(FOOT_OPEN_DEG, FOOT_OPEN_LITE_DEG);
        Ok((
            (turned + yaw_rad).to_degrees(),
            unsure
                .hypot(by_roll.to_degrees())
                .hypot(self.yaw.spread_rad.to_degrees()),
        ))
    }

    fn hinge_at(&self, when: EventEstimate) -> Reading {
        use Landmark::{LeftHip, LeftShoulder, RightHip, RightShoulder};
        let signals = self.signals;
        let trunk = self.vector(
            &[LeftHip, RightHip],
            &[LeftShoulder, RightShoulder],
            when.sample,
        )?;
        let hips = self.mean_point(&signals.hips, when.sample)?;
        let shoulders = self.mean_point(&signals.shoulders, when.sample)?;
        let by_depth = trunk
            .along
            .hypot(TRUNK_DEPTH * trunk.near)
            .atan2(trunk.up)
            .to_degrees();
        // The picture shows the height of the trunk; against its length that is the hinge's cosine whichever way it leans.
        let shown = (shoulders[1] - hips[1]) / (TRUNK_OF_HEIGHT * signals.scale.height_cm);
        if !(0.0..LONGEST_TRUNK).contains(&shown) {
            return Err(NotMeasured::TrunkLengthOff);
        }
        let by_length = shown.min(1.0).acos().to_degrees();
        let rough = (0.5 * (by_depth + by_length)).max(LEAST_SHOWN_DEG);
        let length_spread = (TRUNK_SPREAD / rough.to_radians().tan()).to_degrees();
        let (d, l) = (DEPTH_HINGE_DEG.powi(-2), length_spread.powi(-2));
        Ok((
            (by_depth * d + by_length * l) / (d + l),
            // Both err the same way where hips or shoulders are misplaced, so the mean gains less than two readings would.
            0.5 * ((d + l).powf(-0.5) + DEPTH_HINGE_DEG),
        ))
    }

    fn around(&self, sample: f64) -> RangeInclusive<usize> {
        let reach = REACH_SECS * self.signals.rate_hz;
        self.signals.index(sample - reach)..=self.signals.index(sample + reach)
    }

    /// Mean of a path around a sample, centimeters, x and y.
    fn mean_point(&self, path: &Path, sample: f64) -> Result<[f64; 2], NotMeasured> {
        let around = self.around(sample);
        let n = around.clone().count() as f64;
        let mean = |v: &[f64]| v[around.clone()].iter().sum::<f64>() / n;
        if self.signals.found[around.clone()].iter().any(|f| !f) {
            return Err(NotMeasured::OutOfSight);
        }
        if mean(&path.visibility) < LEAST_VISIBILITY {
            return Err(NotMeasured::PartHidden);
        }
        Ok([mean(&path.x_cm), mean(&path.y_cm)])
    }

    /// From the middle of some metric landmarks to the middle of others around a sample, meters.
    fn vector(
        &self,
        from: &[Landmark],
        to: &[Landmark],
        sample: f64,
    ) -> Result<BodyVector, NotMeasured> {
        let around = self.around(sample);
        let n = around.clone().count() as f64;
        let mut sum = BodyVector {
            along: 0.0,
            up: 0.0,
            near: 0.0,
        };
        for i in around {
            let vector = self.vector_at(from, to, i)?;
            sum.along += vector.along / n;
            sum.up += vector.up / n;
            sum.near += vector.near / n;
        }
        Ok(sum)
    }

    pub(super) fn vector_at(
        &self,
        from: &[Landmark],
        to: &[Landmark],
        i: usize,
    ) -> Result<BodyVector, NotMeasured> {
        let (start, end) = (self.metric(from, i)?, self.metric(to, i)?);
        let [x, y, z] = [0, 1, 2].map(|k| end[k] - start[k]);
        // The metric landmarks follow the camera's axes: the roll that the signals lost is still in them.
        let (sin, cos) = self.signals.roll_rad.sin_cos();
        Ok(BodyVector {
            along: self.stance.forward() * (x * cos + y * sin),
            up: x * sin - y * cos,
            near: -z,
        })
    }

    fn metric(&self, landmarks: &[Landmark], i: usize) -> Result<[f64; 3], NotMeasured> {
        let mut mean = [0.0; 3];
        for &landmark in landmarks {
            let series = self
                .signals
                .world(landmark)
                .ok_or(NotMeasured::NoMetricLandmarks)?;
            let point = series.xyz.get(i).ok_or(NotMeasured::NoMetricLandmarks)?;
            for k in 0..3 {
                mean[k] += point[k] / landmarks.len() as f64;
            }
        }
        Ok(mean)
    }
}

#[cfg(test)]
mod tests {
    use super::super::test_figure::{BATS_LEFT, BATS_RIGHT, Figure};
    use super::*;
    use crate::motion::CameraYaw;

    #[test]
    fn a_trunk_bent_to_the_plate_is_read_from_depth_and_length_alike() {
        for degrees in [10.0, 20.0, 30.0, 45.0] {
            for stance in [BATS_RIGHT, BATS_LEFT] {
                let figure = Figure {
                    hinge_deg: degrees,
                    stance,
                    ..Figure::default()
                };
                let (signals, estimates) = figure.build();
                let (value, spread) = figure.context(&signals, &estimates).trunk_hinge().unwrap();
                assert!((value - degrees).abs() < 0.5, "{value} for {degrees}");
                assert!((2.0..6.0).contains(&spread), "{spread}");
            }
        }
    }

    #[test]
    fn straightening_before_contact_is_a_negative_change() {
        let figure = Figure {
            hinge_deg: 30.0,
            hinge_at_contact_deg: 18.0,
            ..Figure::default()
        };
        let (signals, estimates) = figure.build();
        let (change, _) = figure
            .context(&signals, &estimates)
            .trunk_hinge_change()
            .unwrap();
        assert!((change + 12.0).abs() < 0.7, "{change}");
    }

    #[test]
    fn the_foot_is_read_in_the_picture_and_turned_by_the_camera() {
        for open_deg in [0.0, 20.0, 40.0, 60.0] {
            for yaw_deg in [-15.0, 0.0, 15.0f64] {
                for stance in [BATS_RIGHT, BATS_LEFT] {
                    let figure = Figure {
                        open_deg,
                        yaw_deg,
                        stance,
                        ..Figure::default()
                    };
                    let (signals, estimates) = figure.build();
                    let found = figure.context(&signals, &estimates).front_foot_open();
                    let (value, _) = found.unwrap();
                    assert!((value - open_deg).abs() < 0.5, "{value} for {figure:?}");
                }
            }
        }
    }

    #[test]
    fn a_foot_across_the_slope_is_less_sure_than_one_along_it() {
        let spread = |open_deg| {
            let figure = Figure {
                open_deg,
                ..Figure::default()
            };
            let (signals, estimates) = figure.build();
            figure
                .context(&signals, &estimates)
                .front_foot_open()
                .unwrap()
                .1
        };
        assert!(spread(60.0) > spread(10.0) + 0.5);
    }

    #[test]
    fn a_foot_that_does_not_fit_the_ground_is_refused() {
        // From high up the foot shows its whole length downward: twelve centimeters here.
        let figure = Figure {
            foot_length_cm: 60.0,
            ..Figure::default()
        };
        let (signals, estimates) = figure.build();
        let found = figure.context(&signals, &estimates).front_foot_open();
        assert_eq!(found, Err(NotMeasured::FootNotFlat));
    }

    #[test]
    fn what_is_hidden_or_missing_is_refused_with_its_reason() {
        let figure = Figure {
            visibility: 0.2,
            ..Figure::default()
        };
        let (signals, estimates) = figure.build();
        let context = figure.context(&signals, &estimates);
        assert_eq!(context.trunk_hinge(), Err(NotMeasured::PartHidden));
        assert_eq!(context.front_foot_open(), Err(NotMeasured::PartHidden));

        let flat = Figure {
            metric: false,
            ..Figure::default()
        };
        let (signals, estimates) = flat.build();
        let context = MeasureContext {
            yaw: CameraYaw::unknown(),
            ..flat.context(&signals, &estimates)
        };
        for found in [
            context.trunk_hinge(),
            context.front_foot_open(),
            context.balance_offset(),
        ] {
            assert_eq!(found, Err(NotMeasured::NoMetricLandmarks));
        }

        let (signals, mut estimates) = Figure::default().build();
        estimates.plant = None;
        let context = figure.context(&signals, &estimates);
        assert_eq!(context.trunk_hinge(), Err(NotMeasured::PlantNotSeen));
    }
}
