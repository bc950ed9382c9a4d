//! Checks what is wished of the camera beside its mode: exposure, gain, mains, focus.

use toml::Spanned;

use super::check::{Checked, Wrong};
use super::file::AutoOr;
use crate::capture::{ExposureRequest, FocusRequest, GainRequest, PowerLine};

/// Exposures that can be wished, milliseconds: shorter is dark in any light, longer is no film.
const EXPOSURE_MS: std::ops::RangeInclusive<f64> = 0.1..=50.0;
const PERCENT: std::ops::RangeInclusive<f64> = 0.0..=100.0;

type Given = Option<Spanned<AutoOr>>;

pub(super) fn exposure(value: Given) -> Checked<ExposureRequest> {
    read(
        value,
        "exposure_ms",
        "\"auto\", \"camera\" or 0.1 to 50 milliseconds",
        |given| match given {
            AutoOr::Number(ms) if EXPOSURE_MS.contains(ms) => Some(ExposureRequest::Millis(*ms)),
            AutoOr::Word(word) if word == "auto" => Some(ExposureRequest::Limited),
            AutoOr::Word(word) if word == "camera" => Some(ExposureRequest::Camera),
            _ => None,
        },
    )
}

pub(super) fn gain(value: Given) -> Checked<GainRequest> {
    let right = "\"auto\" or 0 to 100, the share of what the camera can";
    read(value, "gain_pct", right, |given| match given {
        AutoOr::Number(percent) if PERCENT.contains(percent) => {
            Some(GainRequest::Percent(*percent))
        }
        AutoOr::Word(word) if word == "auto" => Some(GainRequest::Auto),
        _ => None,
    })
}

pub(super) fn power_line(value: Given) -> Checked<PowerLine> {
    let right = "\"auto\", \"off\", 50 or 60";
    read(value, "power_line_hz", right, |given| match given {
        AutoOr::Number(50.0) => Some(PowerLine::Hz50),
        AutoOr::Number(60.0) => Some(PowerLine::Hz60),
        AutoOr::Word(word) if word == "auto" => Some(PowerLine::Auto),
        AutoOr::Word(word) if word == "off" => Some(PowerLine::Off),
        _ => None,
    })
}

pub(super) fn focus(value: Given) -> Checked<FocusRequest> {
    let right = "\"lock\", \"auto\" or 0 (far) to 100 (near)";
    read(value, "focus_pct", right, |given| match given {
        AutoOr::Number(percent) if PERCENT.contains(percent) => {
            Some(FocusRequest::Percent(*percent))
        }
        AutoOr::Word(word) if word == "lock" => Some(FocusRequest::Lock),
        AutoOr::Word(word) if word == "auto" => Some(FocusRequest::Auto),
        _ => None,
    })
}

fn read<T: Default>(
    value: Given,
    key: &str,
    right: &str,
    meaning: impl FnOnce(&AutoOr) -> Option<T>,
) -> Checked<T> {
    let Some(value) = value else {
        return Ok(T::default());
    };
    meaning(value.get_ref()).ok_or_else(|| Wrong {
        at: value.span().start,
        reason: format!("{key} is {}; it must be {right}", value.get_ref().told()),
    })
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::capture::{CameraControls, ExposureRequest, FocusRequest, GainRequest, PowerLine};
    use crate::settings::{Settings, SettingsError};

    #[test]
    fn words_and_numbers_are_understood() {
        let controls = |keys: &str| {
            let text = format!("[camera]\n{keys}\n");
            Settings::parse(&text, Path::new("s.toml"))
                .unwrap()
                .camera
                .controls
        };
        let default = CameraControls::default();
        assert_eq!(controls(""), default);
        assert_eq!(
            controls(
                "exposure_ms = \"auto\"\ngain_pct = \"auto\"\npower_line_hz = \"auto\"\nfocus_pct = \"lock\""
            ),
            default
        );
        assert_eq!(
            controls("exposure_ms = 2.5\ngain_pct = 40\npower_line_hz = 50\nfocus_pct = 0"),
            CameraControls {
                exposure: ExposureRequest::Millis(2.5),
                gain: GainRequest::Percent(40.0),
                power_line: PowerLine::Hz50,
                focus: FocusRequest::Percent(0.0),
            }
        );
        assert_eq!(
            controls("exposure_ms = \"camera\"\npower_line_hz = \"off\"\nfocus_pct = \"auto\""),
            CameraControls {
                exposure: ExposureRequest::Camera,
                power_line: PowerLine::Off,
                focus: FocusRequest::Auto,
                ..default
            }
        );
        assert_eq!(controls("power_line_hz = 60").power_line, PowerLine::Hz60);
    }

    #[test]
    fn what_is_not_is_refused_with_its_line() {
        for (key, says) in [
            (
                "exposure_ms = 0",
                "exposure_ms is 0; it must be \"auto\", \"camera\" or 0.1 to 50",
            ),
            ("exposure_ms = nan", "0.1 to 50"),
            ("exposure_ms = \"short\"", "exposure_ms is \"short\""),
            ("gain_pct = 101", "gain_pct is 101"),
            ("power_line_hz = 55", "\"auto\", \"off\", 50 or 60"),
            ("power_line_hz = \"50\"", "power_line_hz is \"50\""),
            ("focus_pct = -1", "0 (far) to 100 (near)"),
            ("focus_pct = true", "or a number"),
        ] {
            let text = format!("[camera]\nfps = 30\n{key}\n");
            match Settings::parse(&text, Path::new("s.toml")) {
                Err(SettingsError::Wrong {
                    line: 3, reason, ..
                }) => {
                    assert!(reason.contains(says), "{key}: {reason}");
                }
                other => panic!("{key}: {other:?}"),
            }
        }
    }
}
