//! The measures of the head: how far it travels and sinks, and where it is over the feet.
//!
//! In: what a [`Measurer`] knows of a rep. Out: [`Measure`]s, or why there is none.

use crate::motion::filter::{slope_at, value_at};
use crate::motion::{Path, Signals};
use crate::pose::Landmark;
use crate::rep::not_measured::NotMeasured;
use crate::rep::projection::head_nearer_cm;
use crate::rep::types::{Measure, View};

use super::{Measurer, wander};

/// How much nearer to the camera than the feet the head is, on average over set and plant, H: enough for a difference of
/// two positions.
const HEAD_NEAR_ON_AVERAGE: f64 = 0.11;
/// The model draws the middle of the ears after the face by this share of the way from them to the nose: of two ears it
/// sees one at most. A face that turns from the pitcher to the ball would pass for travel. Measured on rendered hitters of
/// two kinds, and the same with both models.
const EARS_AFTER_FACE: f64 = 0.3;
/// How far the nose may be before the middle of the ears, H: the face is turned to the pitcher.
const NOSE_BEFORE_EARS: f64 = 0.055;

/// The nose, where it shows what the ears do as the face turns: metric landmarks tell that a pose model gave them; people
/// label ears where they are.
fn face_shows(signals: &Signals) -> Option<&Path> {
    signals
        .nose
        .as_ref()
        .filter(|_| signals.world(Landmark::Nose).is_some())
}

/// The head's path without what the turning face does to the ears along the picture.
pub(super) fn steady(signals: &Signals) -> Path {
    let mut head = signals.head.clone();
    if let Some(nose) = face_shows(signals) {
        for (x, nose) in head.x_cm.iter_mut().zip(&nose.x_cm) {
            *x -= EARS_AFTER_FACE * (nose - *x);
        }
    }
    head
}

impl Measurer<'_> {
    pub(super) fn head_to_plant(&self) -> Result<Measure, NotMeasured> {
        self.context.need_side()?;
        let height = self.context.signals.scale.height_cm;
        let plant = self.context.plant()?;
        let from = self.rest(&self.head.x_cm)?;
        let to = value_at(&self.head.x_cm, plant.sample);
        let slip = slope_at(&self.head.x_cm, plant.sample) * plant.sigma;
        self.length(
            self.went(from, to, self.nearer(HEAD_NEAR_ON_AVERAGE * height), plant),
            self.rest_from()?,
            self.head_shift() * height,
            slip,
            &self.head,
            plant,
        )
    }

    pub(super) fn head_to_contact(&self) -> Result<Measure, NotMeasured> {
        self.context.need_swing()?;
        self.context.need_side()?;
        let height = self.context.signals.scale.height_cm;
        let (plant, contact) = (self.context.plant()?, self.context.contact()?);
        let shift =
            value_at(&self.head.x_cm, contact.sample) - value_at(&self.head.x_cm, plant.sample);
        let slip = (slope_at(&self.head.x_cm, plant.sample) * plant.sigma)
            .hypot(slope_at(&self.head.x_cm, contact.sample) * contact.sigma);
        self.length(
            self.unfold * self.context.stance.forward() * shift,
            plant.sample,
            wander::HEAD_SHIFT_IN_SWING * height,
            slip,
            &self.head,
            contact,
        )
    }

    pub(super) fn head_drop(&self) -> Result<Measure, NotMeasured> {
        self.context.need_swing()?;
        self.context.need_side()?;
        let height = self.context.signals.scale.height_cm;
        let contact = self.context.contact()?;
        let drop = self.rest(&self.head.y_cm)? - value_at(&self.head.y_cm, contact.sample);
        let slip = slope_at(&self.head.y_cm, contact.sample) * contact.sigma;
        let wander = match self.context.view {
            View::BackSide => wander::HEAD_DROP_BACK,
            View::OpenSide | View::Rear | View::Front => wander::HEAD_DROP,
        };
        self.length(
            drop,
            self.rest_from()?,
            wander * height,
            slip,
            &self.head,
            contact,
        )
    }

    /// How much nearer to the camera something is that stands nearer to the plate by this much.
    fn nearer(&self, to_plate_cm: f64) -> f64 {
        self.context.view.near_to_plate() * to_plate_cm
    }

    /// What the head wanders by between set and plant, H.
    fn head_shift(&self) -> f64 {
        let signals = self.context.signals;
        if face_shows(signals).is_some() {
            signals.by_model(wander::HEAD_SHIFT_STEADY, wander::HEAD_SHIFT)
        } else {
            wander::HEAD_SHIFT
        }
    }

    pub(super) fn head_between_feet(&self) -> Result<Measure, NotMeasured> {
        self.context.need_side()?;
        let plant = self.context.plant()?;
        let back = self.standing_at(&self.back.ankle, plant);
        let base = self.standing_at(&self.front.ankle, plant) - back;
        let height = self.context.signals.scale.height_cm;
        if base * self.context.stance.forward() < 0.12 * height {
            return Err(NotMeasured::FeetTooClose);
        }
        let ankles = 0.5
            * (value_at(&self.back.ankle.y_cm, plant.sample)
                + value_at(&self.front.ankle.y_cm, plant.sample));
        let rise = value_at(&self.head.y_cm, plant.sample) - ankles;
        // The head stands nearer to the plate than the feet do: to a camera that faces the chest it looks farther out than
        // it is, and seen from the pitcher's side it slides back against them; to one that faces the back the reverse.
        let front = self.standing_at(&self.front.ankle, plant);
        let middle = 0.5 * (front + back);
        let projection = self.projection();
        let hinge = self
            .context
            .need_open_side()
            .and_then(|()| self.context.trunk_hinge());
        let hinge_deg = hinge.ok().map(|(deg, _)| deg);
        let nearer = self.nearer(head_nearer_cm(hinge_deg, rise, height));
        let head = projection.along_cm(value_at(&self.head.x_cm, plant.sample), nearer, middle);
        let (front, rear) = (
            projection.along_cm(front, 0.0, middle),
            projection.along_cm(back, 0.0, middle),
        );
        let over = 100.0 * (head - rear) / (front - rear);
        let slip = slope_at(&self.head.x_cm, plant.sample) * plant.sigma;
        let slide = nearer * self.context.yaw.spread_rad.sin();
        let nose = if self.context.signals.head_is_nose {
            NOSE_BEFORE_EARS * height
        } else {
            0.0
        };
        let wander = self
            .context
            .signals
            .by_model(wander::HEAD_OVER_BASE, wander::HEAD_OVER_BASE_LITE);
        let spread = (wander * height)
            .hypot(self.context.roll_spread_rad * rise)
            .hypot(slip)
            .hypot(slide)
            .hypot(nose);
        let spread = 100.0 * spread / base.abs();
        self.made(over, spread, &self.head, plant)
    }
}

#[cfg(test)]
mod tests {
    use crate::rep::measures::measure;
    use crate::rep::test_figure::{BATS_RIGHT, BATS_RIGHT_FROM_BEHIND, Figure};
    use crate::rep::types::{MeasureName, View};

    /// With its sign for the depth of the head turned over the angle would shift it by 14 points.
    #[test]
    fn a_camera_off_square_shifts_the_head_over_the_feet_neither_from_the_chest_nor_from_the_back()
    {
        for (stance, view) in [
            (BATS_RIGHT, View::OpenSide),
            (BATS_RIGHT_FROM_BEHIND, View::BackSide),
        ] {
            for yaw_deg in [-15.0, 0.0, 15.0] {
                let figure = Figure {
                    stance,
                    view,
                    yaw_deg,
                    ..Figure::default()
                };
                let (signals, estimates) = figure.build();
                let measures = measure(&figure.context(&signals, &estimates));
                let over = measures[&MeasureName::HeadBetweenFeet].value().unwrap();
                assert!((over - 50.0).abs() < 4.0, "{over} from {yaw_deg}, {view:?}");
            }
        }
    }
}
