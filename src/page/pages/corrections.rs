//! The coach's corrections: notes, marks, reps that do not count or are relabeled, events moved.

use axum::Extension;
use axum::extract::{Path, State};
use axum::response::Redirect;
use serde::Deserialize;

use super::language::same_site_path;
use super::pitch_line::descent_deg;
use super::replay_data::{first_time, zero_of};
use crate::journal::{Edit, HitterChoice, MovedEvent, NoteId, RepId, SessionId};
use crate::page::auth::{CsrfForm, Requester};
use crate::page::error::PageError;
use crate::page::i18n::Messages;
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
    Extension(requester): Extension<Requester>,
    Path(session): Path<i64>,
    CsrfForm(form): CsrfForm<NoteForm>,
) -> Result<Redirect, PageError> {
    state
        .edit(
            Edit::AddNote {
                session: SessionId::new(session),
                rep: form.rep.map(RepId::new),
                text: form.text,
            },
            &requester,
        )
        .await?;
    Ok(back(form.to.as_deref()))
}

#[derive(Deserialize)]
pub(in crate::page) struct ReturnForm {
    to: Option<String>,
}

pub(in crate::page) async fn delete_note(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(note): Path<i64>,
    CsrfForm(form): CsrfForm<ReturnForm>,
) -> Result<Redirect, PageError> {
    let edit = Edit::DeleteNote(NoteId::new(note));
    state.edit(edit, &requester).await?;
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
    let edit = rep_change(&form, RepId::new(rep), requester.messages())?;
    state.edit(edit, &requester).await?;
    Ok(back(form.to.as_deref()))
}

/// The change that a form asks for.
pub(in crate::page) fn rep_change(
    form: &RepChangeForm,
    rep: RepId,
    i18n: &Messages,
) -> Result<Edit, PageError> {
    let relabel = |kind| Edit::Relabel { rep, kind };
    let why = || {
        let said = form.why.clone().filter(|why| !why.trim().is_empty());
        said.unwrap_or_else(|| i18n.t("review.no_rep").to_owned())
    };
    Ok(match form.what.as_str() {
        "mark" => Edit::Mark { rep, marked: true },
        "unmark" => Edit::Mark { rep, marked: false },
        "exclude" => Edit::Exclude {
            rep,
            why: Some(why()),
        },
        "count" => Edit::Exclude { rep, why: None },
        "swing" => relabel(Some(RepKind::Swing)),
        "take" => relabel(Some(RepKind::Take)),
        "as_found" => relabel(None),
        _ => return Err(PageError::UnknownChange),
    })
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
    Extension(requester): Extension<Requester>,
    Path(rep): Path<i64>,
    CsrfForm(form): CsrfForm<MoveEventForm>,
) -> Result<Redirect, PageError> {
    let id = RepId::new(rep);
    let here = Redirect::to(&format!("/reps/{rep}"));
    if form.what == "as_found" {
        state.edit(Edit::RestoreEvents(id), &requester).await?;
        return Ok(here);
    }
    let (event, ms) = event_and_time(&form)?;
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
    let zero = zero_of(&stored.judged.rep, first_time(&frames));
    let to = ms.map(|ms| zero.plus_secs(1e-3 * ms));
    let judged = stored.judged;
    let corrected = tokio::task::spawn_blocking(move || {
        let pitch = judged.pitch.map(|pitch| PitchTimes {
            release: pitch.release,
            arrival: pitch.arrival,
            descent_deg: descent_deg(&pitch),
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
    state
        .edit(Edit::MoveEvent(Box::new(moved)), &requester)
        .await?;
    Ok(here)
}

/// Which event is moved, and to where in the rep's replay, milliseconds; `None` where it was not seen.
pub(in crate::page) fn event_and_time(
    form: &MoveEventForm,
) -> Result<(EventName, Option<f64>), PageError> {
    let event = EventName::from_name(&form.event).ok_or(PageError::UnknownEvent)?;
    match (form.what.as_str(), form.at_ms) {
        ("unseen", _) => Ok((event, None)),
        (_, Some(ms)) if ms.is_finite() => Ok((event, Some(ms))),
        _ => Err(PageError::NoTime),
    }
}

fn back(to: Option<&str>) -> Redirect {
    Redirect::to(&same_site_path(to))
}
