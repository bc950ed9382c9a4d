//! The live state as server-sent events, and the camera's preview where it is allowed: one picture for each request, so that a
//! slow screen gets fewer and one that nobody looks at gets none.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Extension;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderName, StatusCode};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use tokio_stream::StreamExt;
use tokio_stream::wrappers::{IntervalStream, WatchStream};

use super::cage::cue_words;
use crate::audit::Act;
use crate::page::auth::{Requester, Role};
use crate::page::error::PageError;
use crate::page::state::{AppState, STREAMS_OF_ONE};
use crate::status::Live;

/// A comment this often keeps the connection open, and ends it where the session has ended.
const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// A camera that gives no picture for so long is gone.
const PREVIEW_TIMEOUT: Duration = Duration::from_secs(1);
/// The header with the figure of the same frame, as JSON.
const FIGURE: HeaderName = HeaderName::from_static("cagehand-figure");

/// What a stream tells.
enum Told {
    State(Arc<Live>),
    /// A cue has other words.
    Words,
    Nothing,
}

/// The states from now on, beginning with the newest: each event is a whole state, so a screen that reconnects misses nothing.
/// It ends with the session, or with the right, of whoever asked.
pub(in crate::page) async fn events(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Response, PageError> {
    let slot = state.streams.take(requester.client.address, STREAMS_OF_ONE);
    let slot = slot.ok_or(PageError::TooMany)?;
    let states = WatchStream::new(state.health.live.subscribe()).map(Told::State);
    let ticks = IntervalStream::new(tokio::time::interval(KEEP_ALIVE)).map(|_| Told::Nothing);
    let words = WatchStream::from_changes(state.cues_changed.subscribe()).map(|_| Told::Words);
    let i18n = requester.messages();
    let (language, control) = (requester.language, Arc::clone(&state.control));
    let events = states
        .merge(ticks)
        .merge(words)
        .take_while(move |_| {
            let _held = &slot;
            requester.role_now(&state) >= Role::Hitter
        })
        .filter_map(move |told| match told {
            Told::State(live) => Event::default().json_data(&*live).ok(),
            Told::Words => {
                let words = cue_words(&control.cue_sources(), language, i18n);
                Event::default().event("words").json_data(words).ok()
            }
            Told::Nothing => Some(Event::default().comment("")),
        })
        .map(Ok::<_, Infallible>);
    Ok(Sse::new(events).into_response())
}

/// The next picture; 204 where the camera gives none, and the screen then shows none either.
pub(in crate::page) async fn preview(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Response, PageError> {
    let preview = &state.health.preview;
    if !preview.is_allowed() {
        return Err(PageError::NotFound);
    }
    let Ok(Some(picture)) = tokio::time::timeout(PREVIEW_TIMEOUT, preview.next()).await else {
        return Ok(StatusCode::NO_CONTENT.into_response());
    };
    if !requester.client.is_here {
        state.enter(Act::SawPicture, &requester, (None, None));
    }
    let figure = serde_json::to_string(&picture.figure).map_err(|_| PageError::Internal)?;
    let headers = [(CONTENT_TYPE, "image/jpeg".to_owned()), (FIGURE, figure)];
    Ok((headers, picture.jpeg.clone()).into_response())
}
