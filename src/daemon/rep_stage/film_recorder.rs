//! The films of reps: which stretch of each logged rep is kept.

use std::path::Path;

use crate::coach::JudgedRep;
use crate::journal::{SessionId, WriterState};
use crate::time::CaptureTime;
use crate::video::{FilmId, FilmState, Films, FrameTap, VideoSettings};

/// A film begins so long before the rep's first event and ends so long after its last, seconds.
const BEFORE_SECS: f64 = 1.0;
const AFTER_SECS: f64 = 0.5;

/// The films of a run; it may have none.
#[derive(Default)]
pub(super) struct FilmRecorder(Option<Films>);

impl FilmRecorder {
    pub(super) fn new(films: Films) -> Self {
        Self(Some(films))
    }

    /// Where the pose thread leaves its frames, once.
    pub(super) fn tap(&mut self) -> Option<FrameTap> {
        self.0.as_mut().and_then(Films::tap)
    }

    pub(super) fn is_on(&self) -> bool {
        self.0.as_ref().is_some_and(Films::is_on)
    }

    pub(super) fn state(&self) -> Option<FilmState> {
        self.0.as_ref().map(Films::state)
    }

    /// Applies settings; gives the notice where films are now kept, or not any more.
    pub(super) fn apply_settings(&self, settings: VideoSettings) -> Option<String> {
        let films = self.0.as_ref()?;
        films
            .revise(settings)
            .then(|| film_notice(films.folder(), &settings))
    }

    /// Keeps the film of a rep that the journal, whose state is given, was handed before.
    pub(super) fn keep(
        &self,
        rep: u32,
        (from, to): (CaptureTime, CaptureTime),
        journal: &WriterState,
    ) {
        let Some(films) = self.0.as_ref().filter(|films| films.is_on()) else {
            return;
        };
        match session_of(journal) {
            Some((session, session_started_ms)) => {
                let id = FilmId {
                    session: session.get(),
                    session_started_ms,
                    rep,
                };
                films.keep(id, from, to);
            }
            None => films.none_for(rep, "its session is not in the journal yet"),
        }
    }

    /// Writes out what waits.
    pub(super) fn close(&mut self) {
        if let Some(films) = self.0.take() {
            films.close();
        }
    }
}

fn session_of(state: &WriterState) -> Option<(SessionId, i64)> {
    let started = state.session_started?;
    Some((state.session?, started.as_millisecond()))
}

/// From a second before the first event to half a second after the last; without events, around the time of the decision.
pub(super) fn stretch(judged: &JudgedRep) -> (CaptureTime, CaptureTime) {
    let rep = &judged.rep;
    let times = || rep.events.named().into_iter().filter_map(|(_, at)| at);
    let first = times().min().unwrap_or(rep.known_at);
    let last = times().max().unwrap_or(rep.known_at);
    (first.plus_secs(-BEFORE_SECS), last.plus_secs(AFTER_SECS))
}

/// What everyone at the terminal, and in the service's log, is to see about films.
pub(crate) fn film_notice(folder: &Path, settings: &VideoSettings) -> String {
    let folder = folder.display();
    match settings.keep {
        true => format!(
            "VIDEO IS BEING KEPT: a film of each rep, in {folder}, for {}. Everyone who is filmed must know and agree. To \
             stop it, set keep = false under [video] in the settings; `cagehand journal delete-video` deletes what is there",
            settings.limits_in_words()
        ),
        false => format!(
            "video is off: no more films are kept; those in {folder} go after {}, or at once by `cagehand journal delete-video`",
            settings.limits_in_words()
        ),
    }
}
