//! What the coach makes of it: notes, marks, reps struck out or called something else, events moved.

use axum::Extension;
use axum::extract::{Path, State};
use axum::response::Redirect;
use serde::Deserialize;

use super::doors::{Posted, Visitor};
use super::language::own_path;
use super::played::{first_time, zero_of};
use super::shared::{Shared, Trouble};
use crate::journal::{Edit, HitterChoice, MovedEvent, NoteId, RepId, SessionId};
use crate::rep::{CannotMove, EventName, PitchTimes, RepKind};

/// A note's form.
#[derive(Deserialize)]
pub(super) struct Note {
    text: String,
    rep: Option<i64>,
    to: Option<String>,
}

pub(super) async fn add_note(
    State(shared): State<Shared>,
    Path(session): Path<i64>,
    Posted(note): Posted<Note>,
) -> Result<Redirect, Trouble> {
    shared
        .edit(Edit::AddNote {
            session: SessionId::new(session),
            rep: note.rep.map(RepId::new),
            text: note.text,
        })
        .await?;
    Ok(back(note.to.as_deref()))
}

/// A form with nothing but where to go on to.
#[derive(Deserialize)]
pub(super) struct Going {
    to: Option<String>,
}

pub(super) async fn drop_note(
    State(shared): State<Shared>,
    Path(note): Path<i64>,
    Posted(going): Posted<Going>,
) -> Result<Redirect, Trouble> {
    shared.edit(Edit::DropNote(NoteId::new(note))).await?;
    Ok(back(going.to.as_deref()))
}

/// What is changed about a rep.
#[derive(Deserialize)]
pub(super) struct Change {
    what: String,
    why: Option<String>,
    to: Option<String>,
}

pub(super) async fn change_rep(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Path(rep): Path<i64>,
    Posted(change): Posted<Change>,
) -> Result<Redirect, Trouble> {
    let rep = RepId::new(rep);
    let call = |kind| Edit::Call { rep, kind };
    let edit = match change.what.as_str() {
        "mark" => Edit::Mark { rep, marked: true },
        "unmark" => Edit::Mark { rep, marked: false },
        "strike" => Edit::Strike {
            rep,
            why: Some(
                change
                    .why
                    .filter(|why| !why.trim().is_empty())
                    .unwrap_or_else(|| visitor.words().t("review.no_rep").to_owned()),
            ),
        },
        "count" => Edit::Strike { rep, why: None },
        "swing" => call(Some(RepKind::Swing)),
        "take" => call(Some(RepKind::Take)),
        "as_found" => call(None),
        _ => return Err(Trouble::Unfit("nobody knows that change".into())),
    };
    shared.edit(edit).await?;
    Ok(back(change.to.as_deref()))
}

/// An event's new place.
#[derive(Deserialize)]
pub(super) struct Moving {
    event: String,
    /// Milliseconds from the zero of the rep's replay; without them the event was not to be seen.
    at_ms: Option<f64>,
    what: String,
}

pub(super) async fn move_event(
    State(shared): State<Shared>,
    Path(rep): Path<i64>,
    Posted(moving): Posted<Moving>,
) -> Result<Redirect, Trouble> {
    let id = RepId::new(rep);
    let here = Redirect::to(&format!("/reps/{rep}"));
    if moving.what == "as_found" {
        shared.edit(Edit::EventsAsFound(id)).await?;
        return Ok(here);
    }
    let event = EventName::from_name(&moving.event)
        .ok_or_else(|| Trouble::Unfit("there is no such event".into()))?;
    let (stored, timeline, height_cm) = shared
        .read(move |reader| {
            let stored = reader.rep(id)?;
            let hitter = stored.hitter.map(HitterChoice::Id);
            let height_cm = hitter.map(|hitter| reader.hitter(&hitter)).transpose()?;
            Ok((
                stored,
                reader.timeline(id)?,
                height_cm.and_then(|hitter| hitter.height_cm),
            ))
        })
        .await?;
    let (_, frames) =
        timeline.ok_or_else(|| Trouble::Unfit(CannotMove::Unmeasurable.to_string()))?;
    let to = match (moving.what.as_str(), moving.at_ms) {
        ("unseen", _) => None,
        (_, Some(ms)) if ms.is_finite() => {
            Some(zero_of(&stored.judged.rep, first_time(&frames)).plus_secs(1e-3 * ms))
        }
        _ => return Err(Trouble::Unfit("no time was given".into())),
    };
    let judged = stored.judged;
    let corrected = tokio::task::spawn_blocking(move || {
        let pitch = judged.pitch.map(|pitch| PitchTimes {
            release: pitch.release,
            arrival: pitch.arrival,
        });
        judged
            .rep
            .with_event_moved(&frames, pitch, height_cm, event, to)
            .map(|corrected| judged.corrected(corrected))
    })
    .await
    .map_err(|_| Trouble::Fault)?
    .map_err(|why| Trouble::Unfit(why.to_string()))?;
    let moved = MovedEvent {
        rep: id,
        event,
        judged: corrected,
    };
    shared.edit(Edit::MoveEvent(Box::new(moved))).await?;
    Ok(here)
}

fn back(to: Option<&str>) -> Redirect {
    Redirect::to(&own_path(to))
}
