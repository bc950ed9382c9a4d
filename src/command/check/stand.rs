//! Does the camera stand still, and where it was calibrated?

use super::finding::{Finding, Grade};
use crate::command::{Failure, journal_path};
use crate::daemon::{Calibration, CalibrationMark};
use crate::settings::Settings;

/// `moved` is whether the camera moved while it was looked at.
pub(super) fn stand(moved: bool, settings: &Settings) -> Result<Finding, Failure> {
    let calibration = Calibration {
        cm_per_px: settings.camera.cm_per_px,
        roll_deg: settings.camera.roll_deg,
    };
    let mark = CalibrationMark::beside(&journal_path(None, settings)?);
    let old = mark.is_set_for(calibration);
    let says = match (moved, old) {
        (true, _) => {
            "camera moved while it was looked at: fix its stand, and keep people and balls off it"
        }
        (false, true) => {
            "camera moved after it was calibrated: run `cagehand calibrate` again; until then the calibration is not used"
        }
        (false, false) => "the camera stands still",
    };
    Ok(Finding {
        what: "stand",
        grade: Grade::of(!moved && !old),
        says: says.into(),
    })
}
