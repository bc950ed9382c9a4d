//! A cage's screen as the office sees it: the page, and the states that the cage tells the store while somebody looks.

use std::convert::Infallible;
use std::time::Duration;

use axum::Extension;
use axum::extract::{Path, State};
use axum::response::sse::{Event, Sse};
use axum::response::{Html, IntoResponse, Response};
use tokio::time::MissedTickBehavior;
use tokio_stream::StreamExt;
use tokio_stream::wrappers::IntervalStream;

use super::cage::{CagePage, WatchedCage};
use crate::audit::Act;
use crate::journal::{CageRow, HitterId};
use crate::page::PageUse;
use crate::page::auth::{Requester, Role};
use crate::page::error::PageError;
use crate::page::state::{AppState, STREAMS_OF_ONE};

/// How often the store is asked for a newer state.
const LOOK_EVERY: Duration = Duration::from_millis(250);

/// A cage whose screen may be seen here.
async fn cage(
    state: &AppState,
    requester: &Requester,
    journal: &str,
) -> Result<CageRow, PageError> {
    if requester.purpose != PageUse::Office {
        return Err(PageError::NotFound);
    }
    let cages = state.read(|reader| reader.cages()).await?;
    cages
        .into_iter()
        .find(|row| row.journal == journal && row.shows_screen())
        .ok_or(PageError::NotFound)
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(journal): Path<String>,
) -> Result<Html<String>, PageError> {
    let row = cage(&state, &requester, &journal).await?;
    let watched = WatchedCage {
        own_page: row.own_page().map(str::to_owned),
        stream: format!("/cages/{journal}/live"),
        back: format!("/cages/{journal}/screen"),
        name: row.cage,
    };
    CagePage::render_for(&state, &requester, Some(watched)).await
}

/// The states that the cage tells, each whole; `silent` where it tells none. Whose they are is entered into the audit trail. It ends with
/// the session, or with the right, of whoever asked.
pub(in crate::page) async fn events(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(journal): Path<String>,
) -> Result<Response, PageError> {
    cage(&state, &requester, &journal).await?;
    let slot = state.streams.take(requester.client.address, STREAMS_OF_ONE);
    let slot = slot.ok_or(PageError::TooMany)?;
    let mut ticks = tokio::time::interval(LOOK_EVERY);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let (of_store, of_trail, looking) = (state.clone(), state.clone(), requester.clone());
    let mut before = None;
    let events = IntervalStream::new(ticks)
        .take_while(move |_| {
            let _held = &slot;
            requester.role_now(&state) >= Role::Coach
        })
        .then(move |_| {
            let (state, journal) = (of_store.clone(), journal.clone());
            async move {
                let look = state.read(move |reader| reader.look_at_screen(&journal));
                // A store that cannot be reached tells nothing either, and the page says so elsewhere.
                look.await.ok().flatten()
            }
        })
        .map(move |told| {
            if let Some(live) = &told {
                let hitter = live["whose"].as_i64().map(HitterId::new);
                of_trail.enter(Act::SawScreen, &looking, (None, hitter));
            }
            if before.as_ref() == Some(&told) {
                return Event::default().comment("");
            }
            let event = match &told {
                Some(live) => Event::default().data(live.to_string()),
                None => Event::default().event("silent").data(""),
            };
            before = Some(told);
            event
        })
        .map(Ok::<_, Infallible>);
    Ok(Sse::new(events).into_response())
}
