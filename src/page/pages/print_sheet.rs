//! What leaves the page: a sheet to print for hitter or parent, the rep log, reps as files.

use askama::Template;
use axum::Extension;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{Html, IntoResponse, Response};

use super::sessions::{SessionData, load_session, plan_label};
use crate::coach::{Plan, Verdict, cue_for};
use crate::journal::{
    ExportFormat, NoteRow, RepFilter, SessionId, SessionRow, StoredRep, rep_line,
};
use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::MeasureName;
use crate::stats::median;

/// A measure of the sheet.
struct MeasureSummary {
    label: &'static str,
    inside: usize,
    judged: usize,
    median: String,
    missed: Option<String>,
}

#[derive(Template)]
#[template(path = "print_sheet.html")]
struct PrintSheet<'a> {
    page: PageContext<'a>,
    session: SessionRow,
    day: String,
    plan: Option<String>,
    measures: Vec<MeasureSummary>,
    notes: Vec<NoteRow>,
}

/// More measures than this are too many to think of.
const MAX_MEASURES: usize = 5;

pub(in crate::page) async fn sheet(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
) -> Result<Html<String>, PageError> {
    let SessionData {
        session,
        plan,
        reps,
        notes,
    } = load_session(&state, SessionId::new(id)).await?;
    let i18n = requester.messages();
    let focus = plan.as_ref().and_then(|plan| Plan::parse(&plan.text).ok());
    let page = PrintSheet {
        page: PageContext::new(&requester, Section::Sessions),
        day: format::day(session.started_at),
        session,
        plan: plan.map(|plan| plan_label(&plan, i18n)),
        measures: summaries(focus.map(|plan| plan.focus), &reps, i18n),
        notes,
    };
    html(&page)
}

fn summaries(
    focus: Option<Vec<MeasureName>>,
    reps: &[StoredRep],
    i18n: &'static Messages,
) -> Vec<MeasureSummary> {
    let swings: Vec<&StoredRep> = reps.iter().filter(|rep| rep.counts_as_swing()).collect();
    let names = focus.unwrap_or_else(|| MeasureName::ALL.to_vec());
    let mut summaries: Vec<MeasureSummary> = names
        .into_iter()
        .filter_map(|name| {
            let verdicts: Vec<Verdict> = swings
                .iter()
                .filter_map(|rep| rep.judged.verdicts.get(&name).copied())
                .collect();
            let values: Vec<f64> = swings
                .iter()
                .filter_map(|rep| rep.judged.rep.measures.get(&name)?.value())
                .collect();
            let median = median(&values)?;
            if verdicts.is_empty() {
                return None;
            }
            let count = |verdict| verdicts.iter().filter(|v| **v == verdict).count();
            let (low, high) = (count(Verdict::Low), count(Verdict::High));
            let side = if low > high {
                Verdict::Low
            } else {
                Verdict::High
            };
            let missed = (low.max(high) > 0)
                .then(|| cue_for(name, side))
                .flatten()
                .map(|cue| format!("{} ({})", i18n.cue(cue), low.max(high)));
            Some(MeasureSummary {
                label: i18n.measure(name),
                inside: count(Verdict::In),
                judged: verdicts.len(),
                median: format::with_unit(i18n, name, median),
                missed,
            })
        })
        .collect();
    summaries.truncate(MAX_MEASURES);
    summaries
}

#[derive(Template)]
#[template(path = "log.html")]
struct LogPage<'a> {
    page: PageContext<'a>,
    session: SessionId,
    lines: Vec<(u32, String)>,
}

pub(in crate::page) async fn log(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
) -> Result<Html<String>, PageError> {
    let session = SessionId::new(id);
    let reps = state.read(move |reader| reader.reps_of(session)).await?;
    let page = LogPage {
        page: PageContext::new(&requester, Section::Sessions),
        session,
        lines: reps
            .iter()
            .map(|rep| (rep.judged.number, rep_line(&rep.judged)))
            .collect(),
    };
    html(&page)
}

pub(in crate::page) async fn csv(
    State(state): State<AppState>,
    Path(id): Path<i64>,
) -> Result<Response, PageError> {
    file(
        &state,
        id,
        ExportFormat::Csv,
        "text/csv; charset=utf-8",
        "csv",
    )
    .await
}

pub(in crate::page) async fn json_lines(
    State(state): State<AppState>,
    Path(id): Path<i64>,
) -> Result<Response, PageError> {
    file(
        &state,
        id,
        ExportFormat::JsonLines,
        "application/x-ndjson",
        "jsonl",
    )
    .await
}

async fn file(
    state: &AppState,
    id: i64,
    format: ExportFormat,
    kind: &'static str,
    ending: &str,
) -> Result<Response, PageError> {
    let filter = RepFilter {
        session: Some(SessionId::new(id)),
        ..RepFilter::default()
    };
    let bytes = state
        .read(move |reader| {
            let mut bytes = Vec::new();
            reader.export_reps(&filter, format, &mut bytes)?;
            Ok(bytes)
        })
        .await?;
    let name = format!("attachment; filename=\"session-{id}.{ending}\"");
    Ok((
        [(CONTENT_TYPE, kind.to_owned()), (CONTENT_DISPOSITION, name)],
        bytes,
    )
        .into_response())
}
