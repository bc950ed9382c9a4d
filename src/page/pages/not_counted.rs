//! What was seen and not counted: the list under a session's reps, and each as a stick figure with its reason. The coach can
//! make it count.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Html, Redirect};
use axum::{Extension, Json};

use super::replay_data::{ReplayData, played};
use crate::journal::{Edit, NotCountedId, StoredNotCounted, StoredRep};
use crate::page::auth::{CsrfForm, NoFields, Requester};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::RepKind;

/// One of them under a session's reps.
pub(super) struct NotCountedRow {
    pub(super) id: i64,
    pub(super) kind: RepKind,
    pub(super) when: String,
    /// Where it lies among the reps.
    pub(super) place: String,
    pub(super) why: String,
}

impl NotCountedRow {
    pub(super) fn new(seen: &StoredNotCounted, reps: &[StoredRep], i18n: &Messages) -> Self {
        let known_at = seen.judged.rep.known_at;
        let before = reps.iter().rfind(|rep| rep.judged.rep.known_at < known_at);
        Self {
            id: seen.id.get(),
            kind: seen.judged.rep.kind,
            when: format::time_of_day(seen.logged_at),
            place: match before {
                Some(rep) => i18n.format("not_counted.after", rep.judged.number),
                None => i18n.t("not_counted.first").to_owned(),
            },
            why: why(seen, i18n),
        }
    }
}

fn why(seen: &StoredNotCounted, i18n: &Messages) -> String {
    i18n.not_counted(&seen.reason, seen.value, seen.asked)
}

#[derive(Template)]
#[template(path = "not_counted.html")]
struct NotCountedPage<'a> {
    page: PageContext<'a>,
    id: i64,
    session: i64,
    hitter_name: Option<String>,
    kind: RepKind,
    when: String,
    why: String,
    /// The rep that it became.
    counted_as: Option<i64>,
    counted_by: Option<String>,
    has_figure: bool,
    measures: Vec<(&'static str, String)>,
    script_messages: String,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
) -> Result<Html<String>, PageError> {
    let (seen, has_figure) = state
        .read(move |reader| {
            let id = NotCountedId::new(id);
            Ok((
                reader.not_counted(id)?,
                reader.not_counted_timeline(id)?.is_some(),
            ))
        })
        .await?;
    let seen = seen.ok_or(PageError::NotFound)?;
    let i18n = requester.messages();
    let measures = &seen.judged.rep.measures;
    html(&NotCountedPage {
        page: PageContext::new(&requester, Section::Sessions),
        id,
        session: seen.session.get(),
        kind: seen.judged.rep.kind,
        when: format::day_and_time(seen.logged_at),
        why: why(&seen, i18n),
        counted_as: seen.counted_as.map(|rep| rep.get()),
        counted_by: seen.counted_by,
        has_figure,
        measures: measures
            .iter()
            .map(|(name, measure)| (i18n.measure(*name), format::measure(i18n, *name, measure)))
            .collect(),
        script_messages: serde_json::to_string(&i18n.script_messages()).unwrap_or_default(),
        hitter_name: seen.hitter_name,
    })
}

pub(in crate::page) async fn data(
    State(state): State<AppState>,
    Path(id): Path<i64>,
) -> Result<Json<ReplayData>, PageError> {
    let id = NotCountedId::new(id);
    let (seen, timeline) = state
        .read(move |reader| Ok((reader.not_counted(id)?, reader.not_counted_timeline(id)?)))
        .await?;
    let (seen, (picture, frames)) = seen.zip(timeline).ok_or(PageError::NotFound)?;
    Ok(Json(played(&seen.judged, picture, &frames)))
}

/// Makes it count, and shows the rep that it is now.
pub(in crate::page) async fn make_count(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
    CsrfForm(NoFields {}): CsrfForm<NoFields>,
) -> Result<Redirect, PageError> {
    let edit = Edit::MakeCount(NotCountedId::new(id));
    let rep = state.edit(edit, &requester).await?;
    Ok(Redirect::to(&format!("/reps/{rep}")))
}
