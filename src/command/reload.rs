//! `watch` follows its settings: which file, what of an edit this run uses, and what the rep stage is handed.

use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::places::SettingsFiles;
use super::session::{Sound, library};
use super::{Failure, show};
use crate::capture::LiveControls;
use crate::coach::Plan;
use crate::daemon::{
    Revision, Revisions, SettingsFollower, follow_settings, raise_on_hangup_signal,
};
use crate::journal::NewPlan;
use crate::rep::{FinderSettings, MeasureName};
use crate::settings::{KeyChange, Settings, SettingsWatch, Takes};

/// What of this run decides how an edit is used.
pub(super) struct Run {
    /// Whether a camera is watched; else a recording stands in.
    pub live: bool,
    /// What the finder is told from settings.
    pub finder: Box<dyn Fn(&Settings) -> FinderSettings + Send>,
    /// Whether anything is heard.
    pub heard: bool,
    /// The plan in force.
    pub plan: Option<Plan>,
    /// The camera's exposure, gain, mains and focus.
    pub controls: LiveControls,
}

impl Run {
    pub fn new(
        live: bool,
        sound: &Sound,
        plan: Option<&NewPlan>,
        controls: LiveControls,
        finder: impl Fn(&Settings) -> FinderSettings + Send + 'static,
    ) -> Self {
        Self {
            live,
            finder: Box::new(finder),
            heard: !matches!(sound, Sound::None),
            // A plan that cannot be read has ended the start already.
            plan: plan.and_then(|plan| Plan::parse(&plan.text).ok()),
            controls,
        }
    }

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
        if of_the_camera && !self.live {
            return Some("a recording stands in, with a hitter and a camera of its own");
        }
        let plan = self.plan.as_ref()?;
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
        let (bands, order) = match &self.plan {
            Some(plan) => (plan.bands_over(&settings.bands), plan.focus.clone()),
            None => (settings.bands.clone(), settings.cues.order.clone()),
        };
        // Nothing fails from here on: the capture thread takes them up with its next frame.
        self.controls.set(settings.camera.controls);
        Ok(Revision {
            bands,
            order,
            baseline_swings: settings.baseline_swings,
            finder: (self.finder)(settings),
            remarks: settings.cues.remarks,
            volume: settings.cues.volume,
            library,
        })
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
