//! Edited settings, prepared sessions and what the hitter allows, on their way to the rep stage.
//!
//! In: what the settings thread and the page prepared. Out: the same, once, between two frames; gates that close at once on a
//! hitter who withdraws something; and how the last edit ended, for the health figures. Taking is cheap where nothing waits: one atomic load a frame.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use crate::coach::Bands;
use crate::rep::{HitterSetup, MeasureName};
use crate::sound::CueLibrary;
use crate::video::VideoSettings;

use super::permissions::{Gates, Permissions};
use super::rep_stage::SessionChange;
use super::turns::{TurnAsked, TurnNow, TurnSender};
use crate::status::ShownHitter;

/// Every value that an edit of the settings changes in the rep stage, as it is to be from the next frame on.
#[derive(Clone, Debug)]
pub(crate) struct SettingsUpdate {
    /// The bands; under a plan with the plan's own before them.
    pub bands: Bands,
    /// What is cued, the most important first.
    pub order: Vec<MeasureName>,
    /// How many swings make a baseline.
    pub baseline_swings: usize,
    /// What is known of hitter and camera.
    pub setup: HitterSetup,
    /// Whether the hitter hears when they are set, out of view, cut off or in the dark.
    pub remarks: bool,
    /// 0 to 1.
    pub volume: f32,
    /// Other sounds, decoded; `None` keeps the present ones.
    pub library: Option<Arc<CueLibrary>>,
    /// Whether films are kept, and how much.
    pub video: VideoSettings,
}

/// Holds an update and a session until the rep stage takes them, and the outcome of the last edit.
#[derive(Default)]
pub(crate) struct PendingChanges {
    /// Set where an update waits.
    update_ready: AtomicBool,
    /// Set where other sounds wait.
    library_ready: AtomicBool,
    /// Set where a session waits.
    session_ready: AtomicBool,
    /// Set where what the hitter allows has changed.
    permissions_ready: AtomicBool,
    /// Absent where neither films nor pictures are made.
    gates: OnceLock<Gates>,
    /// Set where several hitters take turns.
    shares_turns: AtomicBool,
    /// Where turns are asked for; absent where nobody takes any.
    turn_sender: OnceLock<TurnSender>,
    /// When somebody last stood in to hit, or another session was asked for.
    active_at: Mutex<Option<Instant>>,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    update: Option<SettingsUpdate>,
    library: Option<Arc<CueLibrary>>,
    session: Option<SessionChange>,
    /// What the hitter of the newest session allows, which may still wait to begin.
    permissions: Permissions,
    /// Whose turn it is.
    turns: TurnNow,
    refused: Option<String>,
    needs_restart: Vec<String>,
}

impl PendingChanges {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Replaces an update that still waits.
    pub(super) fn put_update(&self, mut update: SettingsUpdate) {
        let mut state = self.state();
        if let Some(older) = state.update.take() {
            update.library = update.library.or(older.library);
        }
        // The newer sounds are those of the update.
        if update.library.is_some() {
            state.library = None;
        }
        state.update = Some(update);
        self.update_ready.store(true, Ordering::Release);
    }

    /// The update that waits, once.
    pub(super) fn take_update(&self) -> Option<SettingsUpdate> {
        if !self.update_ready.load(Ordering::Acquire) {
            return None;
        }
        let mut state = self.state();
        self.update_ready.store(false, Ordering::Release);
        state.update.take()
    }

    /// Other sounds, in the place of those that still wait.
    pub(super) fn put_library(&self, library: Arc<CueLibrary>) {
        self.state().library = Some(library);
        self.library_ready.store(true, Ordering::Release);
    }

    /// The sounds that wait, once. To be asked for after [`Self::take_update`]: they are the newer ones.
    pub(super) fn take_library(&self) -> Option<Arc<CueLibrary>> {
        if !self.library_ready.load(Ordering::Acquire) {
            return None;
        }
        let mut state = self.state();
        self.library_ready.store(false, Ordering::Release);
        state.library.take()
    }

    /// Records that somebody stands in to hit.
    pub(super) fn note_active(&self) {
        *self
            .active_at
            .lock()
            .unwrap_or_else(PoisonError::into_inner) = Some(Instant::now());
    }

    /// How long ago that was; counted from the first question.
    pub(super) fn idle_for(&self) -> Duration {
        let mut active_at = self
            .active_at
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        active_at.get_or_insert_with(Instant::now).elapsed()
    }

    /// Gives the gates that open and close with what a hitter allows; they are set at once.
    pub(super) fn set_gates(&self, gates: Gates) {
        let state = self.state();
        self.gates.get_or_init(|| gates).set(&state.permissions);
    }

    /// What the hitter of the newest session allows.
    pub(super) fn permissions(&self) -> Permissions {
        self.state().permissions.clone()
    }

    /// Whom the cage's screen asks for.
    pub(super) fn asked(&self) -> Option<ShownHitter> {
        self.state().permissions.asked.clone()
    }

    /// Puts in force what the hitter allows from now on. What they withdraw is closed when this returns; what they give opens with
    /// the next frame, or when their session begins.
    pub(super) fn put_permissions(&self, permissions: Permissions) {
        let mut state = self.state();
        if let Some(gates) = self.gates.get() {
            gates.close(&permissions);
        }
        state.permissions = permissions;
        self.permissions_ready.store(true, Ordering::Release);
    }

    /// Drops films that are on their way to the disk.
    pub(super) fn take_back_films(&self) {
        if let Some(gates) = self.gates.get() {
            gates.films.take_back();
        }
    }

    /// What the hitter of the running session allows, where that is new; the gates are set by it.
    pub(super) fn take_permissions(&self) -> Option<Permissions> {
        if !self.permissions_ready.load(Ordering::Acquire) {
            return None;
        }
        let state = self.state();
        if state.session.is_some() {
            return None;
        }
        self.permissions_ready.store(false, Ordering::Release);
        if let Some(gates) = self.gates.get() {
            gates.set(&state.permissions);
        }
        Some(state.permissions.clone())
    }

    /// Replaces a session that still waits to begin. No picture is shown from here on of a hitter who does not want that.
    pub(super) fn put_session(&self, mut change: SessionChange, permissions: Permissions) {
        self.note_active();
        let mut state = self.state();
        if let Some(gates) = self.gates.get()
            && !permissions.picture
        {
            gates.preview.withhold(true);
        }
        state.permissions = permissions;
        // Another journal that the older one was to go into is still wanted.
        let older = state.session.take();
        change.journal = change.journal.or(older.and_then(|older| older.journal));
        state.session = Some(change);
        drop(state);
        self.session_ready.store(true, Ordering::Release);
    }

    /// The session that waits, once, and what its hitter allows; the gates are set by it.
    pub(super) fn take_session(&self) -> Option<(SessionChange, Permissions)> {
        if !self.session_ready.load(Ordering::Acquire) {
            return None;
        }
        let mut state = self.state();
        self.session_ready.store(false, Ordering::Release);
        let change = state.session.take()?;
        if let Some(gates) = self.gates.get() {
            gates.set(&state.permissions);
        }
        Some((change, state.permissions.clone()))
    }

    /// Where turns that are asked for go from now on.
    pub(super) fn set_turn_sender(&self, sender: TurnSender) {
        self.turn_sender.get_or_init(|| sender);
    }

    /// Whose turn it is from now on.
    pub(super) fn put_turns(&self, turns: TurnNow) {
        let mut state = self.state();
        self.shares_turns
            .store(turns.is_shared(), Ordering::Release);
        state.turns = turns;
    }

    /// Whose turn it is. While a session waits to begin, whatever is seen is still of the one before, which is not looked at.
    pub(super) fn turns(&self) -> TurnNow {
        let state = self.state();
        match state.session.is_some() {
            true => TurnNow::default(),
            false => state.turns.clone(),
        }
    }

    /// Whether several hitters take turns, so that the side of each rep is read and not taken as known.
    pub(super) fn shares_turns(&self) -> bool {
        self.shares_turns.load(Ordering::Acquire)
    }

    /// How screens call the hitter whose turn is next.
    pub(super) fn next_hitter(&self) -> Option<ShownHitter> {
        self.state().turns.next.clone()
    }

    /// Asks for a turn; never waits.
    pub(super) fn ask_turn(&self, turn: TurnAsked) {
        if let Some(sender) = self.turn_sender.get()
            && sender.try_send(turn).is_err()
        {
            tracing::debug!("too many turns at once");
        }
    }

    /// Asks for the next hitter's turn; tells whether anybody waits for one.
    pub(super) fn ask_for_next_hitter(&self) -> bool {
        let waits = self.next_hitter().is_some();
        if waits {
            self.ask_turn(TurnAsked::Next);
        }
        waits
    }

    /// Records that an edit was refused, and why.
    pub(super) fn set_refused(&self, why: &str) {
        self.state().refused = Some(why.to_owned());
    }

    /// Records that an edit was accepted; `needs_restart` are the keys that differ from those the run was started with and
    /// do not change while it runs.
    pub(super) fn set_accepted(&self, needs_restart: Vec<String>) {
        let mut state = self.state();
        state.refused = None;
        state.needs_restart = needs_restart;
    }

    /// Why the last edit was refused, until one is accepted.
    pub(super) fn refused(&self) -> Option<String> {
        self.state().refused.clone()
    }

    /// The keys whose edits wait for a restart.
    pub(super) fn needs_restart(&self) -> Vec<String> {
        self.state().needs_restart.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;
    use crate::status::Preview;
    use crate::video::Films;
    use std::path::Path;

    #[test]
    fn an_update_is_taken_once_and_a_newer_one_replaces_it() {
        let changes = PendingChanges::default();
        assert!(changes.take_update().is_none());
        let settings = |text: &str| Settings::parse(text, Path::new("s")).unwrap();
        let with_sounds = SettingsUpdate {
            library: Some(Arc::new(CueLibrary::load(None).unwrap())),
            ..SettingsUpdate::for_tests(&settings("[cues]\nvolume = 0.1"))
        };
        changes.put_update(with_sounds);
        changes.put_update(SettingsUpdate::for_tests(&settings("[cues]\nvolume = 0.2")));
        let taken = changes.take_update().unwrap();
        assert!((taken.volume - 0.2).abs() < 1e-6);
        assert!(
            taken.library.is_some(),
            "sounds that nobody took yet are kept"
        );
        assert!(changes.take_update().is_none());
    }

    #[test]
    fn of_sounds_that_wait_the_newer_ones_are_taken_once() {
        let changes = PendingChanges::default();
        let library = Arc::new(CueLibrary::load(None).unwrap());
        changes.put_library(Arc::clone(&library));
        let settings = Settings::parse("", Path::new("s")).unwrap();
        changes.put_update(SettingsUpdate::for_tests(&settings));
        assert!(
            changes.take_library().is_some(),
            "an edit without sounds keeps them"
        );
        assert!(changes.take_library().is_none());
        changes.put_library(Arc::clone(&library));
        changes.put_update(SettingsUpdate {
            library: Some(library),
            ..SettingsUpdate::for_tests(&settings)
        });
        assert!(changes.take_library().is_none(), "the edit's are newer");
    }

    #[test]
    fn what_a_hitter_withdraws_closes_at_once_and_what_they_give_opens_with_their_session() {
        let folder = tempfile::tempdir().unwrap();
        let video = VideoSettings {
            keep: true,
            keep_days: 7,
            keep_bytes: 1_000_000,
        };
        let films = Films::start(&folder.path().join("j.db"), video, |_| Ok(u64::MAX)).unwrap();
        let preview = Arc::new(Preview::default());
        preview.allow(true);
        let changes = PendingChanges::default();
        let may = |may| Permissions {
            film: may,
            picture: may,
            ..Permissions::default()
        };
        let open = || (films.is_on(), preview.is_allowed());
        changes.put_permissions(may(true));
        changes.set_gates(Gates {
            films: films.gate(),
            preview: Arc::clone(&preview),
        });
        assert_eq!(open(), (true, true));

        changes.put_permissions(may(false));
        assert_eq!(open(), (false, false), "before anybody took it");
        assert_eq!(changes.take_permissions(), Some(may(false)));
        assert_eq!(changes.take_permissions(), None);
        changes.put_permissions(may(true));
        assert_eq!(open(), (false, false));
        assert_eq!(changes.take_permissions(), Some(may(true)));
        assert_eq!(open(), (true, true));

        // One who allows neither steps in: no picture from the touch on, no film from their session on.
        changes.put_session(session_change(), may(false));
        assert_eq!(open(), (true, false));
        assert_eq!(changes.take_permissions(), None, "not the running one's");
        assert_eq!(changes.take_session().unwrap().1, may(false));
        assert_eq!(open(), (false, false));
        // What is withdrawn while a session waits holds for it.
        changes.put_session(session_change(), may(true));
        changes.put_permissions(may(false));
        assert_eq!(changes.take_session().unwrap().1, may(false));
        assert_eq!(open(), (false, false));
    }

    fn session_change() -> SessionChange {
        let settings = Settings::parse("", Path::new("s")).unwrap();
        let terminal = crate::daemon::Terminal::new(|_| {});
        SessionChange {
            hitter: None,
            chosen_at: Instant::now(),
            session: crate::daemon::training::session_entry(&settings, "a", None),
            training: crate::daemon::training::prepare_training(
                &settings,
                crate::coach::Baselines::default(),
                None,
                1,
                &terminal,
            )
            .unwrap(),
            setup: HitterSetup::default(),
            journal: None,
        }
    }

    impl SettingsUpdate {
        pub(in crate::daemon) fn for_tests(settings: &Settings) -> Self {
            Self {
                bands: settings.bands.clone(),
                order: settings.cues.order.clone(),
                baseline_swings: settings.baseline_swings,
                setup: HitterSetup::default(),
                remarks: settings.cues.remarks,
                volume: settings.cues.volume,
                library: None,
                video: settings.video,
            }
        }
    }
}
