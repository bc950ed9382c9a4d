//! How many centimeters a pixel is at the hitter.
//!
//! With metric landmarks the model's own body is laid over the picture: that gives pixels per model
//! meter without being fooled by a bent knee that points at the camera. The model's body is then
//! resized to the hitter's real height. Without metric landmarks the segments' lengths in the picture
//! serve, each taken where it looks longest.

use crate::pose::Landmark;

use super::series::BodySeries;
use crate::stats::{median, quantile};

/// Ankle to knee to hip, hips' middle to shoulders' middle, shoulders' middle to ears' middle, in the
/// model's landmarks, as a share of standing height. Measured with the model on rendered people of
/// known height (0.803 to 0.819); the model's hips lie lower than the joint centers of anatomy tables.
const SEGMENTS_OF_HEIGHT: f64 = 0.81;

/// Standard uncertainty of [`SEGMENTS_OF_HEIGHT`] from person to person, as a share.
const SEGMENTS_SPREAD: f64 = 0.03;

/// Standard uncertainty of the segments' sum seen in the picture alone, as a share.
const PICTURE_SPREAD: f64 = 0.06;

/// Standard uncertainty of a scale from a known length, as a share: a pixel or two at each end, and the length not
/// lying quite where the hitter stands.
const KNOWN_LENGTH_SPREAD: f64 = 0.02;

/// Standing height of a hitter whose own is not known, and how wrong that may be (one standard deviation, all ages from
/// youth up).
pub(crate) const UNKNOWN_HEIGHT_CM: f64 = 175.0;
const UNKNOWN_HEIGHT_SPREAD: f64 = 0.06;

/// The scale of a stretch, one number for the plane in which the hitter stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Centimeters a pixel.
    pub cm_per_px: f64,
    /// Standing height in centimeters, given or assumed.
    pub height_cm: f64,
    /// Standard uncertainty of the scale, as a share of it.
    pub spread: f64,
}

impl Scale {
    /// From a length that was measured in the picture where the hitter stands; `height_cm` as for [`Self::from_body`].
    pub(crate) fn from_known_length(cm_per_px: f64, height_cm: Option<f64>) -> Self {
        Self {
            cm_per_px,
            height_cm: height_cm.unwrap_or(UNKNOWN_HEIGHT_CM),
            spread: KNOWN_LENGTH_SPREAD,
        }
    }

    /// From the body's own proportions. `None` where the body is too incomplete or too small to measure.
    pub(crate) fn from_body(body: &BodySeries, height_cm: Option<f64>) -> Option<Self> {
        let (height_cm, height_spread) = match height_cm {
            Some(height) => (height, 0.0),
            None => (UNKNOWN_HEIGHT_CM, UNKNOWN_HEIGHT_SPREAD),
        };
        let (segments_px, spread) = match segments_by_model(body) {
            Some(px) => (px, SEGMENTS_SPREAD),
            None => (segments_in_picture(body)?, PICTURE_SPREAD),
        };
        if !(segments_px.is_finite() && segments_px > 20.0) {
            return None;
        }
        Some(Self {
            cm_per_px: SEGMENTS_OF_HEIGHT * height_cm / segments_px,
            height_cm,
            spread: spread.hypot(height_spread),
        })
    }
}

const FITTED: [Landmark; 11] = [
    Landmark::Nose,
    Landmark::LeftEar,
    Landmark::RightEar,
    Landmark::LeftShoulder,
    Landmark::RightShoulder,
    Landmark::LeftHip,
    Landmark::RightHip,
    Landmark::LeftKnee,
    Landmark::RightKnee,
    Landmark::LeftAnkle,
    Landmark::RightAnkle,
];

/// Length of the model's body over the picture, pixels: median over the stretch.
fn segments_by_model(body: &BodySeries) -> Option<f64> {
    let picture: Vec<_> = FITTED
        .iter()
        .map(|&l| body.point(l))
        .collect::<Option<_>>()?;
    let world: Vec<_> = FITTED
        .iter()
        .map(|&l| body.world(l))
        .collect::<Option<_>>()?;
    let n = FITTED.len() as f64;
    let lengths: Vec<f64> = (0..body.len)
        .filter(|&i| body.found[i])
        .map(|i| {
            let mean = |get: &dyn Fn(usize) -> f64| (0..FITTED.len()).map(get).sum::<f64>() / n;
            let (px, py) = (mean(&|k| picture[k].x[i]), mean(&|k| picture[k].y[i]));
            let (wx, wy) = (mean(&|k| world[k].xyz[i][0]), mean(&|k| world[k].xyz[i][1]));
            let (mut across, mut own) = (0.0, 0.0);
            for k in 0..FITTED.len() {
                let (dx, dy) = (world[k].xyz[i][0] - wx, world[k].xyz[i][1] - wy);
                across += dx * (picture[k].x[i] - px) + dy * (picture[k].y[i] - py);
                own += dx * dx + dy * dy;
            }
            let px_per_model_meter = across / own.max(1e-9);
            let at = |l: Landmark| body.world(l).map_or([0.0; 3], |w| w.xyz[i]);
            px_per_model_meter * segments(&at)
        })
        .filter(|length| *length > 0.0)
        .collect();
    median(&lengths)
}

/// Sum of the segments from points given by landmark, in the points' unit.
fn segments(at: &dyn Fn(Landmark) -> [f64; 3]) -> f64 {
    use Landmark::*;
    let gap = |a: [f64; 3], b: [f64; 3]| {
        a.iter()
            .zip(b)
            .map(|(p, q)| (p - q) * (p - q))
            .sum::<f64>()
            .sqrt()
    };
    let middle = |a: Landmark, b: Landmark| {
        let (p, q) = (at(a), at(b));
        [0, 1, 2].map(|k| 0.5 * (p[k] + q[k]))
    };
    let legs = 0.5
        * (gap(at(LeftHip), at(LeftKnee))
            + gap(at(RightHip), at(RightKnee))
            + gap(at(LeftKnee), at(LeftAnkle))
            + gap(at(RightKnee), at(RightAnkle)));
    let shoulders = middle(LeftShoulder, RightShoulder);
    legs + gap(middle(LeftHip, RightHip), shoulders) + gap(shoulders, middle(LeftEar, RightEar))
}

/// Sum of the segments in the picture, each where it looks longest, pixels.
fn segments_in_picture(body: &BodySeries) -> Option<f64> {
    use Landmark::*;
    let long = |a: &dyn Fn(usize) -> Option<[f64; 2]>, b: &dyn Fn(usize) -> Option<[f64; 2]>| {
        let lengths: Vec<f64> = (0..body.len)
            .filter(|&i| body.found[i])
            .filter_map(|i| {
                let (p, q) = (a(i)?, b(i)?);
                Some((p[0] - q[0]).hypot(p[1] - q[1]))
            })
            .collect();
        quantile(&lengths, 0.9)
    };
    let at = |l: Landmark| move |i: usize| body.point(l).map(|p| [p.x[i], p.y[i]]);
    let middle = |a: Landmark, b: Landmark| {
        move |i: usize| {
            let (p, q) = (body.point(a)?, body.point(b)?);
            Some([0.5 * (p.x[i] + q.x[i]), 0.5 * (p.y[i] + q.y[i])])
        }
    };
    let shank = long(&at(LeftKnee), &at(LeftAnkle))?.max(long(&at(RightKnee), &at(RightAnkle))?);
    let thigh = long(&at(LeftHip), &at(LeftKnee))?.max(long(&at(RightHip), &at(RightKnee))?);
    let trunk = long(
        &middle(LeftHip, RightHip),
        &middle(LeftShoulder, RightShoulder),
    )?;
    let neck = if body.point(LeftEar).is_some() && body.point(RightEar).is_some() {
        long(
            &middle(LeftShoulder, RightShoulder),
            &middle(LeftEar, RightEar),
        )?
    } else {
        long(&middle(LeftShoulder, RightShoulder), &at(Nose))?
    };
    Some(shank + thigh + trunk + neck)
}
