//! The controls of a camera beside its mode: exposure, gain, power line frequency, focus.
//!
//! In: [`CameraControls`] from the settings, in a [`LiveControls`] that can be changed while the camera runs. Out:
//! [`ControlStatus`], what came of them. `auto_exposure` decides about exposure and gain from the brightness of the frames and
//! is pure; `control_loop` applies requests and decisions through a [`ControlDriver`] on the capture thread. A camera that lacks
//! a control is reported once, and is never an error.

mod auto_exposure;
mod control_loop;

use std::collections::BTreeSet;
use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

pub(crate) use self::auto_exposure::{BLUR_LIMIT_CM, EXPOSURE_LIMIT_MS, blur_cm};
pub(super) use self::control_loop::ControlLoop;

/// The exposure time that is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) enum ExposureRequest {
    /// As long as the light requires, but no longer than a swing allows where there is enough light.
    #[default]
    Limited,
    /// Always this many milliseconds.
    Millis(f64),
    /// The camera decides.
    Camera,
}

/// The gain that is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) enum GainRequest {
    /// As much as the picture needs.
    #[default]
    Auto,
    /// Always this percentage of the camera's range.
    Percent(f64),
}

/// The power line frequency that the camera compensates flicker for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum PowerLine {
    /// The camera detects it.
    #[default]
    Auto,
    /// No compensation.
    Off,
    /// 50 Hz.
    Hz50,
    /// 60 Hz.
    Hz60,
}

impl PowerLine {
    /// The kernel's value (`enum v4l2_power_line_frequency`).
    fn number(self) -> i64 {
        match self {
            Self::Off => 0,
            Self::Hz50 => 1,
            Self::Hz60 => 2,
            Self::Auto => 3,
        }
    }

    fn from_number(number: i64) -> Option<Self> {
        [Self::Off, Self::Hz50, Self::Hz60, Self::Auto]
            .into_iter()
            .find(|frequency| frequency.number() == number)
    }
}

/// The focus that is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) enum FocusRequest {
    /// The camera focuses once, when it starts, and then holds that.
    #[default]
    Lock,
    /// The camera keeps focusing.
    Auto,
    /// Always this percentage of its range: 0 is far, 100 is near.
    Percent(f64),
}

/// The controls that are asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct CameraControls {
    /// Exposure time.
    pub exposure: ExposureRequest,
    /// Gain.
    pub gain: GainRequest,
    /// Compensation of flicker.
    pub power_line: PowerLine,
    /// Focus.
    pub focus: FocusRequest,
}

/// The requested controls now in force. Clones share them: the camera holds one, the part that applies settings another.
///
/// It also carries state from one opening of the camera to the next: what was reported already, and where the focus was.
#[derive(Clone, Debug, Default)]
pub(crate) struct LiveControls(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    /// Counts changes, so that a frame costs one load.
    version: AtomicU64,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    requested: CameraControls,
    /// What was reported, and whether it kept a request from being met.
    reported: BTreeSet<(bool, String)>,
    /// Where the focus was locked, in the driver's units.
    locked_focus: Option<i64>,
}

impl LiveControls {
    /// With these controls requested.
    pub(crate) fn new(requested: CameraControls) -> Self {
        let live = Self::default();
        live.state().requested = requested;
        live
    }

    /// Requests other controls; the camera applies them after its next frame.
    pub(crate) fn set(&self, requested: CameraControls) {
        let mut state = self.state();
        if state.requested == requested {
            return;
        }
        if state.requested.focus != requested.focus {
            state.locked_focus = None;
        }
        state.requested = requested;
        // Facts about the camera stay reported; what keeps the new request from being met is news.
        state.reported.retain(|(unmet, _)| !unmet);
        self.0.version.fetch_add(1, Ordering::Release);
    }

    /// The controls that are requested now.
    pub(super) fn requested(&self) -> CameraControls {
        self.state().requested
    }

    /// Changes with every change of the request.
    pub(super) fn version(&self) -> u64 {
        self.0.version.load(Ordering::Acquire)
    }

    /// Logs a fact about the camera once, as a warning where it keeps a request from being met.
    pub(super) fn report_once(&self, label: &str, fact: &str, unmet: bool) {
        if !self.state().reported.insert((unmet, fact.to_owned())) {
            return;
        }
        if unmet {
            tracing::warn!(camera = %label, "a wish of the settings cannot be had of this camera: {fact}");
        } else {
            tracing::info!(camera = %label, "about this camera: {fact}");
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl PartialEq for LiveControls {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0) || self.requested() == other.requested()
    }
}

/// What decides about the exposure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum ExposureController {
    /// Not known: the driver has no such control.
    #[default]
    Unknown,
    /// This program, from the brightness of the frames, so that the swing stays sharp.
    Light,
    /// The settings.
    Settings,
    /// The camera, because the settings say so.
    Camera,
    /// The camera, because it is too dark for anything else.
    CameraInTheDark,
}

/// The state of the focus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FocusStatus {
    /// The camera is still focusing and will be locked after that.
    Settling,
    /// Locked.
    Locked,
    /// The camera keeps focusing.
    Automatic,
}

/// What came of the requested controls.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct ControlStatus {
    /// As the driver reports it; may be out of date where the camera sets it itself.
    pub exposure_ms: Option<f64>,
    /// What decides about it.
    pub exposure_by: ExposureController,
    /// Percentage of the camera's range.
    pub gain_pct: Option<f64>,
    /// Whether the camera sets the gain itself; `None` where the driver does not tell.
    pub auto_gain: Option<bool>,
    /// `None` where the driver has no such control.
    pub power_line: Option<PowerLine>,
    /// `None` where the focus is fixed or set by hand.
    pub focus: Option<FocusStatus>,
    /// Whether the frame rate holds in dim light; `None` where the driver does not tell.
    pub steady_rate: Option<bool>,
    /// Whether exposure, gain and focus have settled.
    pub settled: bool,
    /// What the camera lacks or refused, in words.
    pub notes: Vec<String>,
}

/// A control of a camera, by the kernel's names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Control {
    /// Menu: 1 is manual, 0 and 3 are automatic.
    ExposureMode,
    /// In 0.1 ms.
    ExposureTime,
    /// Whether the camera may lower the frame rate to expose longer.
    DynamicFramerate,
    AutoGain,
    Gain,
    PowerLine,
    AutoFocus,
    Focus,
}

/// The values that a control takes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct ControlInfo {
    pub min: i64,
    pub max: i64,
    /// The items that a menu has; empty for a number.
    pub menu_items: Vec<i64>,
}

impl ControlInfo {
    fn at_percent(&self, percent: f64) -> i64 {
        let span = self.max.saturating_sub(self.min) as f64;
        self.min + (span * percent / 100.0).round() as i64
    }

    fn percent_of(&self, value: i64) -> f64 {
        let span = self.max.saturating_sub(self.min).max(1) as f64;
        100.0 * value.saturating_sub(self.min) as f64 / span
    }
}

/// Reads and sets a camera's controls.
pub(super) trait ControlDriver {
    /// `None` where the camera has no such control that can be set.
    fn info(&self, control: Control) -> Option<ControlInfo>;
    fn get(&self, control: Control) -> io::Result<i64>;
    fn set(&self, control: Control, value: i64) -> io::Result<()>;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_new_request_reaches_every_clone_and_the_same_one_is_no_change() {
        let live = LiveControls::default();
        let with_camera = live.clone();
        live.set(CameraControls::default());
        assert_eq!(with_camera.version(), 0);
        let requested = CameraControls {
            exposure: ExposureRequest::Millis(2.0),
            ..CameraControls::default()
        };
        live.set(requested);
        assert_eq!(
            (with_camera.version(), with_camera.requested()),
            (1, requested)
        );
    }

    #[test]
    fn the_locked_focus_is_forgotten_when_another_focus_is_requested_and_only_then() {
        let live = LiveControls::default();
        live.state().locked_focus = Some(70);
        live.set(CameraControls {
            gain: GainRequest::Percent(10.0),
            ..CameraControls::default()
        });
        assert_eq!(live.state().locked_focus, Some(70));
        live.set(CameraControls {
            focus: FocusRequest::Auto,
            ..CameraControls::default()
        });
        assert_eq!(live.state().locked_focus, None);
    }

    #[test]
    fn percentages_are_those_of_the_range() {
        let info = ControlInfo {
            min: -10,
            max: 30,
            menu_items: Vec::new(),
        };
        assert_eq!(
            [0.0, 50.0, 100.0].map(|p| info.at_percent(p)),
            [-10, 10, 30]
        );
        assert!((info.percent_of(20) - 75.0).abs() < 1e-9);
    }
}
