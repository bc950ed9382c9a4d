//! A rep's film, where one is kept: the times of its pictures, and each picture as a JPEG.
//!
//! In: a rep's id in the journal. Out: times on the rep's own axis, and pictures as the film has them. A film that was deleted,
//! cut or damaged counts as none. No browser may cache any of it (`no-store`, as on every response but scripts and styles): a
//! deleted film must not stay on a tablet that many people use.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::replay_data::zero_of;
use crate::journal::{JournalError, JournalReader, RepId};
use crate::page::error::PageError;
use crate::page::state::AppState;
use crate::video::{Film, FilmError};

/// Whether a rep has a film.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum RepFilm {
    /// One that can be shown.
    Yes,
    /// None.
    No,
    /// One that cannot be read.
    Damaged,
}

/// Whether a rep has a film that can be shown.
pub(super) fn state_of(reader: &JournalReader, id: RepId) -> Result<RepFilm, JournalError> {
    Ok(match open(reader, id)? {
        Ok(Some(_)) => RepFilm::Yes,
        Ok(None) => RepFilm::No,
        Err(_) => RepFilm::Damaged,
    })
}

fn open(
    reader: &JournalReader,
    id: RepId,
) -> Result<Result<Option<Film<'_>>, FilmError>, JournalError> {
    let film = reader.film(id)?;
    Ok(film.inspect_err(|error| tracing::debug!(%error, "a film cannot be shown")))
}

/// When the pictures of a film were taken.
#[derive(Serialize)]
pub(in crate::page) struct FilmTimes {
    /// Seconds on the same axis as the rep's landmarks, in order; one for each picture.
    times: Vec<f64>,
}

pub(in crate::page) async fn times(
    State(state): State<AppState>,
    Path(id): Path<i64>,
) -> Result<Json<FilmTimes>, PageError> {
    let id = RepId::new(id);
    let times = state
        .read(move |reader| {
            let Ok(Some(film)) = open(reader, id)? else {
                return Ok(None);
            };
            let zero = zero_of(&reader.rep(id)?.judged.rep, reader.timeline_start(id)?).secs();
            let times = (0..film.frames()).filter_map(|frame| film.time_secs(frame));
            Ok(Some(times.map(|at| at - zero).collect()))
        })
        .await?;
    Ok(Json(FilmTimes {
        times: times.ok_or(PageError::NotFound)?,
    }))
}

pub(in crate::page) async fn picture(
    State(state): State<AppState>,
    Path((id, name)): Path<(i64, String)>,
) -> Result<Response, PageError> {
    let frame: usize = name
        .strip_suffix(".jpg")
        .and_then(|number| number.parse().ok())
        .ok_or(PageError::NotFound)?;
    let id = RepId::new(id);
    let jpeg = state
        .read(move |reader| {
            let film = open(reader, id)?.ok().flatten();
            Ok(film.and_then(|mut film| film.jpeg(frame).ok()))
        })
        .await?
        .ok_or(PageError::NotFound)?;
    Ok(([(CONTENT_TYPE, "image/jpeg")], jpeg).into_response())
}
