//! When a sample was heard: the microphone's count of samples on the machine's clock.
//!
//! In: for each block that arrives, how many frames came before it and when its first one is thought to have been heard. Out:
//! the instant of any frame. A block may arrive late and never early, so the earliest of the last seconds counts; crystals
//! differ by a tenth of a millisecond a second at most, which these seconds keep up with.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

/// The earliest arrival of this long counts.
const KEPT: Duration = Duration::from_secs(4);
/// Blocks that all arrive later than foretold by this much, for so long: samples were lost, and the count begins anew.
const LOST: Duration = Duration::from_millis(25);
const LOST_FOR: Duration = Duration::from_millis(300);

/// The mapping.
#[derive(Debug)]
pub(super) struct SampleClock {
    rate_hz: f64,
    /// When each block came, and when frame 0 would have been by it.
    origins: VecDeque<(Instant, Instant)>,
    late_since: Option<Instant>,
}

impl SampleClock {
    pub(super) fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            origins: VecDeque::new(),
            late_since: None,
        }
    }

    /// A block whose first frame, number `frame`, was heard at `at`.
    pub(super) fn note(&mut self, frame: u64, at: Instant) {
        let before = Duration::from_secs_f64(frame as f64 / self.rate_hz);
        // A count that is older than the machine cannot be; such a block is not used.
        let Some(origin) = at.checked_sub(before) else {
            return;
        };
        while self
            .origins
            .front()
            .is_some_and(|(noted, _)| at.saturating_duration_since(*noted) > KEPT)
        {
            self.origins.pop_front();
        }
        if let Some(earliest) = self.origin()
            && origin.saturating_duration_since(earliest) > LOST
        {
            let since = *self.late_since.get_or_insert(at);
            if at.saturating_duration_since(since) >= LOST_FOR {
                self.origins.retain(|(noted, _)| *noted >= since);
                self.late_since = None;
            }
        } else {
            self.late_since = None;
        }
        self.origins.push_back((at, origin));
    }

    /// When this frame was heard; `None` before the first block.
    pub(super) fn at(&self, frame: f64) -> Option<Instant> {
        let after = Duration::try_from_secs_f64(frame / self.rate_hz).ok()?;
        Some(self.origin()? + after)
    }

    fn origin(&self) -> Option<Instant> {
        self.origins.iter().map(|(_, origin)| *origin).min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;
    const BLOCK: u64 = 480;

    /// Blocks of 10 ms from a crystal that runs `ppm` fast, arriving up to `late_ms` late; the error at the end, milliseconds.
    fn error_ms(ppm: f64, late_ms: f64, secs: u64, lost_at: Option<u64>) -> f64 {
        let start = Instant::now() + Duration::from_secs(1000);
        let mut random = fastrand::Rng::with_seed(3);
        let mut clock = SampleClock::new(RATE_HZ);
        let (mut frame, mut heard) = (0, 0.0);
        for block in 0..secs * 100 {
            if Some(block) == lost_at {
                heard += 0.2;
            }
            let late = 1e-3 * late_ms * random.f64();
            clock.note(frame, start + Duration::from_secs_f64(heard + late));
            frame += BLOCK;
            heard += BLOCK as f64 / RATE_HZ / (1.0 + 1e-6 * ppm);
        }
        let found = clock.at(frame as f64).unwrap().duration_since(start);
        1e3 * (found.as_secs_f64() - heard)
    }

    #[test]
    fn frames_are_dated_within_a_millisecond_though_blocks_come_late_and_crystals_differ() {
        for ppm in [-100.0, 0.0, 100.0] {
            let error = error_ms(ppm, 20.0, 60, None);
            assert!(error.abs() < 1.0, "{ppm}: {error}");
        }
    }

    #[test]
    fn samples_that_were_lost_are_noticed() {
        let error = error_ms(0.0, 10.0, 20, Some(1000));
        assert!(error.abs() < 1.0, "{error}");
        // Until it is sure of that, it dates by what was before.
        let just_after = error_ms(0.0, 0.0, 11, Some(1090));
        assert!((just_after + 200.0).abs() < 1.0, "{just_after}");
    }

    #[test]
    fn nothing_is_dated_before_the_first_block() {
        assert_eq!(SampleClock::new(RATE_HZ).at(0.0), None);
    }
}
