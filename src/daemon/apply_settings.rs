//! What an edit of the settings does to a run of `watch`.
//!
//! In: edited settings that were found right. Out: an update for the rep stage; another model, page address, log folder,
//! session or picture rule, all of them put in force, or none where one cannot be had. Runs on the thread `settings`.

use std::sync::Arc;

use crate::capture::LiveControls;
use crate::page::PageServer;
use crate::rep::MeasureName;
use crate::settings::{Applies, KeyChange, Settings};
use crate::status::Health;

use super::Terminal;
use super::cue_library::cue_library;
use super::model_benchmark::BenchmarkLoad;
use super::model_choice::choose_pair;
use super::pending_changes::SettingsUpdate;
use super::pose_stage::PendingTrackers;
use super::preview_encoder::picture_notice;
use super::session_controller::SessionController;

/// Keys that describe a camera and the hitter before it; a recording has its own.
const KEYS_OF_THE_CAMERA: [&str; 7] = [
    "hitter.name",
    "hitter.height_cm",
    "hitter.bats",
    "camera.exposure_ms",
    "camera.gain_pct",
    "camera.power_line_hz",
    "camera.focus_pct",
];
/// Keys of what was calibrated, which count where the camera that they describe filmed the recording.
const CALIBRATION_KEYS: [&str; 3] = [
    "camera.known_length_cm",
    "camera.known_length_px",
    "camera.roll_deg",
];

/// The parts of a run that an edit may change.
pub(super) struct SettingsApplier {
    pub sessions: Arc<SessionController>,
    /// The camera's exposure, gain, mains and focus.
    pub controls: LiveControls,
    pub page: Arc<PageServer>,
    pub health: Arc<Health>,
    /// Where another pose model is left for the pose thread.
    pub trackers: Arc<PendingTrackers>,
    /// The rates that the source may be asked for.
    pub rates: Vec<f64>,
    pub terminal: Terminal,
}

impl SettingsApplier {
    /// Puts edited settings in force, and marks those changes that this run has no use for.
    ///
    /// # Errors
    /// In words, where something cannot be had; everything is then as before.
    pub(super) fn apply(
        &self,
        settings: &Settings,
        changes: &mut [KeyChange],
    ) -> Result<SettingsUpdate, String> {
        for change in changes.iter_mut() {
            if let Some(why) = self.unused(&change.key) {
                change.applies = Applies::Unused(why);
            }
        }
        let other_sounds = changes.iter().any(|change| {
            matches!(
                &*change.key,
                "cues.language" | "cues.phrases" | "journal.path"
            )
        });
        // Also where the file is read again unchanged: the recordings may be other ones.
        let library = match self.sessions.has_sound() && (other_sounds || changes.is_empty()) {
            true => {
                let journal = self.sessions.journal_path(settings).ok();
                let library = cue_library(settings, journal.as_deref());
                Some(library.map_err(words)?.into())
            }
            false => None,
        };
        self.apply_to_run(settings, changes)?;
        let (bands, order) = self.sessions.bands_and_order(settings);
        // Nothing fails from here on: the capture thread uses them from its next frame on.
        self.controls.set(settings.camera.controls);
        Ok(SettingsUpdate {
            bands,
            order,
            baseline_swings: settings.baseline_swings,
            setup: self.sessions.setup(settings),
            remarks: settings.cues.remarks,
            volume: settings.cues.volume,
            library,
            video: settings.video,
        })
    }

    /// Why this run has no use for a change, if so.
    fn unused(&self, key: &str) -> Option<&'static str> {
        if key == "journal.path" && self.sessions.journal_is_explicit() {
            return Some("--journal goes before");
        }
        let of_the_camera = match CALIBRATION_KEYS.contains(&key) {
            true => !self.sessions.counts_calibration(),
            false => KEYS_OF_THE_CAMERA.contains(&key) && !self.sessions.is_live(),
        };
        if of_the_camera {
            return Some("a recording stands in, with a hitter and a camera of its own");
        }
        let plan = self.sessions.plan()?;
        let own_band = key
            .strip_prefix("bands.")
            .and_then(MeasureName::from_name)
            .is_some_and(|measure| plan.bands.contains_key(&measure));
        (own_band || key == "cues.order").then_some("the plan's own goes before")
    }

    /// Changes what is more than a value in the rep stage: first everything that can fail, then the rest.
    fn apply_to_run(&self, settings: &Settings, changes: &[KeyChange]) -> Result<(), String> {
        let changed = |key: &str| {
            changes
                .iter()
                .any(|change| change.key == key && change.applies == Applies::Live)
        };
        if changed("journal.path") && settings.video.keep {
            return Err(
                "films of reps lie beside the journal: while video.keep is on, another journal needs a restart".into(),
            );
        }
        let model = changed("pose.model")
            .then(|| choose_pair(settings.model, &self.rates, |_| BenchmarkLoad::ModelOnly))
            .transpose()
            .map_err(words)?;
        let next_session = (changed("hitter.name") || changed("journal.path"))
            .then(|| self.sessions.prepare_next(settings))
            .transpose()
            .map_err(words)?;
        let log_changed = changes.iter().any(|change| change.key.starts_with("log."));
        if log_changed {
            crate::logging::set_files(settings.log_files.as_ref())
                .map_err(|error| format!("the log's folder cannot be used: {error}"))?;
        }
        let page_moves = |change: &KeyChange| {
            let of_the_page = change.key.starts_with("page.") && change.key != "page.picture";
            of_the_page || change.key == "cues.units"
        };
        if changes.iter().any(page_moves) {
            self.move_page(settings).inspect_err(|_| {
                if log_changed {
                    self.restore_log();
                }
            })?;
        }
        // From here on nothing fails.
        if let Some(model) = model {
            self.terminal.println(&model.reason.to_string());
            self.health.set_model(model.reason);
            self.trackers.put(model.trackers);
        }
        if changed("page.picture") {
            self.health.preview.allow(settings.page.picture);
            self.terminal.println(picture_notice(settings.page.picture));
        }
        match next_session {
            Some(next) => self.sessions.begin_prepared(next),
            None => self.sessions.set_settings(settings),
        }
        Ok(())
    }

    fn move_page(&self, settings: &Settings) -> Result<(), String> {
        if let Some(served) = self.page.serve(&settings.page).map_err(words)? {
            self.terminal.println(&served.to_string());
        }
        Ok(())
    }

    fn restore_log(&self) {
        let before = self.sessions.settings();
        if let Err(error) = crate::logging::set_files(before.log_files.as_ref()) {
            tracing::error!(%error, "the log could not go back to where it was");
        }
    }
}

fn words(error: impl std::error::Error) -> String {
    error.to_string()
}
