//! How a hitter stands and loads: recorded for the coach, never judged and never cued.
//!
//! In: a [`MeasureContext`]. Out: a [`Style`], each part of it only where the
//! recording shows it. Every hitter has a style; a coach leaves it alone unless it breaks something that is
//! measured. Pure.

use crate::motion::Path;
use crate::motion::filter::{mean_over, range_over};

use super::context::{MeasureContext, REST_SECS};

/// Without a stride the hitter is taken to rest this long before contact.
const REST_BEFORE_CONTACT_SECS: f64 = 0.8;
/// Cutoff of the zero-phase low pass for the front foot, hertz.
const FOOT_HZ: f64 = 9.0;

/// An ankle that rises by less than this and a foot that travels by less than [`STILL_TRAVEL`] make no stride, shares
/// of standing height. A heel that is only raised lifts the ankle by about this (common practice, no source).
const STILL_RISE: f64 = 0.02;
const STILL_TRAVEL: f64 = 0.03;
/// An ankle that rises by less than this on its way slides, share of standing height: the rise of an ankle whose toe
/// never leaves the ground (common practice, no source).
const SLIDE_RISE: f64 = 0.04;
/// A tap's rises are at least this high, share of standing height: well above what the landmarks of a foot jitter by.
const TAP_RISE: f64 = 0.012;
/// A foot that comes down between two rises has tapped where it gives up this share of the lower one of them. On
/// rendered hitters the toes of feet that tapped gave up 0.80 or more, those of all others that had lain still 0.45
/// or less.
const TAP_DIP: f64 = 0.6;
/// Where the foot stands after plant is averaged over this long.
const STOOD_SECS: f64 = 0.05;

/// How the front foot moves while the hitter loads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LoadStyle {
    /// The foot rises, touches down, and rises again into the stride.
    ToeTap,
    /// The foot leaves the ground once.
    LegLift,
    /// The foot travels along the ground.
    Slide,
    /// The foot stays where it is.
    NoStride,
}

impl LoadStyle {
    /// Every way to load.
    pub const ALL: [LoadStyle; 4] = [
        LoadStyle::ToeTap,
        LoadStyle::LegLift,
        LoadStyle::Slide,
        LoadStyle::NoStride,
    ];

    /// The word in logs and in the journal.
    pub const fn name(self) -> &'static str {
        match self {
            LoadStyle::ToeTap => "toe_tap",
            LoadStyle::LegLift => "leg_lift",
            LoadStyle::Slide => "slide",
            LoadStyle::NoStride => "no_stride",
        }
    }

    /// The way to load of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|load| load.name() == name)
    }
}

/// A hitter's style in one rep; `None` where the recording does not show it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Style {
    /// From ankle to ankle along the line to the pitcher while the hitter is set.
    pub stance_width_cm: Option<f64>,
    /// How high the hands are above the middle of the hips while the hitter is set.
    pub hand_height_cm: Option<f64>,
    /// How far the front ankle rises above the ground it stands on, at most, between set and plant.
    pub lift_height_cm: Option<f64>,
    /// How the front foot moves.
    pub load: Option<LoadStyle>,
}

/// First and last sample of a stretch.
type SampleRange = (usize, usize);

/// The style that a rep shows.
pub(super) fn style(context: &MeasureContext) -> Style {
    let load = load(context);
    Style {
        stance_width_cm: stance_width(context),
        hand_height_cm: hand_height(context),
        lift_height_cm: load.map(|(rise_cm, _)| rise_cm),
        load: load.map(|(_, load)| load),
    }
}

/// The samples over which the hitter rests before the load.
fn rest(context: &MeasureContext) -> Option<SampleRange> {
    let (signals, estimates) = (context.signals, context.estimates);
    let until = match estimates.gather.or(estimates.lift_off) {
        Some(start) => start.sample,
        // Without a stride nothing marks the start of the load.
        None if estimates.plant.is_none() => {
            estimates.contact?.sample - REST_BEFORE_CONTACT_SECS * signals.rate_hz
        }
        // The recording begins in mid-stride.
        None => return None,
    };
    let earliest = estimates.set.unwrap_or(0.0).max(0.0);
    let from = (until - REST_SECS * signals.rate_hz).max(earliest);
    (until > from).then(|| (signals.index(from), signals.index(until)))
}

fn stance_width(context: &MeasureContext) -> Option<f64> {
    let rest = rest(context)?;
    let (front, back) = (&context.front_foot().ankle, &context.back_foot().ankle);
    if !context.view.is_side_on() || !context.seen(front, rest) || !context.seen(back, rest) {
        return None;
    }
    let width =
        context.stance.forward() * (mean_over(&front.x_cm, rest) - mean_over(&back.x_cm, rest));
    (width > 0.0).then_some(context.unfold() * width)
}

fn hand_height(context: &MeasureContext) -> Option<f64> {
    let rest = rest(context)?;
    let (hands, hips) = (&context.signals.hands, &context.signals.hips);
    let seen = context.seen(hands, rest) && context.seen(hips, rest);
    seen.then(|| mean_over(&hands.y_cm, rest) - mean_over(&hips.y_cm, rest))
}

/// How far the front ankle rises, centimeters, and which way to load that is.
fn load(context: &MeasureContext) -> Option<(f64, LoadStyle)> {
    let signals = context.signals;
    let (rest, estimates) = (rest(context)?, context.estimates);
    if !context.view.is_side_on() {
        return None;
    }
    // A foot that never was fast enough for a stride has no plant; it is looked at until contact.
    let down = signals.index(estimates.plant.or(estimates.contact)?.sample);
    let stretch = (rest.0, down);
    if down <= rest.1 || !context.seen(&context.front_foot().ankle, stretch) {
        return None;
    }
    let height_cm = signals.scale.height_cm;
    let foot = context
        .front_foot()
        .ankle
        .smoothed(FOOT_HZ, signals.rate_hz);
    // A foot that jumps about while the hitter rests is not the foot: the model has lost it.
    if range_over(&foot.y_cm, rest) > STILL_RISE * height_cm {
        return None;
    }
    let stood = (
        down,
        signals.index(down as f64 + STOOD_SECS * signals.rate_hz),
    );
    let rise = above_ground(&foot, rest, stood);
    let top = rise.iter().copied().fold(0.0, f64::max);
    let travel =
        context.unfold() * (mean_over(&foot.x_cm, stood) - mean_over(&foot.x_cm, rest)).abs();
    // The toe alone touches the ground in a tap; the ankle stays up. Without toes the ankle has to do.
    let toe = context
        .front_foot()
        .toe
        .as_ref()
        .filter(|toe| context.seen(toe, stretch));
    let toe_rise =
        toe.map(|toe| above_ground(&toe.smoothed(FOOT_HZ, signals.rate_hz), rest, stood));
    let tapped = touches_down_between(toe_rise.as_ref().unwrap_or(&rise), TAP_RISE * height_cm);
    let load = match tapped {
        true => LoadStyle::ToeTap,
        false => way(top, travel, height_cm),
    };
    Some((top, load))
}

/// The foot's height above the ground from the end of its rest until it stands again, centimeters.
///
/// The ground runs straight from where the foot rested to where it stands: in the picture of a camera that stands off
/// square the two are not at one height.
fn above_ground(foot: &Path, rest: SampleRange, stood: SampleRange) -> Vec<f64> {
    let (from_x, from_y) = (mean_over(&foot.x_cm, rest), mean_over(&foot.y_cm, rest));
    let (to_x, to_y) = (mean_over(&foot.x_cm, stood), mean_over(&foot.y_cm, stood));
    (rest.1..=stood.0)
        .map(|i| {
            let on_the_way = (foot.x_cm[i] - from_x) / (to_x - from_x);
            let share = if on_the_way.is_finite() {
                on_the_way.clamp(0.0, 1.0)
            } else {
                0.5
            };
            foot.y_cm[i] - from_y - share * (to_y - from_y)
        })
        .collect()
}

/// The way to load of a foot that does not tap, by how far its ankle rises and how far it travels, centimeters.
fn way(rise: f64, travel: f64, height_cm: f64) -> LoadStyle {
    if rise >= SLIDE_RISE * height_cm {
        LoadStyle::LegLift
    } else if rise >= STILL_RISE * height_cm || travel >= STILL_TRAVEL * height_cm {
        LoadStyle::Slide
    } else {
        LoadStyle::NoStride
    }
}

/// Whether there are two rises of at least `least` with a fall between them that gives up most of the lower one.
fn touches_down_between(rise: &[f64], least: f64) -> bool {
    // The highest from each sample to the end.
    let mut after = rise.to_vec();
    for i in (0..after.len().saturating_sub(1)).rev() {
        after[i] = after[i].max(after[i + 1]);
    }
    let mut before = f64::MIN;
    rise.iter().zip(&after).any(|(&height, &after)| {
        before = before.max(height);
        let lower = before.min(after);
        lower >= least && height <= (1.0 - TAP_DIP) * lower
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::{BodySeries, CameraYaw, Scale, Signals};
    use crate::pose::{Body, ImagePoint, Landmark, PoseFrame};
    use crate::rep::estimates::{EventEstimate, EventEstimates};
    use crate::rep::test_figure::BATS_RIGHT;
    use crate::rep::types::{RepKind, View};
    use crate::time::CaptureTime;

    const RATE: f64 = 60.0;
    const CM_PER_PX: f64 = 0.4;
    const HEIGHT_CM: f64 = 180.0;
    /// The load runs from here to plant.
    const GATHER: f64 = 60.0;
    const PLANT: f64 = 108.0;

    /// The style of a right-handed hitter with the pitcher to the right who stands still but for the front foot. It is
    /// moved right and up by `foot`, its ankle further up by `ankle_more`, both centimeters over the share of the load
    /// that is done: below 0 at rest, above 1 after plant.
    fn looked_at(
        foot: impl Fn(f64) -> (f64, f64),
        ankle_more: impl Fn(f64) -> f64,
        toes: bool,
    ) -> Style {
        let at = |sample| Some(EventEstimate { sample, sigma: 0.5 });
        let estimates = EventEstimates {
            set: Some(5.0),
            gather: at(GATHER),
            lift_off: at(GATHER + 8.0),
            plant: at(PLANT),
            contact: at(PLANT + 11.0),
            ..EventEstimates::default()
        };
        looked_at_with(&estimates, foot, ankle_more, toes)
    }

    fn looked_at_with(
        estimates: &EventEstimates,
        foot: impl Fn(f64) -> (f64, f64),
        ankle_more: impl Fn(f64) -> f64,
        toes: bool,
    ) -> Style {
        let frames: Vec<PoseFrame> = (0..150u32)
            .map(|i| {
                let share = (f64::from(i) - GATHER) / (PLANT - GATHER);
                let (right, up) = foot(share);
                let mut body = Body::empty();
                let mut put = |l: Landmark, x_cm: f64, y_cm: f64| {
                    body.image[l.index()] = Some(ImagePoint {
                        x_px: (500.0 + x_cm / CM_PER_PX) as f32,
                        y_px: (600.0 - y_cm / CM_PER_PX) as f32,
                        visibility: 0.95,
                    });
                };
                use Landmark::*;
                for (l, x, y) in [
                    (LeftEar, 0.0, 160.0),
                    (RightEar, 0.0, 160.0),
                    (LeftShoulder, 12.0, 138.0),
                    (RightShoulder, -18.0, 138.0),
                    (LeftWrist, -26.0, 131.0),
                    (RightWrist, -26.0, 135.0),
                    (LeftHip, 5.0, 90.0),
                    (RightHip, -9.0, 90.0),
                    (LeftKnee, 22.0, 49.0),
                    (RightKnee, -26.0, 49.0),
                    (RightAnkle, -32.0, 8.0),
                    (LeftAnkle, 28.0 + right, 8.0 + up + ankle_more(share)),
                ] {
                    put(l, x, y);
                }
                if toes {
                    put(LeftFootIndex, 30.0 + right, up);
                    put(RightFootIndex, -30.0, 0.0);
                }
                PoseFrame::new(
                    u64::from(i),
                    CaptureTime::from_secs(f64::from(i) / RATE),
                    Some(body),
                )
            })
            .collect();
        let series = BodySeries::from_frames(&frames, RATE).unwrap();
        let scale = Scale {
            cm_per_px: CM_PER_PX,
            height_cm: HEIGHT_CM,
            spread: 0.02,
        };
        let signals = Signals::new(&series, scale, 0.0).unwrap();
        style(&MeasureContext {
            signals: &signals,
            estimates,
            stance: BATS_RIGHT,
            kind: RepKind::Swing,
            view: View::OpenSide,
            yaw: CameraYaw {
                rad: Some(0.0),
                spread_rad: 0.1,
            },
            roll_spread_rad: 0.01,
            pitch: None,
        })
    }

    /// One rise and fall over a part of the load.
    fn hump(share: f64, from: f64, to: f64, high: f64) -> f64 {
        if (from..to).contains(&share) {
            high * (std::f64::consts::PI * (share - from) / (to - from)).sin()
        } else {
            0.0
        }
    }

    fn step(share: f64, cm: f64) -> f64 {
        let share = share.clamp(0.0, 1.0);
        cm * share * share * (3.0 - 2.0 * share)
    }

    #[test]
    fn a_hitter_who_stands_still_is_as_wide_and_the_hands_as_high_as_drawn() {
        let style = looked_at(|s| (step(s, 30.0), hump(s, 0.1, 1.0, 14.0)), |_| 0.0, true);
        let near = |value: Option<f64>, wanted: f64, by: f64| {
            assert!(
                value.is_some_and(|v| (v - wanted).abs() <= by),
                "{value:?} for {wanted}"
            );
        };
        near(style.stance_width_cm, 60.0, 0.2);
        near(style.hand_height_cm, 43.0, 0.2);
        near(style.lift_height_cm, 14.0, 0.7);
        assert_eq!(style.load, Some(LoadStyle::LegLift));
    }

    #[test]
    fn the_ways_to_load_are_told_apart() {
        let tap = |s: f64| hump(s, 0.05, 0.45, 9.0) + hump(s, 0.55, 1.0, 12.0);
        let load = |foot: &dyn Fn(f64) -> (f64, f64)| looked_at(foot, |_| 0.0, true).load;
        assert_eq!(load(&|s| (step(s, 25.0), tap(s))), Some(LoadStyle::ToeTap));
        assert_eq!(
            load(&|s| (0.0, hump(s, 0.1, 1.0, 25.0))),
            Some(LoadStyle::LegLift)
        );
        assert_eq!(
            load(&|s| (step(s, 25.0), hump(s, 0.1, 1.0, 3.0))),
            Some(LoadStyle::Slide)
        );
        assert_eq!(
            load(&|s| (step(s, 1.0), hump(s, 0.3, 0.9, 2.0))),
            Some(LoadStyle::NoStride)
        );
        // A foot that waits high and goes on is no tap.
        let waits = |s: f64| hump(s, 0.05, 0.6, 12.0).max(hump(s, 0.3, 1.0, 12.0));
        assert_eq!(
            load(&|s| (step(s, 25.0), waits(s))),
            Some(LoadStyle::LegLift)
        );
    }

    #[test]
    fn the_toe_shows_a_tap_in_which_the_heel_stays_up() {
        let tap = |s: f64| {
            (
                step(s, 25.0),
                hump(s, 0.05, 0.45, 7.0) + hump(s, 0.55, 1.0, 8.0),
            )
        };
        let heel_up = |s: f64| hump(s, 0.05, 1.0, 7.0);
        assert_eq!(looked_at(tap, heel_up, true).load, Some(LoadStyle::ToeTap));
        assert_eq!(looked_at(tap, |_| 0.0, false).load, Some(LoadStyle::ToeTap));
    }

    #[test]
    fn ground_that_runs_downhill_in_the_picture_is_no_rise() {
        // An oblique camera sees the foot come 6 cm nearer, which is lower in the picture.
        let style = looked_at(|s| (step(s, 30.0), -step(s, 6.0)), |_| 0.0, true);
        assert_eq!(style.load, Some(LoadStyle::Slide));
        assert!(style.lift_height_cm.unwrap() < 0.5, "{style:?}");
    }

    #[test]
    fn a_foot_that_jumps_about_at_rest_shows_no_load() {
        let stride = |s: f64| (step(s, 25.0), hump(s, 0.1, 1.0, 14.0));
        let jumps = |s: f64| if (-0.3..-0.15).contains(&s) { 9.0 } else { 0.0 };
        let lost = looked_at(stride, jumps, true);
        assert_eq!((lost.load, lost.lift_height_cm), (None, None));
        assert!(lost.stance_width_cm.is_some());
    }

    #[test]
    fn a_swing_without_a_stride_is_told_from_a_recording_that_begins_in_one() {
        let contact = Some(EventEstimate {
            sample: PLANT + 11.0,
            sigma: 1.0,
        });
        let swing = EventEstimates {
            contact,
            ..EventEstimates::default()
        };
        let still = looked_at_with(&swing, |_| (0.0, 0.0), |s| hump(s, 0.3, 1.0, 2.0), true);
        assert_eq!(still.load, Some(LoadStyle::NoStride));
        assert!(still.stance_width_cm.is_some());
        let landed = EventEstimates {
            plant: Some(EventEstimate {
                sample: PLANT,
                sigma: 0.5,
            }),
            ..swing
        };
        let begun = looked_at_with(&landed, |_| (0.0, 0.0), |_| 0.0, true);
        assert_eq!(begun, Style::default());
    }

    #[test]
    fn every_way_to_load_has_its_own_name() {
        for load in LoadStyle::ALL {
            assert_eq!(LoadStyle::from_name(load.name()), Some(load));
        }
        assert_eq!(LoadStyle::from_name("hop"), None);
    }
}
