//! The web page: live for the hitter in the cage, rep timelines for the coach, health for the owner.
//!
//! In: the live state, the camera's preview where it is allowed, the journal, films of reps, the health figures. Out: pages,
//! server-sent events, JSON and metrics on an address of this machine; notes, marks, corrections and plans for the journal's
//! writer; the hitter of the next session.
//! Runs on the thread `page`. It reads the journal beside its writer on threads of its own, and nothing it does can hold up
//! the pipeline from camera to cue.
//!
//! Pages are rendered on the server from templates that are compiled in; scripts and styles ship in the program, so that
//! nothing is ever fetched from elsewhere. Text for people is made here, in the reader's language (see [`i18n`]).

mod assets;
mod audit;
mod auth;
mod context;
mod error;
mod format;
pub mod fuzzing;
mod health;
mod i18n;
mod pages;
mod server;
mod state;

use axum::Router;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post};

use crate::journal::{Journal, JournalError, JournalHandle, JournalReader, NewHitter};
use crate::sound::{CueSources, SoundError};
use crate::status::ShownHitter;

use pages::{
    cage, cage_screen, cages, clips, consents, corrections, cues, films, language, live, logins,
    not_counted, people, plans, print_sheet, rep, replay_data, sessions, today, trends,
};
use state::AppState;

pub(crate) use auth::{
    CredentialError, Credentials, Principal, SHARED_ACCOUNT, app_address, new_secret,
    password_strength, step_of,
};
pub(crate) use health::health_lines;
pub(crate) use i18n::Messages;
pub(crate) use server::{PageCertificate, PageServer};

/// Why another hitter's session cannot begin now.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SwitchError {
    /// A recording runs for want of a camera.
    #[error(
        "a recording stands in for the camera, and its swings are nobody's; plug in a camera first"
    )]
    NoCamera,
    /// The coach has frozen the hitter.
    #[error("the coach has frozen this hitter: no new session is begun for them")]
    Frozen,
    /// The journal cannot be opened, or the hitter's plan cannot be followed.
    #[error(transparent)]
    Preparation(Box<dyn std::error::Error + Send + Sync>),
}

/// A change of the hitters who take turns, who are named as the journal has them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum TurnChange {
    /// This hitter takes turns too, after the others.
    Add(String),
    /// This hitter takes none any more.
    Remove(String),
    /// The next hitter's turn begins.
    Next,
}

/// What the page is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum PageUse {
    /// A cage, with a hitter in it or not.
    #[default]
    Cage,
    /// The coach's pages over a journal, without a cage.
    Review,
    /// The same, and nothing can be changed.
    ReadOnlyReview,
    /// The coach's pages over the store of a facility's cages.
    Office,
}

/// What the page asks of whatever runs the sessions.
pub(crate) trait SessionControl: Send + Sync {
    /// What the page is for.
    fn purpose(&self) -> PageUse {
        PageUse::Cage
    }

    /// Begins a session of this hitter between two reps; a hitter without a name stays anonymous.
    ///
    /// # Errors
    /// Where that cannot be now.
    fn switch_hitter(&self, hitter: NewHitter) -> Result<(), SwitchError>;

    /// The names of the hitters who take turns, in their order.
    fn turns(&self) -> Vec<String>;

    /// Changes who takes turns, or whose turn it is.
    ///
    /// # Errors
    /// Where a hitter may not hit, and where the next session cannot be prepared.
    fn change_turns(&self, change: TurnChange) -> Result<(), SwitchError>;

    /// Who hit before a restart, where somebody is to say whether they still do.
    fn asked(&self) -> Option<ShownHitter>;

    /// The settings in force.
    fn settings(&self) -> crate::settings::Settings;

    /// What somebody allows has changed: where it is who hits now, what they do not allow ends before this returns. Where it is a
    /// film that they refuse, none that is on its way to the disk gets there.
    fn consents_changed(&self, film_refused: bool);

    /// A hitter has another name from now on, or may not hit any more: whoever hits under the old one goes on under the new one,
    /// or steps out.
    ///
    /// # Errors
    /// Where the next session cannot be prepared.
    fn hitter_changed(&self, before: &str, now: Option<&str>) -> Result<(), SwitchError>;

    /// The settings files and logs that a name is searched for in after a deletion.
    fn texts(&self) -> Vec<std::path::PathBuf>;

    /// Where reps go now; the page's credentials lie beside it. `None` where the settings name no usable place.
    fn journal(&self) -> Option<std::path::PathBuf>;

    /// The journal to read from; `None` where the settings name no usable place.
    fn reader(&self) -> Option<Result<JournalReader, JournalError>> {
        self.journal().map(|path| Journal::read_only(&path))
    }

    /// Where edits of that journal go; `None` before it is open.
    fn journal_writer(&self) -> Option<JournalHandle>;

    /// Where the cues come from that are heard.
    fn cue_sources(&self) -> CueSources;

    /// A cue was changed at the page: the next one that is heard is the new one.
    ///
    /// # Errors
    /// Where the settings' own recordings cannot be loaded; those of before are then heard.
    fn cues_changed(&self) -> Result<(), SoundError>;
}

/// Who hits in the cage: where there is none, nobody is to see names without a login.
fn seat_pages() -> Router<AppState> {
    Router::new()
        .route("/hitters", get(cage::hitters))
        .route("/seat", post(cage::switch_hitter))
        .route("/turns", post(cage::change_turns))
}

/// Clips that a machine reads into its own journal, and words that it says: an office has neither.
fn clip_and_voice_pages() -> Router<AppState> {
    Router::new()
        .route("/clips", get(clips::page).post(clips::send))
        .route("/clips/now", get(clips::now))
        .route("/clips/{id}/drop", post(clips::drop_clip))
        .route("/cues", get(cues::page))
        .route("/cues/{id}", post(cues::record))
        .route("/cues/{id}/sound", get(cues::sound))
        .route("/cues/{id}/words", post(cues::show_words))
        .route("/cues/{id}/drop", post(cues::drop_own))
}

/// All routes, each behind the role that may use it. Only pages start a web session: their forms need its token.
fn router(state: AppState) -> Router {
    let purpose = state.control.purpose();
    let only_if = |is_here: bool, routes: fn() -> Router<AppState>| match is_here {
        true => routes(),
        false => Router::new(),
    };
    let with_session = from_fn_with_state(state.clone(), auth::start_session);
    let hitter_only = from_fn_with_state(state.clone(), auth::require_hitter);
    let coach_only = from_fn_with_state(state.clone(), auth::require_coach);
    let audited = from_fn_with_state(state.clone(), audit::enter_requests);
    let hitter_pages = Router::new()
        .route("/", get(cage::screen))
        .merge(only_if(purpose == PageUse::Cage, seat_pages))
        .layer(audited.clone())
        .layer(hitter_only.clone())
        .layer(with_session.clone());
    let hitter_streams = Router::new()
        .route(auth::LIVE_PATH, get(live::events))
        .route(auth::PREVIEW_PATH, get(live::preview))
        .layer(hitter_only);
    let coach_pages = Router::new()
        .route("/owner", get(pages::health::page))
        .route("/audit", get(pages::audit::list))
        .route("/logins", get(logins::list))
        .route("/logins/{id}/end", post(logins::end))
        .route("/logins/end-others", post(logins::end_others))
        .route("/cages", get(cages::page).post(cages::retire))
        .route("/cages/{journal}/screen", get(cage_screen::page))
        .route("/today", get(today::page))
        .route("/sessions", get(sessions::list))
        .route("/sessions/{id}", get(sessions::review))
        .route("/sessions/{id}/sheet", get(print_sheet::sheet))
        .route("/sessions/{id}/log", get(print_sheet::log))
        .route("/sessions/{id}/reps.csv", get(print_sheet::csv))
        .route("/sessions/{id}/reps.jsonl", get(print_sheet::json_lines))
        .route("/sessions/{id}/hitter", post(people::give))
        .route("/sessions/{id}/delete", get(people::ask_about_session))
        .route("/sessions/{id}/delete", post(people::delete_session))
        .route("/people", get(people::list).post(people::add))
        .route("/people/{id}", get(people::person).post(people::change))
        .route("/people/{id}/consents", post(consents::record))
        .route("/people/{id}/delete", get(people::ask_about_person))
        .route("/people/{id}/delete", post(people::delete_person))
        .route("/trends", get(trends::page))
        .route("/plans", get(plans::page).post(plans::submit))
        .route("/sessions/{id}/notes", post(corrections::add_note))
        .route("/notes/{id}/drop", post(corrections::delete_note))
        .route("/reps/{id}", get(rep::page).post(corrections::change_rep))
        .route("/reps/{id}/data", get(replay_data::data))
        .route("/reps/{id}/events", post(corrections::move_event))
        .route("/reps/{id}/film", get(films::times))
        .route("/not-counted/{id}", get(not_counted::page))
        .route("/not-counted/{id}/count", post(not_counted::make_count))
        .route("/not-counted/{id}/data", get(not_counted::data))
        .merge(only_if(purpose != PageUse::Office, clip_and_voice_pages))
        .layer(audited)
        .layer(coach_only.clone())
        .layer(with_session.clone());
    let coach_streams = Router::new()
        .route("/reps/{id}/film/{picture}", get(films::picture))
        .route("/cages/{journal}/live", get(cage_screen::events))
        .layer(coach_only);
    let monitoring = Router::new()
        .route("/health", get(pages::health::json))
        .route("/metrics", get(pages::health::prometheus))
        .layer(from_fn(auth::require_local_or_coach));
    let login = Router::new()
        .route("/door", get(auth::login::page).post(auth::login::log_in))
        .layer(with_session);
    let open = Router::new()
        .route("/leave", post(auth::login::log_out))
        .route("/language", post(language::choose))
        .route("/assets/{name}", get(assets::asset));
    Router::new()
        .merge(hitter_pages)
        .merge(hitter_streams)
        .merge(coach_pages)
        .merge(coach_streams)
        .merge(monitoring)
        .merge(login)
        .merge(open)
        .layer(from_fn_with_state(state.clone(), auth::authenticate))
        .with_state(state)
}
