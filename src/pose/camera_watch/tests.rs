use super::*;
use crate::pose::{CameraPlace, ImagePoint};

const SIZE: (usize, usize) = (480, 270);
const FPS: f64 = 30.0;

/// A number from 0 to 1 that looks like chance.
fn chance(x: i64, y: i64, salt: u64) -> f64 {
    let mut h = (x as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15)
        ^ (y as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F)
        ^ salt.wrapping_mul(0x1656_67B1_9E37_79F9);
    h ^= h >> 29;
    h = h.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    h ^= h >> 32;
    (h & 0xFFFF) as f64 / 65535.0
}

/// Blotches of a size, between 0 and 1.
fn blotches([x, y]: Point, size: f64, salt: u64) -> f64 {
    let (x, y) = (x / size, y / size);
    let (cx, cy) = (x.floor(), y.floor());
    let ease = |t: f64| t * t * (3.0 - 2.0 * t);
    let (fx, fy) = (ease(x - cx), ease(y - cy));
    let at = |dx: i64, dy: i64| chance(cx as i64 + dx, cy as i64 + dy, salt);
    (at(0, 0) * (1.0 - fx) + at(1, 0) * fx) * (1.0 - fy)
        + (at(0, 1) * (1.0 - fx) + at(1, 1) * fx) * fy
}

/// A wall with blotches of three sizes.
fn wall(point: Point) -> f64 {
    40.0 + 80.0 * blotches(point, 40.0, 1)
        + 60.0 * blotches(point, 13.0, 2)
        + 30.0 * blotches(point, 6.0, 3)
}

/// Turned by degrees, enlarged and shifted, as [`CameraPlace`] counts.
fn place(dx_px: f64, dy_px: f64, roll_deg: f64, zoom: f64) -> Similarity {
    Similarity::of(CameraPlace {
        dx_px,
        dy_px,
        roll_deg,
        zoom,
    })
}

/// What else is in the picture, in pixels from its middle: `Some` brightness where it hides the wall.
type Before<'a> = &'a dyn Fn(Point) -> Option<f64>;

/// The picture of the wall with the camera at a place, with noise and in a light.
fn frame(index: u64, camera: Similarity, light: f64, before: Before) -> Frame {
    let mut frame = Frame {
        index,
        captured_at: CaptureTime::from_secs(index as f64 / FPS),
        ..Frame::default()
    };
    let pixels = frame.resized(SIZE.0, SIZE.1);
    for (i, rgb) in pixels.chunks_exact_mut(3).enumerate() {
        let (column, row) = (i % SIZE.0, i / SIZE.0);
        let point = [
            column as f64 + 0.5 - SIZE.0 as f64 / 2.0,
            row as f64 + 0.5 - SIZE.1 as f64 / 2.0,
        ];
        let value = before(point).unwrap_or_else(|| wall(camera.apply(point)));
        let noise = 12.0 * (chance(column as i64, row as i64, 1000 + index) - 0.5);
        rgb.fill((light * value + noise).clamp(0.0, 255.0) as u8);
    }
    frame
}

fn nothing(_: Point) -> Option<f64> {
    None
}

/// The place that each frame shows.
fn watched(frames: impl Iterator<Item = Frame>) -> Vec<Option<CameraMotion>> {
    let mut watch = CameraWatch::default();
    frames.map(|frame| watch.step(&frame, None)).collect()
}

/// How far a frame's place is from the truth, pixels.
fn off(motion: Option<CameraMotion>, truth: Similarity) -> f64 {
    let found = match motion {
        None => Similarity::IDENTITY,
        Some(CameraMotion::At(place)) => Similarity::of(place),
        Some(CameraMotion::Lost) => return f64::INFINITY,
    };
    found.differs_px(&truth, (SIZE.0 as f64, SIZE.1 as f64))
}

fn worst(motions: &[Option<CameraMotion>], truth: impl Fn(usize) -> Similarity) -> f64 {
    let each = motions.iter().enumerate();
    each.map(|(i, motion)| off(*motion, truth(i)))
        .fold(0.0, f64::max)
}

#[test]
fn noise_and_light_do_not_move_a_camera() {
    let home = Similarity::IDENTITY;
    let lit = |i: u64| 0.75 + 0.2 * (i as f64 / 9.0).sin();
    let motions = watched((0..150).map(|i| frame(i, home, lit(i), &nothing)));
    assert!(motions.iter().all(Option::is_none));
}

#[test]
fn somebody_who_walks_through_the_picture_does_not_move_it() {
    // Near the camera: a third of the picture wide and all of its height, with a pattern of their own.
    let walker = |i: u64| {
        let left = -400.0 + 7.0 * i as f64;
        move |[x, y]: Point| {
            let inside = (left..left + 160.0).contains(&x);
            inside.then(|| 30.0 + 200.0 * blotches([x - left, y], 15.0, 7))
        }
    };
    let motions = watched((0..110).map(|i| frame(i, Similarity::IDENTITY, 1.0, &walker(i))));
    assert!(motions.iter().all(Option::is_none));
}

#[test]
fn a_hitter_who_fills_half_of_the_picture_does_not_move_it() {
    let mut watch = CameraWatch::default();
    for i in 0..60 {
        let sway = 4.0 * i as f64;
        let hitter = move |[x, y]: Point| {
            let inside = x.abs() < 120.0 && y > -130.0;
            inside.then(|| 30.0 + 200.0 * blotches([x - sway, y], 15.0, 9))
        };
        let frame = frame(i, Similarity::IDENTITY, 1.0, &hitter);
        let mut body = Body::empty();
        for (k, (x_px, y_px)) in [(130.0, 20.0), (350.0, 260.0)].into_iter().enumerate() {
            body.image[k] = Some(ImagePoint {
                x_px,
                y_px,
                visibility: 1.0,
            });
        }
        assert_eq!(watch.step(&frame, Some(&body)), None, "frame {i}");
    }
}

#[test]
fn a_pan_is_followed_and_where_it_ends_the_camera_has_one_place() {
    let truth = |i: usize| {
        let swung = (i as f64 - 10.0).clamp(0.0, 50.0);
        place(-3.2 * swung, 0.8 * swung, 0.0, 1.0)
    };
    let motions = watched((0..100).map(|i| frame(i, truth(i as usize), 1.0, &nothing)));
    let worst = worst(&motions, truth);
    assert!(worst < 1.0, "{worst}");
    let last = &motions[80..];
    assert!(last.iter().all(|motion| *motion == last[0]), "{last:?}");
}

#[test]
fn a_hand_that_shakes_turns_and_goes_nearer_is_followed() {
    let truth = |i: usize| {
        let t = i as f64 / FPS;
        place(
            6.0 * (7.0 * t).sin() + 4.0 * t,
            5.0 * (9.0 * t + 1.0).sin() - 5.0 * 1f64.sin(),
            1.2 * (5.0 * t).sin(),
            1.0 + 0.02 * (3.0 * t).sin(),
        )
    };
    let motions = watched((0..120).map(|i| frame(i, truth(i as usize), 1.0, &nothing)));
    let worst = worst(&motions, truth);
    assert!(worst < 0.6, "{worst}");
}

#[test]
fn a_camera_that_is_bumped_and_swings_back_stands_exactly_where_it_stood() {
    let truth = |i: usize| match i {
        20..50 => {
            let t = (i - 20) as f64 / FPS;
            place(18.0 * (-3.0 * t).exp() * (25.0 * t).sin(), 0.0, 0.0, 1.0)
        }
        _ => Similarity::IDENTITY,
    };
    let motions = watched((0..90).map(|i| frame(i, truth(i as usize), 1.0, &nothing)));
    assert!(motions[..20].iter().all(Option::is_none));
    assert!(worst(&motions, truth) < 0.6);
    assert!(motions[24..30].iter().any(Option::is_some), "it moved");
    assert!(
        motions[75..].iter().all(Option::is_none),
        "and stands again"
    );
}

#[test]
fn a_camera_that_is_knocked_over_points_to_another_place_and_comes_back_to_the_first() {
    // Within two frames it looks at another wall, and later back.
    let truth = |i: usize| match i {
        0..30 | 90.. => Similarity::IDENTITY,
        _ => place(3000.0, 0.0, 0.0, 1.0),
    };
    let motions = watched((0..130).map(|i| frame(i, truth(i as usize), 1.0, &nothing)));
    assert!(motions[..30].iter().all(Option::is_none));
    assert_eq!(motions[30], Some(CameraMotion::Lost));
    let Some(CameraMotion::At(there)) = motions[80] else {
        panic!("{:?}", motions[80]);
    };
    assert!(
        there.dx_px >= SIZE.0 as f64,
        "nothing joins the two: {there:?}"
    );
    assert!(
        motions[115..].iter().all(Option::is_none),
        "it is known again"
    );
}

#[test]
fn a_plain_picture_tells_nothing() {
    let plain = |_: Point| Some(120.0);
    let motions = watched((0..40).map(|i| frame(i, Similarity::IDENTITY, 1.0, &plain)));
    assert!(motions.iter().all(Option::is_none));
}
