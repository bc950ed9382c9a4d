//! Another session while the daemon runs: another hitter steps in, or the reps are to go into another journal.
//!
//! In: a [`SessionChange`] that was prepared elsewhere and can no longer fail. Out: the session before is ended with all its
//! reps, the next one begins between two reps, never within one.

use std::time::Duration;

use crate::coach::{OPENING, Readiness};
use crate::journal::{JournalWriter, NewHitter, NewSession};
use crate::rep::{FinderSettings, LiveHead, Phase, RepFinder};
use crate::time::CaptureTime;

use super::super::DaemonError;
use super::{DARK_BELOW, RepStage};
use crate::daemon::Training;

/// How long a journal that gives way to another one may take to store what waits.
const LAST_STORES: Duration = Duration::from_secs(5);

/// The next session, ready to begin.
pub struct SessionChange {
    /// Who hits; `None` where nobody is named.
    pub hitter: Option<NewHitter>,
    /// How the journal is to note it.
    pub session: NewSession,
    /// How the hitter trains.
    pub training: Training,
    /// What the finder is told.
    pub setup: FinderSettings,
    /// Another journal, where the reps are to go into one.
    pub journal: Option<JournalWriter>,
}

impl RepStage {
    /// Begins the session that waits, unless a rep runs or still waits to be logged.
    pub(super) fn change_session_when_due(&mut self, now: CaptureTime) -> Result<(), DaemonError> {
        let between_reps =
            self.waiting.is_none() && matches!(self.finder.phase(), Phase::Away | Phase::Set);
        if !between_reps {
            return Ok(());
        }
        let Some(change) = self.changes.take_session() else {
            return Ok(());
        };
        let SessionChange {
            hitter,
            session,
            training,
            setup: finder,
            journal,
        } = change;
        if let Some(line) = self.training.trainer.closing_line() {
            self.sinks.terminal.println(&line);
        }
        let name = hitter.as_ref().and_then(|hitter| hitter.name.clone());
        // What is shown here may end up in the system's log, where no name belongs.
        self.sinks.terminal.println(match &name {
            Some(_) => "another session begins, of a hitter with a name",
            None => "another session begins, of nobody named",
        });
        match (journal, &self.sinks.journal) {
            (Some(journal), _) => {
                journal.begin_session(hitter, session)?;
                if let Some(before) = self.sinks.journal.replace(journal)
                    && let Err(error) = before.close(LAST_STORES)
                {
                    tracing::error!(%error, "the journal before could not be ended well");
                }
            }
            (None, Some(journal)) => journal.begin_session(hitter, session)?,
            (None, None) => {}
        }
        let count_asked = std::sync::Arc::clone(&self.training.count_asked);
        self.training = Training {
            count_asked,
            ..training
        };
        self.told = finder;
        self.finder = RepFinder::new(finder);
        self.head = LiveHead::new(finder);
        self.readiness = Readiness::new(DARK_BELOW);
        self.bats = finder.bats.unwrap_or(self.bats);
        self.last_rep = None;
        self.hitter = name;
        self.live.begin_session();
        self.publish(None);
        if self.training.opening && self.counts.frames > 0 {
            self.sinks.sound.say(OPENING, now)?;
        }
        Ok(())
    }
}
