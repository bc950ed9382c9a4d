//! What a replay of a rep draws besides the landmarks themselves, in pixels of the picture.
//!
//! In: a rep's landmarks. Out: [`ReplayGeometry`]. For the eye only: measures are made of leveled centimeters.

use crate::motion::{PointSeries, SegmentTable, center_of_mass};
use crate::pose::{ImagePoint, Landmark, PoseFrame};
use crate::stats::median;
use crate::time::CaptureTime;

/// Length of the trunk where no frame shows it, pixels.
const UNKNOWN_TRUNK_PX: f64 = 100.0;

/// What a replay draws, pixels from the picture's top left corner.
pub(crate) struct ReplayGeometry {
    /// The center of mass of each frame.
    pub mass_px: Vec<Option<[f32; 2]>>,
    /// Ankle, heel and toe of both feet at plant, as far as they were found.
    pub feet_px: Vec<[f32; 2]>,
    /// The middle of the ankles at plant: what two reps are laid over each other by.
    pub ground_px: Option<[f32; 2]>,
    /// Height of the trunk in the picture: what two reps are brought to one size by.
    pub trunk_px: f32,
}

impl ReplayGeometry {
    /// Of a rep whose front foot is down from `plant` on.
    pub(crate) fn new(frames: &[PoseFrame], plant: CaptureTime) -> Self {
        let at_plant = frames
            .iter()
            .find(|frame| frame.captured_at.secs_since(plant) >= 0.0)
            .and_then(|frame| frame.body.as_ref());
        let at = |landmark| at_plant.and_then(|body| body.point(landmark));
        Self {
            mass_px: mass(frames),
            feet_px: [
                Landmark::LeftAnkle,
                Landmark::LeftHeel,
                Landmark::LeftFootIndex,
                Landmark::RightAnkle,
                Landmark::RightHeel,
                Landmark::RightFootIndex,
            ]
            .into_iter()
            .filter_map(&at)
            .map(|p| [p.x_px, p.y_px])
            .collect(),
            ground_px: match (at(Landmark::LeftAnkle), at(Landmark::RightAnkle)) {
                (Some(a), Some(b)) => Some([(a.x_px + b.x_px) / 2.0, (a.y_px + b.y_px) / 2.0]),
                _ => None,
            },
            trunk_px: trunk(frames),
        }
    }
}

/// Shoulders to hips, the median of all frames: much the same for a hitter in every rep, however they stand.
fn trunk(frames: &[PoseFrame]) -> f32 {
    let lengths: Vec<f64> = frames
        .iter()
        .filter_map(|frame| frame.body.as_ref())
        .filter_map(|body| {
            let hips = body.point(Landmark::LeftHip)?.y_px + body.point(Landmark::RightHip)?.y_px;
            let shoulders = body.point(Landmark::LeftShoulder)?.y_px
                + body.point(Landmark::RightShoulder)?.y_px;
            Some(f64::from((hips - shoulders) / 2.0))
        })
        .collect();
    median(&lengths).unwrap_or(UNKNOWN_TRUNK_PX).max(1.0) as f32
}

/// The center of mass, frame by frame. A landmark counts where every body has it, so that the center does not jump.
fn mass(frames: &[PoseFrame]) -> Vec<Option<[f32; 2]>> {
    let bodies: Vec<_> = frames.iter().filter_map(|f| f.body.as_ref()).collect();
    let series = |landmark: Landmark| {
        let points: Option<Vec<ImagePoint>> =
            bodies.iter().map(|body| body.point(landmark)).collect();
        let points = points?;
        Some(PointSeries {
            x: points.iter().map(|p| p.x_px.into()).collect(),
            y: points.iter().map(|p| p.y_px.into()).collect(),
            visibility: points.iter().map(|p| p.visibility.into()).collect(),
        })
    };
    let Ok(center) = center_of_mass(&SegmentTable::DE_LEVA_MEAN, &series) else {
        return vec![None; frames.len()];
    };
    let mut centers = center.x.iter().zip(&center.y);
    frames
        .iter()
        .map(|frame| {
            frame.body.as_ref()?;
            let (x, y) = centers.next()?;
            Some([*x as f32, *y as f32])
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_body_without_a_landmark_plays_without_its_center_of_mass() {
        let frame = |body| PoseFrame::new(0, CaptureTime::from_secs(1.0), body);
        let frames = [frame(None), frame(Some(crate::pose::Body::empty()))];
        assert_eq!(mass(&frames), [None, None]);
    }
}
