//! Who hits now, and how the next session is made while `watch` runs.
//!
//! In: the settings, as they are edited, and whoever steps in at the page. Out: what the finder is told, and a
//! [`SessionChange`] for the rep stage. Everything that can fail, such as reading the hitter's plan and what is usual for
//! them, happens here, on the thread that asks.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::session::{noted_hitter, noted_session, open_journal, plan_in_force, training};
use super::{Failure, places};
use crate::coach::{Bands, Plan};
use crate::daemon::{Revisions, SessionChange, Training};
use crate::journal::{Journal, JournalError, JournalWriter, NewHitter, NewPlan};
use crate::page::SessionControl;
use crate::rep::FinderSettings;
use crate::settings::{HitterSettings, Settings};

/// A recording that stands in for the camera: a hitter of its own, in front of a camera of its own.
#[derive(Clone, Copy, Debug)]
pub(super) struct StandIn {
    /// The hitter's height, where it is known.
    pub height_cm: Option<f64>,
    /// Whether it was asked for; else it runs for want of a camera.
    pub told: bool,
}

/// What of the command line holds for every session.
pub(super) struct Told {
    pub journal: Option<PathBuf>,
    pub plan: Option<Option<NewPlan>>,
    pub stand_in: Option<StandIn>,
    /// What is watched, in words.
    pub source: String,
}

/// Who hits now.
pub(super) struct Hitting {
    told: Told,
    revisions: Arc<Revisions>,
    now: Mutex<Now>,
}

struct Now {
    /// The settings in force, as the file has them.
    settings: Settings,
    /// Who stepped in at the page, in the place of the settings' hitter.
    stepped_in: Option<HitterSettings>,
    plan: Option<Plan>,
}

/// A session that is ready to begin, and how things stand once it does.
pub(super) struct Next {
    change: SessionChange,
    now: Now,
}

impl Hitting {
    pub(super) fn new(settings: &Settings, told: Told, revisions: Arc<Revisions>) -> Self {
        Self {
            told,
            revisions,
            now: Mutex::new(Now {
                settings: settings.clone(),
                stepped_in: None,
                plan: None,
            }),
        }
    }

    fn now(&self) -> MutexGuard<'_, Now> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether a camera is watched.
    pub(super) fn is_live(&self) -> bool {
        self.told.stand_in.is_none()
    }

    /// Whether the journal was named on the command line, which goes before the settings.
    pub(super) fn journal_is_told(&self) -> bool {
        self.told.journal.is_some()
    }

    /// The plan of the session that runs or is about to.
    pub(super) fn plan(&self) -> Option<Plan> {
        self.now().plan.clone()
    }

    /// The name of who hits, where they have one.
    pub(super) fn name(&self) -> Option<String> {
        let now = self.now();
        self.seen(&now.settings, now.stepped_in.as_ref())
            .hitter
            .name
    }

    /// Where reps go under these settings.
    pub(super) fn journal_path(&self, settings: &Settings) -> Result<PathBuf, Failure> {
        places::journal(self.told.journal.as_deref(), settings)
    }

    /// What the finder is told of camera and hitter.
    pub(super) fn finder(&self, settings: &Settings) -> FinderSettings {
        self.finder_of(&self.seen(settings, self.now().stepped_in.as_ref()))
    }

    fn finder_of(&self, seen: &Settings) -> FinderSettings {
        let hitter = &seen.hitter;
        let camera = &seen.camera;
        let told = FinderSettings {
            height_cm: hitter.height_cm,
            view: camera.view,
            ..FinderSettings::default()
        };
        match self.told.stand_in {
            // Its camera is not the one that the settings speak of.
            Some(_) => told,
            None => FinderSettings {
                cm_per_px: camera.cm_per_px,
                roll_deg: camera.roll_deg,
                bats: hitter.bats,
                ..told
            },
        }
    }

    /// The settings with the hitter who is really there.
    fn seen(&self, settings: &Settings, stepped_in: Option<&HitterSettings>) -> Settings {
        let mut seen = settings.clone();
        if let Some(stand_in) = self.told.stand_in {
            // No rep of a recording goes under the settings' name.
            seen.hitter = HitterSettings {
                name: Some("stand-in recording".into()),
                height_cm: stand_in.height_cm,
                bats: None,
            };
        }
        if let Some(hitter) = stepped_in {
            seen.hitter = hitter.clone();
        }
        seen
    }

    /// The first session: its journal, and how its hitter trains.
    ///
    /// # Errors
    /// Where the journal cannot be opened or the plan cannot be followed.
    pub(super) fn begin(
        &self,
        count_asked: Arc<AtomicBool>,
    ) -> Result<(JournalWriter, Training, FinderSettings), Failure> {
        let settings = self.now().settings.clone();
        let path = self.journal_path(&settings)?;
        let journal = open_journal(&path)?;
        let Next { change, now } = self.prepare(&settings, None, &path, count_asked)?;
        journal.begin_session(change.hitter, change.session)?;
        *self.now() = now;
        Ok((journal, change.training, change.finder))
    }

    /// Prepares a session for the hitter of these settings, or for whoever stepped in.
    fn prepare(
        &self,
        settings: &Settings,
        stepped_in: Option<&HitterSettings>,
        path: &Path,
        count_asked: Arc<AtomicBool>,
    ) -> Result<Next, Failure> {
        let seen = self.seen(settings, stepped_in);
        let finder = self.finder_of(&seen);
        let plan = match &self.told.plan {
            Some(told) => told.clone(),
            None => plan_in_force(path, &seen),
        };
        let training = training(
            &seen,
            Some(path),
            plan.as_ref(),
            fastrand::u64(..),
            count_asked,
        )?;
        let change = SessionChange {
            hitter: noted_hitter(&seen, &finder),
            session: noted_session(&seen, &self.told.source, plan.clone()),
            training,
            finder,
            journal: None,
        };
        let now = Now {
            settings: settings.clone(),
            stepped_in: stepped_in.cloned(),
            // A plan that cannot be read has ended this already.
            plan: plan.and_then(|plan| Plan::parse(&plan.text).ok()),
        };
        Ok(Next { change, now })
    }

    /// Prepares another session, for edited settings with another hitter or another journal. Nothing is changed yet.
    ///
    /// # Errors
    /// Where the journal cannot be opened or the plan cannot be followed.
    pub(super) fn prepare_another(&self, settings: &Settings) -> Result<Next, Failure> {
        let path = self.journal_path(settings)?;
        let before = self.journal_path(&self.now().settings)?;
        let other = (path != before).then(|| open_journal(&path)).transpose()?;
        let mut next = self.prepare(settings, None, &path, Arc::default())?;
        next.change.journal = other;
        Ok(next)
    }

    /// Lets a prepared session begin between two reps.
    pub(super) fn begin_prepared(&self, next: Next) {
        *self.now() = next.now;
        self.revisions.put_session(next.change);
    }

    /// The settings in force.
    pub(super) fn settings(&self) -> Settings {
        self.now().settings.clone()
    }

    /// Takes note of edited settings that leave hitter and journal as they are.
    pub(super) fn take_note(&self, settings: &Settings) {
        self.now().settings = settings.clone();
    }

    /// What the journal knows of a hitter, with what is told now going before it.
    fn known(&self, path: &Path, told: NewHitter) -> Result<HitterSettings, Failure> {
        let name = told
            .name
            .as_deref()
            .map(str::trim)
            .filter(|n| !n.is_empty());
        let row = match Journal::read_only(path) {
            Ok(reader) => reader
                .hitters()?
                .into_iter()
                .find(|row| name.is_some() && row.name.as_deref() == name),
            Err(JournalError::Missing { .. }) => None,
            Err(error) => return Err(error.into()),
        };
        Ok(HitterSettings {
            name: name.map(str::to_owned),
            height_cm: told
                .height_cm
                .or(row.as_ref().and_then(|row| row.height_cm)),
            bats: told.bats.or(row.as_ref().and_then(|row| row.bats)),
        })
    }
}

impl SessionControl for Hitting {
    fn bands(&self) -> Bands {
        self.now().settings.bands.clone()
    }

    fn journal(&self) -> Option<PathBuf> {
        let settings = self.now().settings.clone();
        self.journal_path(&settings).ok()
    }

    fn switch_hitter(&self, hitter: NewHitter) -> Result<(), String> {
        if self.told.stand_in.is_some_and(|stand_in| !stand_in.told) {
            return Err(
                "a recording stands in for the camera, and its swings are nobody's; plug in a camera first".into(),
            );
        }
        let words = |error: Failure| error.to_string();
        let settings = self.now().settings.clone();
        let path = self.journal_path(&settings).map_err(words)?;
        let hitter = self.known(&path, hitter).map_err(words)?;
        let next = self
            .prepare(&settings, Some(&hitter), &path, Arc::default())
            .map_err(words)?;
        self.begin_prepared(next);
        Ok(())
    }
}
