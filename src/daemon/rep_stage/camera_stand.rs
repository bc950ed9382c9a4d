//! Whether the camera moves, and whether it still stands where it was calibrated.
//!
//! In: how the camera has moved, frame by frame. Out: the setup to measure by, without what was calibrated while the camera
//! moves and after it came to stand elsewhere.

use super::RepStage;
use crate::daemon::PoseSample;
use crate::daemon::calibration_mark::{Calibration, CalibrationMark};
use crate::picture_size::PictureSize;
use crate::pose::{CameraMotion, CameraPlace};
use crate::rep::HitterSetup;
use crate::status::CameraState;
use crate::time::CaptureTime;

/// A camera that has not moved for so long stands still, seconds.
const STANDS_SECS: f64 = 1.0;
/// So long after it moved screens say so, seconds.
const SHOWN_SECS: f64 = 5.0;
/// A camera that points elsewhere by less than this is still calibrated: share of the picture's width, degrees, share of size.
/// A calibration is no surer than that.
const SAME_SHIFT: f64 = 0.01;
const SAME_ROLL_DEG: f64 = 0.3;
const SAME_ZOOM: f64 = 0.01;

impl RepStage {
    /// Remembers there that the camera was moved after it was calibrated.
    #[must_use]
    pub(in crate::daemon) fn with_calibration_mark(mut self, mark: CalibrationMark) -> Self {
        self.camera.remember(mark);
        self
    }

    pub(super) fn set_setup(&mut self, setup: HitterSetup) {
        self.session.set_setup(setup);
        self.head_tone.set_setup(setup);
    }

    /// Measures by what was calibrated only while the camera stands where it was.
    pub(super) fn follow_camera(&mut self, sample: &PoseSample) {
        let now = sample.pose.captured_at;
        if let Some(news) = self.camera.step(now, sample.pose.camera, sample.picture) {
            self.terminal.println(news);
        }
        let mut setup = self.camera.setup(now);
        if self.changes.shares_turns() {
            setup.bats = None;
        }
        if setup != self.session.setup {
            self.set_setup(setup);
        }
    }
}

/// Follows one camera.
pub(super) struct CameraStand {
    /// What the operator said of hitter and camera.
    asked: HitterSetup,
    last: Option<CameraMotion>,
    moved_at: Option<CaptureTime>,
    /// Whether the calibration is old, and whether it was so before this run began.
    old: bool,
    old_before: bool,
    mark: Option<CalibrationMark>,
}

fn calibration(setup: &HitterSetup) -> Calibration {
    Calibration {
        cm_per_px: setup.cm_per_px,
        roll_deg: setup.roll_deg,
    }
}

impl CameraStand {
    /// A camera that has not moved yet.
    pub(super) fn new(asked: HitterSetup) -> Self {
        Self {
            asked,
            last: None,
            moved_at: None,
            old: false,
            old_before: false,
            mark: None,
        }
    }

    /// Remembers there that the calibration is old, and goes by what is remembered.
    pub(super) fn remember(&mut self, mark: CalibrationMark) {
        self.old_before = mark.is_set_for(calibration(&self.asked));
        self.old = self.old_before;
        self.mark = Some(mark);
    }

    /// The operator says something else from now on. Another calibration holds where the camera stood when the run began: the
    /// landmarks are brought back to there.
    pub(super) fn ask(&mut self, asked: HitterSetup) {
        if calibration(&asked) != calibration(&self.asked) && self.last.is_none() {
            (self.old, self.old_before) = (false, false);
        }
        self.asked = asked;
    }

    /// Takes the next frame. Gives what is to be told, if anything.
    pub(super) fn step(
        &mut self,
        now: CaptureTime,
        camera: Option<CameraMotion>,
        picture: PictureSize,
    ) -> Option<&'static str> {
        let moves = camera != self.last || camera == Some(CameraMotion::Lost);
        self.last = camera;
        if moves {
            let news = !self.moved_within(now, SHOWN_SECS);
            self.moved_at = Some(now);
            return news.then_some("the camera moved");
        }
        if self.moved_within(now, STANDS_SECS) || self.moved_at.is_none() {
            return None;
        }
        let old = self.old_before || stands_elsewhere(camera, picture);
        let was_old = std::mem::replace(&mut self.old, old);
        let calibration = calibration(&self.asked);
        if calibration.is_none() || was_old == self.old {
            return None;
        }
        if let Some(mark) = &self.mark {
            match self.old {
                true => mark.set(calibration),
                false => mark.clear(),
            }
        }
        Some(match self.old {
            true => {
                "the camera was moved after it was calibrated: the calibration is not used until you stop, run `cagehand calibrate` and start again"
            }
            false => "the camera stands again where it was calibrated",
        })
    }

    /// What to measure by.
    pub(super) fn setup(&self, now: CaptureTime) -> HitterSetup {
        match self.old || self.moved_within(now, STANDS_SECS) {
            true => HitterSetup {
                cm_per_px: None,
                roll_deg: None,
                ..self.asked
            },
            false => self.asked,
        }
    }

    /// Whether screens say that the camera moved.
    pub(super) fn moved_lately(&self, now: CaptureTime) -> bool {
        self.moved_within(now, SHOWN_SECS)
    }

    pub(super) fn state(&self, now: CaptureTime) -> CameraState {
        if self.moved_lately(now) {
            CameraState::Moved
        } else if self.old && !calibration(&self.asked).is_none() {
            CameraState::CalibrationOld
        } else {
            CameraState::Stands
        }
    }

    fn moved_within(&self, now: CaptureTime, secs: f64) -> bool {
        self.moved_at
            .is_some_and(|at| (0.0..secs).contains(&now.secs_since(at)))
    }
}

fn stands_elsewhere(camera: Option<CameraMotion>, picture: PictureSize) -> bool {
    let Some(CameraMotion::At(CameraPlace {
        dx_px,
        dy_px,
        roll_deg,
        zoom,
    })) = camera
    else {
        return false;
    };
    dx_px.hypot(dy_px) > SAME_SHIFT * f64::from(picture.width_px)
        || roll_deg.abs() > SAME_ROLL_DEG
        || (zoom - 1.0).abs() > SAME_ZOOM
}

#[cfg(test)]
mod tests {
    use super::*;

    const PICTURE: PictureSize = PictureSize {
        width_px: 1280,
        height_px: 720,
    };

    fn calibrated() -> HitterSetup {
        HitterSetup {
            height_cm: Some(180.0),
            cm_per_px: Some(0.35),
            roll_deg: Some(1.0),
            ..HitterSetup::default()
        }
    }

    fn at(dx_px: f64) -> Option<CameraMotion> {
        let home = CameraPlace::HOME;
        Some(CameraMotion::At(CameraPlace { dx_px, ..home }))
    }

    /// Ten seconds at thirty frames a second: stands, moves for one second from the second second on, and stands at `end`.
    fn watched(stand: &mut CameraStand, end: Option<CameraMotion>) -> Vec<(f64, &'static str)> {
        let place = |i: u32| match i {
            0..60 => None,
            60..90 => at(f64::from(i)),
            _ => end,
        };
        (0..300)
            .filter_map(|i| {
                let secs = f64::from(i) / 30.0;
                let told = stand.step(CaptureTime::from_secs(secs), place(i), PICTURE);
                told.map(|told| (secs, told))
            })
            .collect()
    }

    fn secs(secs: f64) -> CaptureTime {
        CaptureTime::from_secs(secs)
    }

    #[test]
    fn a_calibration_rests_while_the_camera_moves_and_is_old_where_it_stands_elsewhere() {
        let folder = tempfile::tempdir().unwrap();
        let mark = CalibrationMark::beside(&folder.path().join("journal.db"));
        let mut stand = CameraStand::new(calibrated());
        stand.remember(mark.clone());
        assert_eq!(stand.setup(secs(0.0)), calibrated());
        let told = watched(&mut stand, at(60.0));
        assert_eq!(told.len(), 2, "{told:?}");
        assert_eq!(told[0], (2.0, "the camera moved"));
        assert!((3.9..4.2).contains(&told[1].0), "{told:?}");
        let setup = stand.setup(secs(9.9));
        assert_eq!((setup.cm_per_px, setup.roll_deg), (None, None));
        assert_eq!(setup.height_cm, Some(180.0));
        assert_eq!(stand.state(secs(6.0)), CameraState::Moved);
        assert_eq!(stand.state(secs(9.9)), CameraState::CalibrationOld);
        // The next run knows, until another calibration is told.
        let mut next = CameraStand::new(calibrated());
        next.remember(mark.clone());
        assert_eq!(next.state(secs(0.0)), CameraState::CalibrationOld);
        assert_eq!(next.setup(secs(0.0)).cm_per_px, None);
        let again = HitterSetup {
            cm_per_px: Some(0.36),
            ..calibrated()
        };
        next.ask(again);
        assert_eq!(next.setup(secs(0.1)), again);
        let mut later = CameraStand::new(again);
        later.remember(mark);
        assert_eq!(later.state(secs(0.0)), CameraState::Stands);
    }

    #[test]
    fn a_camera_that_swings_back_is_calibrated_again_once_it_stands() {
        let mut stand = CameraStand::new(calibrated());
        let told = watched(&mut stand, at(3.0));
        assert_eq!(told, [(2.0, "the camera moved")]);
        assert_eq!(stand.setup(secs(9.9)), calibrated());
        assert_eq!(stand.state(secs(9.9)), CameraState::Stands);
        let moving = stand.setup(secs(3.1));
        assert_eq!((moving.cm_per_px, moving.roll_deg), (None, None));
    }
}
