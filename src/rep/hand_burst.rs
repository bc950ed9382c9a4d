//! What a burst of the hands must look like to be a swing: the limits, each with what it keeps out.
//!
//! In: signals of a stretch and the sample at which the hands are fastest. Out: yes, or the first reason why not. All
//! limits are shares of the hitter's standing height (H), so that children and adults are judged alike. They lie clear of
//! what rendered and captured hitters show through landmarks of a model or of a person's hand, from all sides.

use crate::motion::{Direction, Path, Signals};

use super::posture::Posture;
use super::slow_motion::SlowMotion;
use super::swing::NoSwing;

/// Slowest peak of the hands that counts, H a second. Skilled hitters reach about 4, an easy dry swing 2.5.
const PEAK_SPEED: f64 = 1.6;
/// The same seen along the line to the pitcher, where much of the hands' way is toward the camera.
const PEAK_SPEED_END_ON: f64 = 1.3;
/// The same for a film that is taken to be in slow motion: brought to life's pace it shows a real swing.
const PEAK_SPEED_SLOWED: f64 = 1.8;
/// Nobody's hands are faster.
const TOP_SPEED: f64 = 6.0;
/// The same for a slow-motion film whose landmarks are smoothed on the film's clock only, with this cutoff: they tremble.
const TOP_SPEED_JERKY: f64 = 7.5;
const JERKY_HZ: f64 = 5.0;
/// The hands' path from load to the end of the burst, straight line, H.
const REACH: f64 = 0.1;
/// The part of it that must go toward the pitcher in an open-side view, and across the picture in any other, H.
const REACH_FORWARD: f64 = 0.14;
const REACH_END_ON: f64 = 0.03;
/// Farthest that the hands rise or fall from the load on, H, and how many times as far as they go across, whatever the
/// view: jumping jacks and lifts are steeper.
const RISE: f64 = 0.4;
const STEEPEST: f64 = 5.0;
/// Highest that the hands get above the head until the burst ends, H.
const OVERHEAD: f64 = 0.08;
/// How far above the hips the hands wait, and how far below the hips they may get before and after their highest
/// speed, H. What is lifted or swung from between the legs comes from below.
const ABOVE_HIPS: f64 = 0.02;
const BELOW_HIPS_BEFORE: f64 = 0.03;
const BELOW_HIPS_AFTER: f64 = 0.08;
/// How long before and after their highest speed the hands keep to that, seconds.
const UP_SECS: (f64, f64) = (0.6, 0.3);
/// Farthest apart that the wrists may be through the burst (median), H, and the same for four fifths of the time: a
/// landmark may jump, hands that part stay apart.
const GRIP: (f64, f64) = (0.18, 0.23);
/// The same for a film that is taken to be in slow motion.
const GRIP_SLOWED: (f64, f64) = (0.13, 0.15);
/// Each hand gets at least this far from the load, H.
const EACH_HAND: f64 = 0.08;
/// How much of the line between the shoulders must turn up or away in the picture, H. The line is 0.2 H long and turns
/// by a quarter and more: hitters show 0.24 H in the middle, lifts and jumps less than 0.04.
const TURN: f64 = 0.05;
const TURN_SLOWED: f64 = 0.085;
/// The slower the hands, the clearer the turn must be, H: for each H a second that the hands are faster, the turn may be
/// smaller by the second figure.
const CLEAR_TURN: f64 = 0.18;
const TURN_FOR_SPEED: f64 = 0.06;
/// How fast the hands may still be in the load, as a share of their highest speed.
const RESTLESS: f64 = 0.6;
/// The same for a film that is taken to be in slow motion; how fast the hands may be long before the burst and long after
/// it; and how much of the film must come before it, seconds of life.
const RESTLESS_SLOWED: f64 = 0.4;
const RESTLESS_BEFORE: f64 = 0.6;
const RESTLESS_AFTER: f64 = 0.85;
const SHOWN_BEFORE_SECS: f64 = 0.2;
/// Farthest that the hips, the stiller foot and the other foot get from the load to the hands' peak, H. The last one
/// leaves room for a stride that lands late.
const HIPS_TRAVEL: f64 = 0.2;
/// The same for the hips along the line to the pitcher, where the way that the stride takes them does not show.
const HIPS_TRAVEL_END_ON: f64 = 0.12;
const BACK_FOOT_TRAVEL: f64 = 0.1;
const FRONT_FOOT_TRAVEL: f64 = 0.3;
/// What a camera that is carried about adds to those, H for each second of film.
const CAMERA_DRIFT: f64 = 0.12;
/// Narrowest stance that counts as seen from the open side, H.
pub(super) const OPEN_SIDE_STANCE: f64 = 0.25;
/// How long before the peak the hands still rest at the load, seconds.
const LOAD_SECS: std::ops::Range<f64> = 0.12..0.35;

/// A burst of the hands and the body around it.
pub(super) struct HandBurst {
    pub posture: Posture,
    height: f64,
    slow_motion: SlowMotion,
    rate: f64,
    load: usize,
    pub peak: usize,
    /// Where the hands have got farthest across.
    far: usize,
    end: usize,
    across: f64,
    rise: f64,
    /// Where the pitcher is: the hands go across the picture toward it.
    pub pitcher: Direction,
    pub open_side: bool,
}

impl HandBurst {
    /// The burst whose highest speed lies about the sample `peak`.
    pub(super) fn new(
        signals: &Signals,
        peak: usize,
        slow_motion: SlowMotion,
    ) -> Result<Self, NoSwing> {
        let rate = signals.rate_hz;
        let steps = |secs: f64| signals.samples_in(secs);
        let start = peak.saturating_sub(steps(0.3));
        let end = (peak + steps(0.2)).min(signals.len - 1);
        if end < peak + steps(0.05)
            || signals.found[start..=end].iter().filter(|f| **f).count() * 5 < (end - start + 1) * 4
        {
            return Err(NoSwing::Unseen);
        }
        if slow_motion != SlowMotion::NONE
            && quickest(signals, slow_motion) > TOP_SPEED_JERKY * signals.scale.height_cm
        {
            return Err(NoSwing::Slow);
        }
        let posture = Posture::of(signals);
        let speed = &posture.hand_speed;
        // The same peak as the smoother hands have it.
        let near = steps(0.07);
        let peak = (peak.saturating_sub(near)..=(peak + near).min(end))
            .max_by(|&a, &b| speed[a].total_cmp(&speed[b]))
            .unwrap_or(peak);
        // The load is where the hands are slowest shortly before; a recording may start in mid-swing.
        let load_from = peak.saturating_sub(steps(LOAD_SECS.end));
        let load_to = peak.saturating_sub(steps(LOAD_SECS.start)).max(load_from);
        let load = (load_from..=load_to)
            .min_by(|&a, &b| speed[a].total_cmp(&speed[b]))
            .unwrap_or(load_from);
        let hands = &posture.hands;
        let far = (peak..=end)
            .max_by(|&a, &b| {
                let gap = |i: usize| (hands.x_cm[i] - hands.x_cm[load]).abs();
                gap(a).total_cmp(&gap(b))
            })
            .unwrap_or(end);
        let across = hands.x_cm[far] - hands.x_cm[load];
        let rise = hands.y_cm[far] - hands.y_cm[load];
        let height = signals.scale.height_cm;
        let stance = (posture.left_ankle.x_cm[peak] - posture.right_ankle.x_cm[peak]).abs();
        Ok(Self {
            height,
            slow_motion,
            rate,
            load,
            peak,
            far,
            end,
            across,
            rise,
            pitcher: Direction::of(across),
            open_side: stance >= OPEN_SIDE_STANCE * height,
            posture,
        })
    }

    /// The first thing that speaks against a swing, as an error.
    pub(super) fn is_a_swing(&self) -> Result<(), NoSwing> {
        self.hands_are_quick()?;
        self.hands_go_across()?;
        self.hands_are_together()?;
        self.hands_are_up()?;
        self.hands_rested()?;
        self.trunk_turns()?;
        self.feet_stay()
    }

    fn steps(&self, secs: f64) -> usize {
        (secs * self.rate).round() as usize
    }

    fn slowed(&self) -> bool {
        self.slow_motion != SlowMotion::NONE
    }

    /// The samples from `before` seconds before the peak to `after` seconds after it, as far as there are any.
    fn around(&self, before: f64, after: f64) -> std::ops::RangeInclusive<usize> {
        let last = self.posture.hand_speed.len() - 1;
        self.peak.saturating_sub(self.steps(before))..=(self.peak + self.steps(after)).min(last)
    }

    fn hands_are_quick(&self) -> Result<(), NoSwing> {
        let least = if self.slowed() {
            PEAK_SPEED_SLOWED
        } else if self.open_side {
            PEAK_SPEED
        } else {
            PEAK_SPEED_END_ON
        };
        let posture = &self.posture;
        let top = posture.hand_speed[self.peak];
        if !(least * self.height..=TOP_SPEED * self.height).contains(&top) {
            return Err(NoSwing::Slow);
        }
        // A wrist that jumps is somebody else's, or was lost and found.
        for wrist in [&posture.left_wrist, &posture.right_wrist] {
            let speed = wrist.speed(self.rate);
            if speed[self.load..=self.end]
                .iter()
                .any(|v| *v > TOP_SPEED * self.height)
            {
                return Err(NoSwing::Slow);
            }
        }
        // In a film of a swing nothing is faster than the swing. A throw shows two hands together, then one that is
        // faster by far.
        if self.slowed() {
            let swing = self.around(0.3, 0.45);
            for wrist in [&posture.left_wrist, &posture.right_wrist] {
                let speed = wrist.speed(self.rate);
                let most = |inside: bool| {
                    (0..speed.len())
                        .filter(|i| swing.contains(i) == inside)
                        .map(|i| speed[i])
                        .fold(0.0, f64::max)
                };
                if most(false) > most(true) {
                    return Err(NoSwing::Slow);
                }
            }
        }
        Ok(())
    }

    fn hands_go_across(&self) -> Result<(), NoSwing> {
        let least = if self.open_side {
            REACH_FORWARD
        } else {
            REACH_END_ON
        };
        let steep = (STEEPEST * self.across.abs()).min(RISE * self.height);
        if self.across.hypot(self.rise) < REACH * self.height
            || self.across.abs() < least * self.height
            || self.rise.abs() > steep
        {
            return Err(NoSwing::Short);
        }
        Ok(())
    }

    fn hands_are_together(&self) -> Result<(), NoSwing> {
        let (l, r) = (&self.posture.left_wrist, &self.posture.right_wrist);
        let seen = |p: &Path, i: usize| p.visibility[i] > 0.0;
        // How far apart the wrists are says as much as the worse seen one is seen; in a slowed film every guess counts.
        let apart = |range: std::ops::RangeInclusive<usize>| {
            Weighted::new(range.map(|i| {
                let gap = (l.x_cm[i] - r.x_cm[i]).hypot(l.y_cm[i] - r.y_cm[i]);
                let seen = l.visibility[i].min(r.visibility[i]);
                let weight = if self.slowed() {
                    f64::from(u8::from(seen > 0.0))
                } else {
                    seen * seen
                };
                (gap, weight)
            }))
        };
        let until = if self.slowed() {
            self.end
        } else {
            (self.peak + self.steps(0.08)).min(self.end)
        };
        let known = (self.load..=until)
            .filter(|&i| seen(l, i) && seen(r, i))
            .count();
        if known * 3 < until - self.load {
            return Err(NoSwing::Unseen);
        }
        let gaps = apart(self.load..=until);
        let (median, most) = if self.slowed() { GRIP_SLOWED } else { GRIP };
        if gaps.weight <= 0.0
            || gaps.quantile(0.5) > median * self.height
            || gaps.quantile(0.8) > most * self.height
        {
            return Err(NoSwing::HandsApart);
        }
        // Both hands hold the bat: where only one of them gets anywhere, the other's landmark has jumped, as it does
        // when somebody behind shows a hand.
        let reach = |p: &Path| {
            (self.peak..=self.end)
                .filter(|&i| seen(p, i))
                .map(|i| (p.x_cm[i] - p.x_cm[self.load]).hypot(p.y_cm[i] - p.y_cm[self.load]))
                .reduce(f64::max)
        };
        if [l, r]
            .into_iter()
            .filter_map(reach)
            .any(|far| far < EACH_HAND * self.height)
        {
            return Err(NoSwing::HandsApart);
        }
        Ok(())
    }

    /// The hands wait between hips and head, behind the shoulders, and come through no lower than a low pitch.
    fn hands_are_up(&self) -> Result<(), NoSwing> {
        let posture = &self.posture;
        let above_hips = |i: usize| posture.hands.y_cm[i] - posture.hips.y_cm[i];
        let above_head = |i: usize| posture.hands.y_cm[i] - posture.head.y_cm[i];
        let behind = self.pitcher.sign()
            * (posture.shoulders.x_cm[self.load] - posture.hands.x_cm[self.load]);
        let (before, after) = UP_SECS;
        let lowest = |range: std::ops::RangeInclusive<usize>| {
            range.map(above_hips).fold(f64::INFINITY, f64::min)
        };
        if (self.open_side && behind < 0.02 * self.height)
            || above_hips(self.load) < ABOVE_HIPS * self.height
            || lowest(self.around(before, 0.0)) < -BELOW_HIPS_BEFORE * self.height
            || lowest(self.around(0.0, after)) < -BELOW_HIPS_AFTER * self.height
            || (self.load..=self.far).any(|i| above_head(i) > OVERHEAD * self.height)
        {
            return Err(NoSwing::NotLoaded);
        }
        Ok(())
    }

    fn hands_rested(&self) -> Result<(), NoSwing> {
        let speed = &self.posture.hand_speed;
        let top = speed[self.peak];
        let rested = speed[self.load] / top;
        if !self.slowed() {
            return if rested > RESTLESS {
                Err(NoSwing::Restless)
            } else {
                Ok(())
            };
        }
        if self.peak < self.steps(SHOWN_BEFORE_SECS) {
            return Err(NoSwing::Unseen);
        }
        let before = self.peak.saturating_sub(self.steps(0.45));
        let after = (self.peak + self.steps(0.45)).min(speed.len());
        let most = |part: &[f64]| part.iter().copied().fold(0.0, f64::max) / top;
        if rested > RESTLESS_SLOWED
            || most(&speed[self.peak.saturating_sub(self.steps(1.0))..before]) > RESTLESS_BEFORE
            || most(&speed[after..]) > RESTLESS_AFTER
        {
            return Err(NoSwing::Restless);
        }
        Ok(())
    }

    fn trunk_turns(&self) -> Result<(), NoSwing> {
        let width = &self.posture.shoulders_width_cm;
        let shown = &width[self.load..=self.end];
        let turned = shown.iter().copied().fold(f64::MIN, f64::max)
            - shown.iter().copied().fold(f64::MAX, f64::min);
        let least = if self.slowed() { TURN_SLOWED } else { TURN };
        let clear = CLEAR_TURN * self.height - TURN_FOR_SPEED * self.posture.hand_speed[self.peak];
        if turned < (least * self.height).max(clear) {
            return Err(NoSwing::NotTurned);
        }
        Ok(())
    }

    /// While the hands come forward a hitter stands: hips turn more than they travel and the feet turn on the spot.
    /// A landmark set that slips onto a passer-by does otherwise.
    fn feet_stay(&self) -> Result<(), NoSwing> {
        let posture = &self.posture;
        if !posture.stands(self.load, self.height) || !posture.stands(self.peak, self.height) {
            return Err(NoSwing::NotStanding);
        }
        let (load, on) = (self.load, (self.peak + self.steps(0.05)).min(self.end));
        let travel = |p: &Path| {
            (load..=on)
                .map(|i| (p.x_cm[i] - p.x_cm[load]).hypot(p.y_cm[i] - p.y_cm[load]))
                .fold(0.0, f64::max)
        };
        let (left, right) = (travel(&posture.left_ankle), travel(&posture.right_ankle));
        let hips_most = if self.open_side {
            HIPS_TRAVEL
        } else {
            HIPS_TRAVEL_END_ON
        };
        let film_secs = (on - load) as f64 / self.rate * self.slow_motion.factor;
        let drift = CAMERA_DRIFT * film_secs;
        if travel(&posture.hips) > (hips_most + drift) * self.height
            || left.min(right) > (BACK_FOOT_TRAVEL + drift) * self.height
            || left.max(right) > (FRONT_FOOT_TRAVEL + drift) * self.height
        {
            return Err(NoSwing::FeetMoving);
        }
        Ok(())
    }
}

/// Values that count more or less.
struct Weighted {
    /// Value and weight, by value.
    values: Vec<(f64, f64)>,
    /// All weights together.
    weight: f64,
}

impl Weighted {
    fn new(values: impl Iterator<Item = (f64, f64)>) -> Self {
        let mut values: Vec<(f64, f64)> = values.collect();
        values.sort_by(|a, b| a.0.total_cmp(&b.0));
        let weight = values.iter().map(|v| v.1).sum();
        Self { values, weight }
    }

    /// The value that this share of the weight does not exceed.
    fn quantile(&self, share: f64) -> f64 {
        let mut sum = 0.0;
        for (value, weight) in &self.values {
            sum += weight;
            if sum >= share * self.weight {
                return *value;
            }
        }
        self.values.last().map_or(f64::INFINITY, |v| v.0)
    }
}

/// The highest speed of either wrist in the whole stretch, centimeters a second of life. Smoothed for the film's clock,
/// not for life's: what is jerky at the film's pace is not slow motion.
fn quickest(signals: &Signals, slow_motion: SlowMotion) -> f64 {
    let rate = signals.rate_hz;
    [&signals.wrists.left, &signals.wrists.right]
        .into_iter()
        .flat_map(|wrist| {
            wrist
                .smoothed(JERKY_HZ * slow_motion.factor, rate)
                .speed(rate)
        })
        .fold(0.0, f64::max)
}
