//! Stretches in which the pose model takes the left leg for the right one.
//!
//! In: frames with bodies, in time order. Out: the same frames with such legs put back. Where one leg passes
//! before the other, as the back leg does in a swing that is seen from behind, the model's sides change for a tenth of a second
//! or for the whole follow-through, and change back. Feet that stand apart cannot have changed places from one frame to the
//! next, nor within a few with the model's legs between both places meanwhile. Which way round is right cannot be told from
//! the picture: the one that is seen for longer is taken.

use std::borrow::Cow;

use crate::pose::{Body, Landmark, PoseFrame};

/// Ankles nearer to each other than this share of the leg's height in the picture may have crossed.
const APART: f64 = 0.3;
/// Legs that get to each other's places by less than this share of the way that they would have gone otherwise have been
/// taken for each other.
const SHORTER: f64 = 0.5;

/// Two feet cannot change places in this time, seconds: two frames at 30 a second.
const TOO_SOON_SECS: f64 = 0.07;

/// The parts of the two legs.
const LEGS: [(Landmark, Landmark); 4] = [
    (Landmark::LeftKnee, Landmark::RightKnee),
    (Landmark::LeftAnkle, Landmark::RightAnkle),
    (Landmark::LeftHeel, Landmark::RightHeel),
    (Landmark::LeftFootIndex, Landmark::RightFootIndex),
];

/// What the model has made of the legs in a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Order {
    Right,
    Exchanged,
    /// On the way from one to the other: the landmarks lie between the two legs, on neither.
    Between,
}

/// The frames, legs that were taken for each other put back, and legs that are on neither taken out.
pub(super) fn with_legs_in_order<'a>(frames: &[&'a PoseFrame]) -> Vec<Cow<'a, PoseFrame>> {
    let orders = orders_of_legs(frames);
    frames
        .iter()
        .zip(orders)
        .map(|(frame, order)| match order {
            Order::Right => Cow::Borrowed(*frame),
            Order::Exchanged => Cow::Owned(with_legs_exchanged(frame)),
            Order::Between => Cow::Owned(without_legs(frame)),
        })
        .collect()
}

fn without_legs(frame: &PoseFrame) -> PoseFrame {
    let mut frame = frame.clone();
    if let Some(body) = &mut frame.body {
        for landmark in LEGS.into_iter().flat_map(|(left, right)| [left, right]) {
            body.image[landmark.index()] = None;
        }
    }
    frame
}

fn with_legs_exchanged(frame: &PoseFrame) -> PoseFrame {
    let mut frame = frame.clone();
    if let Some(body) = &mut frame.body {
        for (left, right) in LEGS {
            body.image.swap(left.index(), right.index());
            if let Some(world) = &mut body.world {
                world.swap(left.index(), right.index());
            }
        }
    }
    frame
}

/// For each frame, which way round its legs are.
fn orders_of_legs(frames: &[&PoseFrame]) -> Vec<Order> {
    let mut exchanged = vec![false; frames.len()];
    let mut between = Vec::new();
    let secs = |i: usize, j: usize| frames[j].captured_at.secs_since(frames[i].captured_at);
    // Every flip turns the legs over once more; the way round that is seen for longer is the right one.
    let mut turned = false;
    let mut turned_secs = 0.0;
    let mut apart_before: Option<(usize, Legs)> = None;
    for i in 0..frames.len() {
        let legs = frames[i].body.as_ref().and_then(Legs::of);
        if let Some(now) = legs.filter(Legs::are_apart) {
            if let Some((before, then)) = apart_before
                && (before + 1 == i || secs(before, i) <= TOO_SOON_SECS)
                && then.flips_to(&now)
            {
                turned = !turned;
                between.extend(before + 1..i);
            }
            apart_before = Some((i, now));
        }
        exchanged[i] = turned;
        if turned && i > 0 {
            turned_secs += secs(i - 1, i);
        }
    }
    let all_secs = frames
        .len()
        .checked_sub(1)
        .map_or(0.0, |last| secs(0, last));
    let most = 2.0 * turned_secs > all_secs;
    let mut orders: Vec<Order> = exchanged
        .into_iter()
        .map(|turned| match turned == most {
            true => Order::Right,
            false => Order::Exchanged,
        })
        .collect();
    for i in between {
        orders[i] = Order::Between;
    }
    orders
}

/// Knees and ankles of a frame, pixels.
#[derive(Clone, Copy)]
struct Legs {
    left: [[f64; 2]; 2],
    right: [[f64; 2]; 2],
    /// From the ankles' middle up to the hips' middle.
    height: f64,
}

impl Legs {
    fn of(body: &Body) -> Option<Self> {
        let at = |l: Landmark| {
            body.point(l)
                .map(|p| [f64::from(p.x_px), f64::from(p.y_px)])
        };
        let left = [at(Landmark::LeftKnee)?, at(Landmark::LeftAnkle)?];
        let right = [at(Landmark::RightKnee)?, at(Landmark::RightAnkle)?];
        let hips = 0.5 * (at(Landmark::LeftHip)?[1] + at(Landmark::RightHip)?[1]);
        Some(Self {
            height: (0.5 * (left[1][1] + right[1][1]) - hips).abs(),
            left,
            right,
        })
    }

    fn flips_to(&self, now: &Legs) -> bool {
        let way = |a: &[[f64; 2]; 2], b: &[[f64; 2]; 2]| -> f64 {
            (0..2)
                .map(|k| (a[k][0] - b[k][0]).hypot(a[k][1] - b[k][1]))
                .sum()
        };
        let kept = way(&self.left, &now.left) + way(&self.right, &now.right);
        let crossed = way(&self.left, &now.right) + way(&self.right, &now.left);
        crossed < SHORTER * kept
    }

    fn are_apart(&self) -> bool {
        (self.left[1][0] - self.right[1][0]).abs() > APART * self.height
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::ImagePoint;
    use crate::time::CaptureTime;

    fn frame(index: u64, left_x: f32, right_x: f32) -> PoseFrame {
        use Landmark::*;
        let mut body = Body::empty();
        for (landmark, x_px, y_px) in [
            (LeftHip, 610.0, 400.0),
            (RightHip, 590.0, 400.0),
            (LeftKnee, 600.0 + 0.6 * (left_x - 600.0), 500.0),
            (RightKnee, 600.0 + 0.6 * (right_x - 600.0), 500.0),
            (LeftAnkle, left_x, 600.0),
            (RightAnkle, right_x, 600.0),
        ] {
            body.image[landmark.index()] = Some(ImagePoint {
                x_px,
                y_px,
                visibility: 1.0,
            });
        }
        PoseFrame::new(
            index,
            CaptureTime::from_secs(index as f64 / 60.0),
            Some(body),
        )
    }

    fn found(frames: &[PoseFrame]) -> Vec<usize> {
        with_order(frames, Order::Exchanged)
    }

    fn with_order(frames: &[PoseFrame], order: Order) -> Vec<usize> {
        let orders = orders_of_legs(&frames.iter().collect::<Vec<_>>());
        (0..orders.len()).filter(|&i| orders[i] == order).collect()
    }

    fn standing(swapped: std::ops::Range<u64>) -> Vec<PoseFrame> {
        (0..60)
            .map(|i| {
                let (left, right) = (500.0 + i as f32, 700.0);
                if swapped.contains(&i) {
                    frame(i, right, left)
                } else {
                    frame(i, left, right)
                }
            })
            .collect()
    }

    #[test]
    fn legs_that_change_places_for_some_frames_are_found() {
        assert_eq!(found(&standing(30..37)), (30..37).collect::<Vec<_>>());
    }

    #[test]
    fn the_way_round_that_is_seen_for_longer_is_right() {
        assert_eq!(found(&standing(40..60)), (40..60).collect::<Vec<_>>());
        assert_eq!(found(&standing(0..10)), (0..10).collect::<Vec<_>>());
        assert_eq!(found(&standing(10..60)), (0..10).collect::<Vec<_>>());
    }

    #[test]
    fn legs_that_come_back_through_the_middle_are_put_back_too_and_the_middle_is_left_out() {
        let mut frames = standing(30..37);
        frames[37] = frame(37, 610.0, 625.0);
        assert_eq!(found(&frames), (30..37).collect::<Vec<_>>());
        assert_eq!(with_order(&frames, Order::Between), [37]);
        let put = with_legs_in_order(&frames.iter().collect::<Vec<_>>());
        let body = put[37].body.as_ref().unwrap();
        assert_eq!(body.point(Landmark::LeftAnkle), None);
        assert!(body.point(Landmark::LeftHip).is_some());
    }

    #[test]
    fn legs_that_walk_past_each_other_are_no_swap() {
        let walk: Vec<PoseFrame> = (0..60)
            .map(|i| {
                let swing = 100.0 * (i as f32 / 8.0).cos();
                frame(i, 600.0 + swing, 600.0 - swing)
            })
            .collect();
        assert_eq!(found(&walk), Vec::<usize>::new());
    }
}
