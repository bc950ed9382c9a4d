//! The session that runs: who hits, how they train, and the finder of their reps.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;

use crate::coach::PitchPlayed;
use crate::daemon::Training;
use crate::journal::{JournalWriter, NewHitter, NewSession};
use crate::pose::PoseFrame;
use crate::rep::{Bats, FoundRep, HitterSetup, MeasureName, Phase, RepFinder};
use crate::status::ShownHitter;

use super::head_tone::DEFAULT_EDGE_CM;

/// The next session, ready to begin: nothing about it can fail any more but the journal.
pub(crate) struct SessionChange {
    /// Who hits; `None` where nobody is named.
    pub hitter: Option<NewHitter>,
    /// When that was chosen.
    pub chosen_at: Instant,
    /// The journal's entry.
    pub session: NewSession,
    /// How the hitter trains.
    pub training: Training,
    /// What is known of hitter and camera.
    pub setup: HitterSetup,
    /// Another journal, where the reps are to go into one.
    pub journal: Option<JournalWriter>,
}

/// The finder failed by a fault of its own, and began afresh.
pub(super) struct FinderRestarted;

/// The session that runs.
pub(super) struct Session {
    /// What is known of hitter and camera.
    pub setup: HitterSetup,
    /// How screens call who hits.
    pub hitter: Option<ShownHitter>,
    pub training: Training,
    pub finder: RepFinder,
    /// The side of the last rep, for bands that depend on it.
    pub bats: Bats,
    /// The last rep, as the terminal showed it.
    pub last_rep: Option<String>,
    /// Whether the words that open the session are still to be said.
    pub opening_due: bool,
}

impl Session {
    pub(super) fn new(setup: HitterSetup, training: Training) -> Self {
        Self {
            setup,
            hitter: None,
            finder: RepFinder::new(setup),
            bats: setup.bats.unwrap_or(Bats::Right),
            last_rep: None,
            opening_due: training.opening,
            training,
        }
    }

    /// The session after this one.
    pub(super) fn next(&mut self, training: Training, setup: HitterSetup) -> Self {
        let mut ears = self.finder.take_ears();
        if let Some(ears) = &mut ears {
            ears.forget_hitter();
        }
        let mut finder = RepFinder::new(setup);
        finder.set_ears(ears);
        Self {
            bats: setup.bats.unwrap_or(self.bats),
            finder,
            ..Self::new(setup, training)
        }
    }

    /// What is known of hitter and camera has changed.
    pub(super) fn set_setup(&mut self, setup: HitterSetup) {
        self.setup = setup;
        self.finder.set_setup(setup);
        self.bats = setup.bats.unwrap_or(self.bats);
    }

    pub(super) fn is_between_reps(&self) -> bool {
        matches!(self.finder.phase(), Phase::Away | Phase::Set)
    }

    /// Whether somebody stands in to hit.
    pub(super) fn has_somebody(&self) -> bool {
        self.finder.phase() != Phase::Away
    }

    /// Takes the next pose; gives a rep that it completes.
    ///
    /// # Errors
    /// Where the finder failed.
    pub(super) fn find(&mut self, pose: PoseFrame) -> Result<Option<FoundRep>, FinderRestarted> {
        catch_unwind(AssertUnwindSafe(|| self.finder.push(pose))).map_err(|_| {
            tracing::error!("the rep finder failed by a fault of its own and begins afresh");
            let ears = self.finder.take_ears();
            self.finder = RepFinder::new(self.setup);
            self.finder.set_ears(ears);
            FinderRestarted
        })
    }

    /// The pitch that a rep belongs to: the last one, where the rep's measures against a pitch could be made.
    pub(super) fn pitch_of(&self, found: &FoundRep) -> Option<PitchPlayed> {
        let belongs = [
            MeasureName::PlantAfterRelease,
            MeasureName::ContactToArrival,
        ]
        .iter()
        .any(|name| {
            let measure = found.rep.measures.get(name);
            measure.is_some_and(|measure| measure.value().is_some())
        });
        self.training.pitcher.as_ref()?.last().filter(|_| belongs)
    }

    /// The head's travel at which the tone turns sharp, centimeters.
    pub(super) fn head_tone_edge_cm(&self) -> f64 {
        self.training
            .trainer
            .coach()
            .band_for(self.bats, MeasureName::HeadToPlant)
            .and_then(|band| band.high)
            .filter(|high| *high > 0.0)
            .unwrap_or(DEFAULT_EDGE_CM)
    }
}
