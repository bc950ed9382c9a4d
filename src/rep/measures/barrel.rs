//! The measures of the bat: where it points at plant, how the barrel's path climbs at contact and lies to the pitch's line,
//! how fast it is, how it trails the hands.
//!
//! In: what a [`Measurer`] knows of a rep, and the [`SwingPath`]. Out: [`Measure`]s, or why there is none.

use crate::motion::filter::value_at;
use crate::rep::against_pitch::AgainstPitch;
use crate::rep::context::MeasureContext;
use crate::rep::estimates::EventEstimate;
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

/// What is known of the bat about contact; made once, for many measures ask for it.
pub(super) struct AtContact {
    path: SwingPath,
    /// When the barrel is fastest, a fractional sample.
    fastest: f64,
    /// How steeply the ball comes in, degrees below level.
    line: Result<Told, NotMeasured>,
    on_plane: Result<OnPlane, NotMeasured>,
}

impl AtContact {
    /// # Errors
    /// Where the bat was not seen well enough.
    pub(super) fn new(context: &MeasureContext) -> Result<Self, NotMeasured> {
        let path = SwingPath::about_contact(context)?;
        let fastest = path.fastest(context.contact()?)?;
        let line = pitch_line(context);
        let on_plane = line.and_then(|line| path.on_plane(fastest, line));
        Ok(Self {
            path,
            fastest,
            line,
            on_plane,
        })
    }

    /// When the barrel is fastest, a fractional sample.
    pub(super) fn fastest(&self) -> f64 {
        self.fastest
    }

    /// When the bat meets the ball.
    pub(super) fn met(&self) -> EventEstimate {
        let (sample, sigma) = self.path.met_at(self.fastest);
        EventEstimate { sample, sigma }
    }

    fn on_plane(&self) -> Result<&OnPlane, NotMeasured> {
        self.on_plane.as_ref().map_err(|why| *why)
    }

    fn lag_deg(&self) -> Told {
        let (value, spread) = self.path.lag_deg(self.fastest);
        (value, spread.hypot(HANDS_WAY_DEG))
    }

    fn told(&self, told: Told, most: f64) -> Result<Measure, NotMeasured> {
        told_of(&self.path, told, most)
    }
}

/// How steeply the ball comes in, degrees below level, and how surely that is known: the pitch that was played for this
/// swing, or a ball on a tee.
fn pitch_line(context: &MeasureContext) -> Result<Told, NotMeasured> {
    let roll = context.roll_spread_rad.to_degrees();
    match AgainstPitch::new(context.pitch, context.signals, context.estimates) {
        Ok(pitch) => Ok((pitch.descent_deg()?, LINE_SPREAD_DEG.hypot(roll))),
        Err(_) => Ok((0.0, roll)),
    }
}

impl Measurer<'_> {
    fn bat_at_plant(&self) -> Result<&SwingPath, NotMeasured> {
        self.bat_at_plant.as_ref().map_err(|why| *why)
    }

    pub(super) fn bat_at_contact(&self) -> Result<&AtContact, NotMeasured> {
        self.bat_at_contact.as_ref().map_err(|why| *why)
    }

    /// `barrel_plant_deg`.
    pub(super) fn barrel_at_plant(&self) -> Result<Measure, NotMeasured> {
        let path = self.bat_at_plant()?;
        let told = path.direction_deg(self.context.plant()?)?;
        told_of(path, told, MOST_UNSURE_DEG)
    }

    /// `knob_plant_cm`.
    pub(super) fn knob_at_plant(&self) -> Result<Measure, NotMeasured> {
        let path = self.bat_at_plant()?;
        let plant = self.context.plant()?;
        let foot = self.back.heel.as_ref().unwrap_or(&self.back.ankle);
        let foot_cm = [
            self.standing_at(&self.back.ankle, plant),
            value_at(&foot.y_cm, plant.sample),
        ];
        let told = path.knob_points_cm(plant, foot_cm)?;
        told_of(path, told, MOST_UNSURE_KNOB_CM)
    }

    /// `attack_deg`.
    pub(super) fn attack(&self) -> Result<Measure, NotMeasured> {
        let bat = self.bat_at_contact()?;
        let (value, spread) = bat.path.climb_deg(bat.fastest);
        let roll = self.context.roll_spread_rad.to_degrees();
        bat.told((value, spread.hypot(roll)), MOST_UNSURE_DEG)
    }

    /// `attack_to_pitch_deg`.
    pub(super) fn attack_to_pitch(&self) -> Result<Measure, NotMeasured> {
        let bat = self.bat_at_contact()?;
        let (value, spread) = bat.path.climb_deg(bat.fastest);
        let (line, line_spread) = bat.line?;
        let told = (value - line, spread.hypot(line_spread));
        bat.told(told, MOST_UNSURE_DEG)
    }

    /// `bat_speed_mps`.
    pub(super) fn bat_speed(&self) -> Result<Measure, NotMeasured> {
        let bat = self.bat_at_contact()?;
        let scale = self.context.signals.scale.spread;
        let told = bat.path.speed_mps(bat.fastest, scale);
        bat.told(told, MOST_UNSURE_SPEED * told.0)
    }

    /// `on_plane_ms`, `on_plane_cm` or `on_plane_before_ms`.
    pub(super) fn on_plane(
        &self,
        which: fn(&OnPlane) -> Told,
        most: f64,
    ) -> Result<Measure, NotMeasured> {
        let bat = self.bat_at_contact()?;
        bat.told(which(bat.on_plane()?), most)
    }

    /// `hands_loop_cm`.
    pub(super) fn hands_loop(&self) -> Result<Measure, NotMeasured> {
        let bat = self.bat_at_contact()?;
        let (value, spread) = bat.path.hands_loop_cm(bat.fastest);
        bat.told((value, spread.hypot(HANDS_LOOP_CM)), MOST_UNSURE_LOOP_CM)
    }

    /// `barrel_lag_deg`.
    pub(super) fn barrel_lag(&self) -> Result<Measure, NotMeasured> {
        let bat = self.bat_at_contact()?;
        bat.told(bat.lag_deg(), MOST_UNSURE_LAG_DEG)
    }

    /// `path_shape`.
    pub(super) fn path_shape(&self) -> Result<Measure, NotMeasured> {
        let bat = self.bat_at_contact()?;
        let (value, probability) = shape(bat.lag_deg(), bat.on_plane()?.after_ms);
        if probability < LEAST_SHAPE {
            return Err(NotMeasured::PathShapeUnclear);
        }
        Ok(Measure::Made {
            value,
            plus_minus: 1.0 - probability,
            confidence: bat.path.confidence(),
        })
    }
}

/// The likeliest shape by its number in `PATH_SHAPES`, and its probability: the barrel was let go early where it no longer
/// trails the hands enough; else it is out of the zone early where it leaves the plane so soon after contact.
fn shape((lag, lag_spread): Told, (after_ms, after_spread): Told) -> (f64, f64) {
    let around = below(LEAST_LAG_DEG, lag, lag_spread);
    let out_early = (1.0 - around) * below(LEAST_THROUGH_MS, after_ms, after_spread);
    let direct = (1.0, 1.0 - around - out_early);
    let by_probability = |a: &(f64, f64), b: &(f64, f64)| a.1.total_cmp(&b.1);
    [(2.0, around), (3.0, out_early)]
        .into_iter()
        .fold(direct, |best, now| {
            std::cmp::max_by(best, now, by_probability)
        })
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
