//! `watch` follows its settings: which file, what of an edit this run uses, and what the rep stage is handed.

use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::hitting::Hitting;
use super::places::SettingsFiles;
use super::session::library;
use super::trial::{Scenes, choose_model};
use super::{Failure, show};
use crate::capture::LiveControls;
use crate::daemon::{
    PendingTrackers, Revision, Revisions, SettingsFollower, follow_settings, picture_notice,
    raise_on_hangup_signal,
};
use crate::page::PageServer;
use crate::rep::MeasureName;
use crate::settings::{Applies, KeyChange, Settings, SettingsWatch};
use crate::status::{Health, Preview};

/// What of this run decides how an edit is used, and what takes it up.
pub(super) struct Run {
    /// Who hits.
    pub hitting: Arc<Hitting>,
    /// Whether anything is heard.
    pub heard: bool,
    /// The camera's exposure, gain, mains and focus.
    pub controls: LiveControls,
    /// What is served.
    pub page: Arc<PageServer>,
    /// Where the model in use is told.
    pub health: Arc<Health>,
    /// Whether screens may show the camera's picture.
    pub pictures: Arc<Preview>,
    /// Where another pose model waits.
    pub trackers: Arc<PendingTrackers>,
    /// Frames a second of the source, which a model has to keep up with.
    pub fps: f64,
}

impl Run {
    /// Why this run does not use a change, if it does not.
    fn unused(&self, key: &str) -> Option<&'static str> {
        let of_the_camera = matches!(
            key,
            "hitter.name"
                | "hitter.height_cm"
                | "hitter.bats"
                | "camera.known_length_cm"
                | "camera.known_length_px"
                | "camera.roll_deg"
                | "camera.exposure_ms"
                | "camera.gain_pct"
                | "camera.power_line_hz"
                | "camera.focus_pct"
        );
        if key == "journal.path" && self.hitting.journal_is_told() {
            return Some("--journal goes before");
        }
        if of_the_camera && !self.hitting.is_live() {
            return Some("a recording stands in, with a hitter and a camera of its own");
        }
        let plan = self.hitting.plan()?;
        let own_band = key
            .strip_prefix("bands.")
            .and_then(MeasureName::from_name)
            .is_some_and(|measure| plan.bands.contains_key(&measure));
        (own_band || key == "cues.order").then_some("the plan's own goes before")
    }

    fn prepare(&self, settings: &Settings, changes: &mut [KeyChange]) -> Result<Revision, String> {
        for change in changes.iter_mut() {
            if let Some(why) = self.unused(&change.key) {
                change.applies = Applies::Unused(why);
            }
        }
        let other_sounds = changes
            .iter()
            .any(|change| matches!(&*change.key, "cues.language" | "cues.phrases"));
        let library = match self.heard && (other_sounds || changes.is_empty()) {
            // Also where the file is read again unchanged: the recordings may be other ones.
            true => Some(library(settings).map_err(|error| error.to_string())?.into()),
            false => None,
        };
        self.take_up(settings, changes)?;
        let (bands, order) = match &self.hitting.plan() {
            Some(plan) => (plan.bands_over(&settings.bands), plan.focus.clone()),
            None => (settings.bands.clone(), settings.cues.order.clone()),
        };
        // Nothing fails from here on: the capture thread takes them up with its next frame.
        self.controls.set(settings.camera.controls);
        Ok(Revision {
            bands,
            order,
            baseline_swings: settings.baseline_swings,
            finder: self.hitting.finder(settings),
            remarks: settings.cues.remarks,
            volume: settings.cues.volume,
            library,
            video: settings.video,
        })
    }
}

impl Run {
    /// Takes up what is more than a value in its place: another model, another address, another session. All of it or, where
    /// something cannot be had, nothing.
    fn take_up(&self, settings: &Settings, changes: &[KeyChange]) -> Result<(), String> {
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
        let trackers = match changed("pose.model") {
            true => Some(
                choose_model(settings.model, self.fps, Scenes::Still)
                    .map_err(|error| error.to_string())?,
            ),
            false => None,
        };
        let next = match changed("hitter.name") || changed("journal.path") {
            true => Some(
                self.hitting
                    .prepare_another(settings)
                    .map_err(|error| error.to_string())?,
            ),
            false => None,
        };
        let logs = changes.iter().any(|change| change.key.starts_with("log."));
        if logs {
            crate::logging::revise(settings.log_files.as_ref())
                .map_err(|error| format!("the log's folder cannot be used: {error}"))?;
        }
        if changed("page.listen") {
            match self.page.serve_at(settings.page) {
                Ok(Some(address)) => show::line(&format!("page: http://{address}/")),
                Ok(None) => {}
                Err(error) => {
                    let before = self.hitting.settings();
                    if logs && let Err(error) = crate::logging::revise(before.log_files.as_ref()) {
                        tracing::error!(%error, "the log could not go back to where it was");
                    }
                    return Err(error.to_string());
                }
            }
        }
        // From here on nothing fails.
        if let Some((words, trackers)) = trackers {
            show::line(&words);
            self.health.set_model(&words);
            self.trackers.put(trackers);
        }
        if changed("page.picture") {
            self.pictures.allow(settings.page_picture);
            show::line(picture_notice(settings.page_picture));
        }
        match next {
            Some(next) => self.hitting.begin_prepared(next),
            None => self.hitting.take_note(settings),
        }
        Ok(())
    }
}

/// Follows the settings until what it gives is dropped.
pub(super) fn follow(
    files: &SettingsFiles,
    settings: &Settings,
    revisions: &Arc<Revisions>,
    run: Run,
) -> Result<SettingsFollower, Failure> {
    let look_now = Arc::new(AtomicBool::new(false));
    // Without a terminal the signal HUP means "read the settings again"; with one, that it was closed.
    if !std::io::stdin().is_terminal() && !std::io::stdout().is_terminal() {
        raise_on_hangup_signal(&look_now)?;
    }
    let watch = SettingsWatch::new(files.places(), files.in_force(), settings.clone());
    let prepare =
        move |settings: &Settings, changes: &mut [KeyChange]| run.prepare(settings, changes);
    Ok(follow_settings(
        watch,
        Arc::clone(revisions),
        prepare,
        show::line,
        look_now,
    )?)
}
