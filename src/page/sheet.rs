//! What leaves the page: a sheet to print for hitter or parent, the rep log to read, reps as files.

use askama::Template;
use axum::Extension;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{Html, IntoResponse, Response};

use super::doors::Visitor;
use super::numbers;
use super::sessions::{Whole, whole};
use super::shared::{Shared, Trouble};
use super::words::Words;
use crate::coach::{Plan, Verdict, cue_for};
use crate::journal::{
    ExportFormat, NoteRow, RepFilter, SessionId, SessionRow, StoredRep, rep_line,
};
use crate::rep::MeasureName;
use crate::stats::median;

/// What was worked on, in words.
struct Worked {
    words: String,
    inside: usize,
    judged: usize,
    middle: String,
    missed: Option<String>,
}

/// The page's content.
#[derive(Template)]
#[template(path = "sheet.html")]
struct SheetPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    session: SessionRow,
    day: String,
    plan: Option<String>,
    worked: Vec<Worked>,
    notes: Vec<NoteRow>,
}

/// Measures on a sheet: more than a hitter can think of is no help.
const MOST: usize = 5;

pub(super) async fn sheet(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<i64>,
) -> Result<Html<String>, Trouble> {
    let Whole {
        session,
        plan,
        reps,
        notes,
    } = whole(&shared, SessionId::new(id)).await?;
    let w = visitor.words();
    let focus = plan.as_ref().and_then(|plan| Plan::parse(&plan.text).ok());
    let page = SheetPage {
        w,
        visitor: &visitor,
        here: "sessions",
        day: numbers::day(session.started_at),
        session,
        plan: plan.map(|plan| plan.name),
        worked: worked(focus.map(|plan| plan.focus), &reps, w),
        notes,
    };
    Ok(Html(page.render()?))
}

fn worked(focus: Option<Vec<MeasureName>>, reps: &[StoredRep], w: &'static Words) -> Vec<Worked> {
    let swings: Vec<&StoredRep> = reps.iter().filter(|rep| rep.counts_as_swing()).collect();
    let names = focus.unwrap_or_else(|| MeasureName::ALL.to_vec());
    let mut worked: Vec<Worked> = names
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
            let middle = median(&values)?;
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
                .map(|cue| format!("{} ({})", w.cue(cue.as_str()), low.max(high)));
            Some(Worked {
                words: w.measure(name.name()).to_owned(),
                inside: count(Verdict::In),
                judged: verdicts.len(),
                middle: numbers::with_unit(name, middle),
                missed,
            })
        })
        .collect();
    worked.truncate(MOST);
    worked
}

/// The page's content.
#[derive(Template)]
#[template(path = "log.html")]
struct LogPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    session: SessionId,
    lines: Vec<(u32, String)>,
}

pub(super) async fn log(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<i64>,
) -> Result<Html<String>, Trouble> {
    let session = SessionId::new(id);
    let reps = shared.read(move |reader| reader.reps_of(session)).await?;
    let page = LogPage {
        w: visitor.words(),
        visitor: &visitor,
        here: "sessions",
        session,
        lines: reps
            .iter()
            .map(|rep| (rep.judged.number, rep_line(&rep.judged)))
            .collect(),
    };
    Ok(Html(page.render()?))
}

pub(super) async fn csv(
    State(shared): State<Shared>,
    Path(id): Path<i64>,
) -> Result<Response, Trouble> {
    file(
        &shared,
        id,
        ExportFormat::Csv,
        "text/csv; charset=utf-8",
        "csv",
    )
    .await
}

pub(super) async fn json_lines(
    State(shared): State<Shared>,
    Path(id): Path<i64>,
) -> Result<Response, Trouble> {
    file(
        &shared,
        id,
        ExportFormat::JsonLines,
        "application/x-ndjson",
        "jsonl",
    )
    .await
}

async fn file(
    shared: &Shared,
    id: i64,
    format: ExportFormat,
    kind: &'static str,
    ending: &str,
) -> Result<Response, Trouble> {
    let filter = RepFilter {
        session: Some(SessionId::new(id)),
        ..RepFilter::default()
    };
    let bytes = shared
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
