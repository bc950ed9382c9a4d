//! A rep for the player: landmarks, bat, events, center of mass, feet and the pitch's line on one time axis, in pixels of the
//! picture.
//!
//! In: a stored rep and its landmarks. Out: JSON for `player.js`. Times count from plant, where it was seen.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;

use super::pitch_line::PitchLine;
use crate::coach::JudgedRep;
use crate::journal::RepId;
use crate::motion::Direction;
use crate::page::error::PageError;
use crate::page::state::AppState;
use crate::picture_size::PictureSize;
use crate::pose::track::TurnOnLine;
use crate::pose::{LANDMARK_COUNT, PoseFrame, SeenBat, TrunkTurn};
use crate::rep::{Rep, ReplayGeometry, View};
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
    /// Knob and tip of each frame's bat; without entries where none was seen in any.
    bat: Vec<Option<[[f32; 2]; 2]>>,
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
    /// The camera's roll as the operator measured it, degrees: a level line falls to the right by so much.
    roll_deg: f64,
    /// Whether the plate is on the hitter's near side, as seen by the camera.
    plate_near: bool,
    /// How pelvis and shoulders are turned in each frame; without entries where that was read in none.
    turn: Vec<Option<TurnOnLine>>,
    /// On which line the pitch came in; `None` where the bat was not seen at contact.
    pitch_line: Option<PitchLine>,
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
    Ok(Json(played(&rep.judged, picture, &frames)))
}

/// A rep, or what does not count as one, for the player.
pub(super) fn played(judged: &JudgedRep, picture: PictureSize, frames: &[PoseFrame]) -> ReplayData {
    let rep = &judged.rep;
    let events = &rep.events;
    let zero = zero_of(rep, first_time(frames));
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
                .map(|p| tenths([p.x_px, p.y_px]))
        }));
        Some(points)
    });
    let bats = || frames.iter().map(|frame| frame.bat.as_ref());
    let ends = |bat: &SeenBat| [bat.knob_px, bat.tip_px].map(tenths);
    let bat = match bats().any(|bat| bat.is_some()) {
        true => bats().map(|bat| bat.map(ends)).collect(),
        false => Vec::new(),
    };
    let geometry = ReplayGeometry::new(frames, zero);
    let forward = match rep.pitcher_in(frames) {
        Some(Direction::Left) => -1,
        Some(Direction::Right) | None => 1,
    };
    ReplayData {
        number: judged.number,
        width: picture.width_px,
        height: picture.height_px,
        bats: rep.bats.name(),
        events: events
            .named()
            .into_iter()
            .filter_map(|(name, at)| Some((name, at?.secs_since(zero))))
            .collect(),
        frames: points.collect(),
        bat,
        mass: geometry.mass_px.iter().map(|p| p.map(tenths)).collect(),
        feet: geometry.feet_px.iter().copied().map(tenths).collect(),
        scale_px: geometry.trunk_px,
        ground: geometry.ground_px.map(tenths),
        forward,
        roll_deg: rep.ruler.and_then(|ruler| ruler.roll_deg).unwrap_or(0.0),
        plate_near: rep.view != View::BackSide,
        turn: turns(rep, frames),
        pitch_line: PitchLine::of(judged, frames, f64::from(forward)),
        times,
    }
}

/// How the trunk is turned in each frame, from the plate; without entries where that was read in none.
fn turns(rep: &Rep, frames: &[PoseFrame]) -> Vec<Option<TurnOnLine>> {
    if frames.iter().all(|frame| frame.turn.is_none()) {
        return Vec::new();
    }
    let (_, turns) = rep.turns_from_plate(frames);
    let told = |turn: Option<TrunkTurn>| turn.as_ref().and_then(TurnOnLine::of);
    turns.into_iter().map(told).collect()
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

/// Rounded to what a screen can show, so that the answer stays short.
pub(super) fn tenths(point_px: [f32; 2]) -> [f32; 2] {
    point_px.map(|px| (px * 10.0).round() / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::record;

    /// A rep that a camera saw has turns that count from the camera.
    #[test]
    fn turns_as_the_camera_saw_them_are_told_from_the_plate() {
        let seen = record(1);
        let told = played(&seen.judged, seen.picture, &seen.frames).turn;
        assert_eq!(told.len(), seen.frames.len());
        for (told, frame) in told.iter().zip(&seen.frames) {
            let (Some(told), Some(turn)) = (told, frame.turn) else {
                assert!(told.is_none() && frame.turn.is_none());
                continue;
            };
            // The camera's angle goes out of both alike; a tenth of rounding each.
            let told = serde_json::to_value(told).unwrap();
            let deg = |key: &str| told[key].as_f64().unwrap();
            let apart = f64::from(turn.pelvis.deg - turn.shoulders.deg);
            let off = (deg("pelvis_deg") - deg("shoulders_deg")).abs() - apart.abs();
            assert!(off.abs() < 0.11, "{told} for {turn:?}");
        }
    }
}
