//! Where the hitter's weight is: the center of mass over the base of support.
//!
//! In: a [`MeasureContext`]. Out: [`WeightMeasures`]. Pure. What is called
//! weight here is the position of the center of mass, as a camera can see it; how hard each foot presses on the ground it
//! cannot see, and while the body speeds up or slows down the two differ.
//!
//! The base runs from the middle of the back foot (0) to the middle of the front foot (100), halfway between heel and
//! toe, and not from ankle to ankle: a body in balance stands over the middle of its feet, some centimeters nearer to
//! the plate than the ankles, and a camera that stands off square would show that depth as a shift along the base.

use crate::motion::filter::{mean_over, slope_at, value_at};
use crate::motion::{Foot, Path};

use super::context::{MeasureContext, REST_SECS};
use super::estimates::EventEstimate;
use super::not_measured::NotMeasured;

/// Cutoff of the zero-phase low pass for the center of mass, hertz: nothing heavy moves faster.
const MASS_HZ: f64 = 5.0;
/// A planted foot is averaged over this long before and after the plant.
const PLANT_SECS: f64 = 0.03;
/// Feet nearer to each other than this are no base to measure on, H.
const LEAST_BASE: f64 = 0.12;

/// What the center of mass is wrong by over the feet, one standard deviation, H. Measured with the full model on rendered
/// hitters against the same table used on their joints in 3-D; the camera's roll is not in it.
const OVER_FEET: f64 = 0.0035;
/// The same at plant, where the feet are read over a few frames only and stand wider apart.
const OVER_FEET_AT_PLANT: f64 = 0.0065;
/// The same where the source has no heel or toe and the ankles must serve: they stand behind the body's balance, which a
/// camera off square turns into a shift.
const OVER_ANKLES: f64 = 0.008;
/// What the center of mass wanders by between set and gather, one standard deviation, H.
const TRAVEL_SPREAD: f64 = 0.003;
/// Travel from the set position that counts as travel: two standard deviations, H.
const LEAST_TRAVEL: f64 = 2.0 * TRAVEL_SPREAD;

/// One measure and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct WeightReading {
    /// Percent of the base, or 1 for yes and 0 for no.
    pub value: f64,
    /// One standard deviation, in the unit of the value.
    pub plus_minus: f64,
    /// When it was read.
    pub when: EventEstimate,
}

/// The three measures of weight.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct WeightMeasures {
    /// Rearmost position of the center of mass between gather and plant, percent of the base as it was at set.
    pub back: Result<WeightReading, NotMeasured>,
    /// Position of the center of mass at plant, percent of the base at plant.
    pub at_plant: Result<WeightReading, NotMeasured>,
    /// 1 where, between gather and plant, the center of mass goes behind its set position before it goes ahead of it.
    pub back_before_forward: Result<WeightReading, NotMeasured>,
}

/// Makes the measures of weight.
pub(super) fn weight(context: &MeasureContext) -> WeightMeasures {
    let reader = WeightReader::new(context);
    let load = reader.load();
    WeightMeasures {
        back: load.and_then(|load| reader.rearmost(&load)),
        at_plant: reader.at_plant(),
        back_before_forward: load.and_then(|load| reader.back_before_forward(&load)),
    }
}

/// Where the center of mass is at any one time, percent of the base on which the hitter stands at plant.
///
/// Before the plant the front foot is on its way there, after it the back foot turns: between the feet at plant the
/// share means the same all along.
pub(super) fn weight_at(
    context: &MeasureContext,
    when: EventEstimate,
) -> Result<WeightReading, NotMeasured> {
    WeightReader::new(context).at(when)
}

/// The part of a rep in which the weight may go back.
#[derive(Clone, Copy)]
struct Load {
    /// Samples of the rest before the gather, first and last.
    rest: (usize, usize),
    /// Samples of gather and plant.
    gather: usize,
    plant: usize,
}

/// Reads the center of mass and the feet along the line to the pitcher.
struct WeightReader<'a> {
    context: &'a MeasureContext<'a>,
    mass: Path,
    /// +1 where the pitcher is to the image's right, else -1.
    forward: f64,
}

impl<'a> WeightReader<'a> {
    fn new(context: &'a MeasureContext<'a>) -> Self {
        let signals = context.signals;
        Self {
            context,
            mass: signals.mass.smoothed(MASS_HZ, signals.rate_hz),
            forward: context.stance.forward(),
        }
    }

    fn load(&self) -> Result<Load, NotMeasured> {
        let MeasureContext {
            signals, estimates, ..
        } = *self.context;
        let gather = estimates.gather.ok_or(NotMeasured::SetNotShown)?.sample;
        let plant = self.context.plant()?.sample;
        let from = gather - REST_SECS * signals.rate_hz;
        let from = estimates.set.map_or(from, |set| from.max(set)).min(gather);
        let load = Load {
            rest: (signals.index(from), signals.index(gather)),
            gather: signals.index(gather),
            plant: signals.index(plant),
        };
        if load.gather < load.plant {
            Ok(load)
        } else {
            Err(NotMeasured::EventOrderUnclear)
        }
    }

    /// The center of mass toward the pitcher from its set position, centimeters.
    fn travel(&self, load: &Load, i: usize) -> f64 {
        self.forward * (self.mass.x_cm[i] - mean_over(&self.mass.x_cm, load.rest))
    }

    fn rearmost_sample(&self, load: &Load) -> usize {
        let ahead = |i: &usize| self.forward * self.mass.x_cm[*i];
        (load.gather..=load.plant)
            .min_by(|a, b| ahead(a).total_cmp(&ahead(b)))
            .unwrap_or(load.gather)
    }

    fn rearmost(&self, load: &Load) -> Result<WeightReading, NotMeasured> {
        // The front foot leaves the ground meanwhile: the base is the one on which the hitter was set.
        let when = EventEstimate {
            sample: self.rearmost_sample(load) as f64,
            sigma: 0.0,
        };
        self.over_base(when, load.rest, OVER_FEET)
    }

    fn at_plant(&self) -> Result<WeightReading, NotMeasured> {
        self.at(self.context.plant()?)
    }

    fn at(&self, when: EventEstimate) -> Result<WeightReading, NotMeasured> {
        let signals = self.context.signals;
        let plant = self.context.plant()?;
        if !(0.0..=(signals.len - 1) as f64).contains(&when.sample) {
            return Err(NotMeasured::MomentNotShown);
        }
        let reach = PLANT_SECS * signals.rate_hz;
        let around = (
            signals.index(plant.sample - reach),
            signals.index(plant.sample + reach),
        );
        self.over_base(when, around, OVER_FEET_AT_PLANT)
    }

    /// The center of mass in percent of the base, the feet taken as they stand in the samples `feet`.
    fn over_base(
        &self,
        when: EventEstimate,
        feet: (usize, usize),
        over_feet: f64,
    ) -> Result<WeightReading, NotMeasured> {
        let height = self.context.signals.scale.height_cm;
        let (back, front) = (
            middle(self.context.back_foot(), feet),
            middle(self.context.front_foot(), feet),
        );
        let base = self.forward * (front.x - back.x);
        if base < LEAST_BASE * height {
            return Err(NotMeasured::FeetTooClose);
        }
        let share = self.forward * (value_at(&self.mass.x_cm, when.sample) - back.x) / base;
        let rise =
            value_at(&self.mass.y_cm, when.sample) - (back.y * (1.0 - share) + front.y * share);
        let landmarks = if back.by_sole && front.by_sole {
            over_feet
        } else {
            over_feet.max(OVER_ANKLES)
        };
        // The center of mass is about half a height up: each degree of roll moves it by 1.5 cm.
        let stood = 0.5 * (feet.0 + feet.1) as f64;
        let spread = (landmarks * height)
            .hypot(self.context.steadied_cm(stood, when.sample)?)
            .hypot(self.context.roll_spread_rad * rise)
            .hypot(slope_at(&self.mass.x_cm, when.sample) * when.sigma);
        Ok(WeightReading {
            value: 100.0 * share,
            plus_minus: 100.0 * spread / base,
            when,
        })
    }

    fn back_before_forward(&self, load: &Load) -> Result<WeightReading, NotMeasured> {
        let height = self.context.signals.scale.height_cm;
        let steadied = self
            .context
            .steadied_cm(load.rest.0 as f64, load.plant as f64)?;
        let spread = (TRAVEL_SPREAD * height).hypot(steadied);
        let least = (LEAST_TRAVEL * height).hypot(2.0 * steadied);
        // Whichever way it first leaves the set position by more than its noise counts; back again over it does not.
        let first = (load.gather..=load.plant)
            .map(|i| (i, self.travel(load, i)))
            .find(|(_, travel)| travel.abs() > least);
        let went_back = first.is_some_and(|(_, travel)| travel < 0.0);
        // How near the call was: the farthest back it came before it went forward, against what counts.
        let until = (load.gather..=load.plant)
            .find(|&i| self.travel(load, i) > least)
            .unwrap_or(load.plant);
        let farthest = (load.gather..=until)
            .map(|i| -self.travel(load, i))
            .fold(0.0, f64::max);
        let clear = (farthest - least) / spread;
        Ok(WeightReading {
            value: f64::from(u8::from(went_back)),
            plus_minus: spread_of_yes_or_no(clear),
            when: EventEstimate {
                sample: first.map_or(load.plant, |(i, _)| i) as f64,
                sigma: 0.0,
            },
        })
    }
}

/// Standard deviation of a yes or no that stands `clear` standard deviations off the line between the two.
///
/// The chance of yes is the normal distribution's, by its logistic approximation (off by less than 0.01).
fn spread_of_yes_or_no(clear: f64) -> f64 {
    let yes = 1.0 / (1.0 + (-1.702 * clear).exp());
    (yes * (1.0 - yes)).sqrt()
}

/// Where a foot stands.
struct Stand {
    x: f64,
    y: f64,
    /// Whether heel and toe gave it, and not the ankle.
    by_sole: bool,
}

fn middle(foot: &Foot, over: (usize, usize)) -> Stand {
    let mean = |p: &Path| (mean_over(&p.x_cm, over), mean_over(&p.y_cm, over));
    match (&foot.heel, &foot.toe) {
        (Some(heel), Some(toe)) => {
            let (heel, toe) = (mean(heel), mean(toe));
            Stand {
                x: 0.5 * (heel.0 + toe.0),
                y: 0.5 * (heel.1 + toe.1),
                by_sole: true,
            }
        }
        _ => {
            let (x, y) = mean(&foot.ankle);
            Stand {
                x,
                y,
                by_sole: false,
            }
        }
    }
}

#[cfg(test)]
#[path = "weight_tests.rs"]
mod tests;
