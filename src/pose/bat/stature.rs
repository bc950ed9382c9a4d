//! How tall the hitter is in the picture, whatever the posture: the longest that leg and trunk have lately been.

use crate::pose::body::Body;
use crate::pose::landmark::Landmark;

/// Hip to knee and knee to ankle, of the stature (0.245 and 0.246 in Winter, "Biomechanics and Motor Control of Human Movement",
/// 4th ed. 2009, figure 4.1, after Drillis and Contini; from memory).
const LEG: f32 = 0.491;
/// Hips to shoulders, of the stature (0.818 less 0.530 there; from memory).
const TRUNK: f32 = 0.288;
/// A length that is seen no more is forgotten by half in this time, down to what is seen.
const HALF_LIFE_SECS: f64 = 4.0;

/// Follows the stature, pixels.
#[derive(Debug, Default)]
pub(super) struct StatureTracker {
    /// When it was last seen, seconds, and the stature then.
    last: Option<(f64, f32)>,
}

impl StatureTracker {
    /// The stature with this frame's body; `None` where neither a leg nor the trunk was ever seen.
    pub(super) fn update(&mut self, body: &Body, secs: f64) -> Option<f32> {
        let now = stature_px(body);
        let stature = match (self.last, now) {
            (Some((at, before)), Some(now)) => {
                let kept = 0.5f64.powf((secs - at).max(0.0) / HALF_LIFE_SECS) as f32;
                now.max(now + kept * (before - now))
            }
            (Some((_, before)), None) => return Some(before),
            (None, Some(now)) => now,
            (None, None) => return None,
        };
        self.last = Some((secs, stature));
        Some(stature)
    }
}

/// The stature by the longest part of one body; parts that point at the camera look shorter, none looks longer.
fn stature_px(body: &Body) -> Option<f32> {
    use Landmark as L;
    let point = |landmark| body.point(landmark).map(|p| [p.x_px, p.y_px]);
    let distance = |a: [f32; 2], b: [f32; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    let middle = |a, b| {
        let (a, b) = (point(a)?, point(b)?);
        Some([0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])])
    };
    let leg = |hip, knee, ankle| {
        let (hip, knee, ankle) = (point(hip)?, point(knee)?, point(ankle)?);
        Some((distance(hip, knee) + distance(knee, ankle)) / LEG)
    };
    let trunk = || {
        let hips = middle(L::LeftHip, L::RightHip)?;
        let shoulders = middle(L::LeftShoulder, L::RightShoulder)?;
        Some(distance(hips, shoulders) / TRUNK)
    };
    let lengths = [
        leg(L::LeftHip, L::LeftKnee, L::LeftAnkle),
        leg(L::RightHip, L::RightKnee, L::RightAnkle),
        trunk(),
    ];
    let longest = lengths.into_iter().flatten().fold(0.0, f32::max);
    (longest.is_finite() && longest > 1.0).then_some(longest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::body::ImagePoint;

    /// Straight legs of this length, and no trunk.
    fn standing(leg_px: f32) -> Body {
        let mut body = Body::empty();
        let leg = [Landmark::LeftHip, Landmark::LeftKnee, Landmark::LeftAnkle];
        for (landmark, share) in leg.into_iter().zip([0.0, 0.5, 1.0]) {
            body.image[landmark.index()] = Some(ImagePoint {
                x_px: 50.0,
                y_px: share * leg_px,
                visibility: 1.0,
            });
        }
        body
    }

    #[test]
    fn the_stature_is_kept_through_a_crouch_and_forgotten_in_time() {
        let mut stature = StatureTracker::default();
        assert_eq!(stature.update(&Body::empty(), 0.0), None);
        let tall = stature.update(&standing(245.5), 0.0).unwrap();
        assert!((tall - 500.0).abs() < 0.1, "{tall}");
        let crouched = stature.update(&standing(200.0), 0.5).unwrap();
        assert!(crouched > 485.0, "{crouched}");
        assert_eq!(stature.update(&Body::empty(), 0.6), Some(crouched));
        let mut at = 0.6;
        let mut later = crouched;
        while at < 30.0 {
            at += 0.1;
            later = stature.update(&standing(200.0), at).unwrap();
        }
        assert!((later - 200.0 / LEG).abs() < 3.0, "{later}");
    }
}
