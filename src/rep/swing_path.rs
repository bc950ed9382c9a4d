//! The swing's path: how the bat turns about the hands, from what single frames show of it.
//!
//! In: a [`MeasureContext`] whose signals have the bat. Out: a [`SwingPath`] about plant or about contact. Pure. A frame shows
//! the bat in the picture alone; a bat of known length on a smooth turn gives the depth.

mod grip;
mod hands;
mod knob;
mod on_plane;
mod rigid;
#[cfg(test)]
mod tests;

use nalgebra::{Rotation3, Vector2, Vector3};

use crate::motion::BatLine;

pub(crate) use self::on_plane::ON_PLANE_CM;
pub(super) use self::on_plane::OnPlane;

use self::grip::{Grip, HandsDepth};
use self::rigid::{Camera, Motion, RigidFit, Start, TipReading};
use super::context::MeasureContext;
use super::estimates::EventEstimate;
use super::not_measured::NotMeasured;
use super::projection::CAMERA_AWAY_CM;

/// What is fitted about plant and about contact, seconds before and after.
const PLANT_WINDOW: (f64, f64) = (0.12, 0.10);
const CONTACT_WINDOW: (f64, f64) = (0.16, 0.08);
/// Below this rate the bat turns too far from frame to frame at contact, hertz.
const LEAST_RATE_HZ: f64 = 50.0;
/// So near to the moment the bat must be seen, seconds, in so many frames; below the least rate, in so many.
const NEAR_SECS: f64 = 0.05;
const LEAST_NEAR: usize = 3;
const LEAST_NEAR_SLOW: usize = 2;
/// A bat is so long with a hitter so tall, and half of that follows the height: common practice, no source.
const BAT_CM: f64 = 84.0;
const BAT_HEIGHT_CM: f64 = 178.0;
const BAT_BY_HEIGHT: f64 = 0.55;
/// From the knob to the middle of the grip, as a share of the bat, and the spread of what is left.
pub(crate) const GRIP_SHARE: f64 = 0.15;
const LENGTH_SPREAD: f64 = 0.08;
/// How far the camera's distance is from the one that is assumed, as a share.
const AWAY_SPREAD: f64 = 0.15;
/// The point of the barrel that is followed, from its end, centimeters: six inches, as in Thompson 2022.
pub(crate) const BARREL_CM: f64 = 15.0;
/// A reading farther from the path than this many of its spreads is a miss; a path needs this share of hits.
const MISS: f64 = 4.0;
const LEAST_HITS: f64 = 0.6;
/// The barrel is fastest within this time of contact as the hands tell it, seconds; its peak is read from this long to
/// either side.
const FASTEST_WITHIN_SECS: f64 = 0.055;
const PEAK_SECS: f64 = 0.022;
/// The ball is met so long after, and the spread of that: 4 milliseconds on college hitters (2 to 8, Thompson 2022); as the
/// fit reads it, 8 on rendered ones, up to 15 where the camera stands on the catcher's side.
const CONTACT_AFTER_FASTEST_SECS: f64 = 0.006;
const CONTACT_SPREAD_SECS: f64 = 0.007;
/// A bat that shows less than this share of its length points at the lens or away from it.
const LEAST_SHOWN: f64 = 0.35;
/// What the direction is off by besides the fit, for the grip is not the knob, degrees.
const GRIP_DEG: f64 = 2.0;
/// What the speed is off by besides the fit, as a share, for the depth of hands and camera is assumed.
const DEPTH_SHARE: f64 = 0.08;

/// The turn of the bat about one moment.
pub(super) struct SwingPath {
    camera: Camera,
    grip: Grip,
    /// The window's first moment, a fractional sample.
    first: f64,
    rate_hz: f64,
    /// When the bat was seen, fractional samples, and how surely on average.
    seen: Vec<f64>,
    confidence: f64,
    fit: RigidFit,
    /// Turns the fit's coordinates, square to the camera, into the hitter's: x toward the pitcher, z toward the plate.
    to_hitter: Rotation3<f64>,
    /// Standard uncertainty of that turn, radians.
    yaw_spread_rad: f64,
}

/// A number with its standard deviation.
pub(super) type Told = (f64, f64);

impl SwingPath {
    /// About plant.
    ///
    /// # Errors
    /// Where too few frames show the bat, or where they disagree.
    pub(super) fn about_plant(context: &MeasureContext) -> Result<Self, NotMeasured> {
        context.need_side()?;
        let plant = context.plant()?;
        let still = HandsDepth::Still;
        let path = Self::about(
            context,
            plant,
            PLANT_WINDOW,
            still,
            |_, readings, length| vec![resting(readings, length)],
        )?;
        path.need_seen_near(plant.sample)?;
        Ok(path)
    }

    /// About contact.
    ///
    /// # Errors
    /// As about plant, and where the frames are too far apart or the camera stands behind the hitter's back: its few rendered
    /// swings do not agree with their truth.
    pub(super) fn about_contact(context: &MeasureContext) -> Result<Self, NotMeasured> {
        context.need_swing()?;
        context.need_open_side()?;
        if context.signals.rate_hz < LEAST_RATE_HZ {
            return Err(NotMeasured::FramesTooFar);
        }
        let contact = context.contact()?;
        let circling = HandsDepth::Circling;
        Self::about(
            context,
            contact,
            CONTACT_WINDOW,
            circling,
            |before, _, _| swing_starts(before),
        )
    }

    fn about(
        context: &MeasureContext,
        event: EventEstimate,
        (before, after): (f64, f64),
        depth: HandsDepth,
        starts: impl Fn(f64, &[TipReading], f64) -> Vec<Start>,
    ) -> Result<Self, NotMeasured> {
        context.need_steady(event)?;
        let signals = context.signals;
        let rate = signals.rate_hz;
        let (first, last) = (event.sample - before * rate, event.sample + after * rate);
        let within = |line: &&BatLine| (first..=last).contains(&line.sample);
        let lines: Vec<BatLine> = signals.bat.iter().filter(within).copied().collect();
        if lines.len() < LEAST_NEAR_SLOW {
            return Err(NotMeasured::BatNotSeen);
        }
        let camera = Camera {
            away_cm: CAMERA_AWAY_CM,
            away_spread: AWAY_SPREAD,
        };
        let grip = Grip::new(context, &lines, event.sample, depth);
        let readings: Vec<TipReading> = lines
            .iter()
            .map(|line| TipReading {
                secs: (line.sample - first) / rate,
                tip: grip.against_aim(line.tip),
                grip: grip.at(line.sample),
                probability: line.probability,
            })
            .collect();
        let length = bat_length_cm(signals.scale.height_cm) * (1.0 - GRIP_SHARE);
        let starts = starts(before, &readings, length);
        let known = (length, LENGTH_SPREAD.hypot(signals.scale.spread));
        let fit = RigidFit::new(&readings, &camera, before + after, known, &starts)
            .ok_or(NotMeasured::BatReadingsDisagree)?;
        let hits = fit.off.iter().filter(|off| **off < MISS).count();
        if (hits as f64) < LEAST_HITS * fit.off.len() as f64 {
            return Err(NotMeasured::BatReadingsDisagree);
        }
        let sum: f64 = readings.iter().map(|reading| reading.probability).sum();
        Ok(Self {
            camera,
            grip,
            first,
            rate_hz: rate,
            seen: lines.iter().map(|line| line.sample).collect(),
            confidence: sum / readings.len() as f64,
            fit,
            to_hitter: Rotation3::from_axis_angle(
                &Vector3::y_axis(),
                context.yaw.rad.unwrap_or(0.0),
            ),
            yaw_spread_rad: context.yaw.spread_rad,
        })
    }

    /// How surely the bat was seen on average, 0 to 1.
    pub(super) fn confidence(&self) -> f64 {
        self.confidence
    }

    fn need_seen_near(&self, sample: f64) -> Result<(), NotMeasured> {
        let near = |at: &&f64| (*at - sample).abs() <= NEAR_SECS * self.rate_hz;
        let least = match self.rate_hz < LEAST_RATE_HZ {
            true => LEAST_NEAR_SLOW,
            false => LEAST_NEAR,
        };
        if self.seen.iter().filter(near).count() < least {
            return Err(NotMeasured::BatNotSeen);
        }
        Ok(())
    }

    fn secs(&self, sample: f64) -> f64 {
        (sample - self.first) / self.rate_hz
    }

    /// The bat in the picture from grip to tip, as a share of its length.
    fn shown(&self, motion: &Motion, sample: f64) -> Vector2<f64> {
        let (u, _) = motion.at(self.secs(sample));
        let (grip, length) = (self.grip.at(sample), motion.length_cm());
        (self.camera.shows(motion.away(), &grip, length * u) - grip.shown) / length
    }

    /// The bat's direction in the picture, degrees: 0 upright, positive tipped toward the pitcher.
    ///
    /// # Errors
    /// Where it points along the line of sight.
    pub(super) fn direction_deg(&self, event: EventEstimate) -> Result<Told, NotMeasured> {
        let at = |sample: f64| self.shown(&self.fit.motion, sample);
        let middle = at(event.sample);
        if middle.norm() < LEAST_SHOWN {
            return Err(NotMeasured::BatAtLens);
        }
        let from_middle =
            |bat: Vector2<f64>| -middle.perp(&bat).atan2(middle.dot(&bat)).to_degrees();
        let (_, spread) = self
            .fit
            .tell(|motion| from_middle(self.shown(motion, event.sample)));
        let slip = [-event.sigma, event.sigma].map(|off| from_middle(at(event.sample + off)).abs());
        let spread = spread.hypot(0.5 * (slip[0] + slip[1])).hypot(GRIP_DEG);
        Ok((middle.x.atan2(middle.y).to_degrees(), spread))
    }

    /// Where the barrel is, centimeters from the aim in the hitter's coordinates.
    fn barrel(&self, motion: &Motion, sample: f64) -> Vector3<f64> {
        let (u, _) = motion.at(self.secs(sample));
        let out = (motion.length_cm() - BARREL_CM) * u;
        let place = self.camera.place(motion.away(), &self.grip.at(sample), out);
        self.to_hitter * place
    }

    /// The moment of contact as the barrel tells it, a fractional sample, and its spread in samples.
    pub(super) fn met_at(&self, fastest: f64) -> (f64, f64) {
        (
            fastest + CONTACT_AFTER_FASTEST_SECS * self.rate_hz,
            CONTACT_SPREAD_SECS * self.rate_hz,
        )
    }

    /// The barrel's velocity, centimeters a second.
    fn velocity(&self, motion: &Motion, sample: f64) -> Vector3<f64> {
        let (u, turning) = motion.at(self.secs(sample));
        let grip = self.grip.at(sample);
        let hands = self.grip.velocity(sample) * self.camera.hands_scale(motion.away(), &grip);
        hands + (motion.length_cm() - BARREL_CM) * turning.cross(&u)
    }

    /// When the barrel is fastest, a fractional sample.
    ///
    /// # Errors
    /// Where that lies at the edge of where it can be, or where the bat was not seen about it.
    pub(super) fn fastest(&self, contact: EventEstimate) -> Result<f64, NotMeasured> {
        let step = 0.001 * self.rate_hz;
        let steps = (FASTEST_WITHIN_SECS / 0.001) as i32;
        let speed = |sample: f64| self.velocity(&self.fit.motion, sample).norm();
        let top = (-steps..=steps)
            .map(|i| contact.sample + f64::from(i) * step)
            .max_by(|a, b| speed(*a).total_cmp(&speed(*b)))
            .unwrap_or(contact.sample);
        self.need_seen_near(top)?;
        // The turn is a straight line from knot to knot and so is fastest at one: a parabola through its neighborhood is not.
        let reach = PEAK_SECS * self.rate_hz;
        let near: Vec<(f64, f64)> = (-8..=8)
            .map(|i| f64::from(i) / 8.0)
            .map(|off| (off, speed(top + off * reach)))
            .collect();
        let [slope, bend] = slope_and_bend(&near);
        if bend >= 0.0 || (slope / (2.0 * bend)).abs() > 1.0 {
            return Err(NotMeasured::BatTooUnsure);
        }
        Ok(top - slope / (2.0 * bend) * reach)
    }

    /// The barrel's speed at its fastest, meters a second.
    pub(super) fn speed_mps(&self, fastest: f64, scale_spread: f64) -> Told {
        let (speed, spread) = self
            .fit
            .tell(|motion| 0.01 * self.velocity(motion, fastest).norm());
        let assumed = DEPTH_SHARE.hypot(scale_spread) * speed;
        (speed, spread.hypot(assumed))
    }

    /// The barrel's path against level at contact, degrees, positive upward.
    pub(super) fn climb_deg(&self, fastest: f64) -> Told {
        let (contact, off) = self.met_at(fastest);
        let climb = |motion: &Motion, sample: f64| {
            let v = self.velocity(motion, sample);
            v.y.atan2(v.x.hypot(v.z)).to_degrees()
        };
        let (value, spread) = self.fit.tell(|motion| climb(motion, contact));
        let [before, after] = [-off, off].map(|off| climb(&self.fit.motion, contact + off));
        (value, spread.hypot(0.5 * (after - before)))
    }
}

/// Slope and bend of the parabola nearest to points that lie evenly about zero.
fn slope_and_bend(points: &[(f64, f64)]) -> [f64; 2] {
    let n = points.len() as f64;
    let sum = |of: &dyn Fn(f64, f64) -> f64| points.iter().map(|(x, y)| of(*x, *y)).sum::<f64>();
    let (x2, x4) = (sum(&|x, _| x * x), sum(&|x, _| x.powi(4)));
    let slope = sum(&|x, y| x * y) / x2;
    let bend = (sum(&|x, y| x * x * y) - x2 * sum(&|_, y| y) / n) / (x4 - x2 * x2 / n);
    [slope, bend]
}

/// How long a hitter's bat is likely to be.
pub(crate) fn bat_length_cm(height_cm: f64) -> f64 {
    BAT_CM * (1.0 - BAT_BY_HEIGHT + BAT_BY_HEIGHT * height_cm / BAT_HEIGHT_CM)
}

/// A bat that hardly moves, as most frames show it.
fn resting(readings: &[TipReading], length: f64) -> Start {
    let mut out: Vec<Vector2<f64>> = readings.iter().map(|r| r.tip - r.grip.shown).collect();
    out.sort_by(|a, b| a.x.atan2(a.y).total_cmp(&b.x.atan2(b.y)));
    let middle = out[out.len() / 2] / length;
    let depth = (1.0 - middle.norm_squared()).max(0.04).sqrt();
    Start {
        direction: Vector3::new(middle.x, middle.y, -depth),
        turning: Box::new(|_| Vector3::zeros()),
    }
}

/// Swings as they are usual, early and late: the bat turns in a plane that leans toward the plate, fastest 18
/// milliseconds before contact (Thompson 2022).
fn swing_starts(before: f64) -> Vec<Start> {
    const FASTEST: f64 = 39.0;
    const WIDTH: (f64, f64) = (0.056, 0.105);
    const LEAN_DEG: f64 = 30.0;
    let (sin, cos) = LEAN_DEG.to_radians().sin_cos();
    let (out, way) = (Vector3::new(0.0, -sin, cos), Vector3::x());
    let axis = out.cross(&way);
    let start = |late: f64| {
        let peak = before + late - 0.018;
        let speed = move |secs: f64| {
            let off = secs - peak;
            let width = if off < 0.0 { WIDTH.0 } else { WIDTH.1 };
            FASTEST * (-(off / width).powi(2)).exp()
        };
        let steps = ((before + late) / 0.001) as usize;
        let back: f64 = (0..steps).map(|i| 0.001 * speed(0.001 * i as f64)).sum();
        Start {
            direction: out * back.cos() - way * back.sin(),
            turning: Box::new(move |secs| speed(secs) * axis),
        }
    };
    [-0.03, 0.0, 0.03].map(start).into()
}
