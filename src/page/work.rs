//! What the coach makes of it: notes, marks, reps struck out or called something else.

use axum::Extension;
use axum::extract::{Path, State};
use axum::response::Redirect;
use serde::Deserialize;

use super::doors::{Posted, Visitor};
use super::language::own_path;
use super::shared::{Shared, Trouble};
use crate::journal::{Edit, NoteId, RepId, SessionId};
use crate::rep::RepKind;

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

fn back(to: Option<&str>) -> Redirect {
    Redirect::to(&own_path(to))
}
