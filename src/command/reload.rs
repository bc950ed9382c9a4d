//! `watch` follows its settings: which file, what of an edit this run uses, and what the rep stage is handed.

use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::hitting::Hitting;
use super::places::SettingsFiles;
use super::session::library;
use super::watch::choose_model;
use super::{Failure, show};
use crate::capture::LiveControls;
use crate::daemon::{
    NextTrackers, Revision, Revisions, SettingsFollower, follow_settings, raise_on_hangup_signal,
};
use crate::page::PageServer;
use crate::rep::MeasureName;
use crate::settings::{KeyChange, Settings, SettingsWatch, Takes};

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
    /// Where another pose model waits.
    pub trackers: Arc<NextTrackers>,
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
                change.takes = Takes::Unused(why);
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
    /// Takes up what is more than a value in its place: another model, another address, another session.
    fn take_up(&self, settings: &Settings, changes: &[KeyChange]) -> Result<(), String> {
        let changed = |key: &str| {
            changes
                .iter()
                .any(|change| change.key == key && change.takes == Takes::AtOnce)
        };
        if changed("pose.model") {
            let (words, trackers) =
                choose_model(settings.model, self.fps).map_err(|error| error.to_string())?;
            show::line(&words);
            self.trackers.put(trackers);
        }
        if changes.iter().any(|change| change.key.starts_with("log.")) {
            crate::logging::revise(settings.log_files.as_ref())
                .map_err(|error| format!("the log's folder cannot be used: {error}"))?;
        }
        if changed("page.listen") {
            let taken = self
                .page
                .serve_at(settings.page)
                .map_err(|error| error.to_string())?;
            if let Some(address) = taken {
                show::line(&format!("page: http://{address}/"));
            }
        }
        if changed("journal.path") && settings.video.keep {
            return Err(
                "films of reps lie beside the journal: while video.keep is on, another journal needs a restart".into(),
            );
        }
        if changed("hitter.name") || changed("journal.path") {
            return self
                .hitting
                .begin_another(settings)
                .map_err(|error| error.to_string());
        }
        self.hitting.take_note(settings);
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
