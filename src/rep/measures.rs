//! The measures of a rep, from its signals and its moments.
//!
//! In: levelled signals, the places of the events, which way is forward. Out: a [`Measure`] for every
//! [`MeasureName`]. Each carries one standard deviation made of what the landmarks wander by, what the
//! scale may be wrong by, and what the event's own place may be wrong by. `docs/measures.md` defines them.

mod making;

use std::collections::BTreeMap;

use crate::motion::{Foot, Path, Signals};
use crate::pose::Landmark;

use self::making::TIMING_MS;
use super::against_pitch::{AgainstPitch, Span};
use super::angles::{Found, Sight};
use super::events::Moments;
use super::firing::finish_hold;
use super::fit::Corner;
use super::place::{HEAD_NEARER, Line, head_nearer_cm};
use super::types::{Measure, MeasureName, PitchTimes, RepKind, View};
use super::weight::{Weighed, WeightMeasures, weight, weight_at};

/// Cutoff of the zero-phase low pass for places of the head, hands and trunk, hertz.
const PLACE_HZ: f64 = 6.0;

/// On average over set and plant, H; enough for a difference of two places.
const HEAD_NEAR_ON_AVERAGE: f64 = 0.11;
/// The model draws the middle of the ears after the face by this share of the way from them to the nose: of two ears it
/// sees one at most. A face that turns from the pitcher to the ball would pass for travel. Measured on rendered hitters of
/// two kinds, and the same with both models.
const EARS_AFTER_FACE: f64 = 0.3;
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
/// How far the nose may be before the middle of the ears, H: the face is turned to the pitcher.
const NOSE_BEFORE_EARS: f64 = 0.055;

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

/// The lite model makes every trunk some 11 degrees too upright, by 4 to 20 on rendered hitters.
const LITE_HINGE: Why = "the lite model does not show how far the trunk bends; the full one does";

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

/// The nose, where it shows what the ears do as the face turns: metric landmarks tell that a pose model gave them; people
/// label ears where they are.
fn face_shows(signals: &Signals) -> Option<&Path> {
    signals
        .nose
        .as_ref()
        .filter(|_| signals.world(Landmark::Nose).is_some())
}

/// The head's path without what the turning face does to the ears along the picture.
fn steady_head(signals: &Signals) -> Path {
    let mut head = signals.head.clone();
    if let Some(nose) = face_shows(signals) {
        for (x, nose) in head.x_cm.iter_mut().zip(&nose.x_cm) {
            *x -= EARS_AFTER_FACE * (nose - *x);
        }
    }
    head
}

/// Every measure of the rep, made or not.
pub(super) fn measure(setting: &Setting) -> BTreeMap<MeasureName, Measure> {
    let maker = Maker::new(setting);
    MeasureName::ALL
        .iter()
        .map(|&name| {
            let made = maker.make(name).unwrap_or_else(|why| Measure::NotMade {
                why: why.to_owned(),
            });
            (name, made)
        })
        .collect()
}

/// Why a measure was not made.
type Why = &'static str;

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
            head: steady_head(s.signals).smoothed(PLACE_HZ, rate),
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

    fn make(&self, name: MeasureName) -> Result<Measure, Why> {
        use MeasureName::*;
        let height = self.s.signals.scale.height_cm;
        if self.s.kind == RepKind::Take
            && matches!(
                name,
                HeadToContact
                    | HeadDrop
                    | PlantToContact
                    | TrunkHingeChange
                    | Sequence
                    | BalanceOffset
                    | FinishHold
            )
        {
            return Err("no swing followed");
        }
        match name {
            PlantAfterRelease | PlantToArrival | ContactToArrival | WeightKept => {
                return self.against_pitch(name);
            }
            GatherToPlant => return self.span(self.gather()?, self.plant()?),
            LiftToPlant => return self.span(self.lift_off()?, self.plant()?),
            PlantToContact => return self.span(self.plant()?, self.contact()?),
            FinishHold => {
                let held = finish_hold(self.s.signals, self.s.moments.finish);
                return self.found(held, self.contact()?);
            }
            _ if self.s.view != View::OpenSide => return Err("needs the camera at the open side"),
            _ => {}
        }
        match name {
            HeadToPlant => {
                let plant = self.plant()?;
                let from = self.rest(&self.head.x_cm)?;
                let to = self.at(&self.head.x_cm, plant.place);
                let slip = self.slope(&self.head.x_cm, plant.place) * plant.spread;
                self.length(
                    self.went(from, to, HEAD_NEAR_ON_AVERAGE * height, plant),
                    self.head_shift() * height,
                    slip,
                    &self.head,
                    plant,
                )
            }
            HeadToContact => {
                let (plant, contact) = (self.plant()?, self.contact()?);
                let shift =
                    self.at(&self.head.x_cm, contact.place) - self.at(&self.head.x_cm, plant.place);
                let slip = self.slope(&self.head.x_cm, plant.place) * plant.spread;
                self.length(
                    self.unfold * self.s.forward * shift,
                    wander::HEAD_SHIFT_IN_SWING * height,
                    slip,
                    &self.head,
                    contact,
                )
            }
            HeadDrop => {
                let contact = self.contact()?;
                let drop = self.rest(&self.head.y_cm)? - self.at(&self.head.y_cm, contact.place);
                let slip = self.slope(&self.head.y_cm, contact.place) * contact.spread;
                self.length(drop, wander::HEAD_DROP * height, slip, &self.head, contact)
            }
            HeadBetweenFeet => self.head_between_feet(),
            StrideLength => self.stride(),
            WeightBack => self.weighed(self.weight.back),
            WeightAtPlant => self.weighed(self.weight.at_plant),
            BackBeforeForward => self.weighed(self.weight.back_before_forward),
            StrideLengthOfHeight => match self.stride()? {
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
            },
            HandsBack => {
                let (lift, plant) = (self.lift_off()?, self.plant()?);
                if self.wrists_apart(lift).max(self.wrists_apart(plant)) > APART * height {
                    return Err("the wrists were not seen together on the bat");
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
            TrunkHinge | TrunkHingeChange if self.s.signals.lite => Err(LITE_HINGE),
            TrunkHinge => self.found(self.sight().trunk_hinge(), self.plant()?),
            TrunkHingeChange => self.found(self.sight().trunk_hinge_change(), self.contact()?),
            Separation => self.found(self.sight().separation(), self.plant()?),
            FrontFootOpen => self.found(self.sight().front_foot_open(), self.plant()?),
            BalanceOffset => self.found(self.sight().balance_offset(), self.contact()?),
            Sequence => self.found(self.sight().sequence(), self.contact()?),
            GatherToPlant | LiftToPlant | PlantToContact | FinishHold | PlantAfterRelease
            | PlantToArrival | ContactToArrival | WeightKept => Err("needs no open side"),
        }
    }

    fn against_pitch(&self, name: MeasureName) -> Result<Measure, Why> {
        let s = self.s;
        let pitch = AgainstPitch::new(s.pitch, s.signals, s.moments)?;
        let timed = |span: Span, event: Corner, seen: &Path| {
            self.made(span.ms, span.spread_ms.hypot(TIMING_MS), seen, event)
        };
        match name {
            MeasureName::PlantAfterRelease => {
                let plant = self.plant()?;
                timed(pitch.after_release(plant), plant, &self.front.ankle)
            }
            MeasureName::PlantToArrival => {
                let plant = self.plant()?;
                timed(pitch.before_arrival(plant), plant, &self.front.ankle)
            }
            _ if s.kind == RepKind::Take => Err("no swing followed"),
            MeasureName::ContactToArrival => {
                let contact = self.contact()?;
                timed(pitch.after_arrival(contact), contact, &self.hands)
            }
            _ if s.view != View::OpenSide => Err("needs the camera at the open side"),
            _ => {
                let start = pitch.last_start();
                if start.place > self.contact()?.place {
                    return Err("the swing was over before it had to begin");
                }
                self.weighed(weight_at(
                    s.signals,
                    s.moments,
                    s.forward,
                    s.front_is_left,
                    s.roll_spread_rad,
                    start,
                ))
            }
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

    fn found(&self, found: Found, when: Corner) -> Result<Measure, Why> {
        let (value, plus_minus) = found?;
        self.made(value, plus_minus, &self.head, when)
    }

    fn weighed(&self, weighed: Result<Weighed, Why>) -> Result<Measure, Why> {
        let w = weighed?;
        self.made(w.value, w.plus_minus, &self.s.signals.mass, w.when)
    }

    /// What the head's place wanders by between set and plant, H.
    fn head_shift(&self) -> f64 {
        let signals = self.s.signals;
        if face_shows(signals).is_some() {
            signals.by_model(wander::HEAD_SHIFT_STEADY, wander::HEAD_SHIFT)
        } else {
            wander::HEAD_SHIFT
        }
    }

    fn head_between_feet(&self) -> Result<Measure, Why> {
        let plant = self.plant()?;
        let back = self.standing_place(&self.back.ankle, plant);
        let base = self.standing_place(&self.front.ankle, plant) - back;
        let height = self.s.signals.scale.height_cm;
        if base * self.s.forward < 0.12 * height {
            return Err("the feet are too close together in the picture");
        }
        let ankles = 0.5
            * (self.at(&self.back.ankle.y_cm, plant.place)
                + self.at(&self.front.ankle.y_cm, plant.place));
        let rise = self.at(&self.head.y_cm, plant.place) - ankles;
        // The head stands nearer to the plate, and so to the camera, than the feet do: it looks farther out than it is,
        // and seen from the pitcher's side it slides back against them.
        let front = self.standing_place(&self.front.ankle, plant);
        let middle = 0.5 * (front + back);
        let line = self.line();
        let hinge_deg = self.sight().trunk_hinge().ok().map(|(deg, _)| deg);
        let nearer = head_nearer_cm(hinge_deg, rise, height);
        let head = line.place(self.at(&self.head.x_cm, plant.place), nearer, middle);
        let (front, rear) = (
            line.place(front, 0.0, middle),
            line.place(back, 0.0, middle),
        );
        let over = 100.0 * (head - rear) / (front - rear);
        let slip = self.slope(&self.head.x_cm, plant.place) * plant.spread;
        let unknown_slide = match self.s.yaw_rad {
            Some(_) => 0.0,
            None => HEAD_NEARER * rise * UNKNOWN_YAW_RAD.sin(),
        };
        let nose = if self.s.signals.head_is_nose {
            NOSE_BEFORE_EARS * height
        } else {
            0.0
        };
        let wander = self
            .s
            .signals
            .by_model(wander::HEAD_OVER_BASE, wander::HEAD_OVER_BASE_LITE);
        let spread = (wander * height)
            .hypot(self.s.roll_spread_rad * rise)
            .hypot(slip)
            .hypot(unknown_slide)
            .hypot(nose);
        let spread = 100.0 * spread / base.abs();
        self.made(over, spread, &self.head, plant)
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

    fn stride(&self) -> Result<Measure, Why> {
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
