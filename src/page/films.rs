//! The film of a rep, where one is kept: when its pictures were taken, and each of them.
//!
//! In: a rep's number in the journal. Out: times on the rep's own axis, and JPEG pictures as the film has them. A film that was
//! deleted, cut or damaged counts as none. Nothing here may be kept by a browser (`no-store`, as on every answer but scripts and
//! styles): a film that is deleted is not to stay in the cache of a tablet that many hands use.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::played::zero_of;
use super::shared::{Shared, Trouble};
use crate::journal::{JournalError, JournalReader, RepId};
use crate::video::{Film, FilmError, FilmStore};

/// Whether a rep has a film.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum FilmThere {
    /// One that can be shown.
    Yes,
    /// None.
    No,
    /// One that cannot be read.
    Damaged,
}

/// Looks for the film of a rep.
pub(super) fn there(reader: &JournalReader, id: RepId) -> Result<FilmThere, JournalError> {
    Ok(match opened(reader, id)? {
        Ok(Some(_)) => FilmThere::Yes,
        Ok(None) => FilmThere::No,
        Err(_) => FilmThere::Damaged,
    })
}

fn opened(
    reader: &JournalReader,
    id: RepId,
) -> Result<Result<Option<Film>, FilmError>, JournalError> {
    let film = FilmStore::of_journal(reader.path()).film(reader.film_note(id)?);
    Ok(film.inspect_err(|error| tracing::debug!(%error, "a film cannot be shown")))
}

/// When the pictures of a film were taken.
#[derive(Serialize)]
pub(super) struct FilmTimes {
    /// Seconds on the same axis as the rep's landmarks, in order; one for each picture.
    times: Vec<f64>,
}

pub(super) async fn times(
    State(shared): State<Shared>,
    Path(id): Path<i64>,
) -> Result<Json<FilmTimes>, Trouble> {
    let id = RepId::new(id);
    let times = shared
        .read(move |reader| {
            let Ok(Some(film)) = opened(reader, id)? else {
                return Ok(None);
            };
            let zero = zero_of(&reader.rep(id)?.judged.rep, reader.timeline_start(id)?).secs();
            let times = (0..film.frames()).filter_map(|frame| film.time_secs(frame));
            Ok(Some(times.map(|at| at - zero).collect()))
        })
        .await?;
    Ok(Json(FilmTimes {
        times: times.ok_or(Trouble::NotThere)?,
    }))
}

pub(super) async fn picture(
    State(shared): State<Shared>,
    Path((id, name)): Path<(i64, String)>,
) -> Result<Response, Trouble> {
    let frame: usize = name
        .strip_suffix(".jpg")
        .and_then(|number| number.parse().ok())
        .ok_or(Trouble::NotThere)?;
    let id = RepId::new(id);
    let jpeg = shared
        .read(move |reader| {
            let film = opened(reader, id)?.ok().flatten();
            Ok(film.and_then(|mut film| film.jpeg(frame).ok()))
        })
        .await?
        .ok_or(Trouble::NotThere)?;
    Ok(([(CONTENT_TYPE, "image/jpeg")], jpeg).into_response())
}
