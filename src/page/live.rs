//! What goes on, pushed to the screen: one event for each state, in the open event-stream format of HTML. And the camera's
//! picture where it is allowed, one for each time that the screen asks: a screen that is slow asks seldom, and one that nobody
//! looks at does not ask.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderName, StatusCode};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt};

use super::shared::{Shared, Trouble};

/// A line of comment so often keeps the way open.
const KEEP_ALIVE: Duration = Duration::from_secs(10);
/// A camera that gives no picture for so long has gone.
const PICTURE_WITHIN: Duration = Duration::from_secs(1);
/// What a picture's answer tells of it: the figure in the same frame, as JSON.
const FIGURE: HeaderName = HeaderName::from_static("cagehand-figure");

/// The states from now on, beginning with the newest. A screen that comes back after a break gets the whole state first.
pub(super) async fn events(
    State(shared): State<Shared>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let states = WatchStream::new(shared.health.live.subscribe());
    let events = states.filter_map(|live| Event::default().json_data(&*live).ok().map(Ok));
    Sse::new(events).keep_alive(KeepAlive::new().interval(KEEP_ALIVE))
}

/// The next picture, or nothing where the camera gives none: the screen then shows none either.
pub(super) async fn picture(State(shared): State<Shared>) -> Result<Response, Trouble> {
    let preview = &shared.health.preview;
    if !preview.is_allowed() {
        return Err(Trouble::NotThere);
    }
    let Ok(Some(picture)) = tokio::time::timeout(PICTURE_WITHIN, preview.next()).await else {
        return Ok(StatusCode::NO_CONTENT.into_response());
    };
    let figure = serde_json::to_string(&picture.figure).map_err(|_| Trouble::Fault)?;
    let headers = [(CONTENT_TYPE, "image/jpeg".to_owned()), (FIGURE, figure)];
    Ok((headers, picture.jpeg.clone()).into_response())
}
