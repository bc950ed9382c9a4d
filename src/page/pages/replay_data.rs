//! A rep for the player: landmarks, events, center of mass and feet on one time axis, in pixels of the picture.
//!
//! In: a stored rep and its landmarks. Out: JSON for `player.js`. Times count from plant, where it was seen.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;

use crate::journal::{RepId, StoredRep};
use crate::motion::{Direction, Path as Course, SegmentTable, center_of_mass};
use crate::page::error::PageError;
use crate::page::state::AppState;
use crate::picture_size::PictureSize;
use crate::pose::{LANDMARK_COUNT, Landmark, PoseFrame};
use crate::rep::Rep;
use crate::stats::median;
use crate::time::CaptureTime;

/// A rep for the player: times in seconds from plant, positions in pixels of the picture.
#[derive(Serialize)]
pub(in crate::page) struct ReplayData {
    number: u32,
    width: u32,
    height: u32,
    bats: &'static str,
    /// Event times, seconds from plant.
    events: BTreeMap<&'static str, f64>,
    /// Frame times, seconds from plant.
    times: Vec<f64>,
    /// Landmarks of each frame.
    frames: Vec<Option<Vec<Option<[f32; 2]>>>>,
    /// The center of mass of each frame.
    mass: Vec<Option<[f32; 2]>>,
    /// Ankle, heel and toe of both feet at plant.
    feet: Vec<[f32; 2]>,
    /// Length of the trunk in the picture, pixels: what two reps are brought to one size by.
    scale_px: f32,
    /// The middle of the feet at plant, pixels: what two reps are laid over each other by.
    ground: Option<[f32; 2]>,
    /// 1 where the pitcher is to the right of the picture, else -1.
    forward: i8,
}

/// A landmark less sure than this is not drawn.
const DRAWN_FROM: f32 = 0.2;

pub(in crate::page) async fn data(
    State(state): State<AppState>,
    Path(id): Path<i64>,
) -> Result<Json<ReplayData>, PageError> {
    let id = RepId::new(id);
    let (rep, timeline) = state
        .read(move |reader| Ok((reader.rep(id)?, reader.timeline(id)?)))
        .await?;
    let (picture, frames) = timeline.ok_or(PageError::NotFound)?;
    Ok(Json(played(&rep, picture, &frames)))
}

fn played(rep: &StoredRep, picture: PictureSize, frames: &[PoseFrame]) -> ReplayData {
    let events = &rep.judged.rep.events;
    let zero = zero_of(&rep.judged.rep, first_time(frames));
    let times: Vec<f64> = frames
        .iter()
        .map(|frame| frame.captured_at.secs_since(zero))
        .collect();
    let points = frames.iter().map(|frame| {
        let body = frame.body.as_ref()?;
        let mut points = Vec::with_capacity(LANDMARK_COUNT);
        points.extend(body.image.iter().map(|point| {
            point
                .filter(|p| p.visibility >= DRAWN_FROM)
                .map(|p| [tenth(p.x_px), tenth(p.y_px)])
        }));
        Some(points)
    });
    let at_plant = times
        .iter()
        .position(|secs| *secs >= 0.0)
        .and_then(|place| frames.get(place))
        .and_then(|frame| frame.body.as_ref());
    let feet: Vec<[f32; 2]> = [
        Landmark::LeftAnkle,
        Landmark::LeftHeel,
        Landmark::LeftFootIndex,
        Landmark::RightAnkle,
        Landmark::RightHeel,
        Landmark::RightFootIndex,
    ]
    .into_iter()
    .filter_map(|landmark| at_plant?.point(landmark))
    .map(|p| [tenth(p.x_px), tenth(p.y_px)])
    .collect();
    let ankles = [Landmark::LeftAnkle, Landmark::RightAnkle]
        .map(|ankle| at_plant.and_then(|body| body.point(ankle)));
    let ground = match ankles {
        [Some(a), Some(b)] => Some([
            tenth((a.x_px + b.x_px) / 2.0),
            tenth((a.y_px + b.y_px) / 2.0),
        ]),
        _ => None,
    };
    ReplayData {
        number: rep.judged.number,
        width: picture.width_px,
        height: picture.height_px,
        bats: rep.judged.rep.bats.name(),
        events: events
            .named()
            .into_iter()
            .filter_map(|(name, at)| Some((name, at?.secs_since(zero))))
            .collect(),
        frames: points.collect(),
        mass: mass(frames),
        feet,
        scale_px: scale(frames),
        ground,
        forward: match rep.judged.rep.pitcher_in(frames) {
            Some(Direction::Left) => -1,
            Some(Direction::Right) | None => 1,
        },
        times,
    }
}

/// What the replay's times count from: plant, where it was seen.
pub(in crate::page) fn zero_of(rep: &Rep, first_frame: Option<CaptureTime>) -> CaptureTime {
    let events = &rep.events;
    events
        .plant
        .or(events.contact)
        .or(first_frame)
        .unwrap_or_default()
}

/// When the first frame was taken.
pub(in crate::page) fn first_time(frames: &[PoseFrame]) -> Option<CaptureTime> {
    frames.first().map(|frame| frame.captured_at)
}

fn tenth(px: f32) -> f32 {
    (px * 10.0).round() / 10.0
}

/// Shoulders to hips, the middle of all frames: much the same for a hitter in every rep, however they stand.
fn scale(frames: &[PoseFrame]) -> f32 {
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
    median(&lengths).unwrap_or(100.0).max(1.0) as f32
}

/// The mass centre in pixels, frame by frame.
fn mass(frames: &[PoseFrame]) -> Vec<Option<[f32; 2]>> {
    let bodies: Vec<_> = frames.iter().filter_map(|f| f.body.as_ref()).collect();
    // A path in pixels: the centre is a weighted mean, so it has whatever unit its landmarks have.
    let course = |landmark: Landmark| {
        let points: Option<Vec<_>> = bodies.iter().map(|body| body.point(landmark)).collect();
        let points = points?;
        Some(Course {
            x_cm: points.iter().map(|p| p.x_px.into()).collect(),
            y_cm: points.iter().map(|p| p.y_px.into()).collect(),
            visibility: points.iter().map(|p| p.visibility.into()).collect(),
        })
    };
    let Ok(path) = center_of_mass(&SegmentTable::DE_LEVA_MEAN, &course) else {
        return vec![None; frames.len()];
    };
    let mut places = path.x_cm.iter().zip(&path.y_cm);
    frames
        .iter()
        .map(|frame| {
            frame.body.as_ref()?;
            let (x, y) = places.next()?;
            Some([tenth(*x as f32), tenth(*y as f32)])
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_body_without_a_landmark_plays_without_its_mass_centre() {
        let frame = |body| PoseFrame {
            index: 0,
            captured_at: CaptureTime::from_secs(1.0),
            body,
        };
        let frames = [frame(None), frame(Some(crate::pose::Body::empty()))];
        assert_eq!(mass(&frames), [None, None]);
    }
}
