//! Which speed comes next: always the same, or mixed so that the hitter cannot know.
//!
//! In: the speeds, whether to mix them, and a seed. Out: one [`Speed`] after the other. Mixed speeds are drawn in blocks in
//! which each comes equally often, so that a short set has them all, and no speed comes more than three times in a row. A
//! hitter who counts could know the last pitch of a block; with six in a block nobody will.

use super::flight::Speed;

/// How often each speed comes in a block.
const EACH_IN_BLOCK: usize = 2;
/// The longest run of one speed.
const LONGEST_RUN: usize = 3;

/// An endless sequence of speeds.
#[derive(Clone, Debug)]
pub(crate) struct PitchOrder {
    speeds: Vec<Speed>,
    mixed: bool,
    random: fastrand::Rng,
    /// What is left of the block, as indices into `speeds`.
    block: Vec<usize>,
    /// The last speed and how often it has come in a row.
    run: Option<(usize, usize)>,
}

impl PitchOrder {
    /// All these speeds in the random order of this seed, or only the first of them; `None` without a speed. A seed gives
    /// the same order on every machine; the caller draws a new one for each set.
    pub(crate) fn new(speeds: Vec<Speed>, mixed: bool, seed: u64) -> Option<Self> {
        (!speeds.is_empty()).then(|| Self {
            mixed: mixed && speeds.len() > 1,
            speeds,
            random: fastrand::Rng::with_seed(seed),
            block: Vec::new(),
            run: None,
        })
    }

    /// The next speed.
    pub(crate) fn next_speed(&mut self) -> Speed {
        let index = if self.mixed { self.draw() } else { 0 };
        self.run = match self.run {
            Some((last, times)) if last == index => Some((index, times + 1)),
            _ => Some((index, 1)),
        };
        self.speeds[index]
    }

    fn draw(&mut self) -> usize {
        if self.block.is_empty() {
            self.block = (0..self.speeds.len())
                .collect::<Vec<_>>()
                .repeat(EACH_IN_BLOCK);
        }
        let excluded = self
            .run
            .and_then(|(last, times)| (times >= LONGEST_RUN).then_some(last));
        let free: Vec<usize> = (0..self.block.len())
            .filter(|&i| Some(self.block[i]) != excluded)
            .collect();
        // A run reaches its limit at the latest when the block has no more of that speed, and then all others are still in
        // it; so one is always free.
        let chosen = match free.len() {
            0 => self.block.len() - 1,
            several => free[self.random.usize(..several)],
        };
        self.block.swap_remove(chosen)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashMap;

    use super::*;

    const MPH: [u32; 3] = [70, 60, 50];

    fn order(mixed: bool, seed: u64) -> PitchOrder {
        let speeds = MPH.map(|mph| Speed::from_mph(f64::from(mph)));
        PitchOrder::new(speeds.to_vec(), mixed, seed).unwrap()
    }

    fn mixed(seed: u64, count: usize) -> Vec<u32> {
        let mut order = order(true, seed);
        (0..count)
            .map(|_| order.next_speed().mph().round() as u32)
            .collect()
    }

    #[test]
    fn each_speed_comes_twice_in_every_six() {
        for seed in 0..50 {
            for block in mixed(seed, 60).chunks(6) {
                for mph in MPH {
                    assert_eq!(block.iter().filter(|p| **p == mph).count(), 2);
                }
            }
        }
    }

    #[test]
    fn no_speed_comes_more_than_three_times_running() {
        let mut longest = 0;
        for seed in 0..500 {
            for run in mixed(seed, 120).chunk_by(|a, b| a == b) {
                longest = longest.max(run.len());
            }
        }
        assert_eq!(longest, LONGEST_RUN);
    }

    #[test]
    fn what_comes_next_hardly_hangs_on_what_came() {
        // Of 60 000 pitches each pair should come about as often as a shuffle of six gives it: within a block the
        // same speed again has a chance of 1/5, either other one of 2/5, and across blocks each about 1/3, which
        // makes (5/5 + 1/3) / 6 = 0.222 and (10/5 + 1/3) / 6 = 0.389. The cap on runs takes a few in a thousand off
        // the first.
        let speeds = mixed(7, 60_000);
        let mut pairs: HashMap<(u32, u32), f64> = HashMap::new();
        for pair in speeds.windows(2) {
            *pairs.entry((pair[0], pair[1])).or_default() += 3.0 / 60_000.0;
        }
        for ((a, b), share) in pairs {
            let expected = if a == b { 0.222 } else { 0.389 };
            assert!((share - expected).abs() < 0.015, "{a:?} {b:?}: {share}");
        }
    }

    #[test]
    fn a_seed_gives_its_order_again_and_another_seed_another() {
        assert_eq!(mixed(3, 60), mixed(3, 60));
        assert_ne!(mixed(3, 60), mixed(4, 60));
    }

    #[test]
    fn without_mixing_the_first_speed_stays() {
        let mut order = order(false, 1);
        assert!((0..20).all(|_| order.next_speed() == Speed::from_mph(70.0)));
        assert!(PitchOrder::new(Vec::new(), true, 1).is_none());
    }
}
