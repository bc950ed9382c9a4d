//! The measures of a rep.
//!
//! In: a [`MeasureContext`]. Out: a [`Measure`] for every [`MeasureName`]. Each carries one standard deviation made of
//! what the landmarks wander by, what the scale may be wrong by, and what the event's time may be wrong by.
//! `docs/measures.md` defines them.

mod barrel;
mod head;
mod making;
mod turns;

use std::collections::BTreeMap;

use crate::motion::filter::{mean_over, slope_at, value_at};
use crate::motion::{CameraYaw, Foot, Path};

use self::barrel::{AtContact, MOST_UNSURE_LENGTH_CM, MOST_UNSURE_MS};
use self::making::TIMING_MS;
use super::against_pitch::{AgainstPitch, TimeSpan};
use super::context::{MeasureContext, Reading};
use super::estimates::EventEstimate;
use super::finish_hold::finish_hold;
use super::not_measured::NotMeasured;
use super::projection::Projection;
use super::swing_path::SwingPath;
use super::trunk_turns::{TrunkLine, TrunkTurns};
use super::types::{Measure, MeasureName};
use super::weight::{WeightMeasures, WeightReading, weight, weight_at};

/// Cutoff of the zero-phase low pass for where head, hands and trunk are, hertz.
const POSITION_HZ: f64 = 6.0;

/// Wrists farther apart than this about lift-off or plant, H, are not both on the bat: one was taken for something else.
const APART: f64 = 0.21;
/// A stride and the head's travel go as far as this share of their length toward the plate or away from it, which an
/// oblique camera takes for travel to the pitcher, or back; with the turn and the nearness it makes the share wrong.
const ASIDE: f64 = 0.6;
/// How far the hands get toward the plate between lift-off and plant, H.
const HANDS_ASIDE: f64 = 0.1;

/// What a landmark wanders by between two moments of a rep, one standard deviation, as a share of
/// standing height. Measured with the full model on rendered hitters with known joints.
mod wander {
    pub(super) const HEAD_SHIFT: f64 = 0.0085;
    /// The same with the full model, where the face's turn is taken out.
    pub(super) const HEAD_SHIFT_STEADY: f64 = 0.006;
    pub(super) const HEAD_SHIFT_IN_SWING: f64 = 0.006;
    pub(super) const HEAD_DROP: f64 = 0.0095;
    /// From behind the back the trunk that bends away hides the face: the head is seen too high by 2 cm at contact.
    pub(super) const HEAD_DROP_BACK: f64 = 0.015;
    pub(super) const FOOT_SHIFT: f64 = 0.0105;
    pub(super) const HANDS_SHIFT: f64 = 0.012;
    /// Of the head over the base of support; the camera's angle and roll come on top. It holds the hitter's own build:
    /// rendered hitters of a second generator would need 0.018, the first's 0.01.
    pub(super) const HEAD_OVER_BASE: f64 = 0.015;
    /// The same with the lite model, whose ears and shoulders lie aside by as much again.
    pub(super) const HEAD_OVER_BASE_LITE: f64 = 0.026;
}

/// Every measure of the rep, made or not.
pub(super) fn measure(context: &MeasureContext) -> BTreeMap<MeasureName, Measure> {
    let measurer = Measurer::new(context);
    MeasureName::ALL
        .iter()
        .map(|&name| {
            let made = measurer.make(name).unwrap_or_else(Measure::from);
            (name, made)
        })
        .collect()
}

struct Measurer<'a> {
    context: &'a MeasureContext<'a>,
    head: Path,
    hands: Path,
    shoulders: Path,
    front: &'a Foot,
    back: &'a Foot,
    weight: WeightMeasures,
    bat_at_plant: Result<SwingPath, NotMeasured>,
    bat_at_contact: Result<AtContact, NotMeasured>,
    turns: TrunkTurns,
    /// What a length along the line to the pitcher is multiplied by, for the camera sees it at an angle.
    unfold: f64,
    /// Standard uncertainty of that factor.
    unfold_spread: f64,
}

impl<'a> Measurer<'a> {
    fn new(context: &'a MeasureContext<'a>) -> Self {
        let signals = context.signals;
        let smoothed = |path: &Path| path.smoothed(POSITION_HZ, signals.rate_hz);
        Self {
            context,
            head: smoothed(&head::steady(signals)),
            hands: smoothed(&signals.hands),
            shoulders: smoothed(&signals.shoulders),
            front: context.front_foot(),
            back: context.back_foot(),
            weight: weight(context),
            bat_at_plant: SwingPath::about_plant(context),
            bat_at_contact: AtContact::new(context),
            turns: TrunkTurns::new(context),
            unfold: context.unfold(),
            unfold_spread: {
                let CameraYaw { rad, spread_rad } = context.yaw;
                (rad.unwrap_or(0.0).tan() * spread_rad).hypot(ASIDE * spread_rad.sin())
            },
        }
    }

    fn make(&self, name: MeasureName) -> Result<Measure, NotMeasured> {
        let context = self.context;
        match name {
            MeasureName::HeadToPlant => self.head_to_plant(),
            MeasureName::HeadToContact => self.head_to_contact(),
            MeasureName::HeadDrop => self.head_drop(),
            MeasureName::HeadBetweenFeet => self.head_between_feet(),
            MeasureName::StrideLength => self.stride_length(),
            MeasureName::StrideLengthOfHeight => self.stride_length_of_height(),
            MeasureName::GatherToPlant => self.span(context.gather()?, context.plant()?),
            MeasureName::LiftToPlant => self.span(context.lift_off()?, context.plant()?),
            MeasureName::PlantToContact => {
                context.need_swing()?;
                self.span(context.plant()?, context.contact()?)
            }
            MeasureName::WeightBack => self.weighed(|weight| weight.back),
            MeasureName::WeightAtPlant => self.weighed(|weight| weight.at_plant),
            MeasureName::BackBeforeForward => self.weighed(|weight| weight.back_before_forward),
            MeasureName::HandsBack => self.hands_back(),
            MeasureName::FrontFootOpen => {
                context.need_open_side()?;
                self.read(context.front_foot_open(), context.plant()?)
            }
            MeasureName::TrunkHinge => {
                context.need_open_side()?;
                context.need_full_model()?;
                self.read(context.trunk_hinge(), context.plant()?)
            }
            MeasureName::TrunkHingeChange => {
                context.need_swing()?;
                context.need_open_side()?;
                context.need_full_model()?;
                self.read(context.trunk_hinge_change(), context.contact()?)
            }
            MeasureName::Coil => self.coil(),
            MeasureName::PelvisAtPlant => self.turned(TrunkLine::Pelvis, context.plant()?),
            MeasureName::PelvisAtContact => self.turned_at_contact(TrunkLine::Pelvis),
            MeasureName::ShouldersAtPlant => self.turned(TrunkLine::Shoulders, context.plant()?),
            MeasureName::ShouldersAtContact => self.turned_at_contact(TrunkLine::Shoulders),
            MeasureName::Separation => self.turned(TrunkLine::Separation, context.plant()?),
            MeasureName::SeparationMax => self.separation_max(),
            MeasureName::SeparationMaxBefore => self.separation_max_before(),
            MeasureName::Sequence => self.sequence(),
            MeasureName::BalanceOffset => {
                context.need_swing()?;
                context.need_open_side()?;
                self.read(context.balance_offset(), context.contact()?)
            }
            MeasureName::FinishHold => {
                context.need_swing()?;
                let held = finish_hold(context.signals, context.estimates.finish);
                self.read(held, context.contact()?)
            }
            MeasureName::PlantAfterRelease => {
                let (pitch, plant) = (self.pitch()?, context.plant()?);
                self.timed(pitch.after_release(plant), plant, &self.front.ankle)
            }
            MeasureName::PlantToArrival => {
                let (pitch, plant) = (self.pitch()?, context.plant()?);
                self.timed(pitch.before_arrival(plant), plant, &self.front.ankle)
            }
            MeasureName::ContactToArrival => {
                let pitch = self.pitch()?;
                context.need_swing()?;
                let contact = context.contact()?;
                self.timed(pitch.after_arrival(contact), contact, &self.hands)
            }
            MeasureName::WeightKept => self.weight_kept(),
            MeasureName::BarrelAtPlant => self.barrel_at_plant(),
            MeasureName::Attack => self.attack(),
            MeasureName::BatSpeed => self.bat_speed(),
            MeasureName::KnobAtPlant => self.knob_at_plant(),
            MeasureName::AttackToPitch => self.attack_to_pitch(),
            MeasureName::OnPlaneTime => self.on_plane(|on| on.ms, MOST_UNSURE_MS),
            MeasureName::OnPlaneLength => self.on_plane(|on| on.length_cm, MOST_UNSURE_LENGTH_CM),
            MeasureName::OnPlaneBefore => self.on_plane(|on| on.before_ms, MOST_UNSURE_MS),
            MeasureName::PathShape => self.path_shape(),
            MeasureName::HandsLoop => self.hands_loop(),
            MeasureName::BarrelLag => self.barrel_lag(),
        }
    }

    /// The pitch that this rep belongs to.
    fn pitch(&self) -> Result<AgainstPitch, NotMeasured> {
        let context = self.context;
        AgainstPitch::new(context.pitch, context.signals, context.estimates)
    }

    fn weight_kept(&self) -> Result<Measure, NotMeasured> {
        let pitch = self.pitch()?;
        self.context.need_swing()?;
        self.context.need_side()?;
        let start = pitch.last_start();
        if start.sample > self.context.contact()?.sample {
            return Err(NotMeasured::SwingOverEarly);
        }
        self.made_of_weight(weight_at(self.context, start)?)
    }

    fn hands_back(&self) -> Result<Measure, NotMeasured> {
        self.context.need_open_side()?;
        let height = self.context.signals.scale.height_cm;
        let (lift, plant) = (self.context.lift_off()?, self.context.plant()?);
        if self.wrists_apart(lift).max(self.wrists_apart(plant)) > APART * height {
            return Err(NotMeasured::WristsApart);
        }
        let behind = |sample: f64| {
            self.context.stance.forward()
                * (value_at(&self.shoulders.x_cm, sample) - value_at(&self.hands.x_cm, sample))
        };
        let slip = slope_at(&self.hands.x_cm, plant.sample) * plant.sigma;
        // The hands turn from back to forward about plant, so that plant too late or too early only takes from their way.
        let at_plant = [-plant.sigma, 0.0, plant.sigma]
            .map(|off| behind(plant.sample + off))
            .into_iter()
            .fold(f64::MIN, f64::max);
        self.length(
            self.unfold * (at_plant - behind(lift.sample)),
            // Hands and shoulders of one moment move with the picture together.
            plant.sample,
            self.hands_wander() * height,
            slip,
            &self.hands,
            plant,
        )
    }

    fn stride_length(&self) -> Result<Measure, NotMeasured> {
        self.context.need_side()?;
        let plant = self.context.plant()?;
        let height = self.context.signals.scale.height_cm;
        let from = self.rest(&self.front.ankle.x_cm)?;
        let to = self.standing_at(&self.front.ankle, plant);
        self.length(
            self.went(from, to, 0.0, plant),
            self.rest_from()?,
            wander::FOOT_SHIFT * height,
            0.0,
            &self.front.ankle,
            plant,
        )
    }

    fn stride_length_of_height(&self) -> Result<Measure, NotMeasured> {
        let height = self.context.signals.scale.height_cm;
        match self.stride_length()? {
            Measure::Made {
                value,
                plus_minus,
                confidence,
            } => Ok(Measure::Made {
                value: 100.0 * value / height,
                plus_minus: 100.0 * plus_minus / height,
                confidence,
            }),
            not => Ok(not),
        }
    }

    fn read(&self, reading: Reading, when: EventEstimate) -> Result<Measure, NotMeasured> {
        let (value, plus_minus) = reading?;
        self.made(value, plus_minus, &self.head, when)
    }

    fn weighed(
        &self,
        which: fn(&WeightMeasures) -> Result<WeightReading, NotMeasured>,
    ) -> Result<Measure, NotMeasured> {
        self.context.need_side()?;
        self.made_of_weight(which(&self.weight)?)
    }

    fn made_of_weight(&self, weighed: WeightReading) -> Result<Measure, NotMeasured> {
        let mass = &self.context.signals.mass;
        self.made(weighed.value, weighed.plus_minus, mass, weighed.when)
    }

    fn timed(
        &self,
        span: TimeSpan,
        event: EventEstimate,
        seen: &Path,
    ) -> Result<Measure, NotMeasured> {
        self.context.need_steady(event)?;
        self.made(span.ms, span.spread_ms.hypot(TIMING_MS), seen, event)
    }

    /// How the camera sees the line to the pitcher; square where its angle is not known.
    fn projection(&self) -> Projection {
        Projection {
            pitcher: self.context.stance.pitcher,
            yaw_rad: self.context.yaw.rad.unwrap_or(0.0),
        }
    }

    /// How far something went toward the pitcher, centimeters.
    fn went(&self, from: f64, to: f64, nearer: f64, plant: EventEstimate) -> f64 {
        let middle = 0.5
            * (self.standing_at(&self.back.ankle, plant)
                + self.standing_at(&self.front.ankle, plant));
        let projection = self.projection();
        projection.along_cm(to, nearer, middle) - projection.along_cm(from, nearer, middle)
    }

    /// How far apart the wrists are at most about an event, centimeters.
    fn wrists_apart(&self, when: EventEstimate) -> f64 {
        let signals = self.context.signals;
        let reach = 0.04 * signals.rate_hz;
        let (l, r) = (&signals.wrists.left, &signals.wrists.right);
        (signals.index(when.sample - reach)..=signals.index(when.sample + reach))
            .map(|i| (l.x_cm[i] - r.x_cm[i]).hypot(l.y_cm[i] - r.y_cm[i]))
            .fold(0.0, f64::max)
    }

    /// Hands that swing out over the plate seem to go forward or back where the camera's angle is not known.
    fn hands_wander(&self) -> f64 {
        let CameraYaw { rad, spread_rad } = self.context.yaw;
        match rad {
            Some(_) => wander::HANDS_SHIFT,
            None => wander::HANDS_SHIFT.hypot(HANDS_ASIDE * spread_rad.sin()),
        }
    }

    /// Where a foot stands around the plant: the mean over a few frames, for one frame's foot jitters.
    fn standing_at(&self, ankle: &Path, plant: EventEstimate) -> f64 {
        let signals = self.context.signals;
        let reach = 0.03 * signals.rate_hz;
        let (from, to) = (
            signals.index(plant.sample - reach),
            signals.index(plant.sample + reach),
        );
        mean_over(&ankle.x_cm, (from, to))
    }
}
