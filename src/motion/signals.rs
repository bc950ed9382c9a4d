//! Signals of a stretch: paths of the body's parts in centimeters, leveled, x to the image's right, y up.
//!
//! In: a [`BodySeries`] in pixels. Out: [`Signals`]. The origin is the middle of the picture's top left
//! corner turned by the roll; only differences mean anything.

use std::sync::Arc;

use crate::pose::Landmark;
use crate::time::CaptureTime;

use super::filter::{Butterworth, derivative};
use super::mass::{SegmentTable, center_of_mass};
use super::scale::Scale;
use super::series::{
    BatLine, BodySeries, PointSeries, TurnSample, WorldSeries, middle_of, worse_of,
};
use super::steadying::Steadying;

/// A body part's path: three lists with one value per sample.
#[derive(Clone, Debug, Default)]
pub(crate) struct Path {
    /// Centimeters to the image's right.
    pub x_cm: Vec<f64>,
    /// Centimeters upward.
    pub y_cm: Vec<f64>,
    /// How well it was seen, 0 to 1.
    pub visibility: Vec<f64>,
}

impl Path {
    /// The same path after a zero-phase low pass.
    pub(crate) fn smoothed(&self, cutoff_hz: f64, rate_hz: f64) -> Self {
        let filter = Butterworth::low_pass(cutoff_hz, rate_hz);
        Self {
            x_cm: filter.zero_phase(&self.x_cm),
            y_cm: filter.zero_phase(&self.y_cm),
            visibility: self.visibility.clone(),
        }
    }

    /// Speed along the path, centimeters a second.
    pub(crate) fn speed(&self, rate_hz: f64) -> Vec<f64> {
        let (vx, vy) = (
            derivative(&self.x_cm, rate_hz),
            derivative(&self.y_cm, rate_hz),
        );
        vx.iter().zip(&vy).map(|(x, y)| x.hypot(*y)).collect()
    }

    /// Middle of two paths.
    pub(crate) fn middle(a: &Path, b: &Path) -> Path {
        Path {
            x_cm: middle_of(&a.x_cm, &b.x_cm),
            y_cm: middle_of(&a.y_cm, &b.y_cm),
            visibility: worse_of(&a.visibility, &b.visibility),
        }
    }
}

/// One foot's paths; heel and toe only where the source has them.
#[derive(Clone, Debug, Default)]
pub(crate) struct Foot {
    /// The ankle.
    pub ankle: Path,
    /// The heel.
    pub heel: Option<Path>,
    /// The tip of the foot.
    pub toe: Option<Path>,
}

/// A pair of the body's own left and right parts.
#[derive(Clone, Debug, Default)]
pub(crate) struct Pair<T> {
    /// The person's left.
    pub left: T,
    /// The person's right.
    pub right: T,
}

/// The signals of a stretch on an even time grid.
#[derive(Clone, Debug)]
pub(crate) struct Signals {
    /// The first sample.
    pub start: CaptureTime,
    /// Samples a second.
    pub rate_hz: f64,
    /// Samples in all.
    pub len: usize,
    /// Whether a body was found there.
    pub found: Vec<bool>,
    /// Middle of the ears, or the nose where the source has no ears.
    pub head: Path,
    /// Whether the head is the nose, for want of ears.
    pub head_is_nose: bool,
    /// The nose, where the head is the middle of the ears.
    pub nose: Option<Path>,
    /// Whether the lite model gave some of the landmarks: they wander more.
    pub lite: bool,
    /// Middle of the wrists, the better seen one weighing more.
    pub hands: Path,
    /// The wrists.
    pub wrists: Pair<Path>,
    /// The elbows, where the source has them.
    pub elbow: Option<Pair<Path>>,
    /// The hips themselves.
    pub hip: Pair<Path>,
    /// Middle of the hips.
    pub hips: Path,
    /// Middle of the shoulders.
    pub shoulders: Path,
    /// The shoulders themselves.
    pub shoulder: Pair<Path>,
    /// Center of mass of the whole body.
    pub mass: Path,
    /// The knees themselves.
    pub knee: Pair<Path>,
    /// Middle of the knees.
    pub knees: Path,
    /// The feet.
    pub feet: Pair<Foot>,
    /// The model's metric landmarks, by [`Landmark::index`], where the source gives them; not leveled.
    world: Option<Arc<Vec<WorldSeries>>>,
    /// The bat in the frames in which one was seen, in time order: leveled centimeters as in a [`Path`].
    pub bat: Arc<Vec<BatLine>>,
    /// The trunk's turn in the frames in which it was read, in time order.
    pub turns: Arc<Vec<TurnSample>>,
    /// How the camera moved meanwhile, which is taken out of the paths; `None` where it stood still.
    pub steadying: Option<Arc<Steadying>>,
    /// The scale that made centimeters of pixels.
    pub scale: Scale,
    /// The camera's roll that was taken out, radians; positive when the picture shows a level line
    /// falling to the right.
    pub roll_rad: f64,
}

/// A landmark that every rep needs is missing from the source.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the poses have no {0}, which every rep needs")]
pub(crate) struct MissingLandmark(pub Landmark);

impl Signals {
    /// Turns pixels into leveled centimeters.
    ///
    /// # Errors
    /// Where the source lacks a wrist, ankle, hip, knee or shoulder, or any part of the head.
    pub(crate) fn new(
        body: &BodySeries,
        scale: Scale,
        roll_rad: f64,
    ) -> Result<Self, MissingLandmark> {
        let level = Leveler {
            cm_per_px: scale.cm_per_px,
            sin: roll_rad.sin(),
            cos: roll_rad.cos(),
        };
        let path = |l: Landmark| body.point(l).map(|p| level.path(p));
        let need = |l: Landmark| path(l).ok_or(MissingLandmark(l));

        let wrists = Pair {
            left: need(Landmark::LeftWrist)?,
            right: need(Landmark::RightWrist)?,
        };
        let shoulder = Pair {
            left: need(Landmark::LeftShoulder)?,
            right: need(Landmark::RightShoulder)?,
        };
        let hip = Pair {
            left: need(Landmark::LeftHip)?,
            right: need(Landmark::RightHip)?,
        };
        let elbow = path(Landmark::LeftElbow)
            .zip(path(Landmark::RightElbow))
            .map(|(left, right)| Pair { left, right });
        let knee = Pair {
            left: need(Landmark::LeftKnee)?,
            right: need(Landmark::RightKnee)?,
        };
        let foot = |ankle, heel, toe| {
            Ok(Foot {
                ankle: need(ankle)?,
                heel: path(heel),
                toe: path(toe),
            })
        };
        let feet = Pair {
            left: foot(
                Landmark::LeftAnkle,
                Landmark::LeftHeel,
                Landmark::LeftFootIndex,
            )?,
            right: foot(
                Landmark::RightAnkle,
                Landmark::RightHeel,
                Landmark::RightFootIndex,
            )?,
        };
        // The middle of the ears stays put when the face turns; the nose does not, and serves only without ears.
        let (head, head_is_nose) = match (path(Landmark::LeftEar), path(Landmark::RightEar)) {
            (Some(left), Some(right)) => (Path::middle(&left, &right), false),
            _ => (need(Landmark::Nose)?, true),
        };

        Ok(Self {
            start: body.start,
            rate_hz: body.rate_hz,
            len: body.len,
            found: body.found.clone(),
            hands: hands(&wrists),
            hips: Path::middle(&hip.left, &hip.right),
            hip,
            elbow,
            shoulders: Path::middle(&shoulder.left, &shoulder.right),
            knees: Path::middle(&knee.left, &knee.right),
            knee,
            head,
            head_is_nose,
            nose: path(Landmark::Nose).filter(|_| !head_is_nose),
            lite: body.lite,
            mass: mass(&path)?,
            wrists,
            shoulder,
            feet,
            bat: Arc::new(level.bat(&body.bat)),
            turns: Arc::new(body.turns.clone()),
            world: body.world_series(),
            steadying: body.steadying.clone(),
            scale,
            roll_rad,
        })
    }

    /// The one of two uncertainties that fits the model which gave the landmarks.
    pub(crate) fn by_model(&self, full: f64, lite: f64) -> f64 {
        if self.lite { lite } else { full }
    }

    /// The model's metric landmark over time, where the source gives metric landmarks.
    pub(crate) fn world(&self, landmark: Landmark) -> Option<&WorldSeries> {
        self.world.as_ref()?.get(landmark.index())
    }

    /// The same signals turned by a roll of the camera, on top of what was taken out before.
    pub(crate) fn leveled(&self, roll_rad: f64) -> Self {
        let (sin, cos) = roll_rad.sin_cos();
        let turned = |[x, y]: [f64; 2]| [x * cos - y * sin, y * cos + x * sin];
        let bat = self.bat.iter().map(|line| BatLine {
            knob: turned(line.knob),
            tip: turned(line.tip),
            ..*line
        });
        let turn = |p: &Path| {
            let points = || p.x_cm.iter().zip(&p.y_cm);
            Path {
                x_cm: points().map(|(x, y)| x * cos - y * sin).collect(),
                y_cm: points().map(|(x, y)| y * cos + x * sin).collect(),
                visibility: p.visibility.clone(),
            }
        };
        let pair = |p: &Pair<Path>| Pair {
            left: turn(&p.left),
            right: turn(&p.right),
        };
        let foot = |f: &Foot| Foot {
            ankle: turn(&f.ankle),
            heel: f.heel.as_ref().map(turn),
            toe: f.toe.as_ref().map(turn),
        };
        Self {
            start: self.start,
            rate_hz: self.rate_hz,
            len: self.len,
            found: self.found.clone(),
            head: turn(&self.head),
            head_is_nose: self.head_is_nose,
            nose: self.nose.as_ref().map(turn),
            lite: self.lite,
            mass: turn(&self.mass),
            hands: turn(&self.hands),
            wrists: pair(&self.wrists),
            elbow: self.elbow.as_ref().map(pair),
            hip: pair(&self.hip),
            hips: turn(&self.hips),
            shoulders: turn(&self.shoulders),
            shoulder: pair(&self.shoulder),
            knee: pair(&self.knee),
            knees: turn(&self.knees),
            feet: Pair {
                left: foot(&self.feet.left),
                right: foot(&self.feet.right),
            },
            bat: Arc::new(bat.collect()),
            turns: Arc::clone(&self.turns),
            world: self.world.clone(),
            steadying: self.steadying.clone(),
            scale: self.scale,
            roll_rad: self.roll_rad + roll_rad,
        }
    }

    /// The capture time of a sample index, which may lie between two samples.
    pub(crate) fn time_at(&self, sample: f64) -> CaptureTime {
        self.start.plus_secs(sample / self.rate_hz)
    }

    /// The fractional sample index at a capture time; may lie outside the stretch.
    pub(crate) fn sample_at(&self, time: CaptureTime) -> f64 {
        time.secs_since(self.start) * self.rate_hz
    }

    /// How many samples come closest to a time span.
    pub(crate) fn samples_in(&self, secs: f64) -> usize {
        (secs * self.rate_hz).round() as usize
    }

    /// The nearest sample to a fractional index, kept inside the stretch.
    pub(crate) fn index(&self, sample: f64) -> usize {
        (sample.round().max(0.0) as usize).min(self.len.saturating_sub(1))
    }
}

struct Leveler {
    cm_per_px: f64,
    sin: f64,
    cos: f64,
}

impl Leveler {
    fn point(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [
            (x * self.cos + y * self.sin) * self.cm_per_px,
            -(y * self.cos - x * self.sin) * self.cm_per_px,
        ]
    }

    fn bat(&self, lines: &[BatLine]) -> Vec<BatLine> {
        let leveled = |line: &BatLine| BatLine {
            knob: self.point(line.knob),
            tip: self.point(line.tip),
            ..*line
        };
        lines.iter().map(leveled).collect()
    }

    fn path(&self, p: &PointSeries) -> Path {
        let points = p.x.iter().zip(&p.y).map(|(x, y)| self.point([*x, *y]));
        let (x_cm, y_cm) = points.map(|[x, y]| (x, y)).unzip();
        Path {
            x_cm,
            y_cm,
            visibility: p.visibility.clone(),
        }
    }
}

/// The center of mass of leveled paths, which is as level as they are.
fn mass(path: &dyn Fn(Landmark) -> Option<Path>) -> Result<Path, MissingLandmark> {
    let at = |landmark| {
        let path = path(landmark)?;
        Some(PointSeries {
            x: path.x_cm,
            y: path.y_cm,
            visibility: path.visibility,
        })
    };
    let center = center_of_mass(&SegmentTable::DE_LEVA_MEAN, &at)?;
    Ok(Path {
        x_cm: center.x,
        y_cm: center.y,
        visibility: center.visibility,
    })
}

/// The hands are one object, the grip, seen through two wrists; a hidden wrist counts little.
fn hands(wrists: &Pair<Path>) -> Path {
    let n = wrists.left.x_cm.len();
    // The weights are smoothed along with nothing else: a sudden change of weight would look like motion.
    let weight = |p: &Path| -> Vec<f64> { p.visibility.iter().map(|v| 0.05 + v * v).collect() };
    let (l, r) = (weight(&wrists.left), weight(&wrists.right));
    let share: Vec<f64> = (0..n).map(|i| l[i] / (l[i] + r[i])).collect();
    let mix = |a: &[f64], b: &[f64]| {
        (0..n)
            .map(|i| a[i] * share[i] + b[i] * (1.0 - share[i]))
            .collect()
    };
    Path {
        x_cm: mix(&wrists.left.x_cm, &wrists.right.x_cm),
        y_cm: mix(&wrists.left.y_cm, &wrists.right.y_cm),
        visibility: (0..n)
            .map(|i| wrists.left.visibility[i].max(wrists.right.visibility[i]))
            .collect(),
    }
}
