//! Is a burst of the hands a swing? A small model that was trained on filmed people and on made motion says how likely.
//!
//! In: signals of a stretch and the sample at which the hands are fastest. Out: a probability. What the model was trained
//! and judged on stands in its file's first line and in `models/judge/README.md`.

mod moments;
mod network;

use std::sync::LazyLock;

use crate::motion::{BodySeries, Signals};
use crate::pose::PoseFrame;
use crate::time::CaptureTime;

use super::hidden_landmarks::resolve_hidden;
use super::live_motion::{LiveMotionReader, last_jump};
use super::setup::HitterSetup;
use super::slow_motion::SlowMotion;
use moments::Paths;
use network::Networks;

/// A burst counts from this probability on: a rep that was none harms a record more than one that is missing. In folds
/// over filmed people it counts 114 of 115 swings and nothing else.
pub(super) const LEAST_PROBABILITY: f64 = 0.9;
/// The same for a film that is looked at quicker than it runs: any slow movement gets quick that way, and at 0.95 three of
/// 195 tennis strokes counted.
pub(super) const LEAST_PROBABILITY_QUICKENED: f64 = 0.98;
/// Slower hands are not judged, standing heights a second: hitters in real films show 0.95 and more, lifts less.
pub(super) const LEAST_SPEED: f64 = 0.9;

/// Cutoff for the hands' speed, hertz: the swing's burst lasts about a fifth of a second.
const HANDS_HZ: f64 = 10.0;

/// The program's own model; a unit test reads it, so it cannot be broken in a build that passes.
static NETWORKS: LazyLock<Option<Networks>> = LazyLock::new(|| {
    Networks::read(include_bytes!("../../../models/swing_judge.bin"))
        .ok()
        .filter(|networks| networks.values() == moments::LEN)
});

/// Judges the bursts of one stretch.
pub(super) struct SwingJudge(Paths);

impl SwingJudge {
    /// Judges signals that were brought to life's pace from a film that many times slower.
    pub(super) fn of(signals: &Signals, slow_motion: SlowMotion) -> Self {
        let rate_hz = signals.rate_hz / slow_motion.judged_factor();
        Self(Paths::of(signals, rate_hz))
    }

    /// How likely the burst whose highest speed lies at that sample is a swing, 0 to 1.
    pub(super) fn probability(&self, peak: usize) -> f64 {
        let moments = self.0.around(peak);
        match (moments, NETWORKS.as_ref()) {
            (Some(moments), Some(networks)) => networks.probability(&moments.0),
            _ => 0.0,
        }
    }
}

/// Speed of the hands at each sample, centimeters a second.
pub(super) fn hand_speed(signals: &Signals) -> Vec<f64> {
    signals
        .hands
        .smoothed(HANDS_HZ, signals.rate_hz)
        .speed(signals.rate_hz)
}

/// The samples from `from` on at which the hands are fastest for a moment and faster than `floor_cm_s`.
pub(super) fn bursts(
    speed: &[f64],
    from: usize,
    floor_cm_s: f64,
) -> impl Iterator<Item = usize> + '_ {
    (from.max(1)..speed.len().saturating_sub(1)).filter(move |&i| {
        speed[i] > floor_cm_s && speed[i] >= speed[i - 1] && speed[i] > speed[i + 1]
    })
}

/// A burst of the hands as the judge sees it: what it is trained on.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingCandidate {
    /// When the hands were fastest.
    pub at: CaptureTime,
    /// How fast they were, standing heights a second.
    pub hand_speed: f64,
    /// The values that the judge reads, see `moments.rs`.
    pub moments: Vec<f32>,
}

/// The bursts in a stretch of frames, in time order, whose hands are faster than `floor` standing heights a second. Like the
/// live finder it looks only at what follows the last frame at which the landmarks went over to another body.
pub fn swing_candidates(frames: &[PoseFrame], floor: f64) -> Vec<SwingCandidate> {
    let mut frames = frames.to_vec();
    let mut reader = LiveMotionReader::default();
    for frame in &mut frames {
        if let Some(body) = &mut frame.body {
            resolve_hidden(body);
        }
        reader.read(frame);
    }
    let signals = || {
        let of_one_body = &frames[last_jump(&frames)..];
        let body = BodySeries::from_frames(of_one_body, reader.frame_rate()?)?;
        let scale = HitterSetup::default().scale(&body)?;
        Signals::new(&body, scale, 0.0).ok()
    };
    let Some(signals) = signals() else {
        return Vec::new();
    };
    let speed = hand_speed(&signals);
    let judge = SwingJudge::of(&signals, SlowMotion::NONE);
    let height_cm = signals.scale.height_cm;
    bursts(&speed, 0, floor * height_cm)
        .filter_map(|peak| {
            Some(SwingCandidate {
                at: signals.time_at(peak as f64),
                hand_speed: speed[peak] / height_cm,
                moments: judge.0.around(peak)?.0,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_model_reads_what_the_judge_sees() {
        let networks = Networks::read(include_bytes!("../../../models/swing_judge.bin")).unwrap();
        assert_eq!(networks.values(), moments::LEN);
        assert!(NETWORKS.is_some());
        let nothing = networks.probability(&vec![0.0; moments::LEN]);
        assert!(nothing < LEAST_PROBABILITY, "{nothing}");
    }

    #[test]
    fn a_model_that_is_cut_short_is_refused() {
        let whole = include_bytes!("../../../models/swing_judge.bin");
        for cut in [0, 20, 2000, whole.len() - 1] {
            assert!(Networks::read(&whole[..cut]).is_err(), "{cut}");
        }
    }
}
