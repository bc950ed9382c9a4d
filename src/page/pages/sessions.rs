//! The sessions, and one of them in review: every rep on one time axis.

use std::collections::BTreeMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Path, Query, State};
use axum::response::Html;
use serde::Deserialize;

use super::SelectOption;
use super::measure_rows::usual_text;
use super::not_counted::NotCountedRow;
use super::people::all_options;
use super::phase_timeline::{Align, Axis, PhaseSpan, phase_spans};
use super::rep::usual_values;
use crate::coach::{CueWords, Plan, Verdict};
use crate::journal::{
    HitterId, HitterRow, NoteRow, RepId, SessionFilter, SessionId, SessionRow, StoredPlan,
    StoredRep,
};
use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::{MeasureName, RepKind};

/// Sessions on one page of the list.
const PAGE_SIZE: u32 = 40;
/// Measures in a row of the review, beside the timeline.
const SHOWN_MEASURES: usize = 4;

#[derive(Deserialize)]
pub(in crate::page) struct SessionListQuery {
    hitter: Option<i64>,
    before: Option<i64>,
}

/// A session in the list.
struct SessionListRow {
    session: SessionRow,
    when: String,
}

#[derive(Template)]
#[template(path = "sessions.html")]
struct SessionsPage<'a> {
    page: PageContext<'a>,
    hitters: Vec<SelectOption>,
    hitter: Option<HitterId>,
    rows: Vec<SessionListRow>,
    older: Option<i64>,
}

pub(in crate::page) async fn list(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<SessionListQuery>,
) -> Result<Html<String>, PageError> {
    let filter = SessionFilter {
        hitter: query.hitter.map(HitterId::new),
        before: query.before.map(SessionId::new),
        at_most: Some(PAGE_SIZE),
        ..SessionFilter::default()
    };
    let hitter = filter.hitter;
    let (hitters, sessions) = state
        .read(move |reader| {
            Ok((
                reader.hitters_to_choose(filter.hitter)?,
                reader.sessions_of(&filter)?,
            ))
        })
        .await?;
    let older = (sessions.len() == PAGE_SIZE as usize)
        .then(|| sessions.last().map(|session| session.id.get()))
        .flatten();
    let page = SessionsPage {
        page: PageContext::new(&requester, Section::Sessions),
        hitters: hitter_options(hitters, hitter, requester.messages()),
        hitter,
        rows: sessions
            .into_iter()
            .map(|session| SessionListRow {
                when: format::day_and_time(session.started_at),
                session,
            })
            .collect(),
        older,
    };
    html(&page)
}

/// A plan's name, or that there is none: a plan that was taken away is noted as one without text.
pub(in crate::page) fn plan_label(plan: &StoredPlan, i18n: &Messages) -> String {
    match plan.text.is_empty() {
        true => i18n.t("plans.none").to_owned(),
        false => i18n.plan_name(&plan.name).to_owned(),
    }
}

/// The named hitters to select from.
pub(in crate::page) fn hitter_options(
    hitters: Vec<HitterRow>,
    selected: Option<HitterId>,
    i18n: &Messages,
) -> Vec<SelectOption> {
    hitters
        .into_iter()
        .filter_map(|hitter| {
            Some(SelectOption {
                value: hitter.id.to_string(),
                label: i18n.hitter(Some(&hitter.name?)).to_owned(),
                selected: selected == Some(hitter.id),
            })
        })
        .collect()
}

/// All that the journal has of a session.
pub(in crate::page) struct SessionData {
    pub(in crate::page) session: SessionRow,
    pub(in crate::page) plan: Option<StoredPlan>,
    pub(in crate::page) reps: Vec<StoredRep>,
    pub(in crate::page) notes: Vec<NoteRow>,
}

/// Reads a session with its plan, reps and notes.
pub(in crate::page) async fn load_session(
    state: &AppState,
    id: SessionId,
) -> Result<SessionData, PageError> {
    let found = state
        .read(move |reader| {
            let only = SessionFilter {
                only: Some(id),
                ..SessionFilter::default()
            };
            let Some(session) = reader.sessions_of(&only)?.into_iter().next() else {
                return Ok(None);
            };
            Ok(Some(SessionData {
                plan: match session.plan {
                    Some(plan) => reader.plan(plan)?,
                    None => None,
                },
                reps: reader.reps_of(id)?,
                notes: reader.notes(id)?,
                session,
            }))
        })
        .await?;
    found.ok_or(PageError::NotFound)
}

#[derive(Deserialize)]
pub(in crate::page) struct ReviewQuery {
    align: Option<String>,
    marked: Option<String>,
}

/// A value in a row of the review.
struct Cell {
    text: String,
    sign: &'static str,
    verdict: Option<Verdict>,
    title: String,
}

/// The heading of a measure's column.
struct Heading {
    label: &'static str,
    /// The band of the session's last rep that was judged by it.
    band: String,
    /// What was usual for the hitter before the session.
    usual: String,
}

/// A rep in the review.
struct RepRow {
    id: i64,
    number: u32,
    kind: RepKind,
    excluded: Option<String>,
    relabeled: bool,
    moved: bool,
    made_to_count: bool,
    marked: bool,
    phases: Vec<PhaseSpan>,
    /// The same for screen readers.
    phases_text: String,
    heard: String,
    cells: Vec<Cell>,
    notes: usize,
}

#[derive(Template)]
#[template(path = "session.html")]
struct SessionPage<'a> {
    page: PageContext<'a>,
    session: SessionRow,
    when: String,
    plan: Option<String>,
    align: &'static str,
    only_marked: bool,
    ticks: Vec<(f64, String)>,
    zero_pct: f64,
    measures: Vec<Heading>,
    rows: Vec<RepRow>,
    not_counted: Vec<NotCountedRow>,
    hitters: Vec<SelectOption>,
    notes: Vec<NoteRow>,
}

pub(in crate::page) async fn review(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
    Query(query): Query<ReviewQuery>,
) -> Result<Html<String>, PageError> {
    let SessionData {
        session,
        plan,
        reps,
        notes,
    } = load_session(&state, SessionId::new(id)).await?;
    let i18n = requester.messages();
    let align = Align::from_query(query.align.as_deref());
    let axis = Axis::over(
        reps.iter()
            .filter(|rep| rep.excluded.is_none())
            .map(|rep| &rep.judged.rep.events),
        align,
    );
    let parsed = plan.as_ref().and_then(|plan| Plan::parse(&plan.text).ok());
    let cue_words = parsed.as_ref().map(|plan| plan.words).unwrap_or_default();
    let measures = shown_measures(parsed, &reps);
    let usual = match reps.first().cloned() {
        Some(first) => {
            state
                .read(move |reader| usual_values(reader, &first))
                .await?
        }
        None => BTreeMap::new(),
    };
    let (id, whose) = (session.id, session.hitter);
    let (not_counted, hitters) = state
        .read(move |reader| Ok((reader.not_counted_of(id)?, reader.hitters_to_choose(whose)?)))
        .await?;
    let only_marked = query.marked.is_some();
    let rows = reps
        .iter()
        .filter(|rep| !only_marked || rep.marked)
        .map(|rep| RepRow {
            heard: heard_text(rep, cue_words, i18n),
            ..rep_row(rep, i18n, align, &axis, &measures, &notes)
        })
        .collect();
    let page = SessionPage {
        page: PageContext::new(&requester, Section::Sessions),
        when: format::day_and_time(session.started_at),
        hitters: all_options(hitters, session.hitter, i18n),
        session,
        plan: plan.map(|plan| plan_label(&plan, i18n)),
        align: align.name(),
        only_marked,
        ticks: axis.ticks(),
        zero_pct: axis.position_pct(0.0),
        measures: measures
            .iter()
            .map(|name| heading(*name, &reps, &usual, i18n))
            .collect(),
        rows,
        not_counted: not_counted
            .iter()
            .map(|seen| NotCountedRow::new(seen, &reps, i18n))
            .collect(),
        notes: notes
            .into_iter()
            .filter(|note| note.rep.is_none())
            .collect(),
    };
    html(&page)
}

/// The plan's focus; without a plan the judged measures, most often out of band first.
pub(super) fn shown_measures(plan: Option<Plan>, reps: &[StoredRep]) -> Vec<MeasureName> {
    let mut names = match plan {
        Some(plan) => plan.focus,
        None => {
            let missed = |name: &MeasureName| {
                reps.iter()
                    .filter_map(|rep| rep.judged.verdicts.get(name))
                    .filter(|verdict| **verdict != Verdict::In)
                    .count()
            };
            let mut judged: Vec<MeasureName> = MeasureName::ALL
                .iter()
                .copied()
                .filter(|name| reps.iter().any(|r| r.judged.verdicts.contains_key(name)))
                .collect();
            judged.sort_by_key(|name| std::cmp::Reverse(missed(name)));
            judged
        }
    };
    names.truncate(SHOWN_MEASURES);
    names
}

fn heading(
    name: MeasureName,
    reps: &[StoredRep],
    usual: &BTreeMap<MeasureName, Vec<f64>>,
    i18n: &'static Messages,
) -> Heading {
    let mut bands = reps
        .iter()
        .rev()
        .filter_map(|rep| rep.judged.bands.get(&name));
    Heading {
        label: i18n.measure(name),
        band: bands
            .next()
            .map(|band| format::band(i18n, name, band))
            .unwrap_or_default(),
        usual: usual
            .get(&name)
            .map(|values| usual_text(i18n, name, values))
            .unwrap_or_default(),
    }
}

fn rep_row(
    rep: &StoredRep,
    i18n: &'static Messages,
    align: Align,
    axis: &Axis,
    measures: &[MeasureName],
    notes: &[NoteRow],
) -> RepRow {
    let judged = &rep.judged;
    let phases = phase_spans(&judged.rep.events, align, axis);
    let texts: Vec<String> = phases
        .iter()
        .map(|span| format!("{} {:.0} ms", i18n.phase(span.phase), span.duration_ms))
        .collect();
    RepRow {
        id: rep.id.get(),
        number: judged.number,
        kind: rep.kind(),
        excluded: rep.excluded.clone(),
        relabeled: rep.label_override.is_some(),
        moved: rep.moved,
        made_to_count: rep.made_to_count,
        marked: rep.marked,
        phases_text: texts.join(", "),
        phases,
        heard: String::new(),
        cells: measures.iter().map(|name| cell(rep, *name, i18n)).collect(),
        notes: notes.iter().filter(|note| note.rep == Some(rep.id)).count(),
    }
}

/// What the hitter heard, or why nothing.
pub(in crate::page) fn heard_text(
    rep: &StoredRep,
    words: CueWords,
    i18n: &'static Messages,
) -> String {
    match (&rep.judged.cue, &rep.judged.no_cue) {
        (Some(cue), _) => i18n.cue_heard(&cue.id, words).to_owned(),
        (None, Some(why)) => i18n.format("review.quiet", i18n.quiet_reason(why)),
        (None, None) => String::new(),
    }
}

fn cell(rep: &StoredRep, name: MeasureName, i18n: &Messages) -> Cell {
    let Some(measure) = rep.judged.rep.measures.get(&name) else {
        return Cell {
            text: "–".into(),
            sign: "",
            verdict: None,
            title: String::new(),
        };
    };
    let verdict = rep.judged.verdicts.get(&name).copied();
    let band = rep.judged.bands.get(&name);
    Cell {
        text: match measure.value() {
            Some(_) => format::measure(i18n, name, measure),
            // The reason is in the title and on the rep's own page.
            None => "–".to_owned(),
        },
        sign: format::sign(verdict),
        verdict,
        title: match band {
            Some(band) => format!(
                "{} [{}]",
                format::measure(i18n, name, measure),
                format::band(i18n, name, band)
            ),
            None => format::measure(i18n, name, measure),
        },
    }
}

/// The rep that shows best what was worked on: most in band, then nearest to the middle of the bands.
pub(in crate::page) fn best_of(reps: &[StoredRep]) -> Option<RepId> {
    reps.iter()
        .filter(|rep| rep.counts_as_swing())
        .filter_map(|rep| {
            let verdicts = &rep.judged.verdicts;
            let inside = verdicts.values().filter(|v| **v == Verdict::In).count();
            (!verdicts.is_empty()).then(|| (inside as f64 / verdicts.len() as f64, rep.id))
        })
        // The first of several equal ones: max_by takes the last.
        .rev()
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, id)| id)
}
