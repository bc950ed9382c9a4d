//! What goes on, pushed to the screen: one event for each state, in the open event-stream format of HTML.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt};

use super::shared::Shared;

/// A line of comment so often keeps the way open.
const KEEP_ALIVE: Duration = Duration::from_secs(10);

/// The states from now on, beginning with the newest. A screen that comes back after a break gets the whole state first.
pub(super) async fn events(
    State(shared): State<Shared>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let states = WatchStream::new(shared.health.live.subscribe());
    let events = states.filter_map(|live| Event::default().json_data(&*live).ok().map(Ok));
    Sse::new(events).keep_alive(KeepAlive::new().interval(KEEP_ALIVE))
}
