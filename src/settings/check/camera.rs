//! Checks the camera's section: its mode, where it stands, and its controls.

use std::ops::RangeInclusive;

use toml::Spanned;

use super::super::file::{Camera, NumberOrWord};
use super::super::{CameraSettings, ROLL_DEG};
use super::{choice, non_empty, within};
use crate::capture::{
    CameraBackend, CameraControls, ExposureRequest, FocusRequest, GainRequest, PowerLine,
};
use crate::rep::View;
use crate::toml_checked::{Checked, ValueError, refuse};

/// Exposures that can be requested, milliseconds: shorter is dark in any light, longer smears a swing.
const EXPOSURE_MS: RangeInclusive<f64> = 0.1..=50.0;
/// Rates that can be requested, frames a second.
const FPS: RangeInclusive<f64> = 10.0..=500.0;
const PERCENT: RangeInclusive<f64> = 0.0..=100.0;
/// A picture that shows a whole hitter has between a twentieth of a centimeter and three to a pixel.
const CM_PER_PX: RangeInclusive<f64> = 0.05..=3.0;

type Given = Option<Spanned<NumberOrWord>>;

pub(super) fn camera(given: Camera) -> Checked<CameraSettings> {
    Ok(CameraSettings {
        device: non_empty(given.device).filter(|device| device != "auto"),
        backend: backend(given.backend, CameraBackend::AVAILABLE)?,
        width: within(given.width, "width", &(160..=7680))?,
        height: within(given.height, "height", &(120..=4320))?,
        fps: fps(given.fps)?,
        view: choice(
            given.view,
            "view",
            &[
                ("auto", None),
                ("open-side", Some(View::OpenSide)),
                ("back-side", Some(View::BackSide)),
                ("rear", Some(View::Rear)),
                ("front", Some(View::Front)),
            ],
        )?
        .flatten(),
        cm_per_px: known_length(given.known_length_cm, given.known_length_px)?,
        roll_deg: roll(given.roll_deg)?,
        controls: CameraControls {
            exposure: exposure(given.exposure_ms)?,
            gain: gain(given.gain_pct)?,
            power_line: power_line(given.power_line_hz)?,
            focus: focus(given.focus_pct)?,
        },
    })
}

/// `available` are the backends that this system has, the default first.
fn backend(value: Option<Spanned<String>>, available: &[CameraBackend]) -> Checked<CameraBackend> {
    let Some(value) = value.filter(|value| value.get_ref() != "auto") else {
        return Ok(available.first().copied().unwrap_or_default());
    };
    let word = value.get_ref().as_str();
    if let Some(backend) = available.iter().find(|backend| backend.name() == word) {
        return Ok(*backend);
    }
    let exists = CameraBackend::ALL
        .iter()
        .any(|backend| backend.name() == word);
    let why = match exists {
        true => ", which this system does not have",
        false => "",
    };
    let words: Vec<String> = available
        .iter()
        .map(|backend| format!("{:?}", backend.name()))
        .collect();
    refuse(
        &value,
        format!(
            "backend is {word:?}{why}; it must be one of \"auto\", {}",
            words.join(", ")
        ),
    )
}

/// Centimeters per pixel from a length that is given in both; 0 in both means that none was measured.
fn known_length(cm: Option<Spanned<f64>>, px: Option<Spanned<f64>>) -> Checked<Option<f64>> {
    let (Some(cm), Some(px)) = (cm, px) else {
        return Ok(None);
    };
    let (length_cm, length_px) = (*cm.get_ref(), *px.get_ref());
    let scale = length_cm / length_px;
    match (length_cm > 0.0, length_px > 0.0) {
        (false, false) if length_cm == 0.0 && length_px == 0.0 => Ok(None),
        (true, true) if CM_PER_PX.contains(&scale) => Ok(Some(scale)),
        _ => Err(ValueError {
            at: px.span().start.max(cm.span().start),
            reason: format!(
                "known_length_cm = {length_cm} and known_length_px = {length_px} do not go together; give both as \
                 measured where the hitter stands, or 0 for both"
            ),
        }),
    }
}

fn roll(value: Given) -> Checked<Option<f64>> {
    let Some(value) = value else { return Ok(None) };
    match value.get_ref() {
        NumberOrWord::Number(deg) if ROLL_DEG.contains(deg) => Ok(Some(*deg)),
        NumberOrWord::Word(word) if word == "auto" => Ok(None),
        given => refuse(
            &value,
            format!(
                "roll_deg is {given}; it must be \"auto\" or {} to {} degrees (a camera that leans more is to be set level)",
                ROLL_DEG.start(),
                ROLL_DEG.end()
            ),
        ),
    }
}

fn fps(value: Given) -> Checked<Option<f64>> {
    let expected = "\"auto\" or 10 to 500 frames a second";
    meaning_of(value, "fps", expected, |given| match given {
        NumberOrWord::Number(fps) if FPS.contains(fps) => Some(Some(*fps)),
        NumberOrWord::Word(word) if word == "auto" => Some(None),
        _ => None,
    })
}

fn exposure(value: Given) -> Checked<ExposureRequest> {
    meaning_of(
        value,
        "exposure_ms",
        "\"auto\", \"camera\" or 0.1 to 50 milliseconds",
        |given| match given {
            NumberOrWord::Number(ms) if EXPOSURE_MS.contains(ms) => {
                Some(ExposureRequest::Millis(*ms))
            }
            NumberOrWord::Word(word) if word == "auto" => Some(ExposureRequest::Limited),
            NumberOrWord::Word(word) if word == "camera" => Some(ExposureRequest::Camera),
            _ => None,
        },
    )
}

fn gain(value: Given) -> Checked<GainRequest> {
    let expected = "\"auto\" or 0 to 100, the share of what the camera can";
    meaning_of(value, "gain_pct", expected, |given| match given {
        NumberOrWord::Number(percent) if PERCENT.contains(percent) => {
            Some(GainRequest::Percent(*percent))
        }
        NumberOrWord::Word(word) if word == "auto" => Some(GainRequest::Auto),
        _ => None,
    })
}

fn power_line(value: Given) -> Checked<PowerLine> {
    let expected = "\"auto\", \"off\", 50 or 60";
    meaning_of(value, "power_line_hz", expected, |given| match given {
        NumberOrWord::Number(50.0) => Some(PowerLine::Hz50),
        NumberOrWord::Number(60.0) => Some(PowerLine::Hz60),
        NumberOrWord::Word(word) if word == "auto" => Some(PowerLine::Auto),
        NumberOrWord::Word(word) if word == "off" => Some(PowerLine::Off),
        _ => None,
    })
}

fn focus(value: Given) -> Checked<FocusRequest> {
    let expected = "\"lock\", \"auto\" or 0 (far) to 100 (near)";
    meaning_of(value, "focus_pct", expected, |given| match given {
        NumberOrWord::Number(percent) if PERCENT.contains(percent) => {
            Some(FocusRequest::Percent(*percent))
        }
        NumberOrWord::Word(word) if word == "lock" => Some(FocusRequest::Lock),
        NumberOrWord::Word(word) if word == "auto" => Some(FocusRequest::Auto),
        _ => None,
    })
}

/// What a value means; `expected` is for the message.
fn meaning_of<T: Default>(
    value: Given,
    key: &str,
    expected: &str,
    meaning: impl FnOnce(&NumberOrWord) -> Option<T>,
) -> Checked<T> {
    let Some(value) = value else {
        return Ok(T::default());
    };
    let given = value.get_ref();
    meaning(given).map_or_else(
        || refuse(&value, format!("{key} is {given}; it must be {expected}")),
        Ok,
    )
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::settings::{Settings, SettingsError};

    #[test]
    fn a_backend_is_chosen_among_those_that_the_system_has() {
        use CameraBackend::{Nokhwa, V4l};
        let given = |word: &str| Some(Spanned::new(0..0, word.to_owned()));
        for (word, available, backend) in [
            ("auto", &[V4l, Nokhwa][..], V4l),
            ("v4l", &[V4l, Nokhwa], V4l),
            ("nokhwa", &[V4l, Nokhwa], Nokhwa),
            ("auto", &[Nokhwa], Nokhwa),
            ("nokhwa", &[Nokhwa], Nokhwa),
        ] {
            assert!(super::backend(given(word), available).is_ok_and(|b| b == backend));
        }
        for (word, available, says) in [
            (
                "v4l",
                &[Nokhwa][..],
                "backend is \"v4l\", which this system does not have; it must be one of \"auto\", \"nokhwa\"",
            ),
            (
                "directshow",
                &[V4l, Nokhwa],
                "backend is \"directshow\"; it must be one of \"auto\", \"v4l\", \"nokhwa\"",
            ),
        ] {
            let refused = super::backend(given(word), available).err().unwrap();
            assert_eq!(refused.reason, says);
        }
        let text = "[camera]\nbackend = \"nokhwa\"\n";
        let settings = Settings::parse(text, Path::new("s.toml")).unwrap();
        assert_eq!(settings.camera.backend, Nokhwa);
        let default = Settings::parse("", Path::new("s.toml")).unwrap();
        assert_eq!(default.camera.backend, CameraBackend::default());
    }

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
            ("backend = \"usb\"", "backend is \"usb\""),
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
