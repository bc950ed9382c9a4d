//! Figures about the running program: frames, drops, times. Shared by all threads, cheap to write.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use crate::machine::{MachineFigures, free_bytes};

use super::ModelReason;
use super::figures::{FacilityFigures, HealthFigures, StageFigures};
use super::live::LiveState;
use super::preview::Preview;

/// Durations kept for quantiles: the last minute and a half at 60 frames a second, 45 seconds at 120.
const KEPT: usize = 5400;

/// The figures. All counts are since the start.
#[derive(Debug, Default)]
pub(crate) struct Health {
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
    /// Counts up while the capture thread lives: at each frame, each frame that failed, each try to open a camera.
    pub capture_beats: AtomicU64,
    /// How often the camera was opened again.
    pub camera_reopens: AtomicU64,
    /// Time the pose stage took for a frame.
    pub pose: DurationWindow,
    /// Time the bat network took for a frame, beside the pose stage.
    pub bat: DurationWindow,
    /// From a frame's capture to the end of its analysis.
    pub capture_to_analysis: DurationWindow,
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
    /// The rep stage's last figures.
    stage: Mutex<StageFigures>,
    /// Which pose model is in use, and why.
    model: Mutex<Option<ModelReason>>,
    /// How it stands with the facility's store.
    facility: Mutex<Option<FacilityFigures>>,
}

/// Counts of what was found in a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct RunCounts {
    /// Swings.
    pub swings: u32,
    /// Takes.
    pub takes: u32,
    /// Swings whose contact was heard.
    pub contacts_heard: u32,
    /// Swings and misses, where a microphone listens.
    pub swings_and_misses: u32,
    /// Frames analyzed.
    pub frames: u64,
    /// Frames with a body.
    pub bodies: u64,
}

/// A window of durations.
#[derive(Debug, Default)]
pub(crate) struct DurationWindow(Mutex<VecDeque<f32>>);

impl DurationWindow {
    /// Adds one.
    pub(crate) fn add(&self, duration: Duration) {
        self.add_ms(duration.as_secs_f64() * 1e3);
    }

    /// Adds one in milliseconds.
    pub(crate) fn add_ms(&self, ms: f64) {
        let mut times = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if times.len() == KEPT {
            times.pop_front();
        }
        times.push_back(ms as f32);
    }

    /// Median, 95 % and 99 % in milliseconds; `None` while there is none.
    pub(crate) fn quantiles_ms(&self) -> Option<[f64; 3]> {
        let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|q| self.quantile_ms(q));
        Some([p50?, p95?, p99?])
    }

    /// The duration in milliseconds below which the share `q` lies; `None` while there is none.
    pub(crate) fn quantile_ms(&self, q: f64) -> Option<f64> {
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
    /// Every figure, as of now. `up` is the time since the start; `journal` is where the journal lies.
    pub(crate) fn figures(&self, up: Duration, journal: Option<&Path>) -> HealthFigures {
        let count = |a: &AtomicU64| a.load(Ordering::Relaxed);
        let frames = count(&self.frames);
        let stage = self
            .stage
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        HealthFigures {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            up_secs: up.as_secs(),
            frames,
            fps: frames as f64 / up.as_secs_f64().max(1.0),
            dropped: count(&self.dropped),
            bodies: count(&self.bodies),
            model: self
                .model()
                .map(|reason| reason.to_string())
                .unwrap_or_default(),
            pose_ms: self.pose.quantiles_ms(),
            bat_ms: self.bat.quantiles_ms(),
            seen_ms: self.capture_to_analysis.quantiles_ms(),
            cue_ms: self.cue.quantiles_ms(),
            finish_to_cue_ms: self.finish_to_cue.quantiles_ms(),
            tone_ms: self.tone.quantiles_ms(),
            disk_free_bytes: journal.and_then(|path| free_bytes(path).ok()),
            restarts: [
                count(&self.camera_reopens),
                count(&self.pose_restarts),
                stage.finder_restarts,
                stage.sound_restarts,
                stage.journal_restarts,
            ],
            picture_shown: self.preview.is_allowed(),
            pictures_made: self.preview.made(),
            facility: self.facility(),
            stage,
            machine: MachineFigures::read(),
        }
    }

    /// Replaces the rep stage's figures.
    pub(crate) fn set_stage(&self, figures: StageFigures) {
        *self.stage.lock().unwrap_or_else(PoisonError::into_inner) = figures;
    }

    /// Which pose model is in use and why; `None` before it is chosen.
    pub(crate) fn model(&self) -> Option<ModelReason> {
        *self.model.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps which pose model is in use, and why.
    pub(crate) fn set_model(&self, reason: ModelReason) {
        *self.model.lock().unwrap_or_else(PoisonError::into_inner) = Some(reason);
    }

    /// How it stands with the facility's store; `None` for a cage by itself.
    pub(crate) fn facility(&self) -> Option<FacilityFigures> {
        self.facility
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Changes how it stands with the facility's store.
    pub(crate) fn change_facility(&self, change: impl FnOnce(&mut FacilityFigures)) {
        let mut figures = self.facility.lock().unwrap_or_else(PoisonError::into_inner);
        change(figures.get_or_insert_default());
    }

    /// One line for the terminal and the log.
    pub(crate) fn summary(&self) -> String {
        let count = |a: &AtomicU64| a.load(Ordering::Relaxed);
        let (frames, dropped) = (count(&self.frames), count(&self.dropped));
        let share = 100.0 * dropped as f64 / frames.max(1) as f64;
        let pose = match (self.pose.quantile_ms(0.5), self.pose.quantile_ms(0.95)) {
            (Some(p50), Some(p95)) => format!(", pose {p50:.1} ms a frame (p95 {p95:.1})"),
            _ => String::new(),
        };
        let analysis = self
            .capture_to_analysis
            .quantile_ms(0.95)
            .map(|p95| format!(", capture to analysis p95 {p95:.0} ms"))
            .unwrap_or_default();
        format!(
            "{frames} frames, {dropped} dropped ({share:.2} %), hitter in {}{pose}{analysis}",
            count(&self.bodies)
        )
    }
}
