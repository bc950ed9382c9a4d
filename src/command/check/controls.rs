//! What exposure, gain, flicker and focus of a camera mean, in words for the owner of a cage. Pure.

use super::finding::{Finding, Grade};
use super::flicker::Flicker;
use crate::capture::{
    BLUR_LIMIT_CM, ControlStatus, EXPOSURE_LIMIT_MS, ExposureController, FocusStatus, PowerLine,
    blur_cm,
};

/// A flicker of so many percent makes pictures that differ too much.
const STRONG_FLICKER_PCT: f64 = 10.0;
/// A gain of so many percent is the end of it.
const FULL_GAIN_PCT: f64 = 95.0;
/// Drivers round exposures; so much over the limit is none, as a share.
const ROUNDING: f64 = 1.05;

/// The lines of the report.
pub(super) fn findings(now: &ControlStatus, flickers: Option<Flicker>) -> Vec<Finding> {
    let mut findings = vec![exposure(now)];
    findings.extend(gain(now));
    findings.push(mains(now, flickers));
    findings.push(focus(now));
    findings.push(rate(now));
    if !now.notes.is_empty() {
        findings.push(finding(
            "controls",
            true,
            format!("of this camera: {}", now.notes.join("; ")),
        ));
    }
    findings
}

fn finding(what: &'static str, good: bool, says: String) -> Finding {
    Finding {
        what,
        grade: Grade::of(good),
        says,
    }
}

fn exposure(now: &ControlStatus) -> Finding {
    let finding = |good, says| finding("exposure", good, says);
    let Some(ms) = now.exposure_ms else {
        return finding(
            true,
            "the camera does not tell it and cannot be told. Put plenty of light on the hitter: most cameras then expose \
             shorter by themselves"
                .into(),
        );
    };
    let smear = format!(
        "{ms:.1} ms: in a fast swing the hands smear by about {:.0} cm",
        blur_cm(ms)
    );
    let long = ms > EXPOSURE_LIMIT_MS * ROUNDING;
    let times = (ms / EXPOSURE_LIMIT_MS).ceil().max(2.0);
    match now.exposure_by {
        ExposureController::CameraInTheDark => finding(
            false,
            format!(
                "it is too dark for any short exposure, so the camera is left to itself. Put much more light on the hitter, at \
                 least {times:.0} times as much"
            ),
        ),
        _ if !long => finding(true, format!("{smear}, {BLUR_LIMIT_CM:.0} cm are allowed")),
        ExposureController::Light => finding(
            false,
            format!(
                "{smear}, {BLUR_LIMIT_CM:.0} cm are allowed: the light is too weak for less. Put about {:.1} times as much light on the \
                 hitter",
                ms / EXPOSURE_LIMIT_MS
            ),
        ),
        ExposureController::Settings => finding(
            false,
            format!(
                "{smear}, {BLUR_LIMIT_CM:.0} cm are allowed. Set exposure_ms = \"auto\" under [camera] in the settings"
            ),
        ),
        ExposureController::Camera | ExposureController::Unknown if now.notes.is_empty() => {
            finding(
                false,
                format!(
                    "{smear}, {BLUR_LIMIT_CM:.0} cm are allowed; the camera decides it. Set exposure_ms = \"auto\" under [camera] in the \
                 settings"
                ),
            )
        }
        ExposureController::Camera | ExposureController::Unknown => finding(
            false,
            format!(
                "{smear}, {BLUR_LIMIT_CM:.0} cm are allowed; the camera decides it and cannot be told. Put more light on the hitter"
            ),
        ),
    }
}

fn gain(now: &ControlStatus) -> Option<Finding> {
    let percent = now.gain_pct?;
    let by = match now.auto_gain {
        Some(true) => "set by the camera",
        _ if now.exposure_by == ExposureController::Light => {
            "set from the light, or by the settings"
        }
        _ => "as it is set",
    };
    let advice = match now.auto_gain != Some(true) && percent >= FULL_GAIN_PCT {
        true => {
            "; that is all it can, and the picture is grainy: more light on the hitter makes it cleaner"
        }
        false => "",
    };
    Some(finding(
        "gain",
        true,
        format!("{percent:.0} % of what the camera can, {by}{advice}"),
    ))
}

fn mains(now: &ControlStatus, flickers: Option<Flicker>) -> Finding {
    let set = match now.power_line {
        None => "the camera has no setting against it",
        Some(PowerLine::Off) => "nothing is set against it",
        Some(PowerLine::Hz50) => "set for mains of 50 Hz",
        Some(PowerLine::Hz60) => "set for mains of 60 Hz",
        Some(PowerLine::Auto) => "the camera finds out by itself",
    };
    let Some(Flicker {
        mains_hz,
        depth_pct,
    }) = flickers
    else {
        return finding("flicker", true, format!("none seen; {set}"));
    };
    let seen = format!(
        "the lamps flicker with mains of {mains_hz} Hz, the picture by {depth_pct:.0} % either way; {set}"
    );
    let right = match mains_hz {
        50 => PowerLine::Hz50,
        _ => PowerLine::Hz60,
    };
    // Half a period of the mains is a whole one of the light.
    let period_ms = 500.0 / f64::from(mains_hz);
    let short = now.exposure_ms.is_some_and(|ms| ms < period_ms)
        && now.exposure_by != ExposureController::Camera;
    let strong = depth_pct >= STRONG_FLICKER_PCT;
    if short || now.power_line.is_none() || now.power_line == Some(right) {
        let advice = match strong {
            true => {
                ". A short exposure cannot take that out: use lamps that do not flicker (LED with a steady supply), or daylight"
            }
            false => ". That is weak and does no harm",
        };
        return finding("flicker", !strong, format!("{seen}{advice}"));
    }
    finding(
        "flicker",
        false,
        format!("{seen}. Set power_line_hz = {mains_hz} under [camera] in the settings"),
    )
}

fn focus(now: &ControlStatus) -> Finding {
    let (good, says) = match now.focus {
        None => (
            true,
            "fixed, or set by hand at the lens: see that the hitter is sharp",
        ),
        Some(FocusStatus::Locked) => (true, "locked: it does not hunt when somebody walks by"),
        Some(FocusStatus::Settling) => (
            true,
            "still focusing; it is locked three seconds after the start",
        ),
        Some(FocusStatus::Automatic) => (
            false,
            "not locked: the picture may go soft when somebody walks by. Set focus_pct = \"lock\" under [camera] in the \
             settings",
        ),
    };
    finding("focus", good, says.into())
}

fn rate(now: &ControlStatus) -> Finding {
    let (good, says) = match now.steady_rate {
        Some(true) => (true, "held in poor light"),
        Some(false) => (
            false,
            "the camera lowers it in poor light and does not let itself be told otherwise: put more light on the hitter",
        ),
        None => (
            true,
            "the camera has no setting to hold it in poor light; see the frames above",
        ),
    };
    finding("rate", good, says.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn webcam() -> ControlStatus {
        ControlStatus {
            exposure_ms: Some(4.0),
            exposure_by: ExposureController::Light,
            gain_pct: Some(50.0),
            auto_gain: None,
            power_line: Some(PowerLine::Hz60),
            focus: Some(FocusStatus::Locked),
            steady_rate: Some(true),
            settled: true,
            notes: Vec::new(),
        }
    }

    fn line(now: &ControlStatus, flickers: Option<Flicker>, what: &str) -> (bool, String) {
        let found = findings(now, flickers);
        let found = found.into_iter().find(|f| f.what == what).unwrap();
        (found.is_good(), found.says)
    }

    #[test]
    fn a_camera_that_is_well_set_has_nothing_to_mend() {
        assert!(findings(&webcam(), None).iter().all(|f| f.is_good()));
        let (_, says) = line(&webcam(), None, "exposure");
        assert!(says.starts_with("4.0 ms: in a fast swing the hands smear by about 4 cm"));
    }

    #[test]
    fn a_long_exposure_is_told_with_what_to_change() {
        let long = |exposure_by, ms| ControlStatus {
            exposure_ms: Some(ms),
            exposure_by,
            ..webcam()
        };
        for (now, says) in [
            (
                long(ExposureController::Light, 10.0),
                "Put about 2.5 times as much light",
            ),
            (
                long(ExposureController::Settings, 8.0),
                "Set exposure_ms = \"auto\"",
            ),
            (
                long(ExposureController::Camera, 16.0),
                "Set exposure_ms = \"auto\"",
            ),
            (
                long(ExposureController::CameraInTheDark, 15.8),
                "at least 4 times as much",
            ),
        ] {
            let (good, text) = line(&now, None, "exposure");
            assert!(!good && text.contains(says), "{text}");
        }
        let refused = ControlStatus {
            notes: vec!["it refuses".into()],
            ..long(ExposureController::Camera, 16.0)
        };
        let (good, text) = line(&refused, None, "exposure");
        assert!(
            !good && text.contains("about 16 cm") && text.contains("more light"),
            "{text}"
        );
    }

    #[test]
    fn flicker_is_mended_by_the_setting_where_that_helps_and_by_lamps_where_it_does_not() {
        let strong = Some(Flicker {
            mains_hz: 50,
            depth_pct: 23.0,
        });
        let (good, says) = line(&webcam(), strong, "flicker");
        assert!(
            !good && says.contains("use lamps that do not flicker"),
            "{says}"
        );
        let by_camera = ControlStatus {
            exposure_by: ExposureController::Camera,
            exposure_ms: Some(16.0),
            ..webcam()
        };
        let (good, says) = line(&by_camera, strong, "flicker");
        assert!(!good && says.contains("Set power_line_hz = 50"), "{says}");
        let weak = Some(Flicker {
            mains_hz: 60,
            depth_pct: 3.0,
        });
        assert!(line(&webcam(), weak, "flicker").0);
    }

    #[test]
    fn a_camera_that_tells_nothing_is_told_about_as_such() {
        let found = findings(&ControlStatus::default(), None);
        assert!(found.iter().all(|f| f.is_good()));
        assert!(
            line(&ControlStatus::default(), None, "exposure")
                .1
                .contains("plenty of light")
        );
    }
}
