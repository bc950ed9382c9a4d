//! Applies the wishes to a camera that is open, and keeps them applied.
//!
//! Runs on the capture thread, between two frames. A control costs a transfer over the bus, so one is set only where
//! something is to change. What a value was before is put back at the end: a camera keeps what it was told after the program
//! that told it is gone, and another program would find it dim and out of focus.

use std::io;

use super::limit::{EXPOSURE_LIMIT_MS, Lever, Limiter, Step, blur_cm};
use super::{
    CameraControls, Control, ControlStatus, Driver, ExposureController, ExposureRequest,
    FocusRequest, FocusStatus, GainRequest, LiveControls, PowerLine,
};
use crate::time::CaptureTime;

/// The driver's units of exposure in a millisecond (V4L2 documentation, `V4L2_CID_EXPOSURE_ABSOLUTE`).
const UNITS_PER_MS: f64 = 10.0;
/// Of the time between two frames so much may be exposed; the rest is the sensor's own.
const FRAME_SHARE: f64 = 0.95;
/// A camera has focused after this time.
const FOCUS_SECS: f64 = 3.0;
/// That the light is weak is said no more often than this.
const WEAK_AGAIN_SECS: f64 = 600.0;

/// `enum v4l2_exposure_auto_type`.
const BY_HAND: i64 = 1;
/// The camera's own: first the one that webcams have (the opening is fixed), then the other.
const CAMERAS_OWN: [i64; 2] = [3, 0];

/// Keeps one open camera as it is wished.
pub(in super::super) struct Keeper {
    live: LiveControls,
    version: u64,
    label: String,
    frame_ms: f64,
    limiter: Option<Limiter>,
    /// When the focus is to be locked.
    focus_settles: bool,
    first_picture: Option<CaptureTime>,
    /// What there was before, in the order it was changed.
    before: Vec<(Control, i64)>,
    exposure_by: ExposureController,
    weak: bool,
    weak_said: Option<CaptureTime>,
    notes: Vec<String>,
}

impl Keeper {
    /// Applies the wishes. `fps` is the camera's rate.
    pub(crate) fn start(driver: &dyn Driver, live: LiveControls, label: &str, fps: f64) -> Self {
        let mut keeper = Self {
            version: live.version(),
            live,
            label: label.to_owned(),
            frame_ms: 1e3 / if fps > 1.0 { fps } else { 30.0 },
            limiter: None,
            focus_settles: false,
            first_picture: None,
            before: Vec::new(),
            exposure_by: ExposureController::Unknown,
            weak: false,
            weak_said: None,
            notes: Vec::new(),
        };
        keeper.apply(driver);
        keeper
    }

    /// After each picture: takes up other wishes, and follows the light. `brightness` is asked for only where it matters.
    pub(crate) fn picture(
        &mut self,
        driver: &dyn Driver,
        at: CaptureTime,
        brightness: impl FnOnce() -> f64,
    ) {
        let version = self.live.version();
        if version != self.version {
            self.version = version;
            self.first_picture = None;
            self.apply(driver);
        }
        let first = *self.first_picture.get_or_insert(at);
        if self.focus_settles && at.secs_since(first) >= FOCUS_SECS {
            self.lock_focus(driver);
        }
        let Some(limiter) = &mut self.limiter else {
            return;
        };
        if let Some(step) = limiter.picture(at, brightness()) {
            self.take(driver, step);
        }
        self.tell_of_the_light(at);
    }

    /// Puts back what was changed; a camera that is gone does not mind.
    pub(crate) fn end(&mut self, driver: &dyn Driver) {
        for (control, value) in self.before.drain(..).rev() {
            if let Err(error) = driver.set(control, value) {
                tracing::debug!(?control, %error, "a camera control is left as it is");
            }
        }
    }

    /// What became of the wishes.
    pub(crate) fn now(&self, driver: &dyn Driver) -> ControlStatus {
        let get = |control| {
            let range = driver.range(control)?;
            Some((range, driver.get(control).ok()?))
        };
        let focus = get(Control::OwnFocus).map(|(_, own)| match own {
            _ if self.focus_settles => FocusStatus::Settling,
            0 => FocusStatus::Locked,
            _ => FocusStatus::Automatic,
        });
        ControlStatus {
            exposure_ms: get(Control::ExposureTime).map(|(_, units)| units as f64 / UNITS_PER_MS),
            exposure_by: self.exposure_by,
            gain_pct: get(Control::Gain).map(|(range, value)| range.percent_of(value)),
            own_gain: get(Control::OwnGain).map(|(_, on)| on != 0),
            power_line: get(Control::PowerLine).and_then(|(_, n)| PowerLine::from_number(n)),
            focus,
            steady_rate: get(Control::RateMayDrop).map(|(_, may)| may == 0),
            settled: !self.focus_settles && self.limiter.as_ref().is_none_or(Limiter::at_rest),
            notes: self.notes.clone(),
        }
    }

    fn apply(&mut self, driver: &dyn Driver) {
        self.notes.clear();
        let wishes = self.live.wishes();
        if driver.range(Control::RateMayDrop).is_some() {
            self.set(driver, Control::RateMayDrop, 0);
        }
        self.apply_power_line(driver, wishes.power_line);
        self.apply_gain(driver, wishes.gain);
        self.apply_exposure(driver, &wishes);
        self.apply_focus(driver, wishes.focus);
    }

    fn apply_power_line(&mut self, driver: &dyn Driver, wish: PowerLine) {
        match driver.range(Control::PowerLine) {
            Some(range) if range.items.is_empty() || range.items.contains(&wish.number()) => {
                self.set(driver, Control::PowerLine, wish.number());
            }
            // Left as it is: no choice is better than the one that it has.
            Some(_) if wish == PowerLine::Auto => {}
            Some(_) => self.note("it has no such choice for the mains", true),
            None => self.note("it has no setting for the mains", wish != PowerLine::Auto),
        }
    }

    fn apply_gain(&mut self, driver: &dyn Driver, wish: GainRequest) {
        let own = driver.range(Control::OwnGain).is_some();
        match (wish, driver.range(Control::Gain)) {
            (GainRequest::Auto, _) if own => {
                self.set(driver, Control::OwnGain, 1);
            }
            // Set from the light, together with the exposure.
            (GainRequest::Auto, Some(_)) => {}
            (GainRequest::Auto, None) => self.note("it has no setting for the gain", false),
            (GainRequest::Percent(_), None) => self.note("it has no setting for the gain", true),
            (GainRequest::Percent(percent), Some(range)) => {
                if own {
                    self.set(driver, Control::OwnGain, 0);
                }
                self.set(driver, Control::Gain, range.at_percent(percent));
            }
        }
    }

    fn apply_exposure(&mut self, driver: &dyn Driver, wishes: &CameraControls) {
        self.limiter = None;
        self.exposure_by = ExposureController::Unknown;
        let Some(range) = driver.range(Control::ExposureTime) else {
            self.note(
                "its exposure cannot be set, so that a swing may smear in weak light",
                matches!(wishes.exposure, ExposureRequest::Millis(_)),
            );
            return;
        };
        let units = |ms: f64| ((ms * UNITS_PER_MS).round() as i64).clamp(range.least, range.most);
        let most = units(self.frame_ms * FRAME_SHARE);
        let first = match wishes.exposure {
            ExposureRequest::Camera => {
                self.leave_exposure(driver);
                self.exposure_by = ExposureController::Camera;
                return;
            }
            ExposureRequest::Millis(ms) => units(ms),
            ExposureRequest::Limited => units(EXPOSURE_LIMIT_MS).min(most),
        };
        let by_hand = driver.range(Control::ExposureMode).is_none()
            || self.set(driver, Control::ExposureMode, BY_HAND);
        if !by_hand || !self.set(driver, Control::ExposureTime, first) {
            self.leave_exposure(driver);
            self.exposure_by = ExposureController::Camera;
            return;
        }
        if matches!(wishes.exposure, ExposureRequest::Millis(_)) {
            self.exposure_by = ExposureController::Settings;
            return;
        }
        self.exposure_by = ExposureController::Light;
        let exposure = Lever {
            least: range.least.max(1),
            now: driver.get(Control::ExposureTime).unwrap_or(first),
            most,
        };
        let gain = match wishes.gain {
            GainRequest::Auto if driver.range(Control::OwnGain).is_none() => driver
                .range(Control::Gain)
                .zip(driver.get(Control::Gain).ok())
                .map(|(range, now)| Lever {
                    least: range.least,
                    now,
                    most: range.most,
                }),
            _ => None,
        };
        self.limiter = Some(Limiter::new(exposure, units(EXPOSURE_LIMIT_MS), gain));
    }

    /// Hands the exposure to the camera.
    fn leave_exposure(&mut self, driver: &dyn Driver) {
        let Some(range) = driver.range(Control::ExposureMode) else {
            return;
        };
        let own = CAMERAS_OWN
            .into_iter()
            .find(|mode| range.items.is_empty() || range.items.contains(mode));
        if let Some(mode) = own {
            self.set(driver, Control::ExposureMode, mode);
        }
    }

    fn apply_focus(&mut self, driver: &dyn Driver, wish: FocusRequest) {
        self.focus_settles = false;
        let own = driver.range(Control::OwnFocus).is_some();
        match wish {
            FocusRequest::Auto if own => {
                self.set(driver, Control::OwnFocus, 1);
            }
            FocusRequest::Auto => self.note("it has no automatic focus", true),
            FocusRequest::Lock if !own => self.note("its focus is fixed, or set by hand", false),
            FocusRequest::Lock => {
                let kept = self.live.state().focus;
                if let Some(value) = kept {
                    self.set(driver, Control::OwnFocus, 0);
                    self.set(driver, Control::Focus, value);
                } else {
                    // A focus that was locked already is somebody's choice.
                    self.focus_settles = driver.get(Control::OwnFocus).is_ok_and(|on| on != 0);
                }
            }
            FocusRequest::Percent(percent) => match driver.range(Control::Focus) {
                Some(range) => {
                    if own {
                        self.set(driver, Control::OwnFocus, 0);
                    }
                    self.set(driver, Control::Focus, range.at_percent(percent));
                }
                None => self.note("its focus cannot be set", true),
            },
        }
    }

    fn lock_focus(&mut self, driver: &dyn Driver) {
        self.focus_settles = false;
        // Asked before, as some cameras tell nothing true afterwards.
        let value = driver.get(Control::Focus).ok();
        if self.set(driver, Control::OwnFocus, 0) {
            self.live.state().focus = value;
            tracing::debug!(camera = %self.label, ?value, "the focus is locked");
        }
    }

    fn take(&mut self, driver: &dyn Driver, step: Step) {
        tracing::debug!(camera = %self.label, ?step, "the light asks for it");
        match step {
            Step::Exposure(wished) => self.follow(driver, Control::ExposureTime, wished),
            Step::Gain(wished) => self.follow(driver, Control::Gain, wished),
            Step::GiveBack => {
                self.leave_exposure(driver);
                self.exposure_by = ExposureController::CameraInTheDark;
            }
            Step::TakeBack => self.apply_exposure(driver, &self.live.wishes()),
        }
    }

    /// Sets a control that follows the light, and tells the limiter what came of it.
    fn follow(&mut self, driver: &dyn Driver, control: Control, wished: i64) {
        self.set(driver, control, wished);
        let (Ok(now), Some(limiter)) = (driver.get(control), &mut self.limiter) else {
            // Without knowing what it does the light cannot be followed.
            self.limiter = None;
            return;
        };
        match control {
            Control::Gain => limiter.gain_is(wished, now),
            _ => limiter.exposure_is(wished, now),
        }
    }

    fn tell_of_the_light(&mut self, at: CaptureTime) {
        let Some(limiter) = &self.limiter else { return };
        let weak = limiter.light_is_weak();
        // On its way to rest the exposure may be past the limit for a moment.
        if weak == self.weak || !limiter.at_rest() {
            return;
        }
        self.weak = weak;
        if !weak {
            tracing::info!(camera = %self.label, "the light suffices for a short exposure again");
            return;
        }
        let again = |said: CaptureTime| at.secs_since(said) >= WEAK_AGAIN_SECS;
        if self.weak_said.is_none_or(again) {
            self.weak_said = Some(at);
            tracing::warn!(
                camera = %self.label,
                "the light is too weak: pictures are exposed longer than {EXPOSURE_LIMIT_MS:.0} ms, so that the hands smear by more than {:.0} cm in a swing. Put more light on the hitter",
                blur_cm(EXPOSURE_LIMIT_MS)
            );
        }
    }

    /// Sets a control where it has another value, and keeps what it was; false if the camera refuses.
    fn set(&mut self, driver: &dyn Driver, control: Control, value: i64) -> bool {
        let before = driver.get(control).ok();
        if before == Some(value) {
            return true;
        }
        if let Err(error) = driver.set(control, value) {
            self.refused(control, &error);
            return false;
        }
        if let Some(before) = before
            && !self.before.iter().any(|(known, _)| *known == control)
        {
            self.before.push((control, before));
        }
        true
    }

    fn refused(&mut self, control: Control, error: &io::Error) {
        let what = match control {
            Control::ExposureMode | Control::ExposureTime => "exposure",
            Control::RateMayDrop => "steady rate",
            Control::OwnGain | Control::Gain => "gain",
            Control::PowerLine => "mains",
            Control::OwnFocus | Control::Focus => "focus",
        };
        self.note(
            &format!("it refuses its setting for the {what} ({error})"),
            true,
        );
    }

    /// Keeps a fact about the camera and says it once, louder where somebody wished for something else.
    fn note(&mut self, words: &str, wished: bool) {
        if !self.notes.iter().any(|known| known == words) {
            self.notes.push(words.to_owned());
        }
        if !self.live.first_said(wished, words) {
            return;
        }
        match wished {
            true => {
                tracing::warn!(camera = %self.label, "a wish of the settings cannot be had of this camera: {words}")
            }
            false => tracing::info!(camera = %self.label, "about this camera: {words}"),
        }
    }
}

#[cfg(test)]
#[path = "keeper_tests.rs"]
mod tests;
