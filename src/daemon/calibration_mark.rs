//! Remembers across restarts that the camera was moved after it was calibrated.
//!
//! A small file beside the journal names the calibration that is old; another calibration makes it void.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// What was measured of the camera: `camera.known_length_cm` as centimeters a pixel, and `camera.roll_deg`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Calibration {
    /// Centimeters a pixel where the hitter stands.
    pub cm_per_px: Option<f64>,
    /// Degrees.
    pub roll_deg: Option<f64>,
}

impl Calibration {
    /// Whether nothing was measured.
    pub(crate) fn is_none(self) -> bool {
        self == Self::default()
    }

    fn text(self) -> String {
        let value = |value: Option<f64>| value.map_or("none".to_owned(), |value| value.to_string());
        format!(
            "old calibration: {} cm a pixel, roll {} degrees\n",
            value(self.cm_per_px),
            value(self.roll_deg)
        )
    }
}

/// The file.
#[derive(Clone, Debug)]
pub(crate) struct CalibrationMark(PathBuf);

impl CalibrationMark {
    /// The journal's path with `.calibration-old` behind it.
    pub(crate) fn beside(journal: &Path) -> Self {
        let mut name = journal.as_os_str().to_owned();
        name.push(".calibration-old");
        Self(name.into())
    }

    /// Whether this calibration is the one that is old.
    pub(crate) fn is_set_for(&self, calibration: Calibration) -> bool {
        let marked = std::fs::read_to_string(&self.0);
        !calibration.is_none() && marked.is_ok_and(|marked| marked == calibration.text())
    }

    /// Marks a calibration as old. Where that fails the run goes on; only the next one will not know.
    pub(crate) fn set(&self, calibration: Calibration) {
        if let Err(error) = std::fs::write(&self.0, calibration.text()) {
            tracing::warn!(%error, file = %self.0.display(), "that the calibration is old could not be noted");
        }
    }

    /// Takes the mark away.
    pub(crate) fn clear(&self) {
        match std::fs::remove_file(&self.0) {
            Err(error) if error.kind() != ErrorKind::NotFound => {
                tracing::warn!(%error, file = %self.0.display(), "the mark of an old calibration stays");
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_holds_for_the_calibration_that_it_was_set_for_and_no_other() {
        let folder = tempfile::tempdir().unwrap();
        let mark = CalibrationMark::beside(&folder.path().join("journal.db"));
        let old = Calibration {
            cm_per_px: Some(0.35),
            roll_deg: None,
        };
        assert!(!mark.is_set_for(old));
        mark.set(old);
        assert!(mark.is_set_for(old));
        let new = Calibration {
            roll_deg: Some(1.5),
            ..old
        };
        assert!(!mark.is_set_for(new));
        assert!(!mark.is_set_for(Calibration::default()));
        mark.clear();
        mark.clear();
        assert!(!mark.is_set_for(old));
    }
}
