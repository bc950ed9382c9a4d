//! Is this burst of the hands a swing of a hitter, and which way does it go?
//!
//! In: signals of a stretch. Out: [`Swing`] or the reason why a burst is none. All limits are shares of
//! the hitter's standing height (H), so that children and adults are judged alike.

use crate::motion::{Path, Signals};

use super::fit::peak_place;

/// Slowest peak of the hands that counts, H a second. Skilled hitters reach about 4, an easy dry swing 2.5.
const PEAK_SPEED: f64 = 1.7;
/// The same seen along the line to the pitcher, where much of the hands' way is toward the camera.
const PEAK_SPEED_END_ON: f64 = 1.5;
/// The hands' path from load to the end of the burst, straight line, H.
const REACH: f64 = 0.15;
/// The part of it that must go toward the pitcher in an open-side view, H.
const REACH_FORWARD: f64 = 0.15;
/// Farthest that the hands rise or fall from the load on, H, and how many times as far as they go across, whatever the
/// view: jumping jacks and lifts are steeper.
const RISE: f64 = 0.34;
const STEEPEST: f64 = 5.0;
/// Highest that the hands wait above the head, and lowest below the hips that they come through, H.
const OVERHEAD: f64 = 0.08;
const BELOW_HIPS: f64 = 0.02;
/// Farthest apart that the wrists may be through the burst (median), H.
const GRIP: f64 = 0.21;
/// The same for four fifths of the time: a landmark may jump, hands that part stay apart.
const GRIP_MOST: f64 = 0.27;
/// Each hand gets at least this far from the load, H.
const EACH_HAND: f64 = 0.08;
/// Farthest that the hips, the stiller foot and the other foot get from the load to the hands' peak, H. The last one
/// leaves room for a stride that lands late.
const HIPS_TRAVEL: f64 = 0.2;
/// The same for the hips along the line to the pitcher, where the way that the stride takes them does not show.
const HIPS_TRAVEL_END_ON: f64 = 0.12;
const BACK_FOOT_TRAVEL: f64 = 0.1;
const FRONT_FOOT_TRAVEL: f64 = 0.3;
/// Narrowest stance that counts as seen from the open side, H.
pub(super) const OPEN_SIDE_STANCE: f64 = 0.25;
/// How long before the peak the hands still rest at the load, seconds.
const LOAD_SECS: std::ops::Range<f64> = 0.12..0.35;

/// A burst of the hands that is a swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swing {
    /// Where on the grid the hands are fastest.
    pub hand_peak: f64,
    /// The hands' highest speed, centimetres a second.
    pub hand_speed: f64,
    /// +1 where the pitcher is to the image's right, -1 where to the left.
    pub forward: f64,
    /// Whether the front foot is the person's left foot.
    pub front_is_left: bool,
}

/// Why a burst of the hands is no swing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoSwing {
    /// The hands are not fast enough.
    Slow,
    /// The hands do not get far enough, or not forward.
    Short,
    /// The wrists are apart.
    HandsApart,
    /// The hands start from a place where no hitter has them.
    NotLoaded,
    /// The person does not stand upright on two feet.
    NotStanding,
    /// The feet are off the ground or walking.
    FeetMoving,
    /// Not enough of the body was seen.
    Unseen,
}

impl Swing {
    /// Judges the burst whose highest speed lies at grid moment `peak` of `hand_speed`.
    ///
    /// `signals` must reach from the load to a little after the peak; paths should be smoothed.
    pub fn judge(signals: &Signals, hand_speed: &[f64], peak: usize) -> Result<Self, NoSwing> {
        let height = signals.scale.height_cm;
        let rate = signals.rate_hz;
        let steps = |secs: f64| (secs * rate).round() as usize;
        let (left, right) = (&signals.feet.left.ankle, &signals.feet.right.ankle);
        let stance = (left.x_cm[peak] - right.x_cm[peak]).abs();
        let open_side = stance >= OPEN_SIDE_STANCE * height;
        let least = if open_side {
            PEAK_SPEED
        } else {
            PEAK_SPEED_END_ON
        };
        if hand_speed[peak] < least * height {
            return Err(NoSwing::Slow);
        }
        let start = peak.saturating_sub(steps(0.3));
        let end = (peak + steps(0.2)).min(signals.len - 1);
        if end < peak + steps(0.05)
            || signals.found[start..=end].iter().filter(|f| **f).count() * 5 < (end - start + 1) * 4
        {
            return Err(NoSwing::Unseen);
        }

        // The load is where the hands are slowest shortly before; a recording may start in mid-swing.
        let load_from = peak.saturating_sub(steps(LOAD_SECS.end));
        let load_to = peak.saturating_sub(steps(LOAD_SECS.start)).max(load_from);
        let load = (load_from..=load_to)
            .min_by(|&a, &b| hand_speed[a].total_cmp(&hand_speed[b]))
            .unwrap_or(load_from);
        let hands = &signals.hands;
        let far = (peak..=end)
            .max_by(|&a, &b| {
                let gap = |i: usize| (hands.x_cm[i] - hands.x_cm[load]).abs();
                gap(a).total_cmp(&gap(b))
            })
            .unwrap_or(end);
        let across = hands.x_cm[far] - hands.x_cm[load];
        let rise = hands.y_cm[far] - hands.y_cm[load];
        if across.hypot(rise) < REACH * height
            || rise.abs() > (STEEPEST * across.abs()).min(RISE * height)
        {
            return Err(NoSwing::Short);
        }
        let forward = if across >= 0.0 { 1.0 } else { -1.0 };

        if open_side && across.abs() < REACH_FORWARD * height {
            return Err(NoSwing::Short);
        }

        let (l, r) = (&signals.wrists.left, &signals.wrists.right);
        let mut gaps: Vec<f64> = (load..=(peak + steps(0.08)).min(end))
            .map(|i| (l.x_cm[i] - r.x_cm[i]).hypot(l.y_cm[i] - r.y_cm[i]))
            .collect();
        gaps.sort_by(f64::total_cmp);
        if gaps[gaps.len() / 2] > GRIP * height || gaps[gaps.len() * 4 / 5] > GRIP_MOST * height {
            return Err(NoSwing::HandsApart);
        }
        // Both hands hold the bat: where only one of them gets anywhere, the other's landmark has jumped, as it does
        // when somebody behind shows a hand.
        let reach = |p: &Path| {
            (peak..=end)
                .map(|i| (p.x_cm[i] - p.x_cm[load]).hypot(p.y_cm[i] - p.y_cm[load]))
                .fold(0.0, f64::max)
        };
        if reach(l).min(reach(r)) < EACH_HAND * height {
            return Err(NoSwing::HandsApart);
        }

        let behind = forward * (signals.shoulders.x_cm[load] - hands.x_cm[load]);
        let above_hips = hands.y_cm[load] - signals.hips.y_cm[load];
        let above_head = hands.y_cm[load] - signals.head.y_cm[load];
        let through_below = signals.hips.y_cm[far] - hands.y_cm[far];
        if (open_side && behind < 0.02 * height)
            || above_hips < 0.02 * height
            || above_head > OVERHEAD * height
            || through_below > BELOW_HIPS * height
        {
            return Err(NoSwing::NotLoaded);
        }

        if !standing(signals, load) || !standing(signals, peak) {
            return Err(NoSwing::NotStanding);
        }
        // While the hands come forward a hitter stands: hips turn more than they travel and the feet turn on the spot.
        // A landmark set that slips onto a passer-by does otherwise.
        let on = (peak + steps(0.05)).min(end);
        let travel = |p: &Path| {
            (load..=on)
                .map(|i| (p.x_cm[i] - p.x_cm[load]).hypot(p.y_cm[i] - p.y_cm[load]))
                .fold(0.0, f64::max)
        };
        let (feet_least, feet_most) = (
            travel(left).min(travel(right)),
            travel(left).max(travel(right)),
        );
        let hips_most = if open_side {
            HIPS_TRAVEL
        } else {
            HIPS_TRAVEL_END_ON
        };
        if travel(&signals.hips) > hips_most * height
            || feet_least > BACK_FOOT_TRAVEL * height
            || feet_most > FRONT_FOOT_TRAVEL * height
        {
            return Err(NoSwing::FeetMoving);
        }

        Ok(Self {
            hand_peak: peak_place(hand_speed, peak),
            hand_speed: hand_speed[peak],
            forward,
            front_is_left: if open_side {
                forward * (left.x_cm[peak] - right.x_cm[peak]) > 0.0
            } else {
                // Along the line to the pitcher the feet hide each other's order; the front foot is the one that
                // strides before the hands go.
                let from = peak.saturating_sub(steps(0.9));
                let to = peak.saturating_sub(steps(0.05)).max(from);
                went(left, from, to, rate) > went(right, from, to, rate)
            },
        })
    }
}

/// How far a foot gets about between two grid moments, centimetres.
fn went(ankle: &Path, from: usize, to: usize, rate_hz: f64) -> f64 {
    let path = ankle.smoothed(6.0, rate_hz);
    let span = |v: &[f64]| {
        let part = &v[from..=to];
        part.iter().copied().fold(f64::MIN, f64::max)
            - part.iter().copied().fold(f64::MAX, f64::min)
    };
    span(&path.x_cm).hypot(span(&path.y_cm))
}

/// Shoulders over hips over knees over ankles, each by a fair part of what an upright body shows.
pub(super) fn standing(signals: &Signals, i: usize) -> bool {
    let height = signals.scale.height_cm;
    let ankles = 0.5 * (signals.feet.left.ankle.y_cm[i] + signals.feet.right.ankle.y_cm[i]);
    let (knees, hips) = (signals.knees.y_cm[i], signals.hips.y_cm[i]);
    let (shoulders, head) = (signals.shoulders.y_cm[i], signals.head.y_cm[i]);
    knees - ankles > 0.08 * height
        && hips - knees > 0.05 * height
        && shoulders - hips > 0.13 * height
        && head - shoulders > 0.0
}
