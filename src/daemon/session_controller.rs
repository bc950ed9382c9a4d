//! Who hits now, and how the next session is prepared while `watch` runs.
//!
//! In: the settings, as they are edited, and the hitter who steps in at the page. Out: a [`SessionChange`] for the rep stage.
//! Everything that can fail, such as reading the hitter's plan and baselines, happens here, on the thread that asks.

mod page_control;
#[cfg(test)]
mod tests;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use super::hitter_now::HitterNow;
use super::pending_changes::PendingChanges;
use super::permissions::{Permissions, permissions};
use super::plan_choice::{PlanOverride, plan_in_force};
use super::retention::{Retention, RetentionLimits};
use super::training::{
    bands_and_order, hitter_entry, open_journal, prepare_training, session_entry, usual_of_named,
};
use super::turns::Turns;
use super::{DaemonError, SessionChange, Terminal, Training};
use crate::coach::{Bands, Plan};
use crate::journal::{
    Journal, JournalError, JournalHandle, JournalWriter, NewHitter, NewPlan, NewSession,
};
use crate::page::{SessionControl, SwitchError};
use crate::paths;
use crate::rep::{HitterSetup, MeasureName};
use crate::settings::{HitterSettings, Settings};

/// The hitter and the camera of a recording that stands in for the camera.
#[derive(Clone, Copy, Debug)]
pub(super) struct StandInHitter {
    /// The hitter's height, where it is known.
    pub height_cm: Option<f64>,
    /// Whether the recording was asked for; else it runs for want of a camera.
    pub requested: bool,
    /// Whether the camera of the settings filmed the recording from where it was calibrated.
    pub same_camera: bool,
}

/// What is the same for every session of a run.
pub(super) struct RunConfig {
    /// The journal that the command line names; it goes before the settings.
    pub journal: Option<PathBuf>,
    /// What the command line says about the plan.
    pub plan: PlanOverride,
    /// The settings file in force at the start.
    pub settings_file: Option<PathBuf>,
    /// Whether anything is heard.
    pub has_sound: bool,
    /// `None` where a camera is watched.
    pub stand_in: Option<StandInHitter>,
    /// What is watched, for the journal.
    pub source: String,
}

/// Knows who hits, and prepares sessions.
pub(super) struct SessionController {
    config: RunConfig,
    pub(super) changes: Arc<PendingChanges>,
    terminal: Terminal,
    current: Mutex<Current>,
    order: Mutex<()>,
    pub(super) turns: Mutex<Turns>,
    retention: Retention,
}

struct Current {
    /// The settings in force, as the file has them.
    settings: Settings,
    /// Who hits.
    hitter: HitterNow,
    plan: Option<Plan>,
    /// Where edits of the journal go.
    writer: Option<JournalHandle>,
}

/// A session that is ready to begin, and what is current once it does.
pub(super) struct PreparedSession {
    change: SessionChange,
    current: Current,
}

/// The first session of a run.
pub(super) struct FirstSession {
    pub journal: JournalWriter,
    pub training: Training,
    pub setup: HitterSetup,
}

impl SessionController {
    pub(super) fn new(
        settings: &Settings,
        config: RunConfig,
        changes: Arc<PendingChanges>,
        terminal: Terminal,
    ) -> Self {
        Self {
            config,
            changes,
            terminal,
            retention: Retention::default(),
            current: Mutex::new(Current {
                settings: settings.clone(),
                hitter: HitterNow::Settings,
                plan: None,
                writer: None,
            }),
            order: Mutex::default(),
            turns: Mutex::default(),
        }
    }

    /// Held while it changes who hits and what they allow, so that nobody gets what another allows.
    fn in_order(&self) -> MutexGuard<'_, ()> {
        self.order.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the hitter of the newest session allows, as the journal has it now.
    fn permissions(&self) -> Permissions {
        let (settings, hitter) = self.settings_and_hitter();
        let name = self.effective_settings(&settings, &hitter).hitter.name;
        match self.journal_path(&settings) {
            Ok(path) => permissions(&path, name.as_deref(), hitter.asked(), settings.ask_consent),
            Err(_) => Permissions::default(),
        }
    }

    fn current(&self) -> MutexGuard<'_, Current> {
        self.current.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether a camera is watched.
    pub(super) fn is_live(&self) -> bool {
        self.config.stand_in.is_none()
    }

    /// Whether anything is heard.
    pub(super) fn has_sound(&self) -> bool {
        self.config.has_sound
    }

    /// Whether what was calibrated counts: for a camera, and a recording that this camera filmed.
    pub(super) fn counts_calibration(&self) -> bool {
        self.config
            .stand_in
            .is_none_or(|stand_in| stand_in.same_camera)
    }

    /// Whether the command line names the journal, so that the settings do not count.
    pub(super) fn journal_is_explicit(&self) -> bool {
        self.config.journal.is_some()
    }

    /// The plan of the session that runs or is about to.
    pub(super) fn plan(&self) -> Option<Plan> {
        self.current().plan.clone()
    }

    /// The bands and the order of cues under these settings and the plan of the session.
    pub(super) fn bands_and_order(&self, settings: &Settings) -> (Bands, Vec<MeasureName>) {
        bands_and_order(settings, self.current().plan.as_ref())
    }

    /// Where reps go under these settings.
    ///
    /// # Errors
    /// Where nothing says where the journal is.
    pub(super) fn journal_path(&self, settings: &Settings) -> Result<PathBuf, DaemonError> {
        let explicit = self.config.journal.as_deref();
        Ok(paths::journal(explicit, settings.journal.as_deref())?)
    }

    /// What is known of hitter and camera under these settings.
    pub(super) fn setup(&self, settings: &Settings) -> HitterSetup {
        let current = self.current();
        self.setup_of(&self.effective_settings(settings, &current.hitter))
    }

    fn setup_of(&self, effective: &Settings) -> HitterSetup {
        let hitter = &effective.hitter;
        let camera = &effective.camera;
        // Another camera filmed a recording than the one that the settings describe, unless it is said.
        let calibrated = self.counts_calibration();
        HitterSetup {
            height_cm: hitter.height_cm,
            view: camera.view,
            life_pace: true,
            cm_per_px: camera.cm_per_px.filter(|_| calibrated),
            roll_deg: camera.roll_deg.filter(|_| calibrated),
            bats: hitter.bats.filter(|_| self.is_live()),
        }
    }

    /// The settings with the hitter who is really there.
    pub(super) fn effective_settings(&self, settings: &Settings, hitter: &HitterNow) -> Settings {
        let mut effective = settings.clone();
        if let Some(stand_in) = self.config.stand_in {
            // No rep of a recording goes under the settings' name.
            effective.hitter = HitterSettings {
                name: Some("stand-in recording".into()),
                height_cm: stand_in.height_cm,
                bats: None,
            };
        }
        if let Some(hitter) = hitter.instead() {
            effective.hitter = hitter;
        }
        effective
    }

    /// Begins the first session of the run.
    ///
    /// # Errors
    /// Where the journal cannot be opened or the plan cannot be followed.
    pub(super) fn begin_first(&self) -> Result<FirstSession, DaemonError> {
        let chosen_at = Instant::now();
        let settings = self.settings();
        let path = self.journal_path(&settings)?;
        let journal = open_journal(&path, &self.terminal)?;
        // A recording that nobody asked for is nobody's; one that was asked for may have been somebody's.
        let hitter = match self.config.stand_in {
            Some(StandInHitter {
                requested: false, ..
            }) => HitterNow::Settings,
            _ => HitterNow::at_start(&path, &journal, settings.hitter_idle),
        };
        let PreparedSession { change, current } =
            self.prepare(&settings, (hitter, chosen_at), &path)?;
        journal.begin_session(change.hitter, change.session, chosen_at)?;
        *self.current() = Current {
            writer: journal.handle(),
            ..current
        };
        self.changes.put_permissions(self.permissions());
        Ok(FirstSession {
            journal,
            training: change.training,
            setup: change.setup,
        })
    }

    /// Prepares a session for the hitter of these settings, or for the one who stepped in: who was chosen, and when.
    pub(super) fn prepare(
        &self,
        settings: &Settings,
        (hitter, chosen_at): (HitterNow, Instant),
        path: &Path,
    ) -> Result<PreparedSession, DaemonError> {
        let effective = self.effective_settings(settings, &hitter);
        let setup = self.setup_of(&effective);
        let plan = match &self.config.plan {
            PlanOverride::Plan(plan) => Some(plan.clone()),
            PlanOverride::NoPlan => None,
            PlanOverride::Unset => usable_plan_in_force(path, &effective),
        };
        let mut training = prepare_training(
            &effective,
            usual_of_named(&effective, Some(path)),
            plan.as_ref(),
            fastrand::u64(..),
            &self.terminal,
        )?;
        // Somebody may stand there who never heard what pain means, plan or not.
        training.opening = true;
        let said_by = match (self.config.stand_in, &hitter) {
            // The recording's own hitter: nobody said so.
            (Some(_), HitterNow::Settings) => None,
            (_, hitter) => hitter.said_by(),
        };
        let change = SessionChange {
            hitter: hitter_entry(&effective, &setup),
            chosen_at,
            session: NewSession {
                said_by,
                ..session_entry(&effective, &self.config.source, plan.clone())
            },
            training,
            setup,
            journal: None,
        };
        let current = Current {
            settings: settings.clone(),
            hitter,
            // A plan that cannot be read has ended this already.
            plan: plan.and_then(|plan| Plan::parse(&plan.text).ok()),
            writer: None,
        };
        Ok(PreparedSession { change, current })
    }

    /// Prepares another session, for edited settings with another hitter or another journal. Nothing is changed yet.
    ///
    /// # Errors
    /// Where the journal cannot be opened or the plan cannot be followed.
    pub(super) fn prepare_next(&self, settings: &Settings) -> Result<PreparedSession, DaemonError> {
        let chosen_at = Instant::now();
        let path = self.journal_path(settings)?;
        let running = self.settings();
        let before = self.journal_path(&running)?;
        let other = (path != before)
            .then(|| open_journal(&path, &self.terminal))
            .transpose()?;
        // Who stepped in at the page stays there when reps go into another journal.
        let hitter = match settings.hitter.name == running.hitter.name {
            true => self.current().hitter.clone(),
            false => HitterNow::Settings,
        };
        let mut next = self.prepare(settings, (hitter, chosen_at), &path)?;
        next.current.writer = other.as_ref().and_then(JournalWriter::handle);
        next.change.journal = other;
        Ok(next)
    }

    /// Has the rep stage begin a prepared session between two reps.
    pub(super) fn begin_prepared(&self, next: PreparedSession) {
        let chosen_at = next.change.chosen_at;
        let name = next.change.hitter.as_ref();
        let name = name.and_then(|hitter| hitter.name.clone());
        self.begin_in_order(next);
        // Whoever was deleted, renamed or merged between then and now steps out: the page, or whoever heard of it elsewhere, looked
        // for them where they were not yet. From here on they are found there.
        let writer = self.current().writer.clone();
        if let Some((name, writer)) = name.zip(writer)
            && writer.has_changed_since(&name, chosen_at)
            && let Err(error) = self.hitter_changed(&name, None)
        {
            tracing::warn!(%error, "who hits now could not be brought up to date");
        }
    }

    fn begin_in_order(&self, next: PreparedSession) {
        let _in_order = self.in_order();
        let mut current = self.current();
        let writer = next.current.writer.or(current.writer.take());
        *current = Current {
            writer,
            ..next.current
        };
        drop(current);
        // Read only now: something may have been withdrawn since the session was prepared.
        let permissions = self.permissions();
        self.changes.put_session(next.change, permissions);
        self.publish_turns();
    }

    /// Steps a hitter out who stepped in at the page, once nobody has stood in to hit for long. To be called every second or so.
    pub(super) fn step_out_when_idle(&self) {
        let chosen_at = Instant::now();
        let (settings, hitter) = self.settings_and_hitter();
        if self.changes.idle_for() < settings.hitter_idle {
            return;
        }
        let Some(next) = hitter.once_idle() else {
            return;
        };
        let prepared = self
            .journal_path(&settings)
            .and_then(|path| self.prepare(&settings, (next, chosen_at), &path));
        match prepared {
            Ok(next) => {
                self.terminal
                    .println("no one has hit for a while; say who is hitting again");
                self.begin_prepared(next);
            }
            Err(error) => tracing::warn!(%error, "the hitter could not be stepped out"),
        }
    }

    /// Deletes what is older than the settings let it be, where that is due. To be called every second or so.
    pub(super) fn delete_old(&self) {
        let (limits, writer) = {
            let current = self.current();
            (
                RetentionLimits::of(&current.settings),
                current.writer.clone(),
            )
        };
        let (Some(writer), Some(journal)) = (writer, self.journal()) else {
            return;
        };
        if self.retention.due(&limits, self.changes.idle_for()) {
            limits.apply(&writer, &journal, crate::wall_clock::now());
        }
    }

    /// The settings in force, and who hits.
    pub(super) fn settings_and_hitter(&self) -> (Settings, HitterNow) {
        let current = self.current();
        (current.settings.clone(), current.hitter.clone())
    }

    /// The settings in force.
    pub(super) fn settings(&self) -> Settings {
        self.current().settings.clone()
    }

    /// Keeps edited settings that leave hitter and journal as they are.
    pub(super) fn set_settings(&self, settings: &Settings) {
        self.current().settings = settings.clone();
        self.consents_changed(false);
    }

    /// Fills in what the journal knows of a hitter and the page did not say.
    ///
    /// # Errors
    /// Where the hitter is frozen, and where the journal cannot be read.
    pub(super) fn complete(path: &Path, stated: NewHitter) -> Result<HitterSettings, SwitchError> {
        let name = stated
            .name
            .as_deref()
            .map(str::trim)
            .filter(|n| !n.is_empty());
        let hitters = match Journal::read_only(path).and_then(|reader| reader.hitters()) {
            Ok(hitters) => hitters,
            Err(JournalError::Missing { .. }) => Vec::new(),
            Err(error) => return Err(SwitchError::Preparation(error.into())),
        };
        let row = hitters
            .into_iter()
            .find(|row| name.is_some() && row.name.as_deref() == name);
        if row.as_ref().is_some_and(|row| row.frozen) {
            return Err(SwitchError::Frozen);
        }
        Ok(HitterSettings {
            name: name.map(str::to_owned),
            height_cm: stated
                .height_cm
                .or(row.as_ref().and_then(|row| row.height_cm)),
            bats: stated.bats.or(row.as_ref().and_then(|row| row.bats)),
        })
    }
}

/// The plan in force for the settings' hitter. A journal that cannot be read, or a plan that a newer cagehand wrote, is
/// no reason not to start. To be called after [`open_journal`].
fn usable_plan_in_force(journal: &Path, settings: &Settings) -> Option<NewPlan> {
    let found = plan_in_force(journal, settings.hitter.name.as_deref())
        .inspect_err(|error| tracing::warn!(%error, "the plan in force could not be read"))
        .ok()
        .flatten()?;
    Some(NewPlan {
        name: found.name,
        text: found.text,
    })
}
