//! The measures of the bat: where the barrel is at plant, how its path climbs at contact, how fast it is.
//!
//! In: what a [`Measurer`] knows of a rep, and the [`SwingPath`]. Out: [`Measure`]s, or why there is none.

use crate::rep::not_measured::NotMeasured;
use crate::rep::swing_path::{SwingPath, Told};
use crate::rep::types::Measure;

use super::Measurer;

/// Directions more uncertain than this are no help to a coach, degrees.
const MOST_UNSURE_DEG: f64 = 12.0;
/// Speeds more uncertain than this share are none.
const MOST_UNSURE_SPEED: f64 = 0.15;

impl Measurer<'_> {
    /// `barrel_plant_deg`.
    pub(super) fn barrel_at_plant(&self) -> Result<Measure, NotMeasured> {
        let path = SwingPath::about_plant(self.context)?;
        let told = path.direction_deg(self.context.plant()?)?;
        told_of(&path, told, MOST_UNSURE_DEG)
    }

    /// `attack_deg`.
    pub(super) fn attack(&self) -> Result<Measure, NotMeasured> {
        let path = self.swing_path.as_ref().map_err(|why| *why)?;
        let (value, spread) = path.climb_deg(path.fastest(self.context.contact()?)?);
        let spread = spread.hypot(self.context.roll_spread_rad.to_degrees());
        told_of(path, (value, spread), MOST_UNSURE_DEG)
    }

    /// `bat_speed_mps`.
    pub(super) fn bat_speed(&self) -> Result<Measure, NotMeasured> {
        let path = self.swing_path.as_ref().map_err(|why| *why)?;
        let fastest = path.fastest(self.context.contact()?)?;
        let told = path.speed_mps(fastest, self.context.signals.scale.spread);
        told_of(path, told, MOST_UNSURE_SPEED * told.0)
    }
}

fn told_of(path: &SwingPath, (value, spread): Told, most: f64) -> Result<Measure, NotMeasured> {
    if spread > most {
        return Err(NotMeasured::BatTooUnsure);
    }
    Ok(Measure::Made {
        value,
        plus_minus: spread,
        confidence: path.confidence(),
    })
}
