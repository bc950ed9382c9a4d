//! What leaves the page: a sheet to print for hitter or parent, the rep log, reps as files.

use askama::Template;
use axum::Extension;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{Html, IntoResponse, Response};

use super::plot::{Plot, Point, SMALL};
use super::sessions::{SessionData, load_session, plan_label};
use crate::coach::{CueWords, Plan, Verdict, cue_for};
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
use crate::text_enum::Recorded;

/// A measure of the sheet.
struct MeasureSummary {
    name: MeasureName,
    label: &'static str,
    inside: usize,
    judged: usize,
    median: String,
    missed: Option<String>,
    /// What to do about it.
    practice: Option<String>,
    /// The swings one by one; for the first measures only.
    plot: Option<String>,
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

/// So many of them are drawn.
const PLOTS: usize = 2;
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
        measures: summaries(focus.map(|plan| plan.focus), &reps, i18n)?,
        notes,
    };
    html(&page)
}

fn summaries(
    focus: Option<Vec<MeasureName>>,
    reps: &[StoredRep],
    i18n: &'static Messages,
) -> Result<Vec<MeasureSummary>, PageError> {
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
            let cue = (low.max(high) > 0).then(|| cue_for(name, side)).flatten();
            let missed = cue.map(|cue| format!("{} ({}×)", i18n.cue(cue), low.max(high)));
            let practice = cue.map(|cue| {
                let cue = Recorded::Known(cue);
                i18n.cue_heard(&cue, CueWords::ToDo).to_owned()
            });
            Some(MeasureSummary {
                name,
                label: i18n.measure(name),
                inside: count(Verdict::In),
                judged: verdicts.len(),
                median: format::with_unit(i18n, name, median),
                missed,
                practice,
                plot: None,
            })
        })
        .collect();
    summaries.truncate(MAX_MEASURES);
    for summary in summaries.iter_mut().take(PLOTS) {
        summary.plot = plot(summary.name, &swings, i18n)?;
    }
    Ok(summaries)
}

/// The session's swings in a measure, one by one, against the range.
fn plot(
    name: MeasureName,
    swings: &[&StoredRep],
    i18n: &Messages,
) -> Result<Option<String>, PageError> {
    let lengths = i18n.lengths();
    let shown = |value| lengths.shown(name.unit(), value);
    let points: Vec<Point> = swings
        .iter()
        .filter_map(|rep| {
            let y = shown(rep.judged.rep.measures.get(&name)?.value()?);
            Some(Point {
                x: f64::from(rep.judged.number),
                y,
                range: (y, y),
                verdict: rep.judged.verdicts.get(&name).copied(),
                link: None,
            })
        })
        .collect();
    if !name.unit().is_quantity() || points.len() < 2 {
        return Ok(None);
    }
    let band = swings
        .iter()
        .rev()
        .find_map(|rep| rep.judged.bands.get(&name));
    Plot {
        points: &points,
        band: band.map_or((None, None), |band| {
            (band.low.map(shown), band.high.map(shown))
        }),
        median: &[],
        changes: &[],
        unit: lengths.suffix(name.unit()),
        label: &|number| format!("{number:.0}"),
        size: SMALL,
    }
    .svg()
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

const BYTE_ORDER_MARK: &str = "\u{feff}";

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
            // A spreadsheet takes a table for its own country's encoding unless it begins like this.
            let mut bytes = match format {
                ExportFormat::Csv => BYTE_ORDER_MARK.as_bytes().to_vec(),
                ExportFormat::JsonLines => Vec::new(),
            };
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
