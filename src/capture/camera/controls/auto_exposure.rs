//! Automatic exposure and gain, from the brightness of the frames. Pure.
//!
//! Motion blur is speed times exposure time. So the order is: expose up to the limit; then raise the gain as far as the
//! camera goes; and only if the picture is then still too dark to find a body in, expose longer. Whatever is more than
//! needed is taken back in the opposite order. Where even the longest exposure is too dark, the camera is left to its own
//! automatic, which may have other means, and control is taken back after a while.

use crate::time::CaptureTime;

/// Top speed of the hands, in meters per second; `docs/camera.md` says where it is from.
pub(crate) const HANDS_M_S: f64 = 10.0;
/// The motion blur of the hands that is allowed, in centimeters; `docs/camera.md` says why.
pub(crate) const BLUR_LIMIT_CM: f64 = 4.0;
/// The exposure at which the hands' blur reaches the limit.
pub(crate) const EXPOSURE_LIMIT_MS: f64 = BLUR_LIMIT_CM / 100.0 / HANDS_M_S * 1e3;

/// Mean brightness, 0 to 255, below which a longer exposure is the lesser evil. Landmarks need 40.
const TOO_DARK: f64 = 50.0;
/// Below this the picture should be brighter, as long as that costs no sharpness.
const DIM: f64 = 70.0;
/// Above this an exposure past the limit is shortened. One step changes less than the distance to [`TOO_DARK`], so that the two do not alternate.
const BRIGHT_ENOUGH: f64 = 95.0;
/// Above this bright parts of the picture are clipped.
const TOO_BRIGHT: f64 = 180.0;
/// The factor by which one step changes the exposure.
const EXPOSURE_STEP: f64 = 1.4;
/// Steps from the lowest gain to the highest.
const GAIN_STEPS: i64 = 8;
/// A decision is made from the frames of this many seconds,
const WINDOW_SECS: f64 = 0.4;
/// leaving out the first ones, which may have been taken before the last change.
const STALE_SECS: f64 = 0.2;
/// After being too dark for this long with nothing left to raise, the camera is left to its own automatic,
const DARK_SECS: f64 = 2.0;
/// and control is taken back after this time.
const RETRY_SECS: f64 = 600.0;

/// The motion blur of the hands at top speed, in centimeters.
pub(crate) fn blur_cm(exposure_ms: f64) -> f64 {
    exposure_ms / 1e3 * HANDS_M_S * 100.0
}

/// A change to make.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Adjustment {
    /// To this exposure, in the driver's units.
    Exposure(i64),
    /// To this gain, in the driver's units.
    Gain(i64),
    /// Hand exposure to the camera's own automatic.
    HandOver,
    /// Take it back and start again.
    TakeBack,
}

/// A control's range and its value, in the driver's units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct ControlRange {
    pub min: i64,
    pub current: i64,
    pub max: i64,
}

impl ControlRange {
    /// The value within the range; `None` if that changes nothing.
    fn step_to(self, value: i64) -> Option<i64> {
        let value = value.clamp(self.min, self.max.max(self.min));
        (value != self.current).then_some(value)
    }
}

/// Decides about the exposure and, where this program sets it, the gain.
#[derive(Clone, Debug)]
pub(super) struct AutoExposure {
    exposure: ControlRange,
    /// The exposure at which the hands' blur reaches the limit, in the driver's units.
    limit: i64,
    /// `None` where the gain is fixed or the camera's own.
    gain: Option<ControlRange>,
    /// When the window of frames for the next decision began.
    window_start: Option<CaptureTime>,
    /// Sum and number of the brightnesses in the window.
    sum: f64,
    count: u32,
    /// Since when it has been too dark with nothing left to raise.
    dark_since: Option<CaptureTime>,
    handed_over_at: Option<CaptureTime>,
    settled: bool,
}

impl AutoExposure {
    /// `exposure.max` is the longest that the frame rate leaves room for.
    pub(super) fn new(exposure: ControlRange, limit: i64, gain: Option<ControlRange>) -> Self {
        Self {
            exposure,
            limit: limit.clamp(exposure.min, exposure.max.max(exposure.min)),
            gain,
            window_start: None,
            sum: 0.0,
            count: 0,
            dark_since: None,
            handed_over_at: None,
            settled: false,
        }
    }

    /// Whether the last frames gave no reason for a change.
    pub(super) fn is_settled(&self) -> bool {
        self.settled
    }

    /// Whether the light is too weak for an exposure within the limit.
    pub(super) fn light_is_weak(&self) -> bool {
        self.handed_over_at.is_some() || self.exposure.current > self.limit
    }

    #[cfg(test)]
    fn has_handed_over(&self) -> bool {
        self.handed_over_at.is_some()
    }

    /// The driver was asked for `requested` and is now at `actual`. One that did not move can go no further that way.
    pub(super) fn exposure_set(&mut self, requested: i64, actual: i64) {
        Self::update(&mut self.exposure, requested, actual);
    }

    /// As [`Self::exposure_set`], for the gain.
    pub(super) fn gain_set(&mut self, requested: i64, actual: i64) {
        if let Some(gain) = &mut self.gain {
            Self::update(gain, requested, actual);
        }
    }

    fn update(range: &mut ControlRange, requested: i64, actual: i64) {
        if actual == range.current && requested > actual {
            range.max = actual;
        } else if actual == range.current && requested < actual {
            range.min = actual;
        }
        range.current = actual;
    }

    /// Takes a frame's brightness, 0 to 255; returns the change to make, if any.
    pub(super) fn on_frame(&mut self, at: CaptureTime, brightness: f64) -> Option<Adjustment> {
        let start = *self.window_start.get_or_insert(at);
        if let Some(handed_over_at) = self.handed_over_at {
            if at.secs_since(handed_over_at) < RETRY_SECS {
                self.settled = true;
                return None;
            }
            self.handed_over_at = None;
            self.dark_since = None;
            self.restart_window();
            return Some(Adjustment::TakeBack);
        }
        let waited = at.secs_since(start);
        if waited >= STALE_SECS {
            self.sum += brightness;
            self.count += 1;
        }
        // A clock that was set back starts a new window.
        if waited < 0.0 {
            self.restart_window();
        }
        if waited < WINDOW_SECS || self.count == 0 {
            return None;
        }
        let mean = self.sum / f64::from(self.count);
        self.restart_window();
        let adjustment = self.decide(at, mean);
        self.settled = adjustment.is_none() && self.dark_since.is_none();
        if adjustment == Some(Adjustment::HandOver) {
            self.handed_over_at = Some(at);
        }
        adjustment
    }

    fn restart_window(&mut self) {
        (self.window_start, self.sum, self.count) = (None, 0.0, 0);
    }

    fn decide(&mut self, at: CaptureTime, mean: f64) -> Option<Adjustment> {
        let exposure = self.exposure;
        let longer = (exposure.current as f64 * EXPOSURE_STEP).ceil() as i64;
        let shorter = (exposure.current as f64 / EXPOSURE_STEP).floor() as i64;
        let more_gain = self.gain.and_then(|g| g.step_to(g.current + gain_step(g)));
        let less_gain = self.gain.and_then(|g| g.step_to(g.current - gain_step(g)));
        if mean >= TOO_DARK {
            self.dark_since = None;
        }
        if mean < DIM {
            if exposure.current < self.limit
                && let Some(value) = exposure.step_to(longer.min(self.limit))
            {
                return Some(Adjustment::Exposure(value));
            }
            if let Some(value) = more_gain {
                return Some(Adjustment::Gain(value));
            }
            if mean >= TOO_DARK {
                return None;
            }
            if let Some(value) = exposure.step_to(longer) {
                return Some(Adjustment::Exposure(value));
            }
            let since = *self.dark_since.get_or_insert(at);
            return (at.secs_since(since) >= DARK_SECS).then_some(Adjustment::HandOver);
        }
        if exposure.current > self.limit && mean > BRIGHT_ENOUGH {
            return exposure
                .step_to(shorter.max(self.limit))
                .map(Adjustment::Exposure);
        }
        if mean > TOO_BRIGHT {
            return match less_gain {
                Some(value) => Some(Adjustment::Gain(value)),
                None => exposure.step_to(shorter).map(Adjustment::Exposure),
            };
        }
        None
    }
}

fn gain_step(gain: ControlRange) -> i64 {
    (gain.max.saturating_sub(gain.min) / GAIN_STEPS).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A camera in a room: brightness follows exposure and gain as a sensor does, then the transfer curve of ITU-R BT.709
    /// (item 1.2), and stops at white. `light` is the linear signal at one unit of exposure without gain, 1 being white.
    struct Room {
        light: f64,
    }

    impl Room {
        fn brightness(&self, exposure: i64, gain: Option<ControlRange>) -> f64 {
            // The full gain is eightfold.
            let amplified = gain.map_or(1.0, |g| {
                8_f64.powf((g.current - g.min) as f64 / (g.max - g.min) as f64)
            });
            let linear = (self.light * exposure as f64 * amplified).min(1.0);
            let coded = match linear < 0.018 {
                true => 4.5 * linear,
                false => 1.099 * linear.powf(0.45) - 0.099,
            };
            255.0 * coded
        }
    }

    /// Runs at 60 frames per second; returns all adjustments with their times.
    fn run(
        auto: &mut AutoExposure,
        room: &Room,
        from_secs: f64,
        secs: f64,
    ) -> Vec<(f64, Adjustment)> {
        let mut steps = Vec::new();
        for frame in 0..(secs * 60.0) as i64 {
            let at = from_secs + frame as f64 / 60.0;
            let seen = room.brightness(auto.exposure.current, auto.gain);
            if let Some(step) = auto.on_frame(CaptureTime::from_secs(at), seen) {
                match step {
                    Adjustment::Exposure(value) => auto.exposure_set(value, value),
                    Adjustment::Gain(value) => auto.gain_set(value, value),
                    Adjustment::HandOver | Adjustment::TakeBack => {}
                }
                steps.push((at, step));
            }
        }
        steps
    }

    /// Units of 0.1 ms, 60 frames per second, starting at the limit.
    fn auto_exposure() -> AutoExposure {
        let range = |min, current, max| ControlRange { min, current, max };
        AutoExposure::new(range(1, 40, 158), 40, Some(range(0, 0, 255)))
    }

    #[test]
    fn the_limit_is_the_exposure_at_which_the_hands_blur_by_four_centimeters() {
        assert!((EXPOSURE_LIMIT_MS - 4.0).abs() < 1e-12);
        // A sixtieth of a second, all the time there is at 60 frames a second.
        assert!((blur_cm(1000.0 / 60.0) - 16.7).abs() < 0.05);
    }

    #[test]
    fn in_good_light_nothing_is_changed() {
        let mut auto = auto_exposure();
        let room = Room { light: 0.2 / 40.0 };
        assert!((100.0..150.0).contains(&room.brightness(40, None)));
        assert_eq!(run(&mut auto, &room, 0.0, 10.0), []);
        assert!(auto.is_settled() && !auto.light_is_weak());
    }

    #[test]
    fn in_dim_light_it_raises_the_gain_and_stays_sharp() {
        let mut auto = auto_exposure();
        let room = Room { light: 0.03 / 40.0 };
        let steps = run(&mut auto, &room, 0.0, 10.0);
        assert!(
            !steps.is_empty()
                && steps
                    .iter()
                    .all(|(_, step)| matches!(step, Adjustment::Gain(_))),
            "{steps:?}"
        );
        assert!(auto.is_settled() && !auto.light_is_weak());
        assert_eq!(auto.exposure.current, 40);
    }

    #[test]
    fn in_poor_light_it_raises_the_gain_fully_before_it_exposes_longer_and_comes_back_with_the_light()
     {
        let mut auto = auto_exposure();
        let poor = Room {
            light: 0.0035 / 40.0,
        };
        let steps = run(&mut auto, &poor, 0.0, 20.0);
        let longer = steps
            .iter()
            .position(|(_, s)| matches!(s, Adjustment::Exposure(_)))
            .unwrap();
        assert_eq!(auto.gain.unwrap().current, 255);
        assert!(
            steps[..longer]
                .iter()
                .all(|(_, s)| matches!(s, Adjustment::Gain(_))),
            "{steps:?}"
        );
        assert!(auto.light_is_weak() && auto.is_settled() && !auto.has_handed_over());
        assert!(poor.brightness(auto.exposure.current, auto.gain) >= TOO_DARK);
        // Somebody turns the lamps on.
        run(&mut auto, &Room { light: 0.2 / 40.0 }, 30.0, 20.0);
        assert!(!auto.light_is_weak() && auto.is_settled());
        assert_eq!(auto.exposure.current, 40);
    }

    #[test]
    fn in_the_dark_the_camera_is_left_to_its_own_automatic_and_control_is_taken_back_later() {
        let mut auto = auto_exposure();
        let steps = run(&mut auto, &Room { light: 1e-7 }, 0.0, 60.0);
        assert_eq!(steps.last().unwrap().1, Adjustment::HandOver);
        assert!(auto.has_handed_over() && auto.light_is_weak() && auto.is_settled());
        let at = steps.last().unwrap().0;
        assert!(at < 12.0, "after {at:.1} s");
        let later = run(&mut auto, &Room { light: 0.2 / 40.0 }, at + 1.0, 620.0);
        assert_eq!(later[0].1, Adjustment::TakeBack);
        assert!((later[0].0 - at - RETRY_SECS).abs() < 0.1);
        assert!(!auto.has_handed_over());
    }

    #[test]
    fn in_the_sun_it_exposes_shorter_than_the_limit() {
        let mut auto = auto_exposure();
        run(&mut auto, &Room { light: 4.0 / 40.0 }, 0.0, 20.0);
        assert!(auto.exposure.current < 10 && auto.is_settled() && !auto.light_is_weak());
    }

    #[test]
    fn it_settles_in_every_light_and_stays_there() {
        for stops in -40..=10 {
            let room = Room {
                light: 0.2 / 40.0 * 2_f64.powf(f64::from(stops) / 4.0),
            };
            let mut auto = auto_exposure();
            run(&mut auto, &room, 0.0, 30.0);
            assert_eq!(
                run(&mut auto, &room, 30.0, 60.0),
                [],
                "{stops} quarter stops"
            );
            assert!(auto.is_settled());
        }
    }

    #[test]
    fn without_a_gain_the_dark_is_left_to_the_camera_too() {
        let range = ControlRange {
            min: 1,
            current: 40,
            max: 158,
        };
        let mut auto = AutoExposure::new(range, 40, None);
        let steps = run(&mut auto, &Room { light: 0.0 }, 0.0, 20.0);
        assert_eq!(steps.last().unwrap().1, Adjustment::HandOver);
    }

    #[test]
    fn a_driver_that_does_not_move_is_not_asked_again_and_again() {
        let mut auto = auto_exposure();
        let mut asked = 0;
        for frame in 0..1200 {
            let at = CaptureTime::from_secs(f64::from(frame) / 60.0);
            match auto.on_frame(at, 60.0) {
                Some(Adjustment::Gain(value)) => {
                    asked += 1;
                    auto.gain_set(value, 0);
                }
                Some(other) => panic!("{other:?}"),
                None => {}
            }
        }
        assert_eq!(asked, 1);
        assert!(auto.is_settled());
    }
}
