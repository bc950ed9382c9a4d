//! Where the hitter's weight is: the mass centre over the base of support.
//!
//! In: levelled signals, the places of the events, which way is forward. Out: [`WeightMeasures`]. Pure. What is called
//! weight here is the place of the mass centre, as a camera can see it; how hard each foot presses on the ground it
//! cannot see, and while the body speeds up or slows down the two differ.
//!
//! The base runs from the middle of the back foot (0) to the middle of the front foot (100), halfway between heel and
//! toe, and not from ankle to ankle: a body in balance stands over the middle of its feet, some centimetres nearer to
//! the plate than the ankles, and a camera that stands off square would show that depth as a shift along the base.

use crate::motion::{Foot, Path, Signals};

use super::events::Moments;
use super::fit::Corner;
use super::not_measured::NotMeasured;

/// Cutoff of the zero-phase low pass for the mass centre, hertz: nothing heavy moves faster.
const MASS_HZ: f64 = 5.0;
/// The set place is averaged over this long before the gather.
const REST_SECS: f64 = 0.3;
/// A planted foot is averaged over this long before and after the plant.
const PLANT_SECS: f64 = 0.03;
/// Feet nearer to each other than this are no base to measure on, H.
const LEAST_BASE: f64 = 0.12;

/// What the mass centre is wrong by over the feet, one standard deviation, H. Measured with the full model on rendered
/// hitters against the same table used on their joints in 3-D; the camera's roll is not in it.
const OVER_FEET: f64 = 0.0035;
/// The same at plant, where the feet are read over a few frames only and stand wider apart.
const OVER_FEET_AT_PLANT: f64 = 0.0065;
/// The same where the source has no heel or toe and the ankles must serve: they stand behind the body's balance, which a
/// camera off square turns into a shift.
const OVER_ANKLES: f64 = 0.008;
/// What the mass centre's place wanders by between set and gather, one standard deviation, H.
const TRAVEL_SPREAD: f64 = 0.003;
/// Travel from the set place that counts as travel: two standard deviations, H.
const LEAST_TRAVEL: f64 = 2.0 * TRAVEL_SPREAD;

/// One measure and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Weighed {
    /// Percent of the base, or 1 for yes and 0 for no.
    pub value: f64,
    /// One standard deviation, in the unit of the value.
    pub plus_minus: f64,
    /// The moment at which it was read.
    pub when: Corner,
}

/// The three measures of weight.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct WeightMeasures {
    /// Rearmost place of the mass centre between gather and plant, percent of the base as it was at set.
    pub back: Result<Weighed, NotMeasured>,
    /// Place of the mass centre at plant, percent of the base at plant.
    pub at_plant: Result<Weighed, NotMeasured>,
    /// 1 where, between gather and plant, the mass centre goes behind its set place before it goes ahead of it.
    pub back_before_forward: Result<Weighed, NotMeasured>,
}

/// Makes the measures of weight.
///
/// `forward` is +1 where the pitcher is to the image's right. `roll_spread_rad` is the standard uncertainty of the
/// camera's roll in these signals: the mass centre is about half a height up, and each degree moves it by 1.5 cm.
pub(super) fn weight(
    signals: &Signals,
    moments: &Moments,
    forward: f64,
    front_is_left: bool,
    roll_spread_rad: f64,
) -> WeightMeasures {
    let scales = Scales::new(signals, forward, front_is_left, roll_spread_rad);
    let load = scales.load(moments);
    WeightMeasures {
        back: load.and_then(|load| scales.rearmost(&load)),
        at_plant: scales.at_plant(moments),
        back_before_forward: load.map(|load| scales.back_before_forward(&load)),
    }
}

/// Where the mass centre is at any one moment, percent of the base on which the hitter stands at plant.
///
/// Before the plant the front foot is on its way there, after it the back foot turns: between the feet at plant the
/// share means the same all along.
pub(super) fn weight_at(
    signals: &Signals,
    moments: &Moments,
    forward: f64,
    front_is_left: bool,
    roll_spread_rad: f64,
    when: Corner,
) -> Result<Weighed, NotMeasured> {
    Scales::new(signals, forward, front_is_left, roll_spread_rad).at(moments, when)
}

/// The part of a rep in which the weight may go back.
#[derive(Clone, Copy)]
struct Load {
    /// Grid moments of the rest before the gather, first and last.
    rest: (usize, usize),
    /// Grid moments of gather and plant.
    gather: usize,
    plant: usize,
}

/// Mass centre and feet along the line to the pitcher.
struct Scales<'a> {
    signals: &'a Signals,
    mass: Path,
    forward: f64,
    front: &'a Foot,
    back: &'a Foot,
    roll_spread_rad: f64,
}

impl<'a> Scales<'a> {
    fn new(signals: &'a Signals, forward: f64, front_is_left: bool, roll_spread_rad: f64) -> Self {
        let (front, back) = if front_is_left {
            (&signals.feet.left, &signals.feet.right)
        } else {
            (&signals.feet.right, &signals.feet.left)
        };
        Self {
            signals,
            mass: signals.mass.smoothed(MASS_HZ, signals.rate_hz),
            forward,
            front,
            back,
            roll_spread_rad,
        }
    }

    fn load(&self, moments: &Moments) -> Result<Load, NotMeasured> {
        let gather = moments.gather.ok_or(NotMeasured::SetNotShown)?.place;
        let plant = moments.plant.ok_or(NotMeasured::PlantNotSeen)?.place;
        let from = gather - REST_SECS * self.signals.rate_hz;
        let from = moments.set.map_or(from, |set| from.max(set)).min(gather);
        let load = Load {
            rest: (self.signals.index(from), self.signals.index(gather)),
            gather: self.signals.index(gather),
            plant: self.signals.index(plant),
        };
        if load.gather < load.plant {
            Ok(load)
        } else {
            Err(NotMeasured::EventOrderUnclear)
        }
    }

    /// The mass centre's distance toward the pitcher from its set place, centimetres.
    fn travel(&self, load: &Load, i: usize) -> f64 {
        self.forward * (self.mass.x_cm[i] - mean(&self.mass.x_cm, load.rest))
    }

    fn rearmost_place(&self, load: &Load) -> usize {
        let ahead = |i: &usize| self.forward * self.mass.x_cm[*i];
        (load.gather..=load.plant)
            .min_by(|a, b| ahead(a).total_cmp(&ahead(b)))
            .unwrap_or(load.gather)
    }

    fn rearmost(&self, load: &Load) -> Result<Weighed, NotMeasured> {
        // The front foot leaves the ground meanwhile: the base is the one on which the hitter was set.
        let place = self.rearmost_place(load) as f64;
        self.over_base(place, load.rest, 0.0, OVER_FEET)
    }

    fn at_plant(&self, moments: &Moments) -> Result<Weighed, NotMeasured> {
        let plant = moments.plant.ok_or(NotMeasured::PlantNotSeen)?;
        self.at(moments, plant)
    }

    fn at(&self, moments: &Moments, when: Corner) -> Result<Weighed, NotMeasured> {
        let plant = moments.plant.ok_or(NotMeasured::PlantNotSeen)?;
        if !(0.0..=(self.signals.len - 1) as f64).contains(&when.place) {
            return Err(NotMeasured::MomentNotShown);
        }
        let reach = PLANT_SECS * self.signals.rate_hz;
        let around = (
            self.signals.index(plant.place - reach),
            self.signals.index(plant.place + reach),
        );
        self.over_base(when.place, around, when.spread, OVER_FEET_AT_PLANT)
    }

    /// The mass centre's place in percent of the base, the feet taken as they stand in `feet`.
    fn over_base(
        &self,
        place: f64,
        feet: (usize, usize),
        place_spread: f64,
        over_feet: f64,
    ) -> Result<Weighed, NotMeasured> {
        let height = self.signals.scale.height_cm;
        let (back, front) = (middle(self.back, feet), middle(self.front, feet));
        let base = self.forward * (front.x - back.x);
        if base < LEAST_BASE * height {
            return Err(NotMeasured::FeetTooClose);
        }
        let share = self.forward * (between(&self.mass.x_cm, place) - back.x) / base;
        let rise = between(&self.mass.y_cm, place) - (back.y * (1.0 - share) + front.y * share);
        let landmarks = if back.by_sole && front.by_sole {
            over_feet
        } else {
            over_feet.max(OVER_ANKLES)
        };
        let slope =
            0.5 * (between(&self.mass.x_cm, place + 1.0) - between(&self.mass.x_cm, place - 1.0));
        let spread = (landmarks * height)
            .hypot(self.roll_spread_rad * rise)
            .hypot(slope * place_spread);
        Ok(Weighed {
            value: 100.0 * share,
            plus_minus: 100.0 * spread / base,
            when: Corner {
                place,
                spread: place_spread,
            },
        })
    }

    fn back_before_forward(&self, load: &Load) -> Weighed {
        let height = self.signals.scale.height_cm;
        let least = LEAST_TRAVEL * height;
        // Whichever way it first leaves the set place by more than its noise counts; back again over it does not.
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
        let clear = (farthest - least) / (TRAVEL_SPREAD * height);
        Weighed {
            value: f64::from(u8::from(went_back)),
            plus_minus: spread_of_yes_or_no(clear),
            when: Corner {
                place: first.map_or(load.plant, |(i, _)| i) as f64,
                spread: 0.0,
            },
        }
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
    let place = |p: &Path| (mean(&p.x_cm, over), mean(&p.y_cm, over));
    match (&foot.heel, &foot.toe) {
        (Some(heel), Some(toe)) => {
            let (heel, toe) = (place(heel), place(toe));
            Stand {
                x: 0.5 * (heel.0 + toe.0),
                y: 0.5 * (heel.1 + toe.1),
                by_sole: true,
            }
        }
        _ => {
            let (x, y) = place(&foot.ankle);
            Stand {
                x,
                y,
                by_sole: false,
            }
        }
    }
}

fn mean(values: &[f64], (from, to): (usize, usize)) -> f64 {
    values[from..=to].iter().sum::<f64>() / (to - from + 1) as f64
}

/// The value at a place between two grid moments, kept inside the stretch.
fn between(values: &[f64], place: f64) -> f64 {
    let last = values.len() - 1;
    let place = place.clamp(0.0, last as f64);
    let (i, share) = (place.floor() as usize, place.fract());
    values[i] * (1.0 - share) + values[(i + 1).min(last)] * share
}

#[cfg(test)]
#[path = "weight_tests.rs"]
mod tests;
