//! Applies the requested controls to an open camera, and keeps them applied.
//!
//! Runs on the capture thread, between two frames. Setting a control costs a transfer over the bus, so one is set only where
//! its value changes. The values from before are restored at the end: a camera keeps its controls when the program that set
//! them is gone, and the next program would find it dim and out of focus.

use std::io;

use super::auto_exposure::{Adjustment, AutoExposure, ControlRange, EXPOSURE_LIMIT_MS, blur_cm};
use super::{
    CameraControls, Control, ControlDriver, ControlStatus, ExposureController, ExposureRequest,
    FocusRequest, FocusStatus, GainRequest, LiveControls, PowerLine,
};
use crate::time::CaptureTime;

/// The driver's units of exposure per millisecond (V4L2 documentation, `V4L2_CID_EXPOSURE_ABSOLUTE`).
const UNITS_PER_MS: f64 = 10.0;
/// How much of the time between two frames may be exposed; the sensor needs the rest.
const FRAME_SHARE: f64 = 0.95;
/// A camera has focused by then.
const FOCUS_SECS: f64 = 3.0;
/// The warning about weak light is not repeated sooner than this.
const WEAK_LIGHT_REPEAT_SECS: f64 = 600.0;

/// Of `enum v4l2_exposure_auto_type`.
const EXPOSURE_MANUAL: i64 = 1;
/// Aperture priority, which webcams have, then fully automatic.
const EXPOSURE_AUTOMATIC: [i64; 2] = [3, 0];

/// Keeps the controls of one open camera as requested.
pub(in super::super) struct ControlLoop {
    live: LiveControls,
    version: u64,
    label: String,
    frame_ms: f64,
    /// `None` where the exposure is fixed or the camera's own.
    auto_exposure: Option<AutoExposure>,
    /// The camera is focusing and will be locked afterwards.
    focus_settling: bool,
    /// Since the last change of the request.
    first_frame_at: Option<CaptureTime>,
    /// The values from before, in the order in which they were changed.
    original: Vec<(Control, i64)>,
    exposure_by: ExposureController,
    light_is_weak: bool,
    weak_light_reported_at: Option<CaptureTime>,
    notes: Vec<String>,
}

impl ControlLoop {
    /// Applies the request. `fps` is the camera's frame rate.
    pub(crate) fn start(
        driver: &dyn ControlDriver,
        live: LiveControls,
        label: &str,
        fps: f64,
    ) -> Self {
        let mut control_loop = Self {
            version: live.version(),
            live,
            label: label.to_owned(),
            frame_ms: 1e3 / if fps > 1.0 { fps } else { 30.0 },
            auto_exposure: None,
            focus_settling: false,
            first_frame_at: None,
            original: Vec::new(),
            exposure_by: ExposureController::Unknown,
            light_is_weak: false,
            weak_light_reported_at: None,
            notes: Vec::new(),
        };
        control_loop.apply(driver);
        control_loop
    }

    /// After each frame: applies a changed request and follows the light. `brightness` (0 to 255) is computed only where it is needed.
    pub(crate) fn on_frame(
        &mut self,
        driver: &dyn ControlDriver,
        at: CaptureTime,
        brightness: impl FnOnce() -> f64,
    ) {
        let version = self.live.version();
        if version != self.version {
            self.version = version;
            self.first_frame_at = None;
            self.apply(driver);
        }
        let first = *self.first_frame_at.get_or_insert(at);
        if self.focus_settling && at.secs_since(first) >= FOCUS_SECS {
            self.lock_focus(driver);
        }
        let Some(auto_exposure) = &mut self.auto_exposure else {
            return;
        };
        if let Some(adjustment) = auto_exposure.on_frame(at, brightness()) {
            self.adjust(driver, adjustment);
        }
        self.report_weak_light(at);
    }

    /// Restores what was changed, as far as the camera is still there.
    pub(crate) fn restore(&mut self, driver: &dyn ControlDriver) {
        for (control, value) in self.original.drain(..).rev() {
            if let Err(error) = driver.set(control, value) {
                tracing::debug!(?control, %error, "a camera control is left as it is");
            }
        }
    }

    /// What came of the request.
    pub(crate) fn status(&self, driver: &dyn ControlDriver) -> ControlStatus {
        let get = |control| {
            let info = driver.info(control)?;
            Some((info, driver.get(control).ok()?))
        };
        let focus = get(Control::AutoFocus).map(|(_, automatic)| match automatic {
            _ if self.focus_settling => FocusStatus::Settling,
            0 => FocusStatus::Locked,
            _ => FocusStatus::Automatic,
        });
        ControlStatus {
            exposure_ms: get(Control::ExposureTime).map(|(_, units)| units as f64 / UNITS_PER_MS),
            exposure_by: self.exposure_by,
            gain_pct: get(Control::Gain).map(|(info, value)| info.percent_of(value)),
            auto_gain: get(Control::AutoGain).map(|(_, on)| on != 0),
            power_line: get(Control::PowerLine).and_then(|(_, n)| PowerLine::from_number(n)),
            focus,
            steady_rate: get(Control::DynamicFramerate).map(|(_, on)| on == 0),
            settled: !self.focus_settling
                && self
                    .auto_exposure
                    .as_ref()
                    .is_none_or(AutoExposure::is_settled),
            notes: self.notes.clone(),
        }
    }

    fn apply(&mut self, driver: &dyn ControlDriver) {
        self.notes.clear();
        let requested = self.live.requested();
        if driver.info(Control::DynamicFramerate).is_some() {
            self.set(driver, Control::DynamicFramerate, 0);
        }
        self.apply_power_line(driver, requested.power_line);
        self.apply_gain(driver, requested.gain);
        self.apply_exposure(driver, &requested);
        self.apply_focus(driver, requested.focus);
    }

    fn apply_power_line(&mut self, driver: &dyn ControlDriver, requested: PowerLine) {
        let number = requested.number();
        match driver.info(Control::PowerLine) {
            Some(info) if info.menu_items.is_empty() || info.menu_items.contains(&number) => {
                self.set(driver, Control::PowerLine, number);
            }
            // Nothing is known to be better than what it is set to.
            Some(_) if requested == PowerLine::Auto => {}
            Some(_) => self.note("it has no such choice for the mains", true),
            None => self.note(
                "it has no setting for the mains",
                requested != PowerLine::Auto,
            ),
        }
    }

    fn apply_gain(&mut self, driver: &dyn ControlDriver, requested: GainRequest) {
        let has_automatic = driver.info(Control::AutoGain).is_some();
        match (requested, driver.info(Control::Gain)) {
            (GainRequest::Auto, _) if has_automatic => {
                self.set(driver, Control::AutoGain, 1);
            }
            // Follows the light, together with the exposure.
            (GainRequest::Auto, Some(_)) => {}
            (GainRequest::Auto, None) => self.note("it has no setting for the gain", false),
            (GainRequest::Percent(_), None) => self.note("it has no setting for the gain", true),
            (GainRequest::Percent(percent), Some(info)) => {
                if has_automatic {
                    self.set(driver, Control::AutoGain, 0);
                }
                self.set(driver, Control::Gain, info.at_percent(percent));
            }
        }
    }

    fn apply_exposure(&mut self, driver: &dyn ControlDriver, requested: &CameraControls) {
        self.auto_exposure = None;
        self.exposure_by = ExposureController::Unknown;
        let Some(info) = driver.info(Control::ExposureTime) else {
            self.note(
                "its exposure cannot be set, so that a swing may smear in weak light",
                matches!(requested.exposure, ExposureRequest::Millis(_)),
            );
            return;
        };
        let units = |ms: f64| ((ms * UNITS_PER_MS).round() as i64).clamp(info.min, info.max);
        let max = units(self.frame_ms * FRAME_SHARE);
        let first = match requested.exposure {
            ExposureRequest::Camera => {
                self.hand_over_exposure(driver);
                self.exposure_by = ExposureController::Camera;
                return;
            }
            ExposureRequest::Millis(ms) => units(ms),
            ExposureRequest::Limited => units(EXPOSURE_LIMIT_MS).min(max),
        };
        let is_manual = driver.info(Control::ExposureMode).is_none()
            || self.set(driver, Control::ExposureMode, EXPOSURE_MANUAL);
        if !is_manual || !self.set(driver, Control::ExposureTime, first) {
            self.hand_over_exposure(driver);
            self.exposure_by = ExposureController::Camera;
            return;
        }
        if matches!(requested.exposure, ExposureRequest::Millis(_)) {
            self.exposure_by = ExposureController::Settings;
            return;
        }
        self.exposure_by = ExposureController::Light;
        let exposure = ControlRange {
            min: info.min.max(1),
            current: driver.get(Control::ExposureTime).unwrap_or(first),
            max,
        };
        let gain = match requested.gain {
            GainRequest::Auto if driver.info(Control::AutoGain).is_none() => driver
                .info(Control::Gain)
                .zip(driver.get(Control::Gain).ok())
                .map(|(info, current)| ControlRange {
                    min: info.min,
                    current,
                    max: info.max,
                }),
            _ => None,
        };
        self.auto_exposure = Some(AutoExposure::new(exposure, units(EXPOSURE_LIMIT_MS), gain));
    }

    /// Hands the exposure to the camera's own automatic.
    fn hand_over_exposure(&mut self, driver: &dyn ControlDriver) {
        let Some(info) = driver.info(Control::ExposureMode) else {
            return;
        };
        let automatic = EXPOSURE_AUTOMATIC
            .into_iter()
            .find(|mode| info.menu_items.is_empty() || info.menu_items.contains(mode));
        if let Some(mode) = automatic {
            self.set(driver, Control::ExposureMode, mode);
        }
    }

    fn apply_focus(&mut self, driver: &dyn ControlDriver, requested: FocusRequest) {
        self.focus_settling = false;
        let has_automatic = driver.info(Control::AutoFocus).is_some();
        match requested {
            FocusRequest::Auto if has_automatic => {
                self.set(driver, Control::AutoFocus, 1);
            }
            FocusRequest::Auto => self.note("it has no automatic focus", true),
            FocusRequest::Lock if !has_automatic => {
                self.note("its focus is fixed, or set by hand", false)
            }
            FocusRequest::Lock => {
                let locked_before = self.live.state().locked_focus;
                if let Some(value) = locked_before {
                    self.set(driver, Control::AutoFocus, 0);
                    self.set(driver, Control::Focus, value);
                } else {
                    // A focus that is locked already is somebody's choice.
                    self.focus_settling = driver.get(Control::AutoFocus).is_ok_and(|on| on != 0);
                }
            }
            FocusRequest::Percent(percent) => match driver.info(Control::Focus) {
                Some(info) => {
                    if has_automatic {
                        self.set(driver, Control::AutoFocus, 0);
                    }
                    self.set(driver, Control::Focus, info.at_percent(percent));
                }
                None => self.note("its focus cannot be set", true),
            },
        }
    }

    fn lock_focus(&mut self, driver: &dyn ControlDriver) {
        self.focus_settling = false;
        // Read before locking, as some cameras report a wrong value afterwards.
        let value = driver.get(Control::Focus).ok();
        if self.set(driver, Control::AutoFocus, 0) {
            self.live.state().locked_focus = value;
            tracing::debug!(camera = %self.label, ?value, "the focus is locked");
        }
    }

    fn adjust(&mut self, driver: &dyn ControlDriver, adjustment: Adjustment) {
        tracing::debug!(camera = %self.label, ?adjustment, "following the light");
        match adjustment {
            Adjustment::Exposure(value) => {
                self.set_and_verify(driver, Control::ExposureTime, value)
            }
            Adjustment::Gain(value) => self.set_and_verify(driver, Control::Gain, value),
            Adjustment::HandOver => {
                self.hand_over_exposure(driver);
                self.exposure_by = ExposureController::CameraInTheDark;
            }
            Adjustment::TakeBack => self.apply_exposure(driver, &self.live.requested()),
        }
    }

    /// Sets a control that follows the light, and passes on what the driver made of it.
    fn set_and_verify(&mut self, driver: &dyn ControlDriver, control: Control, value: i64) {
        self.set(driver, control, value);
        let (Ok(actual), Some(auto_exposure)) = (driver.get(control), &mut self.auto_exposure)
        else {
            // The light cannot be followed without knowing what the camera does.
            self.auto_exposure = None;
            return;
        };
        match control {
            Control::Gain => auto_exposure.gain_set(value, actual),
            _ => auto_exposure.exposure_set(value, actual),
        }
    }

    fn report_weak_light(&mut self, at: CaptureTime) {
        let Some(auto_exposure) = &self.auto_exposure else {
            return;
        };
        let weak = auto_exposure.light_is_weak();
        // Until it settles, the exposure may be past the limit for a moment.
        if weak == self.light_is_weak || !auto_exposure.is_settled() {
            return;
        }
        self.light_is_weak = weak;
        if !weak {
            tracing::info!(camera = %self.label, "the light suffices for a short exposure again");
            return;
        }
        let is_due =
            |reported_at: CaptureTime| at.secs_since(reported_at) >= WEAK_LIGHT_REPEAT_SECS;
        if self.weak_light_reported_at.is_none_or(is_due) {
            self.weak_light_reported_at = Some(at);
            tracing::warn!(
                camera = %self.label,
                "the light is too weak: pictures are exposed longer than {EXPOSURE_LIMIT_MS:.0} ms, so that the hands smear by more than {:.0} cm in a swing. Put more light on the hitter",
                blur_cm(EXPOSURE_LIMIT_MS)
            );
        }
    }

    /// Sets a control where its value differs, and keeps the original; false if the camera refuses.
    fn set(&mut self, driver: &dyn ControlDriver, control: Control, value: i64) -> bool {
        let before = driver.get(control).ok();
        if before == Some(value) {
            return true;
        }
        if let Err(error) = driver.set(control, value) {
            self.refused(control, &error);
            return false;
        }
        if let Some(before) = before
            && !self.original.iter().any(|(known, _)| *known == control)
        {
            self.original.push((control, before));
        }
        true
    }

    fn refused(&mut self, control: Control, error: &io::Error) {
        let what = match control {
            Control::ExposureMode | Control::ExposureTime => "exposure",
            Control::DynamicFramerate => "steady rate",
            Control::AutoGain | Control::Gain => "gain",
            Control::PowerLine => "mains",
            Control::AutoFocus | Control::Focus => "focus",
        };
        self.note(
            &format!("it refuses its setting for the {what} ({error})"),
            true,
        );
    }

    /// Keeps a fact about the camera and reports it once; `unmet` says that it keeps a request from being met.
    fn note(&mut self, fact: &str, unmet: bool) {
        if !self.notes.iter().any(|known| known == fact) {
            self.notes.push(fact.to_owned());
        }
        self.live.report_once(&self.label, fact, unmet);
    }
}

#[cfg(test)]
#[path = "control_loop_tests.rs"]
mod tests;
