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
/// The hands are so much nearer to the plate than the trunk before the swing, H: rendered hitters, 0.13 to 0.19.
const HANDS_OUT: f64 = 0.15;
/// In the swing they go around the shoulders' middle in a circle of this radius as seen from above, H: 0.17 to 0.23 on
/// rendered hitters, 0.14 to 0.27 on the captured human swing. They may seem to get farther from it along the picture; the
/// circle is then larger than that by the second number, and comes no nearer to the plate.
const CIRCLE: f64 = 0.2;
const CIRCLE_BEYOND: f64 = 1.15;
/// How long before contact the way around is looked at for that, seconds.
const CIRCLE_SECS: f64 = 0.1;
/// No nearer to the plate than this share of the radius, for beside the trunk the circle says nothing any more.
const LEAST_OUT: f64 = 0.3;
/// Cutoff of the low pass for wrists and shoulders, hertz.
const HANDS_HZ: f64 = 12.0;

/// What is taken for how near to the plate the hands are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum HandsDepth {
    /// All the same: before the swing.
    Still,
    /// Around the trunk: in the swing.
    Circling,
}

/// The middle of the grip over time as the picture shows it, centimeters: x toward the pitcher, y up, from the point that the
/// camera is taken to be aimed at.
pub(super) struct Grip {
    aim: [f64; 2],
    forward: f64,
    /// How much nearer to the camera than the hitter the hands are, or the radius on which they go around the shoulders.
    nearer_cm: f64,
    radius_cm: Option<f64>,
    /// How near they get on the circle.
    reach_cm: f64,
    /// How much nearer something gets on its way to the pitcher, as a share of that way.
    approach: f64,
    rate_hz: f64,
    hands: Path,
    shoulders: Path,
    /// Readings of the grip against the wrists: sample, offset, weight.
    aside: Vec<(f64, Vector2<f64>, f64)>,
}

impl Grip {
    /// With the bat as it is seen, about the sample `moment`.
    pub(super) fn new(
        context: &MeasureContext,
        bat: &[BatLine],
        moment: f64,
        depth: HandsDepth,
    ) -> Self {
        let signals = context.signals;
        let height = signals.scale.height_cm;
        let mut grip = Self {
            aim: [&signals.hips.x_cm, &signals.hips.y_cm].map(|axis| value_at(axis, moment)),
            forward: context.stance.forward(),
            nearer_cm: context.view.near_to_plate() * HANDS_OUT * height,
            radius_cm: None,
            reach_cm: CIRCLE * height,
            approach: context.yaw.rad.unwrap_or(0.0).tan(),
            rate_hz: signals.rate_hz,
            hands: signals.hands.smoothed(HANDS_HZ, signals.rate_hz),
            shoulders: signals.shoulders.smoothed(HANDS_HZ, signals.rate_hz),
            aside: Vec::new(),
        };
        if depth == HandsDepth::Circling {
            let back = CIRCLE_SECS * signals.rate_hz;
            let farthest = (0..=10)
                .map(|i| moment - 0.1 * f64::from(i) * back)
                .map(|sample| grip.beside_shoulders(sample).abs())
                .fold(0.0, f64::max);
            grip.radius_cm = Some(grip.reach_cm.max(CIRCLE_BEYOND * farthest));
        }
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

    /// How far the wrists are from the shoulders' middle along the picture, toward the pitcher.
    fn beside_shoulders(&self, sample: f64) -> f64 {
        self.wrists(sample).x - self.shoulders_x(sample)
    }

    fn shoulders_x(&self, sample: f64) -> f64 {
        self.forward * (value_at(&self.shoulders.x_cm, sample) - self.aim[0])
    }

    /// How much nearer to the camera than the hitter the hands are, which the picture shows at `x`.
    fn nearer_cm(&self, sample: f64, x: f64) -> f64 {
        let Some(radius) = self.radius_cm else {
            return self.nearer_cm + self.approach * x;
        };
        let out = radius.powi(2) - self.beside_shoulders(sample).powi(2);
        let out = out.max((LEAST_OUT * radius).powi(2)).sqrt();
        self.approach * self.shoulders_x(sample) + out - (radius - self.reach_cm)
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
            nearer_cm: self.nearer_cm(sample, shown.x),
        }
    }

    /// How fast the hands go, centimeters a second as the picture shows it; toward the camera by the circle and the camera's
    /// angle.
    pub(super) fn velocity(&self, sample: f64) -> Vector3<f64> {
        let x = self.forward * slope_at(&self.hands.x_cm, sample);
        let y = slope_at(&self.hands.y_cm, sample);
        let near = |sample: f64| self.nearer_cm(sample, self.wrists(sample).x);
        let z = near(sample + 0.5) - near(sample - 0.5);
        self.rate_hz * Vector3::new(x, y, z)
    }
}
