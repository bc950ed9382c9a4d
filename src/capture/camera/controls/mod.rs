//! What is wished of a camera beside its mode: exposure, gain, the mains, focus.
//!
//! In: [`CameraControls`] from the settings, in a [`LiveControls`] that may get other wishes while the camera runs. Out:
//! [`ControlStatus`], what became of them. `limit` decides about exposure and gain from the brightness of the pictures and is
//! pure; `keeper` applies wishes and decisions through a [`Driver`] on the capture thread. A camera that lacks a control is
//! a fact that is said once, and never an error.

mod keeper;
mod limit;

use std::collections::BTreeSet;
use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

pub(super) use self::keeper::Keeper;
pub(crate) use self::limit::{BLUR_LIMIT_CM, EXPOSURE_LIMIT_MS, blur_cm};

/// How long a picture is exposed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum ExposureRequest {
    /// As long as the light needs, and no longer than a swing allows where there is enough of it.
    #[default]
    Limited,
    /// Always so many milliseconds.
    Millis(f64),
    /// The camera decides.
    Camera,
}

/// How much the camera amplifies.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum GainRequest {
    /// As much as the picture needs.
    #[default]
    Auto,
    /// Always this share of what the camera can, 0 to 100.
    Percent(f64),
}

/// What the camera does against lamps that flicker with the mains.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PowerLine {
    /// It finds out.
    #[default]
    Auto,
    /// Nothing.
    Off,
    /// Mains of 50 Hz.
    Hz50,
    /// Mains of 60 Hz.
    Hz60,
}

impl PowerLine {
    /// The number that the kernel's interface has for it (`enum v4l2_power_line_frequency`).
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
            .find(|one| one.number() == number)
    }
}

/// What the lens does.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum FocusRequest {
    /// It focuses once, when the camera starts, and then stays.
    #[default]
    Lock,
    /// The camera focuses all the time.
    Auto,
    /// Always at this share of its way: 0 is far, 100 is near.
    Percent(f64),
}

/// The wishes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CameraControls {
    /// How long a picture is exposed.
    pub exposure: ExposureRequest,
    /// How much the camera amplifies.
    pub gain: GainRequest,
    /// What it does against flicker.
    pub power_line: PowerLine,
    /// What the lens does.
    pub focus: FocusRequest,
}

/// The wishes in force. Clones share them: one is with the camera, another with whoever changes them.
///
/// It also carries what one opening of the camera leaves to the next: what was said already, and where the focus was.
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
    wishes: CameraControls,
    /// Whether it was in the way of a wish, and what.
    said: BTreeSet<(bool, String)>,
    focus: Option<i64>,
}

impl LiveControls {
    /// With these wishes.
    pub(crate) fn new(wishes: CameraControls) -> Self {
        let live = Self::default();
        live.state().wishes = wishes;
        live
    }

    /// Puts other wishes in force; the camera takes them up with its next frame.
    pub(crate) fn set(&self, wishes: CameraControls) {
        let mut state = self.state();
        if state.wishes == wishes {
            return;
        }
        if state.wishes.focus != wishes.focus {
            state.focus = None;
        }
        state.wishes = wishes;
        // A fact about the camera stays said; what other wishes meet is news.
        state.said.retain(|(wished, _)| !wished);
        self.0.version.fetch_add(1, Ordering::Release);
    }

    /// The wishes in force.
    pub(crate) fn wishes(&self) -> CameraControls {
        self.state().wishes
    }

    fn version(&self) -> u64 {
        self.0.version.load(Ordering::Acquire)
    }

    /// Whether this is said for the first time.
    fn first_said(&self, wished: bool, words: &str) -> bool {
        self.state().said.insert((wished, words.to_owned()))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl PartialEq for LiveControls {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0) || self.wishes() == other.wishes()
    }
}

/// Who decides about the exposure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum ExposureController {
    /// Nobody that could be asked: the driver has no such control.
    #[default]
    Unknown,
    /// This program, from the light, so that the swing stays sharp.
    Light,
    /// The settings.
    Settings,
    /// The camera, because the settings say so.
    Camera,
    /// The camera, because it is too dark for anything else.
    CameraInTheDark,
}

/// What the lens does now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FocusStatus {
    /// It is still focusing, and will be locked then.
    Settling,
    /// It stays where it is.
    Locked,
    /// It moves when the camera thinks so.
    Automatic,
}

/// What became of the wishes.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct ControlStatus {
    /// As the driver tells it. A camera that decides itself may tell an old value.
    pub exposure_ms: Option<f64>,
    /// Who decides about it.
    pub exposure_by: ExposureController,
    /// Share of what the camera can, 0 to 100.
    pub gain_pct: Option<f64>,
    /// Whether the camera sets the gain itself; `None` where it cannot be asked.
    pub own_gain: Option<bool>,
    /// `None` where the driver has no such control.
    pub power_line: Option<PowerLine>,
    /// `None` where the focus is fixed or set by hand.
    pub focus: Option<FocusStatus>,
    /// Whether the rate holds in poor light; `None` where it cannot be asked.
    pub steady_rate: Option<bool>,
    /// Whether exposure, gain and focus have come to rest.
    pub settled: bool,
    /// What the camera lacks or refused, in words.
    pub notes: Vec<String>,
}

/// A control of a camera.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Control {
    /// Menu: 1 is by hand, 0 and 3 are the camera's own.
    ExposureMode,
    /// In 0.1 ms.
    ExposureTime,
    /// Whether the camera may lower the rate to expose longer.
    RateMayDrop,
    OwnGain,
    Gain,
    PowerLine,
    OwnFocus,
    Focus,
}

/// What values a control takes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Range {
    pub least: i64,
    pub most: i64,
    /// The items of a menu that there are; empty for a number.
    pub items: Vec<i64>,
}

impl Range {
    fn at_percent(&self, percent: f64) -> i64 {
        let span = self.most.saturating_sub(self.least) as f64;
        self.least + (span * percent / 100.0).round() as i64
    }

    fn percent_of(&self, value: i64) -> f64 {
        let span = self.most.saturating_sub(self.least).max(1) as f64;
        100.0 * value.saturating_sub(self.least) as f64 / span
    }
}

/// The way to a camera's controls.
pub(super) trait Driver {
    /// `None` where the camera has no such control that can be set.
    fn range(&self, control: Control) -> Option<Range>;
    fn get(&self, control: Control) -> io::Result<i64>;
    fn set(&self, control: Control, value: i64) -> io::Result<()>;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn other_wishes_reach_every_clone_and_the_same_ones_are_no_news() {
        let live = LiveControls::default();
        let with_camera = live.clone();
        live.set(CameraControls::default());
        assert_eq!(with_camera.version(), 0);
        let wishes = CameraControls {
            exposure: ExposureRequest::Millis(2.0),
            ..CameraControls::default()
        };
        live.set(wishes);
        assert_eq!((with_camera.version(), with_camera.wishes()), (1, wishes));
    }

    #[test]
    fn where_the_focus_was_is_forgotten_when_another_focus_is_wished_and_only_then() {
        let live = LiveControls::default();
        live.state().focus = Some(70);
        live.set(CameraControls {
            gain: GainRequest::Percent(10.0),
            ..CameraControls::default()
        });
        assert_eq!(live.state().focus, Some(70));
        live.set(CameraControls {
            focus: FocusRequest::Auto,
            ..CameraControls::default()
        });
        assert_eq!(live.state().focus, None);
    }

    #[test]
    fn shares_of_a_range_are_those_of_its_ends() {
        let range = Range {
            least: -10,
            most: 30,
            items: Vec::new(),
        };
        assert_eq!(
            [0.0, 50.0, 100.0].map(|p| range.at_percent(p)),
            [-10, 10, 30]
        );
        assert!((range.percent_of(20) - 75.0).abs() < 1e-9);
    }
}
