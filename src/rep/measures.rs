//! The measures of a rep, from its signals and its moments.
//!
//! In: levelled signals, the places of the events, which way is forward. Out: a [`Measure`] for every
//! [`MeasureName`]. Each carries one standard deviation made of what the landmarks wander by, what the
//! scale may be wrong by, and what the event's own place may be wrong by. `docs/measures.md` defines them.

mod head;
mod making;

use std::collections::BTreeMap;

use crate::motion::{Foot, Path, Signals};

use self::making::TIMING_MS;
use super::against_pitch::{AgainstPitch, Span};
use super::angles::{Found, Sight};
use super::events::Moments;
use super::firing::finish_hold;
use super::fit::Corner;
use super::not_measured::NotMeasured;
use super::place::Line;
use super::types::{Measure, MeasureName, PitchTimes, RepKind, View};
use super::weight::{Weighed, WeightMeasures, weight, weight_at};

/// Cutoff of the zero-phase low pass for places of the head, hands and trunk, hertz.
const PLACE_HZ: f64 = 6.0;

/// Wrists farther apart than this about lift-off or plant, H, are not both on the bat: one was taken for something else.
const APART: f64 = 0.21;
/// Standard uncertainty of the camera's angle off square, radians.
const YAW_SPREAD_RAD: f64 = 0.07;
/// Standard uncertainty of the camera's angle off square where nothing shows it: any up to 25 degrees.
const UNKNOWN_YAW_RAD: f64 = 0.25;
/// A stride and the head's travel go as far as this share of their length toward the plate or away from it, which an
/// oblique camera takes for travel to the pitcher, or back; with the turn and the nearness it makes the share wrong.
const ASIDE: f64 = 0.6;
/// How far the hands get toward the plate between lift-off and plant, H.
const HANDS_ASIDE: f64 = 0.1;

/// What a landmark's place wanders by between two moments of a rep, one standard deviation, as a share of
/// standing height. Measured with the full model on rendered hitters with known joints.
mod wander {
    pub(super) const HEAD_SHIFT: f64 = 0.0085;
    /// The same with the full model, where the face's turn is taken out.
    pub(super) const HEAD_SHIFT_STEADY: f64 = 0.0055;
    pub(super) const HEAD_SHIFT_IN_SWING: f64 = 0.006;
    pub(super) const HEAD_DROP: f64 = 0.0095;
    pub(super) const FOOT_SHIFT: f64 = 0.0125;
    pub(super) const HANDS_SHIFT: f64 = 0.012;
    /// Of the head over the base of support, which also holds the camera's angle; its roll comes on top.
    pub(super) const HEAD_OVER_BASE: f64 = 0.013;
    /// The same with the lite model, whose ears and shoulders lie aside by as much again.
    pub(super) const HEAD_OVER_BASE_LITE: f64 = 0.026;
}

/// What the making of the measures needs to know besides the signals.
pub(super) struct Setting<'a> {
    /// The signals of the whole rep.
    pub signals: &'a Signals,
    /// Where its events lie.
    pub moments: &'a Moments,
    /// +1 where the pitcher is to the image's right.
    pub forward: f64,
    /// Whether the front foot is the left foot.
    pub front_is_left: bool,
    /// Swing or take.
    pub kind: RepKind,
    /// Where the camera stands.
    pub view: View,
    /// How far the camera stands off square, radians, positive on the pitcher's side; `None` where unknown.
    pub yaw_rad: Option<f64>,
    /// Standard uncertainty of the camera's roll in the signals, radians.
    pub roll_spread_rad: f64,
    /// The pitch that was played last.
    pub pitch: Option<PitchTimes>,
}

/// Every measure of the rep, made or not.
pub(super) fn measure(setting: &Setting) -> BTreeMap<MeasureName, Measure> {
    let maker = Maker::new(setting);
    MeasureName::ALL
        .iter()
        .map(|&name| {
            let made = maker.make(name).unwrap_or_else(Measure::from);
            (name, made)
        })
        .collect()
}

struct Maker<'a> {
    s: &'a Setting<'a>,
    head: Path,
    hands: Path,
    shoulders: Path,
    front: &'a Foot,
    back: &'a Foot,
    weight: WeightMeasures,
    /// What a length along the line to the pitcher is multiplied by, for the camera sees it at an angle.
    unfold: f64,
    /// Standard uncertainty of that factor.
    unfold_spread: f64,
}

impl<'a> Maker<'a> {
    fn new(s: &'a Setting<'a>) -> Self {
        let rate = s.signals.rate_hz;
        let feet = &s.signals.feet;
        let (front, back) = if s.front_is_left {
            (&feet.left, &feet.right)
        } else {
            (&feet.right, &feet.left)
        };
        Self {
            s,
            head: head::steady(s.signals).smoothed(PLACE_HZ, rate),
            hands: s.signals.hands.smoothed(PLACE_HZ, rate),
            shoulders: s.signals.shoulders.smoothed(PLACE_HZ, rate),
            front,
            back,
            weight: weight(
                s.signals,
                s.moments,
                s.forward,
                s.front_is_left,
                s.roll_spread_rad,
            ),
            unfold: 1.0 / s.yaw_rad.unwrap_or(0.0).cos(),
            unfold_spread: match s.yaw_rad {
                Some(yaw) => yaw.tan().abs() * YAW_SPREAD_RAD,
                None => ASIDE * UNKNOWN_YAW_RAD.sin(),
            },
        }
    }

    fn make(&self, name: MeasureName) -> Result<Measure, NotMeasured> {
        match name {
            MeasureName::HeadToPlant => self.head_to_plant(),
            MeasureName::HeadToContact => self.head_to_contact(),
            MeasureName::HeadDrop => self.head_drop(),
            MeasureName::HeadBetweenFeet => self.head_between_feet(),
            MeasureName::StrideLength => self.stride_length(),
            MeasureName::StrideLengthOfHeight => self.stride_length_of_height(),
            MeasureName::GatherToPlant => self.span(self.gather()?, self.plant()?),
            MeasureName::LiftToPlant => self.span(self.lift_off()?, self.plant()?),
            MeasureName::PlantToContact => {
                self.need_swing()?;
                self.span(self.plant()?, self.contact()?)
            }
            MeasureName::WeightBack => self.weighed(|weight| weight.back),
            MeasureName::WeightAtPlant => self.weighed(|weight| weight.at_plant),
            MeasureName::BackBeforeForward => self.weighed(|weight| weight.back_before_forward),
            MeasureName::HandsBack => self.hands_back(),
            MeasureName::FrontFootOpen => {
                self.need_open_side()?;
                self.found(self.sight().front_foot_open(), self.plant()?)
            }
            MeasureName::TrunkHinge => {
                self.need_open_side()?;
                self.need_full_model()?;
                self.found(self.sight().trunk_hinge(), self.plant()?)
            }
            MeasureName::TrunkHingeChange => {
                self.need_swing()?;
                self.need_open_side()?;
                self.need_full_model()?;
                self.found(self.sight().trunk_hinge_change(), self.contact()?)
            }
            MeasureName::Separation => {
                self.need_open_side()?;
                self.found(self.sight().separation(), self.plant()?)
            }
            MeasureName::Sequence => {
                self.need_swing()?;
                self.need_open_side()?;
                self.found(self.sight().sequence(), self.contact()?)
            }
            MeasureName::BalanceOffset => {
                self.need_swing()?;
                self.need_open_side()?;
                self.found(self.sight().balance_offset(), self.contact()?)
            }
            MeasureName::FinishHold => {
                self.need_swing()?;
                let held = finish_hold(self.s.signals, self.s.moments.finish);
                self.found(held, self.contact()?)
            }
            MeasureName::PlantAfterRelease => {
                let (pitch, plant) = (self.pitch()?, self.plant()?);
                self.timed(pitch.after_release(plant), plant, &self.front.ankle)
            }
            MeasureName::PlantToArrival => {
                let (pitch, plant) = (self.pitch()?, self.plant()?);
                self.timed(pitch.before_arrival(plant), plant, &self.front.ankle)
            }
            MeasureName::ContactToArrival => {
                let pitch = self.pitch()?;
                self.need_swing()?;
                let contact = self.contact()?;
                self.timed(pitch.after_arrival(contact), contact, &self.hands)
            }
            MeasureName::WeightKept => self.weight_kept(),
        }
    }

    /// The pitch that this rep belongs to.
    fn pitch(&self) -> Result<AgainstPitch, NotMeasured> {
        AgainstPitch::new(self.s.pitch, self.s.signals, self.s.moments)
    }

    fn weight_kept(&self) -> Result<Measure, NotMeasured> {
        let s = self.s;
        let pitch = self.pitch()?;
        self.need_swing()?;
        self.need_open_side()?;
        let start = pitch.last_start();
        if start.place > self.contact()?.place {
            return Err(NotMeasured::SwingOverEarly);
        }
        let weighed = weight_at(
            s.signals,
            s.moments,
            s.forward,
            s.front_is_left,
            s.roll_spread_rad,
            start,
        )?;
        self.made_of_weight(weighed)
    }

    fn hands_back(&self) -> Result<Measure, NotMeasured> {
        self.need_open_side()?;
        let height = self.s.signals.scale.height_cm;
        let (lift, plant) = (self.lift_off()?, self.plant()?);
        if self.wrists_apart(lift).max(self.wrists_apart(plant)) > APART * height {
            return Err(NotMeasured::WristsApart);
        }
        let behind = |place: f64| {
            self.s.forward
                * (self.at(&self.shoulders.x_cm, place) - self.at(&self.hands.x_cm, place))
        };
        let slip = self.slope(&self.hands.x_cm, plant.place) * plant.spread;
        self.length(
            self.unfold * (behind(plant.place) - behind(lift.place)),
            self.hands_wander() * height,
            slip,
            &self.hands,
            plant,
        )
    }

    fn stride_length(&self) -> Result<Measure, NotMeasured> {
        self.need_open_side()?;
        let plant = self.plant()?;
        let height = self.s.signals.scale.height_cm;
        let from = self.rest(&self.front.ankle.x_cm)?;
        let to = self.standing_place(&self.front.ankle, plant);
        self.length(
            self.went(from, to, 0.0, plant),
            wander::FOOT_SHIFT * height,
            0.0,
            &self.front.ankle,
            plant,
        )
    }

    fn stride_length_of_height(&self) -> Result<Measure, NotMeasured> {
        let height = self.s.signals.scale.height_cm;
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

    fn sight(&self) -> Sight<'_> {
        Sight {
            signals: self.s.signals,
            moments: self.s.moments,
            forward: self.s.forward,
            front_is_left: self.s.front_is_left,
            yaw_rad: self.s.yaw_rad,
        }
    }

    fn found(&self, found: Found, when: Corner) -> Result<Measure, NotMeasured> {
        let (value, plus_minus) = found?;
        self.made(value, plus_minus, &self.head, when)
    }

    fn weighed(
        &self,
        which: fn(&WeightMeasures) -> Result<Weighed, NotMeasured>,
    ) -> Result<Measure, NotMeasured> {
        self.need_open_side()?;
        self.made_of_weight(which(&self.weight)?)
    }

    fn made_of_weight(&self, weighed: Weighed) -> Result<Measure, NotMeasured> {
        let mass = &self.s.signals.mass;
        self.made(weighed.value, weighed.plus_minus, mass, weighed.when)
    }

    fn timed(&self, span: Span, event: Corner, seen: &Path) -> Result<Measure, NotMeasured> {
        self.made(span.ms, span.spread_ms.hypot(TIMING_MS), seen, event)
    }

    /// The line to the pitcher; square where the camera's angle is not known.
    fn line(&self) -> Line {
        Line {
            forward: self.s.forward,
            yaw_rad: self.s.yaw_rad.unwrap_or(0.0),
        }
    }

    /// How far something went toward the pitcher, centimetres.
    fn went(&self, from: f64, to: f64, nearer: f64, plant: Corner) -> f64 {
        let middle = 0.5
            * (self.standing_place(&self.back.ankle, plant)
                + self.standing_place(&self.front.ankle, plant));
        let line = self.line();
        line.place(to, nearer, middle) - line.place(from, nearer, middle)
    }

    /// How far apart the wrists are at most about an event, centimetres.
    fn wrists_apart(&self, when: Corner) -> f64 {
        let signals = self.s.signals;
        let reach = 0.04 * signals.rate_hz;
        let (l, r) = (&signals.wrists.left, &signals.wrists.right);
        (signals.index(when.place - reach)..=signals.index(when.place + reach))
            .map(|i| (l.x_cm[i] - r.x_cm[i]).hypot(l.y_cm[i] - r.y_cm[i]))
            .fold(0.0, f64::max)
    }

    /// Hands that swing out over the plate seem to go forward or back where the camera's angle is not known.
    fn hands_wander(&self) -> f64 {
        match self.s.yaw_rad {
            Some(_) => wander::HANDS_SHIFT,
            None => wander::HANDS_SHIFT.hypot(HANDS_ASIDE * UNKNOWN_YAW_RAD.sin()),
        }
    }

    /// Where a foot stands around the plant: the mean over a few frames, for one frame's foot jitters.
    fn standing_place(&self, ankle: &Path, plant: Corner) -> f64 {
        let signals = self.s.signals;
        let reach = 0.03 * signals.rate_hz;
        let (from, to) = (
            signals.index(plant.place - reach),
            signals.index(plant.place + reach),
        );
        ankle.x_cm[from..=to].iter().sum::<f64>() / (to - from + 1) as f64
    }
}
