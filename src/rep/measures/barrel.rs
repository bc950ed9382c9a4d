//! The measures of the bat: where it points at plant, how the barrel's path climbs at contact and lies to the pitch's line,
//! how fast it is, how it trails the hands.
//!
//! In: what a [`Measurer`] knows of a rep, and the [`SwingPath`]. Out: [`Measure`]s, or why there is none.

use crate::motion::filter::value_at;
use crate::rep::not_measured::NotMeasured;
use crate::rep::swing_path::{OnPlane, SwingPath, Told};
use crate::rep::types::Measure;

use super::Measurer;

/// Directions more uncertain than this are no help to a coach, degrees.
const MOST_UNSURE_DEG: f64 = 12.0;
/// Speeds more uncertain than this share are none.
const MOST_UNSURE_SPEED: f64 = 0.15;
/// The same for where the knob points and for the way on plane, centimeters, and for times on plane, milliseconds.
const MOST_UNSURE_KNOB_CM: f64 = 40.0;
pub(super) const MOST_UNSURE_LENGTH_CM: f64 = 25.0;
pub(super) const MOST_UNSURE_MS: f64 = 14.0;
/// What a pitch comes down at more steeply or less than worked out: spin is left out, which lifts a fastball by 1 to 2
/// degrees; the same at a tee, where the ball stands still, degrees.
const LINE_SPREAD_DEG: f64 = 1.5;
/// What the hands' way is off by besides contact's time, centimeters: each of its points by what wrists wander by.
const HANDS_LOOP_CM: f64 = 2.0;
const MOST_UNSURE_LOOP_CM: f64 = 6.0;
/// What the barrel's lag is off by besides the fit, for the hands' way toward the plate is supposed, degrees.
const HANDS_WAY_DEG: f64 = 10.0;
const MOST_UNSURE_LAG_DEG: f64 = 20.0;
/// A barrel that trails the hands by less, degrees, was let go early; one that is on the plane for a shorter time after
/// contact, milliseconds (15 cm of ball and barrel going through it), is out of it early: common practice, no source.
const LEAST_LAG_DEG: f64 = 40.0;
const LEAST_THROUGH_MS: f64 = 5.0;
/// A shape that is less likely is not told.
const LEAST_SHAPE: f64 = 0.8;

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

    /// `knob_plant_cm`.
    pub(super) fn knob_at_plant(&self) -> Result<Measure, NotMeasured> {
        let path = SwingPath::about_plant(self.context)?;
        let plant = self.context.plant()?;
        let foot = self.back.heel.as_ref().unwrap_or(&self.back.ankle);
        let foot_cm = [
            self.standing_at(&self.back.ankle, plant),
            value_at(&foot.y_cm, plant.sample),
        ];
        let told = path.knob_points_cm(plant, foot_cm)?;
        told_of(&path, told, MOST_UNSURE_KNOB_CM)
    }

    /// How steeply the ball comes in, degrees below level, and how surely that is known: the pitch that was played for
    /// this swing, or a ball on a tee.
    fn pitch_line(&self) -> Result<Told, NotMeasured> {
        let roll = self.context.roll_spread_rad.to_degrees();
        match self.pitch() {
            Ok(pitch) => Ok((pitch.descent_deg()?, LINE_SPREAD_DEG.hypot(roll))),
            Err(_) => Ok((0.0, roll)),
        }
    }

    /// `attack_to_pitch_deg`.
    pub(super) fn attack_to_pitch(&self) -> Result<Measure, NotMeasured> {
        let path = self.swing_path.as_ref().map_err(|why| *why)?;
        let (value, spread) = path.climb_deg(path.fastest(self.context.contact()?)?);
        let (line, line_spread) = self.pitch_line()?;
        told_of(
            path,
            (value - line, spread.hypot(line_spread)),
            MOST_UNSURE_DEG,
        )
    }

    /// `on_plane_ms`, `on_plane_cm` or `on_plane_before_ms`.
    pub(super) fn on_plane(
        &self,
        which: fn(&OnPlane) -> Told,
        most: f64,
    ) -> Result<Measure, NotMeasured> {
        let path = self.swing_path.as_ref().map_err(|why| *why)?;
        let fastest = path.fastest(self.context.contact()?)?;
        let stretch = path.on_plane(fastest, self.pitch_line()?)?;
        told_of(path, which(&stretch), most)
    }

    /// `hands_loop_cm`.
    pub(super) fn hands_loop(&self) -> Result<Measure, NotMeasured> {
        let path = self.swing_path.as_ref().map_err(|why| *why)?;
        let (value, spread) = path.hands_loop_cm(path.fastest(self.context.contact()?)?);
        told_of(
            path,
            (value, spread.hypot(HANDS_LOOP_CM)),
            MOST_UNSURE_LOOP_CM,
        )
    }

    /// `path_shape`.
    pub(super) fn path_shape(&self) -> Result<Measure, NotMeasured> {
        let path = self.swing_path.as_ref().map_err(|why| *why)?;
        let fastest = path.fastest(self.context.contact()?)?;
        let stretch = path.on_plane(fastest, self.pitch_line()?)?;
        let (lag, lag_spread) = path.lag_deg(fastest);
        let lag_spread = lag_spread.hypot(HANDS_WAY_DEG);
        let (value, probability) = shape((lag, lag_spread), stretch.after_ms);
        if probability < LEAST_SHAPE {
            return Err(NotMeasured::PathShapeUnclear);
        }
        Ok(Measure::Made {
            value,
            plus_minus: 1.0 - probability,
            confidence: path.confidence(),
        })
    }

    /// `barrel_lag_deg`.
    pub(super) fn barrel_lag(&self) -> Result<Measure, NotMeasured> {
        let path = self.swing_path.as_ref().map_err(|why| *why)?;
        let (value, spread) = path.lag_deg(path.fastest(self.context.contact()?)?);
        told_of(
            path,
            (value, spread.hypot(HANDS_WAY_DEG)),
            MOST_UNSURE_LAG_DEG,
        )
    }
}

/// The likeliest shape by its number in `PATH_SHAPES`, and its probability: the barrel was let go early where it no longer
/// trails the hands enough; else it is out of the zone early where it leaves the plane so soon after contact.
fn shape((lag, lag_spread): Told, (after_ms, after_spread): Told) -> (f64, f64) {
    let around = below(LEAST_LAG_DEG, lag, lag_spread);
    let out_early = (1.0 - around) * below(LEAST_THROUGH_MS, after_ms, after_spread);
    [
        (1.0, 1.0 - around - out_early),
        (2.0, around),
        (3.0, out_early),
    ]
    .into_iter()
    .fold(
        (1.0, 0.0),
        |best, now| if now.1 > best.1 { now } else { best },
    )
}

/// The probability that something normal lies below a limit, by the logistic curve that is within 0.01 of it.
fn below(limit: f64, value: f64, spread: f64) -> f64 {
    1.0 / (1.0 + (-1.702 * (limit - value) / spread.max(1e-9)).exp())
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
