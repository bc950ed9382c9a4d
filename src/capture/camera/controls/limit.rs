//! How long to expose, and how much to amplify: decided from the brightness of the pictures. Pure.
//!
//! A picture smears by speed times exposure. The order of means is therefore: expose up to the limit, amplify as much as
//! the camera can, and only where the picture is then too dark to find a body in, expose longer; whatever is more than
//! needed is taken back in the opposite order. Where even the longest exposure is too dark, the camera is left to itself,
//! which may know means of its own, and asked back after a while.

use crate::time::CaptureTime;

/// Speed of the hands at their fastest, in metres a second; `docs/camera.md` tells where it is from.
pub(crate) const HANDS_M_S: f64 = 10.0;
/// The smear of the hands that is allowed, in centimetres; `docs/camera.md` tells why.
pub(crate) const BLUR_LIMIT_CM: f64 = 4.0;
/// The exposure at which the hands smear by the limit.
pub(crate) const EXPOSURE_LIMIT_MS: f64 = BLUR_LIMIT_CM / 100.0 / HANDS_M_S * 1e3;

/// Mean brightness, 0 to 255, under which a longer exposure is the lesser evil. The landmarks' own limit is 40.
const TOO_DARK: f64 = 50.0;
/// Under this more is wished, as long as it costs no sharpness.
const DIM: f64 = 70.0;
/// Over this an exposure past the limit is shortened. A step is less than the distance to [`TOO_DARK`], so that the two do not alternate.
const ENOUGH: f64 = 95.0;
/// Over this the picture loses its bright parts.
const BRIGHT: f64 = 180.0;
/// By so much an exposure changes in a step.
const STEP: f64 = 1.4;
/// Steps from no gain to all of it.
const GAIN_STEPS: i64 = 8;
/// A decision is made from the pictures of so many seconds,
const WINDOW_SECS: f64 = 0.4;
/// of which those do not count that may have been taken before the last change.
const STALE_SECS: f64 = 0.2;
/// Dark for so long at the end of all means, the camera is left to itself,
const DARK_SECS: f64 = 2.0;
/// and asked back after this time.
const AGAIN_SECS: f64 = 600.0;

/// The smear of the hands at their fastest, in centimetres.
pub(crate) fn blur_cm(exposure_ms: f64) -> f64 {
    exposure_ms / 1e3 * HANDS_M_S * 100.0
}

/// What is to be changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// To this exposure, in the driver's units.
    Exposure(i64),
    /// To this gain.
    Gain(i64),
    /// The camera decides from here on.
    GiveBack,
    /// It does not any more: start again.
    TakeBack,
}

/// A number between two ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Lever {
    pub least: i64,
    pub now: i64,
    pub most: i64,
}

impl Lever {
    fn to(self, value: i64) -> Option<i64> {
        let value = value.clamp(self.least, self.most.max(self.least));
        (value != self.now).then_some(value)
    }
}

/// Decides about the exposure and, where it is ours to set, the gain.
#[derive(Clone, Debug)]
pub(super) struct Limiter {
    exposure: Lever,
    /// The exposure at which the hands smear by the limit, in the driver's units.
    limit: i64,
    gain: Option<Lever>,
    /// Since when pictures count.
    since: Option<CaptureTime>,
    sum: f64,
    count: u32,
    dark_since: Option<CaptureTime>,
    given_back: Option<CaptureTime>,
    at_rest: bool,
}

impl Limiter {
    /// `exposure.most` is the longest that the frame rate leaves room for.
    pub(super) fn new(exposure: Lever, limit: i64, gain: Option<Lever>) -> Self {
        Self {
            exposure,
            limit: limit.clamp(exposure.least, exposure.most.max(exposure.least)),
            gain,
            since: None,
            sum: 0.0,
            count: 0,
            dark_since: None,
            given_back: None,
            at_rest: false,
        }
    }

    /// Whether the last pictures gave no reason for a change.
    pub(super) fn at_rest(&self) -> bool {
        self.at_rest
    }

    /// Whether the light is too weak for an exposure within the limit.
    pub(super) fn light_is_weak(&self) -> bool {
        self.given_back.is_some() || self.exposure.now > self.limit
    }

    #[cfg(test)]
    fn has_given_back(&self) -> bool {
        self.given_back.is_some()
    }

    /// What the driver made of a step to `wished`. A driver that stays where it was can go no further that way.
    pub(super) fn exposure_is(&mut self, wished: i64, now: i64) {
        Self::took(&mut self.exposure, wished, now);
    }

    /// As [`Self::exposure_is`], for the gain.
    pub(super) fn gain_is(&mut self, wished: i64, now: i64) {
        if let Some(gain) = &mut self.gain {
            Self::took(gain, wished, now);
        }
    }

    fn took(lever: &mut Lever, wished: i64, now: i64) {
        if now == lever.now && wished > now {
            lever.most = now;
        } else if now == lever.now && wished < now {
            lever.least = now;
        }
        lever.now = now;
    }

    /// A picture's brightness; what to change, if anything.
    pub(super) fn picture(&mut self, at: CaptureTime, brightness: f64) -> Option<Step> {
        let since = *self.since.get_or_insert(at);
        if let Some(given_back) = self.given_back {
            if at.secs_since(given_back) < AGAIN_SECS {
                self.at_rest = true;
                return None;
            }
            self.given_back = None;
            self.dark_since = None;
            self.changed();
            return Some(Step::TakeBack);
        }
        let waited = at.secs_since(since);
        if waited >= STALE_SECS {
            self.sum += brightness;
            self.count += 1;
        }
        // A clock that was set back begins a window anew.
        if waited < 0.0 {
            self.changed();
        }
        if waited < WINDOW_SECS || self.count == 0 {
            return None;
        }
        let mean = self.sum / f64::from(self.count);
        self.changed();
        let step = self.decide(at, mean);
        self.at_rest = step.is_none() && self.dark_since.is_none();
        if step == Some(Step::GiveBack) {
            self.given_back = Some(at);
        }
        step
    }

    fn changed(&mut self) {
        (self.since, self.sum, self.count) = (None, 0.0, 0);
    }

    fn decide(&mut self, at: CaptureTime, mean: f64) -> Option<Step> {
        let exposure = self.exposure;
        let longer = (exposure.now as f64 * STEP).ceil() as i64;
        let shorter = (exposure.now as f64 / STEP).floor() as i64;
        let more_gain = self.gain.and_then(|g| g.to(g.now + stride(g)));
        let less_gain = self.gain.and_then(|g| g.to(g.now - stride(g)));
        if mean >= TOO_DARK {
            self.dark_since = None;
        }
        if mean < DIM {
            if exposure.now < self.limit
                && let Some(value) = exposure.to(longer.min(self.limit))
            {
                return Some(Step::Exposure(value));
            }
            if let Some(value) = more_gain {
                return Some(Step::Gain(value));
            }
            if mean >= TOO_DARK {
                return None;
            }
            if let Some(value) = exposure.to(longer) {
                return Some(Step::Exposure(value));
            }
            let since = *self.dark_since.get_or_insert(at);
            return (at.secs_since(since) >= DARK_SECS).then_some(Step::GiveBack);
        }
        if exposure.now > self.limit && mean > ENOUGH {
            return exposure.to(shorter.max(self.limit)).map(Step::Exposure);
        }
        if mean > BRIGHT {
            return match less_gain {
                Some(value) => Some(Step::Gain(value)),
                None => exposure.to(shorter).map(Step::Exposure),
            };
        }
        None
    }
}

fn stride(gain: Lever) -> i64 {
    (gain.most.saturating_sub(gain.least) / GAIN_STEPS).max(1)
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
        fn brightness(&self, exposure: i64, gain: Option<Lever>) -> f64 {
            // All of the gain is eightfold.
            let amplified = gain.map_or(1.0, |g| {
                8_f64.powf((g.now - g.least) as f64 / (g.most - g.least) as f64)
            });
            let linear = (self.light * exposure as f64 * amplified).min(1.0);
            let coded = match linear < 0.018 {
                true => 4.5 * linear,
                false => 1.099 * linear.powf(0.45) - 0.099,
            };
            255.0 * coded
        }
    }

    /// Runs at 60 pictures a second; gives all steps with their times.
    fn run(limiter: &mut Limiter, room: &Room, from_secs: f64, secs: f64) -> Vec<(f64, Step)> {
        let mut steps = Vec::new();
        for frame in 0..(secs * 60.0) as i64 {
            let at = from_secs + frame as f64 / 60.0;
            let seen = room.brightness(limiter.exposure.now, limiter.gain);
            if let Some(step) = limiter.picture(CaptureTime::from_secs(at), seen) {
                match step {
                    Step::Exposure(value) => limiter.exposure_is(value, value),
                    Step::Gain(value) => limiter.gain_is(value, value),
                    Step::GiveBack | Step::TakeBack => {}
                }
                steps.push((at, step));
            }
        }
        steps
    }

    /// Units of 0.1 ms, 60 frames a second, begun at the limit.
    fn limiter() -> Limiter {
        let lever = |least, now, most| Lever { least, now, most };
        Limiter::new(lever(1, 40, 158), 40, Some(lever(0, 0, 255)))
    }

    #[test]
    fn the_limit_is_the_exposure_at_which_the_hands_smear_four_centimetres() {
        assert!((EXPOSURE_LIMIT_MS - 4.0).abs() < 1e-12);
        // A sixtieth of a second, all the time there is at 60 frames a second.
        assert!((blur_cm(1000.0 / 60.0) - 16.7).abs() < 0.05);
    }

    #[test]
    fn in_good_light_nothing_is_changed() {
        let mut limiter = limiter();
        let room = Room { light: 0.2 / 40.0 };
        assert!((100.0..150.0).contains(&room.brightness(40, None)));
        assert_eq!(run(&mut limiter, &room, 0.0, 10.0), []);
        assert!(limiter.at_rest() && !limiter.light_is_weak());
    }

    #[test]
    fn in_dim_light_it_amplifies_and_stays_sharp() {
        let mut limiter = limiter();
        let room = Room { light: 0.03 / 40.0 };
        let steps = run(&mut limiter, &room, 0.0, 10.0);
        assert!(
            !steps.is_empty() && steps.iter().all(|(_, step)| matches!(step, Step::Gain(_))),
            "{steps:?}"
        );
        assert!(limiter.at_rest() && !limiter.light_is_weak());
        assert_eq!(limiter.exposure.now, 40);
    }

    #[test]
    fn in_poor_light_it_amplifies_fully_before_it_exposes_longer_and_comes_back_with_the_light() {
        let mut limiter = limiter();
        let poor = Room {
            light: 0.0035 / 40.0,
        };
        let steps = run(&mut limiter, &poor, 0.0, 20.0);
        let longer = steps
            .iter()
            .position(|(_, s)| matches!(s, Step::Exposure(_)))
            .unwrap();
        assert_eq!(limiter.gain.unwrap().now, 255);
        assert!(
            steps[..longer]
                .iter()
                .all(|(_, s)| matches!(s, Step::Gain(_))),
            "{steps:?}"
        );
        assert!(limiter.light_is_weak() && limiter.at_rest() && !limiter.has_given_back());
        assert!(poor.brightness(limiter.exposure.now, limiter.gain) >= TOO_DARK);
        // Somebody turns the lamps on.
        run(&mut limiter, &Room { light: 0.2 / 40.0 }, 30.0, 20.0);
        assert!(!limiter.light_is_weak() && limiter.at_rest());
        assert_eq!(limiter.exposure.now, 40);
    }

    #[test]
    fn in_the_dark_the_camera_is_left_to_itself_and_asked_back_later() {
        let mut limiter = limiter();
        let steps = run(&mut limiter, &Room { light: 1e-7 }, 0.0, 60.0);
        assert_eq!(steps.last().unwrap().1, Step::GiveBack);
        assert!(limiter.has_given_back() && limiter.light_is_weak() && limiter.at_rest());
        let at = steps.last().unwrap().0;
        assert!(at < 12.0, "after {at:.1} s");
        let later = run(&mut limiter, &Room { light: 0.2 / 40.0 }, at + 1.0, 620.0);
        assert_eq!(later[0].1, Step::TakeBack);
        assert!((later[0].0 - at - AGAIN_SECS).abs() < 0.1);
        assert!(!limiter.has_given_back());
    }

    #[test]
    fn in_the_sun_it_exposes_shorter_than_the_limit() {
        let mut limiter = limiter();
        run(&mut limiter, &Room { light: 4.0 / 40.0 }, 0.0, 20.0);
        assert!(limiter.exposure.now < 10 && limiter.at_rest() && !limiter.light_is_weak());
    }

    #[test]
    fn it_comes_to_rest_in_every_light_and_stays_there() {
        for stops in -40..=10 {
            let room = Room {
                light: 0.2 / 40.0 * 2_f64.powf(f64::from(stops) / 4.0),
            };
            let mut limiter = limiter();
            run(&mut limiter, &room, 0.0, 30.0);
            assert_eq!(
                run(&mut limiter, &room, 30.0, 60.0),
                [],
                "{stops} quarter stops"
            );
            assert!(limiter.at_rest());
        }
    }

    #[test]
    fn without_a_gain_the_dark_is_left_to_the_camera_too() {
        let lever = Lever {
            least: 1,
            now: 40,
            most: 158,
        };
        let mut limiter = Limiter::new(lever, 40, None);
        let steps = run(&mut limiter, &Room { light: 0.0 }, 0.0, 20.0);
        assert_eq!(steps.last().unwrap().1, Step::GiveBack);
    }

    #[test]
    fn a_driver_that_does_not_move_is_not_asked_again_and_again() {
        let mut limiter = limiter();
        let mut asked = 0;
        for frame in 0..1200 {
            let at = CaptureTime::from_secs(f64::from(frame) / 60.0);
            match limiter.picture(at, 60.0) {
                Some(Step::Gain(value)) => {
                    asked += 1;
                    limiter.gain_is(value, 0);
                }
                Some(other) => panic!("{other:?}"),
                None => {}
            }
        }
        assert_eq!(asked, 1);
        assert!(limiter.at_rest());
    }
}
