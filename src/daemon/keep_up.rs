//! Follows whether the machine keeps up with the rate and the pose model in use, and what to use instead. Pure.
//!
//! In: the number and the time of each frame that arrives, and whether somebody was in it. Out: a lighter pair once too many
//! frames are dropped; the pair before, once the machine has had time to spare for long and nobody is there.

use crate::status::{ModelReason, RateAndModel};
use crate::time::CaptureTime;

use super::rate_rule::next_lighter;

/// Drops are counted over so long, seconds.
const WINDOW_SECS: f64 = 5.0;
/// The share of dropped frames from which a lighter pair takes over, and below which there is time to spare.
const TOO_MANY: f64 = 0.04;
const FEW: f64 = 0.01;
/// After a change frames are not counted for so long: a camera is opened anew.
const SETTLE_SECS: f64 = 3.0;
/// How long there must be time to spare before the pair before is tried again. Each time that it fails the next try takes
/// twice as long to come, up to the longest.
const AGAIN_SECS: f64 = 600.0;
const LONGEST_AGAIN_SECS: f64 = 4.0 * 3600.0;

/// What to use from now on, and why.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    pub to: RateAndModel,
    pub reason: ModelReason,
}

/// See the module.
#[derive(Debug)]
pub(super) struct KeepUp {
    /// All that may be used, the truest first.
    pairs: Vec<RateAndModel>,
    now: RateAndModel,
    /// What was in use before each step down, the last one last.
    before: Vec<RateAndModel>,
    window: Option<Window>,
    not_before: Option<CaptureTime>,
    /// Since when few frames are dropped.
    spare_since: Option<CaptureTime>,
    again_secs: f64,
    /// When the pair before was last tried again.
    tried_at: Option<CaptureTime>,
}

#[derive(Debug)]
struct Window {
    from: (u64, CaptureTime),
    last: u64,
    arrived: u64,
    bodies: u64,
}

impl KeepUp {
    /// `now` is in use; `pairs` are all that may be, the truest first.
    pub(super) fn new(pairs: Vec<RateAndModel>, now: RateAndModel) -> Self {
        Self {
            pairs,
            now,
            before: Vec::new(),
            window: None,
            not_before: None,
            spare_since: None,
            again_secs: AGAIN_SECS,
            tried_at: None,
        }
    }

    /// What is in use.
    pub(super) fn now(&self) -> RateAndModel {
        self.now
    }

    /// Takes the next frame that arrived.
    pub(super) fn step(&mut self, index: u64, at: CaptureTime, has_body: bool) -> Option<Change> {
        if *self.not_before.get_or_insert(at) > at {
            return None;
        }
        let new = || Window {
            from: (index, at),
            last: index,
            arrived: 0,
            bodies: 0,
        };
        let window = self.window.get_or_insert_with(new);
        // A camera that was opened anew counts from the start.
        if index < window.last {
            *window = new();
        }
        window.last = index;
        window.arrived += 1;
        window.bodies += u64::from(has_body);
        if at.secs_since(window.from.1) < WINDOW_SECS {
            return None;
        }
        let given = window.last - window.from.0 + 1;
        let dropped = 1.0 - window.arrived as f64 / given as f64;
        let is_empty = window.bodies == 0;
        self.window = None;
        if dropped > TOO_MANY {
            return self.step_down(at, dropped);
        }
        if dropped > FEW {
            self.spare_since = None;
            return None;
        }
        let since = *self.spare_since.get_or_insert(at);
        let is_due = at.secs_since(since) >= self.again_secs && is_empty;
        if is_due { self.step_up(at) } else { None }
    }

    fn step_down(&mut self, at: CaptureTime, dropped: f64) -> Option<Change> {
        let from = self.now;
        let to = next_lighter(&self.pairs, from)?;
        // What was tried again and failed soon would fail soon again.
        let soon = |tried: CaptureTime| at.secs_since(tried) < AGAIN_SECS;
        self.again_secs = match self.tried_at.take().is_some_and(soon) {
            true => (2.0 * self.again_secs).min(LONGEST_AGAIN_SECS),
            false => AGAIN_SECS,
        };
        self.before.push(from);
        let dropped_pct = 100.0 * dropped;
        Some(self.change(
            at,
            to,
            ModelReason::Dropped {
                from,
                dropped_pct,
                to,
            },
        ))
    }

    fn step_up(&mut self, at: CaptureTime) -> Option<Change> {
        let to = self.before.pop()?;
        self.tried_at = Some(at);
        Some(self.change(at, to, ModelReason::TriedAgain(to)))
    }

    fn change(&mut self, at: CaptureTime, to: RateAndModel, reason: ModelReason) -> Change {
        self.now = to;
        self.not_before = Some(at.plus_secs(SETTLE_SECS));
        self.spare_since = None;
        Change { to, reason }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::daemon::rate_rule::ranked;
    use crate::settings::ModelChoice;

    /// A machine that drops every so-manyth frame of each pair, for as long as is told.
    struct Machine {
        keep_up: KeepUp,
        secs: f64,
        index: u64,
        changes: Vec<(f64, String)>,
    }

    impl Machine {
        fn new(rates: &[f64]) -> Self {
            let pairs = ranked(rates, ModelChoice::Auto);
            let now = pairs[0];
            Self {
                keep_up: KeepUp::new(pairs, now),
                secs: 0.0,
                index: 0,
                changes: Vec::new(),
            }
        }

        /// `drops` gives the share of dropped frames of a pair, as one in so many; 0 for none.
        fn run(&mut self, secs: f64, has_body: bool, drops: impl Fn(RateAndModel) -> u64) {
            let end = self.secs + secs;
            while self.secs < end {
                let pair = self.keep_up.now();
                self.secs += 1.0 / pair.fps;
                self.index += 1;
                let every = drops(pair);
                if every > 0 && self.index.is_multiple_of(every) {
                    continue;
                }
                let at = CaptureTime::from_secs(self.secs);
                if let Some(change) = self.keep_up.step(self.index, at, has_body) {
                    assert_eq!(change.to, self.keep_up.now());
                    self.changes.push((self.secs, change.to.to_string()));
                    // The camera was opened anew.
                    self.index = 0;
                }
            }
        }

        fn names(&self) -> Vec<&str> {
            self.changes.iter().map(|(_, name)| name.as_str()).collect()
        }
    }

    #[test]
    fn it_steps_down_until_frames_are_no_longer_dropped_and_stays_there() {
        let mut machine = Machine::new(&[120.0, 60.0, 30.0]);
        machine.run(60.0, true, |pair| if pair.fps > 100.0 { 10 } else { 0 });
        assert_eq!(machine.names(), ["full model at 60 frames a second"]);
        // Counted over five seconds, of which the first frames set the clock.
        assert!(machine.changes[0].0 < 6.0);
        // Every hundredth frame is no reason.
        machine.run(600.0, true, |_| 100);
        assert_eq!(machine.changes.len(), 1);
        machine.run(60.0, true, |_| 8);
        assert_eq!(
            machine.names()[1..],
            [
                "lite model at 60 frames a second",
                "full model at 30 frames a second",
                "lite model at 30 frames a second"
            ]
        );
    }

    #[test]
    fn what_was_given_up_is_tried_again_after_ten_minutes_while_nobody_is_there() {
        let mut machine = Machine::new(&[120.0, 60.0]);
        machine.run(20.0, true, |pair| if pair.fps > 100.0 { 5 } else { 0 });
        machine.run(1200.0, true, |_| 0);
        assert_eq!(machine.changes.len(), 1, "somebody is there all the time");
        machine.run(20.0, false, |_| 0);
        assert_eq!(machine.names()[1], "full model at 120 frames a second");
        machine.run(3600.0, true, |_| 0);
        assert_eq!(machine.changes.len(), 2, "it holds now");
    }

    #[test]
    fn each_try_that_fails_makes_the_next_one_later() {
        let mut machine = Machine::new(&[120.0, 60.0]);
        let drops = |pair: RateAndModel| if pair.fps > 100.0 { 5 } else { 0 };
        machine.run(10.0 * 3600.0, false, drops);
        let up: Vec<f64> = machine
            .changes
            .iter()
            .filter(|(_, name)| name.contains("120"))
            .map(|(secs, _)| *secs)
            .collect();
        let waits: Vec<f64> = up.windows(2).map(|pair| pair[1] - pair[0]).collect();
        assert!((600.0..640.0).contains(&up[0]), "{up:?}");
        assert!((1200.0..1240.0).contains(&waits[0]), "{waits:?}");
        assert!((2400.0..2440.0).contains(&waits[1]), "{waits:?}");
        assert!(up.len() <= 6, "{up:?}");
    }

    #[test]
    fn where_there_is_nothing_lighter_nothing_changes() {
        let mut machine = Machine::new(&[30.0]);
        machine.run(60.0, true, |_| 2);
        assert_eq!(machine.names(), ["lite model at 30 frames a second"]);
    }
}
