//! What bringing a stretch's landmarks back to one place of the camera leaves uncertain.
//!
//! In: frames that are steadied already. Out: [`Steadying`], or nothing where the camera stood still all along.

use crate::pose::{CameraMotion, CameraPlace, PoseFrame};
use crate::time::CaptureTime;

/// The still parts of the picture lie behind the hitter or before, and a camera that turns in somebody's hand or on its stand
/// also shifts a little: what is taken out for them is off for the hitter by this share, one standard deviation. By the
/// geometry: a lens that swings on an arm of 0.1 m (a stand) to 0.5 m (a hand) before a hitter 5 m away and a wall at 8 m is off
/// by 0.8 to 3.8 %. On a phone that pans, home plate wandered by 3 %.
const OFF_SHARE: f64 = 0.05;
/// What the found place of a camera that moves is off by in any case, pixels.
const OFF_PX: f64 = 0.5;

/// How the camera moved during a stretch of samples.
#[derive(Clone, Debug)]
pub(crate) struct Steadying {
    /// How far the picture was shifted, pixels.
    shift_px: Vec<[f64; 2]>,
    lost: Vec<bool>,
}

impl Steadying {
    /// Of `len` samples from `start` on; `None` where the camera stood still in all of these frames.
    pub(super) fn of(
        frames: &[PoseFrame],
        start: CaptureTime,
        rate_hz: f64,
        len: usize,
    ) -> Option<Self> {
        let first = frames.first()?.camera;
        if first != Some(CameraMotion::Lost) && frames.iter().all(|frame| frame.camera == first) {
            return None;
        }
        let mut last = [0.0; 2];
        let mut shifts = Vec::with_capacity(frames.len());
        let mut lost = vec![false; len];
        for frame in frames {
            match frame.camera {
                None => last = [0.0; 2],
                Some(CameraMotion::At(CameraPlace { dx_px, dy_px, .. })) => last = [dx_px, dy_px],
                Some(CameraMotion::Lost) => {
                    let at = frame.captured_at.secs_since(start) * rate_hz;
                    // A median of three frames runs over the landmarks: a lost one reaches its neighbors.
                    let from = (at.floor() - 1.0).max(0.0) as usize;
                    let to = (at.ceil() + 2.0).clamp(0.0, len as f64) as usize;
                    lost.iter_mut()
                        .take(to)
                        .skip(from)
                        .for_each(|lost| *lost = true);
                }
            }
            shifts.push(last);
        }
        let mut nearest = 0;
        let shift_px = (0..len)
            .map(|i| {
                let off = |frame: &PoseFrame| {
                    (frame.captured_at.secs_since(start) - i as f64 / rate_hz).abs()
                };
                while nearest + 1 < frames.len()
                    && off(&frames[nearest + 1]) <= off(&frames[nearest])
                {
                    nearest += 1;
                }
                shifts[nearest]
            })
            .collect();
        Some(Self { shift_px, lost })
    }

    /// What a travel from one sample to a later one is uncertain by, one standard deviation, pixels; `None` where the camera
    /// was lost on the way.
    pub(crate) fn spread_px(&self, from: usize, to: usize) -> Option<f64> {
        if self.is_lost(from, to) {
            return None;
        }
        let (a, b) = (self.shift_px.get(from)?, self.shift_px.get(to)?);
        let moved = (a[0] - b[0]).hypot(a[1] - b[1]);
        Some(OFF_PX.hypot(OFF_SHARE * moved))
    }

    /// Whether the camera was lost anywhere from one sample to another.
    pub(crate) fn is_lost(&self, from: usize, to: usize) -> bool {
        let to = to.min(self.lost.len().saturating_sub(1));
        self.lost
            .get(from..=to)
            .is_some_and(|lost| lost.contains(&true))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frames(camera: impl Fn(u32) -> Option<CameraMotion>) -> Vec<PoseFrame> {
        (0..60)
            .map(|i| PoseFrame {
                camera: camera(i),
                ..PoseFrame::new(
                    u64::from(i),
                    CaptureTime::from_secs(f64::from(i) / 30.0),
                    None,
                )
            })
            .collect()
    }

    fn shifted(dx_px: f64) -> Option<CameraMotion> {
        let home = CameraPlace::HOME;
        Some(CameraMotion::At(CameraPlace { dx_px, ..home }))
    }

    fn of(camera: impl Fn(u32) -> Option<CameraMotion>) -> Option<Steadying> {
        Steadying::of(&frames(camera), CaptureTime::default(), 30.0, 60)
    }

    #[test]
    fn a_camera_that_stands_elsewhere_all_along_leaves_nothing_uncertain() {
        assert!(of(|_| None).is_none());
        assert!(of(|_| shifted(30.0)).is_none());
    }

    #[test]
    fn a_travel_is_as_uncertain_as_the_camera_moved_meanwhile() {
        let panned = of(|i| shifted(10.0 * f64::from(i))).unwrap();
        let spread = panned.spread_px(10, 30).unwrap();
        assert!(
            (spread - 0.5f64.hypot(0.05 * 200.0)).abs() < 1e-9,
            "{spread}"
        );
        let there_and_back = of(|i| if i % 2 == 0 { None } else { shifted(8.0) }).unwrap();
        assert_eq!(there_and_back.spread_px(10, 30), Some(0.5));
    }

    #[test]
    fn nothing_is_known_across_a_moment_at_which_the_camera_was_lost() {
        let bumped = of(|i| match i {
            20..25 => Some(CameraMotion::Lost),
            _ => None,
        })
        .unwrap();
        assert_eq!(bumped.spread_px(10, 30), None);
        assert!(bumped.spread_px(30, 50).is_some());
        assert!(bumped.is_lost(25, 25) && !bumped.is_lost(28, 40));
    }
}
