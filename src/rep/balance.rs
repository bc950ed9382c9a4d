//! How far head and breastbone get from over the navel in a swing.
//!
//! In: a [`MeasureContext`] whose signals have the model's metric landmarks. Out: a value with one standard deviation, or
//! why there is none. Pure.

use crate::motion::Path;
use crate::motion::filter::Butterworth;
use crate::pose::Landmark;

use super::angles::TRUNK_DEPTH;
use super::context::{MeasureContext, Reading};
use super::not_measured::NotMeasured;

/// The navel lies this share of the way from the hips' middle to the shoulders' middle, the middle of the breastbone the
/// second (common practice, no source).
const NAVEL: f64 = 0.25;
const BREASTBONE: f64 = 0.8;
/// Standard uncertainty of the balance offset, a share of standing height. Measured on rendered hitters.
const BALANCE_SPREAD: f64 = 0.0115;
/// Cutoff of the zero-phase low pass before the worst offset is looked for, hertz.
const BALANCE_HZ: f64 = 6.0;

impl MeasureContext<'_> {
    /// `balance_offset_cm`: the farthest that head or breastbone get from over the navel, toward or away from the pitcher,
    /// at any time from plant to finish (to the stretch's end where the finish is not seen).
    ///
    /// # Errors
    /// Without metric landmarks, a plant or a contact, or with the head or trunk hidden.
    pub(super) fn balance_offset(&self) -> Reading {
        use Landmark::{LeftEar, LeftHip, LeftShoulder, RightEar, RightHip, RightShoulder};
        let plant = self.plant()?;
        let contact = self.contact()?;
        let (sin, cos) = self.yaw_rad()?.sin_cos();
        let signals = self.signals;
        let from = signals.index(plant.sample);
        let to = signals.index(self.estimates.finish.unwrap_or(signals.len as f64));
        if to <= signals.index(contact.sample) {
            return Err(NotMeasured::EndsInSwing);
        }
        let smooth = |path: &Path| path.smoothed(BALANCE_HZ, signals.rate_hz);
        let (head, hips, shoulders) = (
            smooth(&signals.head),
            smooth(&signals.hips),
            smooth(&signals.shoulders),
        );
        let parts = [&head, &hips, &shoulders];
        if parts.iter().any(|path| !self.seen(path, (from, to))) {
            return Err(NotMeasured::HeadOrTrunkHidden);
        }
        // How much nearer to the camera than the hips, centimeters.
        let near = |ends: [Landmark; 2]| -> Result<Vec<f64>, NotMeasured> {
            let raw = (0..signals.len)
                .map(|i| {
                    Ok(100.0 * TRUNK_DEPTH * self.vector_at(&[LeftHip, RightHip], &ends, i)?.near)
                })
                .collect::<Result<Vec<f64>, NotMeasured>>()?;
            Ok(Butterworth::low_pass(BALANCE_HZ, signals.rate_hz).zero_phase(&raw))
        };
        let (ears, trunk) = (
            near([LeftEar, RightEar])?,
            near([LeftShoulder, RightShoulder])?,
        );
        // A camera that stands off square sees part of the lean toward the plate as a lean toward the pitcher.
        let forward = self.stance.forward();
        let along = |x: f64, near: f64| (forward * x * cos + near * sin).abs();
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
}

#[cfg(test)]
mod tests {
    use super::super::test_figure::{BATS_LEFT, BATS_RIGHT, Figure};

    #[test]
    fn balance_is_the_farthest_of_head_and_breastbone_from_the_navel() {
        for stance in [BATS_RIGHT, BATS_LEFT] {
            for yaw_deg in [-15.0, 0.0, 15.0] {
                let figure = Figure {
                    head_ahead_cm: 9.0,
                    yaw_deg,
                    stance,
                    ..Figure::default()
                };
                let (signals, estimates) = figure.build();
                let found = figure.context(&signals, &estimates).balance_offset();
                let (value, _) = found.unwrap();
                assert!((value - 9.0).abs() < 0.3, "{value} from {yaw_deg}");
            }
        }
    }
}
