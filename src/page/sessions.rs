//! The sessions, and one of them in review: every rep on one time axis.

use std::collections::BTreeMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Path, Query, State};
use axum::response::Html;
use serde::Deserialize;

use super::doors::Visitor;
use super::numbers;
use super::reps::{usual, usual_words};
use super::shared::{Choice, Shared, Trouble};
use super::strip::{Align, Axis, Part, parts};
use super::words::Words;
use crate::coach::{CueId, Plan, Verdict};
use crate::journal::{
    HitterId, HitterRow, NoteRow, RepId, SessionFilter, SessionId, SessionRow, StoredPlan,
    StoredRep,
};
use crate::rep::{MeasureName, RepKind};
use crate::text_enum::Recorded;

/// Sessions on one page of the list.
const AT_A_TIME: u32 = 40;
/// Measures in a row of the review, besides the strip.
const SHOWN_MEASURES: usize = 4;

/// What the list is asked for.
#[derive(Deserialize)]
pub(super) struct Asked {
    hitter: Option<i64>,
    before: Option<i64>,
}

/// A session in the list.
struct Row {
    session: SessionRow,
    when: String,
}

/// The page's content.
#[derive(Template)]
#[template(path = "sessions.html")]
struct SessionsPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    choices: Vec<Choice>,
    hitter: Option<HitterId>,
    rows: Vec<Row>,
    older: Option<i64>,
}

pub(super) async fn list(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, Trouble> {
    let filter = SessionFilter {
        hitter: asked.hitter.map(HitterId::new),
        before: asked.before.map(SessionId::new),
        at_most: Some(AT_A_TIME),
        only: None,
    };
    let hitter = filter.hitter;
    let (hitters, sessions) = shared
        .read(move |reader| {
            Ok((
                reader.hitters_by_last_session()?,
                reader.sessions_of(&filter)?,
            ))
        })
        .await?;
    let older = (sessions.len() == AT_A_TIME as usize)
        .then(|| sessions.last().map(|session| session.id.get()))
        .flatten();
    let page = SessionsPage {
        w: visitor.words(),
        visitor: &visitor,
        here: "sessions",
        choices: hitter_choices(hitters, hitter),
        hitter,
        rows: sessions
            .into_iter()
            .map(|session| Row {
                when: numbers::day_and_time(session.started_at),
                session,
            })
            .collect(),
        older,
    };
    Ok(Html(page.render()?))
}

/// The named hitters as a choice, with the one that is chosen.
pub(super) fn hitter_choices(hitters: Vec<HitterRow>, chosen: Option<HitterId>) -> Vec<Choice> {
    hitters
        .into_iter()
        .filter_map(|hitter| {
            Some(Choice {
                id: hitter.id.get(),
                words: hitter.name?,
                chosen: chosen == Some(hitter.id),
            })
        })
        .collect()
}

/// All that the journal has of a session.
pub(super) struct Whole {
    pub(super) session: SessionRow,
    pub(super) plan: Option<StoredPlan>,
    pub(super) reps: Vec<StoredRep>,
    pub(super) notes: Vec<NoteRow>,
}

/// Reads a session with its plan, reps and notes.
pub(super) async fn whole(shared: &Shared, id: SessionId) -> Result<Whole, Trouble> {
    let found = shared
        .read(move |reader| {
            let only = SessionFilter {
                only: Some(id),
                ..SessionFilter::default()
            };
            let Some(session) = reader.sessions_of(&only)?.into_iter().next() else {
                return Ok(None);
            };
            Ok(Some(Whole {
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
    found.ok_or(Trouble::NotThere)
}

/// How the review is asked for.
#[derive(Deserialize)]
pub(super) struct Laid {
    align: Option<String>,
    marked: Option<String>,
}

/// A value in a row of the review.
struct Cell {
    text: String,
    sign: &'static str,
    class: &'static str,
    title: String,
}

/// A measure above its column.
struct Heading {
    words: &'static str,
    /// The band of the session's last rep that was judged by it.
    band: String,
    /// What was usual for the hitter before the session.
    usual: String,
}

/// A rep in the review.
struct Line {
    id: i64,
    number: u32,
    kind: RepKind,
    struck: Option<String>,
    called: bool,
    moved: bool,
    marked: bool,
    parts: Vec<Part>,
    told: String,
    heard: String,
    cells: Vec<Cell>,
    notes: usize,
}

/// The page's content.
#[derive(Template)]
#[template(path = "session.html")]
struct SessionPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    session: SessionRow,
    when: String,
    plan: Option<String>,
    align: &'static str,
    only_marked: bool,
    marks: Vec<(f64, String)>,
    zero: f64,
    measures: Vec<Heading>,
    lines: Vec<Line>,
    notes: Vec<NoteRow>,
}

pub(super) async fn review(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<i64>,
    Query(laid): Query<Laid>,
) -> Result<Html<String>, Trouble> {
    let Whole {
        session,
        plan,
        reps,
        notes,
    } = whole(&shared, SessionId::new(id)).await?;
    let w = visitor.words();
    let align = Align::from_word(laid.align.as_deref());
    let axis = Axis::over(
        reps.iter()
            .filter(|rep| rep.struck.is_none())
            .map(|rep| &rep.judged.rep.events),
        align,
    );
    let measures = shown_measures(
        plan.as_ref().and_then(|plan| Plan::parse(&plan.text).ok()),
        &reps,
    );
    let usual = match reps.first().cloned() {
        Some(first) => shared.read(move |reader| usual(reader, &first)).await?,
        None => BTreeMap::new(),
    };
    let only_marked = laid.marked.is_some();
    let lines = reps
        .iter()
        .filter(|rep| !only_marked || rep.marked)
        .map(|rep| line(rep, w, align, &axis, &measures, &notes))
        .collect();
    let page = SessionPage {
        w,
        visitor: &visitor,
        here: "sessions",
        when: numbers::day_and_time(session.started_at),
        session,
        plan: plan.map(|plan| plan.name),
        align: align.word(),
        only_marked,
        marks: axis.marks(),
        zero: axis.place(0.0),
        measures: measures
            .iter()
            .map(|name| heading(*name, &reps, &usual, w))
            .collect(),
        lines,
        notes: notes
            .into_iter()
            .filter(|note| note.rep.is_none())
            .collect(),
    };
    Ok(Html(page.render()?))
}

/// What a plan works on; without one the measures that are judged, those that are missed most first.
fn shown_measures(plan: Option<Plan>, reps: &[StoredRep]) -> Vec<MeasureName> {
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
    w: &'static Words,
) -> Heading {
    let mut bands = reps
        .iter()
        .rev()
        .filter_map(|rep| rep.judged.bands.get(&name));
    Heading {
        words: w.measure(name.name()),
        band: bands
            .next()
            .map(|band| numbers::band(name, band))
            .unwrap_or_default(),
        usual: usual
            .get(&name)
            .map(|values| usual_words(name, values))
            .unwrap_or_default(),
    }
}

fn line(
    rep: &StoredRep,
    w: &'static Words,
    align: Align,
    axis: &Axis,
    measures: &[MeasureName],
    notes: &[NoteRow],
) -> Line {
    let judged = &rep.judged;
    let parts = parts(&judged.rep.events, align, axis);
    let told: Vec<String> = parts
        .iter()
        .map(|part| format!("{} {:.0} ms", w.t(phase_key(part.phase)), part.ms))
        .collect();
    Line {
        id: rep.id.get(),
        number: judged.number,
        kind: rep.kind(),
        struck: rep.struck.clone(),
        called: rep.called.is_some(),
        moved: rep.moved,
        marked: rep.marked,
        told: told.join(", "),
        parts,
        heard: heard(rep, w),
        cells: measures.iter().map(|name| cell(rep, *name)).collect(),
        notes: notes.iter().filter(|note| note.rep == Some(rep.id)).count(),
    }
}

/// The words of a phase.
pub(super) fn phase_key(phase: &str) -> &'static str {
    match phase {
        "set" => "phase.set",
        "gather" => "phase.gather",
        "stride" => "phase.stride",
        "planted" => "phase.planted",
        _ => "phase.finish",
    }
}

/// What the hitter heard, or why nothing.
pub(super) fn heard(rep: &StoredRep, w: &'static Words) -> String {
    match (&rep.judged.cue, &rep.judged.no_cue) {
        (Some(cue), _) if cue.id == Recorded::Known(CueId::InBand) => w.t("js.in_band").to_owned(),
        (Some(cue), _) => w.cue(cue.id.as_str()).to_owned(),
        (None, Some(why)) => w.with("review.quiet", why),
        (None, None) => String::new(),
    }
}

fn cell(rep: &StoredRep, name: MeasureName) -> Cell {
    let Some(measure) = rep.judged.rep.measures.get(&name) else {
        return Cell {
            text: "–".into(),
            sign: "",
            class: "none",
            title: String::new(),
        };
    };
    let verdict = rep.judged.verdicts.get(&name).copied();
    let band = rep.judged.bands.get(&name);
    Cell {
        text: match measure.value() {
            Some(_) => numbers::measure(name, measure),
            // Why not is told by the title and on the rep's own page.
            None => "–".to_owned(),
        },
        sign: numbers::sign(verdict),
        class: numbers::class(verdict),
        title: match band {
            Some(band) => format!(
                "{} [{}]",
                numbers::measure(name, measure),
                numbers::band(name, band)
            ),
            None => numbers::measure(name, measure),
        },
    }
}

/// The rep that shows best what was worked on: most in band, then nearest to the middle of the bands.
pub(super) fn best_of(reps: &[StoredRep]) -> Option<RepId> {
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
