//! Figures about the running program: frames, drops, times. Shared by all threads, cheap to write.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use crate::journal::{JournalHandle, WriterState};
use crate::sound::PlayerHealth;
use crate::video::FilmState;

use super::ModelReason;
use super::live::LiveState;
use super::preview::Preview;

/// Durations kept for quantiles: the last minute and a half at 60 frames a second.
const KEPT: usize = 5400;

/// The figures. All counts are since the start.
#[derive(Debug, Default)]
pub struct Health {
    /// Frames that the source gave.
    pub frames: AtomicU64,
    /// Frames that the pose stage never saw, because a newer one had come.
    pub dropped: AtomicU64,
    /// Frames that the pose stage has analyzed.
    pub analyzed: AtomicU64,
    /// Frames with a body.
    pub bodies: AtomicU64,
    /// How often a broken pose model was loaded again.
    pub pose_restarts: AtomicU64,
    /// How often the camera was opened again.
    pub camera_reopens: AtomicU64,
    /// Time the pose stage took for a frame.
    pub pose: DurationWindow,
    /// From a frame's capture to the end of its analysis.
    pub seen: DurationWindow,
    /// From the capture of a rep's deciding frame to the first sample of its cue.
    pub cue: Arc<DurationWindow>,
    /// From a swing's finish to the first sample of its cue: the above, and what it takes to know that it is over.
    pub finish_to_cue: Arc<DurationWindow>,
    /// From a frame's capture to the first sample of the tone that follows the head in it.
    pub tone: Arc<DurationWindow>,
    /// What goes on now, for screens.
    pub live: Arc<LiveState>,
    /// The camera's picture for screens, where it is allowed.
    pub preview: Arc<Preview>,
    /// What the rep stage told last.
    stage: Mutex<StageReport>,
    /// Which pose model is in use, and why.
    model: Mutex<Option<ModelReason>>,
}

/// Counts of what was found in a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RunCounts {
    /// Swings.
    pub swings: u32,
    /// Takes.
    pub takes: u32,
    /// Frames looked at.
    pub frames: u64,
    /// Frames with a body.
    pub bodies: u64,
}

/// What the rep stage tells once a second.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StageReport {
    /// Swings and takes so far.
    pub counts: RunCounts,
    /// The last rep as the terminal showed it.
    pub last_rep: Option<String>,
    /// Whether the camera has the hitter, in words.
    pub ready: &'static str,
    /// The sound stage, where there is one.
    pub sound: Option<PlayerHealth>,
    /// How often the sound stage was started again.
    pub sound_restarts: u64,
    /// How often the rep finder failed by a fault and began afresh.
    pub rep_restarts: u64,
    /// The journal's writer, where there is one.
    pub journal: Option<WriterState>,
    /// Where the journal lies.
    pub journal_path: Option<PathBuf>,
    /// For edits of it.
    pub journal_edits: Option<JournalHandle>,
    /// The plan's name.
    pub plan: Option<String>,
    /// What is wrong with the settings file, until it is right again.
    pub settings_trouble: Option<String>,
    /// Settings that were edited and wait for a restart.
    pub settings_waiting: Vec<String>,
    /// The films, where some may be kept.
    pub films: Option<FilmState>,
}

/// A window of durations.
#[derive(Debug, Default)]
pub struct DurationWindow(Mutex<VecDeque<f32>>);

impl DurationWindow {
    /// Adds one.
    pub fn add(&self, duration: Duration) {
        self.add_ms(duration.as_secs_f64() * 1e3);
    }

    /// Adds one in milliseconds.
    pub fn add_ms(&self, ms: f64) {
        let mut times = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if times.len() == KEPT {
            times.pop_front();
        }
        times.push_back(ms as f32);
    }

    /// Median, 95 % and 99 % in milliseconds; `None` while there is none.
    pub fn quantiles_ms(&self) -> Option<[f64; 3]> {
        let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|q| self.quantile_ms(q));
        Some([p50?, p95?, p99?])
    }

    /// The duration in milliseconds below which the share `q` lies; `None` while there is none.
    pub fn quantile_ms(&self, q: f64) -> Option<f64> {
        let times: Vec<f64> = self
            .0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .iter()
            .map(|t| f64::from(*t))
            .collect();
        crate::stats::quantile(&times, q)
    }
}

impl Health {
    /// What the rep stage told last.
    pub fn stage(&self) -> StageReport {
        self.stage
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Keeps what the rep stage tells.
    pub fn set_stage(&self, report: StageReport) {
        *self.stage.lock().unwrap_or_else(PoisonError::into_inner) = report;
    }

    /// Which pose model is in use and why; `None` before it is chosen.
    pub fn model(&self) -> Option<ModelReason> {
        *self.model.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps which pose model is in use, and why.
    pub fn set_model(&self, reason: ModelReason) {
        *self.model.lock().unwrap_or_else(PoisonError::into_inner) = Some(reason);
    }

    /// One line for the terminal and the log.
    pub fn summary(&self) -> String {
        let count = |a: &AtomicU64| a.load(Ordering::Relaxed);
        let (frames, dropped) = (count(&self.frames), count(&self.dropped));
        let share = 100.0 * dropped as f64 / frames.max(1) as f64;
        let pose = match (self.pose.quantile_ms(0.5), self.pose.quantile_ms(0.95)) {
            (Some(p50), Some(p95)) => format!(", pose {p50:.1} ms a frame (p95 {p95:.1})"),
            _ => String::new(),
        };
        let seen = self
            .seen
            .quantile_ms(0.95)
            .map(|p95| format!(", capture to analysis p95 {p95:.0} ms"))
            .unwrap_or_default();
        format!(
            "{frames} frames, {dropped} dropped ({share:.2} %), hitter in {}{pose}{seen}",
            count(&self.bodies)
        )
    }
}
