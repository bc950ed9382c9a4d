//! What the rep stage tells others: health figures once a second, the live state for screens.

use crate::hearing;
use crate::journal::{JournalWriter, StorageState};
use crate::sound::OutputState;
use crate::status::{JournalState, LiveFigure, MicrophoneState, SoundState, StageFigures};

use super::{EarsFeed, RepStage};

impl RepStage {
    /// The figures of this stage and of what it drives. To be called about once a second.
    pub(in crate::daemon) fn figures(&mut self) -> StageFigures {
        self.sound.restart_if_dead();
        let sound = self.sound.health();
        let journal = self.records.journal.as_ref().map(JournalWriter::state);
        let lag = self.session.finder.ears_mut().map(|ears| ears.lag());
        let (microphone, microphone_name, room_db) = match self.microphone() {
            hearing::MicrophoneState::Off => (MicrophoneState::Off, None, None),
            hearing::MicrophoneState::Opens | hearing::MicrophoneState::Missing => {
                (MicrophoneState::Missing, None, None)
            }
            hearing::MicrophoneState::Muted { name } => (MicrophoneState::Muted, Some(name), None),
            hearing::MicrophoneState::Listens { name, room_db } => {
                (MicrophoneState::Listens, Some(name), Some(room_db))
            }
        };
        let films = self.records.films.state().unwrap_or_default();
        StageFigures {
            ready: self.readiness.state(),
            camera_stand: self.camera.state(self.last),
            swings: self.counts.swings,
            takes: self.counts.takes,
            last_rep: self.session.last_rep.clone(),
            plan: self.session.training.plan.clone(),
            sound: match sound.state {
                OutputState::Open => SoundState::Plays,
                OutputState::Missing => SoundState::NoDevice,
                OutputState::File => SoundState::IntoFile,
                OutputState::Off => SoundState::Off,
            },
            cues_heard: sound.heard,
            microphone,
            microphone_name,
            room_db,
            sound_lag_ms: lag.map(|lag| [1e3 * lag.secs, 1e3 * lag.spread_secs]),
            contacts_heard: self.counts.contacts_heard,
            swings_and_misses: self.counts.swings_and_misses,
            journal: match journal.as_ref().map(|journal| &journal.storage) {
                Some(StorageState::Working) => JournalState::Stores,
                Some(StorageState::Waiting { why, .. }) => JournalState::Waits(why.clone()),
                None => JournalState::Absent,
            },
            reps_stored: journal.as_ref().map_or(0, |journal| journal.stored_reps),
            reps_waiting: journal.as_ref().map_or(0, |journal| journal.waiting),
            reps_lost: journal.as_ref().map_or(0, |journal| journal.refused_reps),
            settings_trouble: self.changes.refused(),
            settings_waiting: self.changes.needs_restart(),
            video_kept: films.keep,
            video_folder: Some(films.folder).filter(|folder| !folder.as_os_str().is_empty()),
            video_films: films.usage.films,
            video_bytes: films.usage.bytes,
            video_given_up: films.given_up,
            video_frames_dropped: films.dropped,
            video_pack_ms: films.encode_ms,
            video_trouble: films.trouble,
            finder_restarts: self.finder_restarts,
            sound_restarts: sound.restarts,
            journal_restarts: journal.as_ref().map_or(0, |journal| journal.restarts),
        }
    }

    fn microphone(&self) -> hearing::MicrophoneState {
        let feed = self.ears_feed.as_ref();
        feed.map_or(hearing::MicrophoneState::Off, EarsFeed::state)
    }

    /// Publishes what goes on; `figure` is the hitter's, where it has moved.
    pub(super) fn publish(&mut self, figure: Option<Option<LiveFigure>>) {
        let session = &self.session;
        let trainer = &session.training.trainer;
        self.live.publish(|live| {
            live.hitter.clone_from(&session.hitter);
            live.asked = self.changes.asked();
            live.next = self.changes.next_hitter();
            live.paused = self.asked.paused;
            live.asks = self.asked.shown(live.next.is_some());
            live.plan.clone_from(&session.training.plan);
            live.ready = self.readiness.state();
            live.phase = session.finder.phase();
            live.to_go = trainer.to_go();
            live.resting = trainer.is_resting();
            live.over = trainer.is_over();
            live.listens = self.ears_feed.as_ref().is_some_and(EarsFeed::listens);
            live.filmed = self.records.films.is_on();
            if let Some(figure) = figure {
                live.figure = figure;
            }
        });
    }
}
