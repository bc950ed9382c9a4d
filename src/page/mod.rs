//! The web page: live for the hitter in the cage, rep timelines for the coach, health for the owner.
//!
//! In: what goes on (the live board), the camera's picture where it is allowed, the journal, films of reps, the health figures. Out: pages, pushed states, JSON and metrics on an
//! address of this machine; notes, marks, corrections and plans back to the journal's writer; who steps in next.
//! Runs on the thread `page`. It reads the journal beside its writer on threads of its own, and nothing it does can hold up
//! the line from camera to cue.
//!
//! The pages are made here, by templates that are compiled in; scripts and styles are our own and ship in the program, so
//! that nothing is ever fetched from elsewhere.

mod assets;
mod cage;
mod door;
mod doors;
mod films;
mod health_page;
mod keys;
mod language;
mod live;
mod metrics;
mod numbers;
mod owner;
mod plan_fields;
mod plans;
mod played;
mod plot;
mod reps;
mod server;
mod sessions;
mod shared;
mod sheet;
mod strip;
mod trends;
mod visits;
mod words;
mod work;

use axum::Router;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post};

use crate::journal::NewHitter;

use shared::Shared;

pub(crate) use health_page::{HealthFigures, health_lines};
pub(crate) use keys::{KeyError, KeyOf, Keys};
pub(crate) use server::PageServer;

/// What the page asks of the daemon.
pub(crate) trait SeatHitter: Send + Sync {
    /// The next session is this hitter's; one without a name is nobody's. It begins between two reps.
    ///
    /// # Errors
    /// In words for the page, where that cannot be now.
    fn seat(&self, hitter: NewHitter) -> Result<(), String>;

    /// The bands of the settings in force, for plans that are tried.
    fn bands(&self) -> crate::coach::Bands;

    /// Where reps go now, and beside it the keys of the page; `None` where nobody can tell.
    fn journal(&self) -> Option<std::path::PathBuf>;
}

/// All doors and what is behind them.
fn router(shared: Shared) -> Router {
    let hitters = Router::new()
        .route("/", get(cage::screen))
        .route("/live", get(live::events))
        .route("/picture", get(live::picture))
        .route("/hitters", get(cage::hitters))
        .route("/seat", post(cage::seat))
        .layer(from_fn(doors::for_hitters));
    let coaches = Router::new()
        .route("/owner", get(owner::page))
        .route("/sessions", get(sessions::list))
        .route("/sessions/{id}", get(sessions::review))
        .route("/sessions/{id}/sheet", get(sheet::sheet))
        .route("/sessions/{id}/log", get(sheet::log))
        .route("/sessions/{id}/reps.csv", get(sheet::csv))
        .route("/sessions/{id}/reps.jsonl", get(sheet::json_lines))
        .route("/trends", get(trends::page))
        .route("/plans", get(plans::page).post(plans::write))
        .route("/sessions/{id}/notes", post(work::add_note))
        .route("/notes/{id}/drop", post(work::drop_note))
        .route("/reps/{id}", get(reps::page).post(work::change_rep))
        .route("/reps/{id}/data", get(played::data))
        .route("/reps/{id}/events", post(work::move_event))
        .route("/reps/{id}/film", get(films::times))
        .route("/reps/{id}/film/{picture}", get(films::picture))
        .layer(from_fn(doors::for_coaches));
    let programs = Router::new()
        .route("/health", get(owner::json))
        .route("/metrics", get(owner::prometheus))
        .layer(from_fn(doors::for_programs));
    let open = Router::new()
        .route("/door", get(door::page).post(door::enter))
        .route("/leave", post(door::leave))
        .route("/language", post(language::choose))
        .route("/assets/{name}", get(assets::asset));
    Router::new()
        .merge(hitters)
        .merge(coaches)
        .merge(programs)
        .merge(open)
        .layer(from_fn_with_state(shared.clone(), doors::at_the_gate))
        .with_state(shared)
}
