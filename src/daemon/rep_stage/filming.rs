//! What the rep stage tells the films: which stretch of each logged rep is to be kept.

use super::RepStage;
use crate::coach::JudgedRep;
use crate::journal::{SessionId, WriterState};
use crate::rep::Rep;
use crate::time::CaptureTime;
use crate::video::{FilmId, FilmState, Films, FrameTap, VideoSettings};

/// A film begins so long before the rep's first event and ends so long after its last, seconds.
const BEFORE_SECS: f64 = 1.0;
const AFTER_SECS: f64 = 0.5;

impl RepStage {
    /// The same stage, whose reps are filmed while films are on.
    #[must_use]
    pub fn with_films(mut self, films: Films) -> Self {
        self.films = Some(films);
        self
    }

    /// The end of the films for the pose thread, once.
    pub fn film_tap(&mut self) -> Option<FrameTap> {
        self.films.as_mut().and_then(Films::tap)
    }

    /// Takes up other settings, and says so where pictures are now kept, or not any more.
    pub(super) fn revise_films(&mut self, settings: VideoSettings) {
        let Some(films) = &self.films else { return };
        if films.revise(settings) {
            self.sinks
                .terminal
                .println(&film_notice(films.folder(), &settings));
        }
    }

    pub(super) fn film_state(&self) -> Option<FilmState> {
        self.films.as_ref().map(Films::state)
    }

    /// Has a rep's film kept. To be called once the journal has been given the rep: that goes first.
    pub(super) fn film(&self, number: u32, stretch: (CaptureTime, CaptureTime)) {
        let Some(films) = self.films.as_ref().filter(|films| films.is_on()) else {
            return;
        };
        let state = self.sinks.journal.as_ref().map(|j| j.state());
        match state.as_ref().and_then(session_of) {
            Some((session, session_started_ms)) => {
                let id = FilmId {
                    session: session.get(),
                    session_started_ms,
                    rep: number,
                };
                films.keep(id, stretch.0, stretch.1);
            }
            None => films.none_for(number, "its session is not in the journal yet"),
        }
    }
}

fn session_of(state: &WriterState) -> Option<(SessionId, i64)> {
    let started = state.session_started?;
    Some((state.session?, started.as_millisecond()))
}

/// From a second before the first event to half a second after the last; where there is no event, what led to the decision.
pub(super) fn stretch(judged: &JudgedRep) -> (CaptureTime, CaptureTime) {
    let rep: &Rep = &judged.rep;
    let times = || rep.events.named().into_iter().filter_map(|(_, at)| at);
    let first = times().min().unwrap_or(rep.known_at);
    let last = times().max().unwrap_or(rep.known_at);
    (first.plus_secs(-BEFORE_SECS), last.plus_secs(AFTER_SECS))
}

/// What everyone at the terminal, and in the service's log, is to see about pictures.
pub(crate) fn film_notice(folder: &std::path::Path, settings: &VideoSettings) -> String {
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
