//! What of the frame can be looked at: places in frame and small picture, and the box around the hitter.

use super::patches::Spot;
use super::similarity::{Point, Similarity};
use super::small_picture::SmallPicture;
use crate::pose::{Body, CameraMotion, CameraPlace, ImagePoint};

/// Patches that agree must lie apart from each other by this share of the picture's sides, standard deviation.
const LEAST_SPREAD: f64 = 0.07;
/// The hitter's box is so much larger than the landmarks' on each side, share of its height: head, hands and bat.
const AROUND_HITTER: f64 = 0.12;
/// A spot of the small picture in pixels of the frame from its middle.
pub(super) fn point([x, y]: Spot, picture: &SmallPicture, (width, height): (f64, f64)) -> Point {
    let factor = picture.factor as f64;
    [
        (f64::from(x) + 0.5) * factor - 0.5 * width,
        (f64::from(y) + 0.5) * factor - 0.5 * height,
    ]
}

/// The spot of the small picture where a point of the frame is; `None` outside of it and on the hitter.
pub(super) fn visible(
    point: Point,
    picture: &SmallPicture,
    size: (f64, f64),
    hitter: Option<[f64; 4]>,
) -> Option<Spot> {
    const MARGIN: f64 = 6.0;
    let factor = picture.factor as f64;
    let spot = [
        (point[0] + 0.5 * size.0) / factor - 0.5,
        (point[1] + 0.5 * size.1) / factor - 0.5,
    ];
    let inside = spot[0] >= MARGIN
        && spot[1] >= MARGIN
        && spot[0] < picture.width as f64 - MARGIN
        && spot[1] < picture.height as f64 - MARGIN;
    (inside && !is_hitter(point, size, hitter)).then(|| spot.map(|v| v as f32))
}

pub(super) fn is_hitter(point: Point, size: (f64, f64), hitter: Option<[f64; 4]>) -> bool {
    let (x, y) = (point[0] + 0.5 * size.0, point[1] + 0.5 * size.1);
    hitter.is_some_and(|[left, top, right, bottom]| {
        (left..right).contains(&x) && (top..bottom).contains(&y)
    })
}

/// Left, top, right, bottom of the hitter in the frame, with room around, pixels.
pub(super) fn hitter_box(body: &Body) -> Option<[f64; 4]> {
    let points = || body.image.iter().flatten();
    let least = |get: fn(&ImagePoint) -> f32| points().map(get).reduce(f32::min);
    let most = |get: fn(&ImagePoint) -> f32| points().map(get).reduce(f32::max);
    let (left, top) = (least(|p| p.x_px)?, least(|p| p.y_px)?);
    let (right, bottom) = (most(|p| p.x_px)?, most(|p| p.y_px)?);
    let room = AROUND_HITTER * f64::from(bottom - top);
    Some([
        f64::from(left) - room,
        f64::from(top) - room,
        f64::from(right) + room,
        f64::from(bottom) + room,
    ])
}

pub(super) fn spread_out(agreeing: &[(Point, Point)], (width, height): (f64, f64)) -> bool {
    let deviation = |get: fn(&(Point, Point)) -> f64| {
        let count = agreeing.len().max(1) as f64;
        let mean = agreeing.iter().map(get).sum::<f64>() / count;
        let squares: f64 = agreeing.iter().map(|p| (get(p) - mean).powi(2)).sum();
        (squares / count).sqrt()
    };
    deviation(|p| p.0[0]) >= LEAST_SPREAD * width && deviation(|p| p.0[1]) >= LEAST_SPREAD * height
}

/// As pose tracks write it; `None` for the place where it was first.
pub(super) fn now_at(place: Similarity) -> Option<CameraMotion> {
    let place = place.place().rounded();
    (place != CameraPlace::HOME).then_some(CameraMotion::At(place))
}
