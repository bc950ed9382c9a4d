//! What the page asks of the run.

use std::path::PathBuf;
use std::time::Instant;

use super::{SessionController, StandInHitter};
use crate::daemon::DaemonError;
use crate::daemon::cue_library::cue_sources;
use crate::daemon::hitter_now::HitterNow;
use crate::journal::{JournalHandle, NewHitter};
use crate::page::{SessionControl, SwitchError, TurnChange};
use crate::settings::Settings;
use crate::sound::{CueSources, SoundError};
use crate::status::ShownHitter;

impl SessionController {
    /// Begins a session of a hitter who was chosen at that time.
    ///
    /// # Errors
    /// Those of [`SessionControl::switch_hitter`].
    pub(in crate::daemon) fn switch_to(
        &self,
        hitter: NewHitter,
        chosen_at: Instant,
    ) -> Result<(), SwitchError> {
        let not_requested = |stand_in: StandInHitter| !stand_in.requested;
        if self.config.stand_in.is_some_and(not_requested) {
            return Err(SwitchError::NoCamera);
        }
        let failed = |error: DaemonError| SwitchError::Preparation(error.into());
        let settings = self.settings();
        let path = self.journal_path(&settings).map_err(failed)?;
        let hitter = Self::complete(&path, hitter)?;
        let next = self
            .prepare(&settings, (HitterNow::Page(hitter), chosen_at), &path)
            .map_err(failed)?;
        self.begin_prepared(next);
        Ok(())
    }
}

impl SessionControl for SessionController {
    fn settings(&self) -> Settings {
        self.current().settings.clone()
    }

    fn hitter_changed(&self, before: &str, now: Option<&str>) -> Result<(), SwitchError> {
        let chosen_at = Instant::now();
        self.rename_turn(before, now);
        let settings = self.settings();
        let hitter = self.current().hitter.clone();
        let Some(next) = hitter.with_name(before, now, settings.hitter.name.as_deref()) else {
            return Ok(());
        };
        let next = self
            .journal_path(&settings)
            .and_then(|path| self.prepare(&settings, (next, chosen_at), &path))
            .map_err(|error| SwitchError::Preparation(error.into()))?;
        self.begin_prepared(next);
        Ok(())
    }

    fn texts(&self) -> Vec<PathBuf> {
        self.settings().texts(self.config.settings_file.as_deref())
    }

    fn asked(&self) -> Option<ShownHitter> {
        self.changes.asked()
    }

    fn consents_changed(&self, film_refused: bool) {
        let _in_order = self.in_order();
        let now = self.permissions();
        if now != self.changes.permissions() {
            self.changes.put_permissions(now);
        }
        // After the gate has closed: what was asked for before it is taken back, and nothing comes after it.
        if film_refused {
            self.changes.take_back_films();
        }
    }

    fn journal_writer(&self) -> Option<JournalHandle> {
        self.current().writer.clone()
    }

    fn journal(&self) -> Option<PathBuf> {
        self.journal_path(&self.settings()).ok()
    }

    fn turns(&self) -> Vec<String> {
        self.turn_names()
    }

    fn change_turns(&self, change: TurnChange) -> Result<(), SwitchError> {
        self.change_turn_order(change)
    }

    fn switch_hitter(&self, hitter: NewHitter) -> Result<(), SwitchError> {
        self.switch_to(hitter, Instant::now())
    }

    fn cue_sources(&self) -> CueSources {
        cue_sources(&self.settings(), self.journal().as_deref())
    }

    fn cues_changed(&self) -> Result<(), SoundError> {
        if !self.has_sound() {
            return Ok(());
        }
        let library = self.cue_sources().load()?;
        self.changes.put_library(library.into());
        Ok(())
    }
}
