//! The coach's corrections: notes, marks, reps that do not count or are relabeled, events moved.

use axum::Extension;
use axum::extract::{Path, State};
use axum::response::Redirect;
use serde::Deserialize;

use super::language::same_site_path;
use super::replay_data::{first_time, zero_of};
use crate::journal::{Edit, HitterChoice, MovedEvent, NoteId, RepId, SessionId};
use crate::page::auth::{CsrfForm, Requester};
use crate::page::error::PageError;
use crate::page::state::AppState;
use crate::rep::{CannotMove, EventName, PitchTimes, RepKind};

#[derive(Deserialize)]
pub(in crate::page) struct NoteForm {
    text: String,
    rep: Option<i64>,
    to: Option<String>,
}

pub(in crate::page) async fn add_note(
    State(state): State<AppState>,
    Path(session): Path<i64>,
    CsrfForm(form): CsrfForm<NoteForm>,
) -> Result<Redirect, PageError> {
    state
        .edit(Edit::AddNote {
            session: SessionId::new(session),
            rep: form.rep.map(RepId::new),
            text: form.text,
        })
        .await?;
    Ok(back(form.to.as_deref()))
}

#[derive(Deserialize)]
pub(in crate::page) struct ReturnForm {
    to: Option<String>,
}

pub(in crate::page) async fn delete_note(
    State(state): State<AppState>,
    Path(note): Path<i64>,
    CsrfForm(form): CsrfForm<ReturnForm>,
) -> Result<Redirect, PageError> {
    state.edit(Edit::DeleteNote(NoteId::new(note))).await?;
    Ok(back(form.to.as_deref()))
}

#[derive(Deserialize)]
pub(in crate::page) struct RepChangeForm {
    what: String,
    why: Option<String>,
    to: Option<String>,
}

pub(in crate::page) async fn change_rep(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(rep): Path<i64>,
    CsrfForm(form): CsrfForm<RepChangeForm>,
) -> Result<Redirect, PageError> {
    let rep = RepId::new(rep);
    let relabel = |kind| Edit::Relabel { rep, kind };
    let edit = match form.what.as_str() {
        "mark" => Edit::Mark { rep, marked: true },
        "unmark" => Edit::Mark { rep, marked: false },
        "strike" => Edit::Strike {
            rep,
            why: Some(
                form.why
                    .filter(|why| !why.trim().is_empty())
                    .unwrap_or_else(|| requester.messages().t("review.no_rep").to_owned()),
            ),
        },
        "count" => Edit::Strike { rep, why: None },
        "swing" => relabel(Some(RepKind::Swing)),
        "take" => relabel(Some(RepKind::Take)),
        "as_found" => relabel(None),
        _ => return Err(PageError::UnknownChange),
    };
    state.edit(edit).await?;
    Ok(back(form.to.as_deref()))
}

#[derive(Deserialize)]
pub(in crate::page) struct MoveEventForm {
    event: String,
    /// The event's new time, milliseconds from the zero of the rep's replay.
    at_ms: Option<f64>,
    what: String,
}

pub(in crate::page) async fn move_event(
    State(state): State<AppState>,
    Path(rep): Path<i64>,
    CsrfForm(form): CsrfForm<MoveEventForm>,
) -> Result<Redirect, PageError> {
    let id = RepId::new(rep);
    let here = Redirect::to(&format!("/reps/{rep}"));
    if form.what == "as_found" {
        state.edit(Edit::RestoreEvents(id)).await?;
        return Ok(here);
    }
    let event = EventName::from_name(&form.event).ok_or(PageError::UnknownEvent)?;
    let (stored, timeline, height_cm) = state
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
    let (_, frames) = timeline.ok_or(CannotMove::Unmeasurable)?;
    let to = match (form.what.as_str(), form.at_ms) {
        ("unseen", _) => None,
        (_, Some(ms)) if ms.is_finite() => {
            Some(zero_of(&stored.judged.rep, first_time(&frames)).plus_secs(1e-3 * ms))
        }
        _ => return Err(PageError::NoTime),
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
    .await??;
    let moved = MovedEvent {
        rep: id,
        event,
        judged: corrected,
    };
    state.edit(Edit::MoveEvent(Box::new(moved))).await?;
    Ok(here)
}

fn back(to: Option<&str>) -> Redirect {
    Redirect::to(&same_site_path(to))
}
