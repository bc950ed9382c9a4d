//! Where the grip is over time, from the wrists and from where the bat is read to be held.
//!
//! In: a [`MeasureContext`], the bat in some frames. Out: a [`Grip`]. The wrists give the smooth course, the bat what they are aside by.

use nalgebra::{Vector2, Vector3};

use crate::motion::filter::{slope_at, value_at};
use crate::motion::{BatLine, Path};
use crate::rep::context::MeasureContext;

use super::rigid::GripPlace;

/// The knob is drawn from the grip's middle: so far beyond it, in lengths from there to the tip.
const KNOB_BEYOND_GRIP: f64 = 0.135;
/// A grip that is read farther from the wrists than this is none, H.
const FROM_WRISTS: f64 = 0.12;
/// What the grip's readings are averaged over against the wrists, seconds.
const REACH_SECS: f64 = 0.035;
/// The hands are so much nearer to the plate than the trunk in the swing, H: rendered hitters, 0.13 to 0.19.
const HANDS_OUT: f64 = 0.15;
/// Cutoff of the wrists' low pass, hertz.
const HANDS_HZ: f64 = 12.0;

/// The middle of the grip over time as the picture shows it, centimeters: x toward the pitcher, y up, from the point that the
/// camera is taken to be aimed at.
pub(super) struct Grip {
    aim: [f64; 2],
    forward: f64,
    /// How much nearer to the camera than the hitter the hands are before the trunk, and how much nearer they get on the way
    /// to the pitcher, as a share of that way.
    nearer_cm: f64,
    approach: f64,
    rate_hz: f64,
    hands: Path,
    /// Readings of the grip against the wrists: sample, offset, weight.
    aside: Vec<(f64, Vector2<f64>, f64)>,
}

impl Grip {
    /// With the bat as it is seen, about the sample `moment`.
    pub(super) fn new(context: &MeasureContext, bat: &[BatLine], moment: f64) -> Self {
        let signals = context.signals;
        let height = signals.scale.height_cm;
        let mut grip = Self {
            aim: [&signals.hips.x_cm, &signals.hips.y_cm].map(|axis| value_at(axis, moment)),
            forward: context.stance.forward(),
            nearer_cm: context.view.near_to_plate() * HANDS_OUT * height,
            approach: context.yaw.rad.unwrap_or(0.0).tan(),
            rate_hz: signals.rate_hz,
            hands: signals.hands.smoothed(HANDS_HZ, signals.rate_hz),
            aside: Vec::new(),
        };
        let farthest = FROM_WRISTS * height;
        let aside = |line: &BatLine| {
            let share = KNOB_BEYOND_GRIP / (1.0 + KNOB_BEYOND_GRIP);
            let middle =
                [0, 1].map(|axis| line.knob[axis] + share * (line.tip[axis] - line.knob[axis]));
            let aside = grip.against_aim(middle) - grip.wrists(line.sample);
            (aside.norm() < farthest).then_some((line.sample, aside, line.probability))
        };
        grip.aside = bat.iter().filter_map(aside).collect();
        grip
    }

    /// A point of the picture from the aim.
    pub(super) fn against_aim(&self, [x, y]: [f64; 2]) -> Vector2<f64> {
        Vector2::new(self.forward * (x - self.aim[0]), y - self.aim[1])
    }

    fn wrists(&self, sample: f64) -> Vector2<f64> {
        self.against_aim([
            value_at(&self.hands.x_cm, sample),
            value_at(&self.hands.y_cm, sample),
        ])
    }

    /// Where the grip is.
    pub(super) fn at(&self, sample: f64) -> GripPlace {
        let reach = REACH_SECS * self.rate_hz;
        let (mut sum, mut weights) = (Vector2::zeros(), 1e-3);
        for (at, aside, weight) in &self.aside {
            let weight = weight * (-0.5 * ((at - sample) / reach).powi(2)).exp();
            sum += weight * aside;
            weights += weight;
        }
        let shown = self.wrists(sample) + sum / weights;
        GripPlace {
            shown,
            nearer_cm: self.nearer_cm + self.approach * shown.x,
        }
    }

    /// How fast the hands go, centimeters a second as the picture shows it; the way toward the camera by the camera's angle.
    pub(super) fn velocity(&self, sample: f64) -> Vector3<f64> {
        let x = self.forward * slope_at(&self.hands.x_cm, sample);
        let y = slope_at(&self.hands.y_cm, sample);
        self.rate_hz * Vector3::new(x, y, self.approach * x)
    }
}
