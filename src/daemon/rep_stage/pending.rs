//! Between two frames: edited settings, the next session, and what its hitter allows, put in force.

use super::RepStage;
use super::readiness_monitor::ReadinessMonitor;
use super::session::SessionChange;
use crate::daemon::DaemonError;
use crate::daemon::pending_changes::SettingsUpdate;
use crate::daemon::permissions::Permissions;

impl RepStage {
    /// Puts edited settings in force. Nothing that was seen, counted or learnt is lost; a rep that was judged and waits to be
    /// logged keeps the bands it was judged by.
    pub(super) fn apply_pending_update(&mut self) {
        if let Some(update) = self.changes.take_update() {
            self.apply_update(update);
        }
        if let Some(library) = self.changes.take_library() {
            self.sound.use_library(library);
        }
    }

    fn apply_update(&mut self, update: SettingsUpdate) {
        let SettingsUpdate {
            bands,
            order,
            baseline_swings,
            setup,
            remarks,
            volume,
            library,
            video,
        } = update;
        let training = &mut self.session.training;
        training
            .trainer
            .apply_settings(bands, order, baseline_swings);
        training.remarks = remarks;
        self.camera.ask(setup);
        self.set_setup(setup);
        self.sound.apply_settings(volume, library);
        if let Some(notice) = self.records.films.apply_settings(video) {
            self.terminal.println(&notice);
        }
    }

    /// Begins the session that waits, unless a rep runs or still waits to be logged.
    pub(super) fn begin_pending_session(&mut self) -> Result<(), DaemonError> {
        if self.unfinished.is_some() || !self.session.is_between_reps() {
            return Ok(());
        }
        let Some((change, permissions)) = self.changes.take_session() else {
            return Ok(());
        };
        let SessionChange {
            hitter,
            chosen_at,
            session,
            training,
            setup,
            journal,
        } = change;
        let not_counted = self.session.finder.take_all_not_counted();
        self.tell_not_counted(not_counted)?;
        self.print_closing_line();
        let name = hitter.as_ref().and_then(|hitter| hitter.name.clone());
        // What is shown here may end up in the system's log, where no name belongs.
        self.terminal.println(match name.is_some() {
            true => "a new session begins, with a named hitter",
            false => "a new session begins, without a name",
        });
        let keeps_films = self.records.films.state().is_some_and(|films| films.keep);
        if keeps_films && !permissions.film {
            self.terminal.println(
                "no film is kept of this session: its hitter does not allow it, or consent is asked for and not on record",
            );
        }
        self.records
            .begin_session(hitter, session, chosen_at, journal)?;
        self.camera.ask(setup);
        self.session = self.session.next(training, setup);
        self.apply_permissions(&permissions);
        self.head_tone.begin_session(setup);
        self.readiness = ReadinessMonitor::new();
        self.asked.begin_session();
        self.live.begin_session();
        self.publish(None);
        self.judge_held(name.as_deref())
    }

    /// Goes by what the hitter of the running session allows, where that is new.
    pub(super) fn apply_pending_permissions(&mut self) {
        if let Some(permissions) = self.changes.take_permissions() {
            self.apply_permissions(&permissions);
        }
    }

    /// What the hitter of the running session allows; films and pictures have gates of their own.
    pub(super) fn apply_permissions(&mut self, permissions: &Permissions) {
        self.session.hitter.clone_from(&permissions.shown);
        self.records.keeps_landmarks = permissions.landmarks;
    }
}
