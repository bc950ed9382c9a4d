//! Landmarks that are labeled as hidden: kept with little weight, or taken out.
//!
//! In: a pose frame as its source gives it. Out: the same frame, in which a landmark is either somewhere or missing.
//! Tracks that people label by hand give a hidden joint a visibility of 0 and either a guessed position or none, which
//! is written as the picture's corner.

use crate::pose::{Body, ImagePoint};

/// A landmark within so many pixels of the picture's corner is nowhere.
const CORNER_PX: f32 = 2.0;
/// What a guess counts, against 1 for a landmark that was seen.
const GUESS: f32 = 0.2;
/// Landmarks that must be seen to tell how large the body is.
const LEAST_SEEN: usize = 5;

/// Takes out landmarks that are nowhere, and gives guesses that may be true a little weight.
pub(super) fn resolve_hidden(body: &mut Body) {
    let hidden = |p: &ImagePoint| p.visibility <= 0.0;
    if !body.image.iter().flatten().any(hidden) {
        return;
    }
    let seen: Vec<ImagePoint> = body
        .image
        .iter()
        .flatten()
        .filter(|p| !hidden(p))
        .copied()
        .collect();
    let bounds = |get: fn(&ImagePoint) -> f32| {
        seen.iter()
            .map(get)
            .fold((f32::MAX, f32::MIN), |(low, high), v| {
                (low.min(v), high.max(v))
            })
    };
    let ((left, right), (top, bottom)) = (bounds(|p| p.x_px), bounds(|p| p.y_px));
    // No limb is longer than what is seen of a body is large.
    let room = (right - left).max(bottom - top);
    for slot in &mut body.image {
        let Some(point) = slot.as_mut().filter(|p| p.visibility <= 0.0) else {
            continue;
        };
        let corner = point.x_px.abs() < CORNER_PX && point.y_px.abs() < CORNER_PX;
        let near = seen.len() < LEAST_SEEN
            || ((left - room..=right + room).contains(&point.x_px)
                && (top - room..=bottom + room).contains(&point.y_px));
        if corner || !near {
            *slot = None;
        } else {
            point.visibility = GUESS;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::Landmark;

    fn body(points: &[(Landmark, f32, f32, f32)]) -> Body {
        let mut body = Body::empty();
        for &(landmark, x_px, y_px, visibility) in points {
            body.image[landmark.index()] = Some(ImagePoint {
                x_px,
                y_px,
                visibility,
            });
        }
        body
    }

    const SEEN: [(Landmark, f32, f32, f32); 5] = [
        (Landmark::Nose, 300.0, 100.0, 1.0),
        (Landmark::LeftHip, 300.0, 200.0, 1.0),
        (Landmark::RightHip, 320.0, 200.0, 1.0),
        (Landmark::LeftAnkle, 290.0, 320.0, 1.0),
        (Landmark::RightAnkle, 330.0, 320.0, 1.0),
    ];

    #[test]
    fn a_hidden_landmark_in_the_corner_or_far_off_is_missing() {
        let mut points = SEEN.to_vec();
        points.push((Landmark::LeftWrist, 0.0, 0.0, 0.0));
        points.push((Landmark::RightWrist, 900.0, 200.0, 0.0));
        let mut body = body(&points);
        resolve_hidden(&mut body);
        assert_eq!(body.point(Landmark::LeftWrist), None);
        assert_eq!(body.point(Landmark::RightWrist), None);
        assert!(body.point(Landmark::Nose).is_some());
    }

    #[test]
    fn a_guess_within_reach_counts_a_little() {
        let mut points = SEEN.to_vec();
        points.push((Landmark::LeftWrist, 250.0, 150.0, 0.0));
        let mut body = body(&points);
        resolve_hidden(&mut body);
        let guess = body.point(Landmark::LeftWrist).unwrap();
        assert!(guess.visibility > 0.0 && guess.visibility < 0.5);
        assert_eq!(guess.x_px, 250.0);
    }

    #[test]
    fn landmarks_that_are_seen_are_left_alone() {
        let mut points = SEEN.to_vec();
        points.push((Landmark::LeftWrist, 0.0, 0.0, 0.01));
        let before = body(&points);
        let mut after = before.clone();
        resolve_hidden(&mut after);
        assert_eq!(before, after);
    }
}
