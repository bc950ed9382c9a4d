//! Plans and bands: edited as fields or as text, previewed on what the hitter did before, then put in force.

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::doors::{Posted, Visitor};
use super::numbers;
use super::plan_fields::{self, PlanFields, Sent};
use super::sessions::hitter_choices;
use super::shared::{Choice, Shared, Trouble};
use super::words::Words;
use crate::coach::{AbsoluteBand, PLAN_TEMPLATES, Plan, ScheduleKind, Verdict};
use crate::journal::{Edit, HitterId, JournalError, JournalReader, NewPlan};
use crate::rep::MeasureName;
use crate::stats::median;

/// A plan is tried on so many of the hitter's last swings.
const TRIED_ON: u32 = 300;

/// What the page is asked for.
#[derive(Deserialize)]
pub(super) struct Asked {
    hitter: Option<String>,
    start: Option<String>,
}

/// A measure under the plan that is tried.
struct Tried {
    words: String,
    band_then: String,
    band_now: String,
    swings: usize,
    inside_then: String,
    inside_now: String,
    misses_now: String,
}

/// The page's content.
#[derive(Template)]
#[template(path = "plans.html")]
struct PlansPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    hitters: Vec<Choice>,
    hitter: Option<HitterId>,
    in_force: String,
    starts: Vec<(&'static str, &'static str)>,
    /// The plan as fields; `None` where the text is no plan.
    fields: Option<PlanFields>,
    schedules: [ScheduleKind; 6],
    levels: Vec<&'static str>,
    text: String,
    said: Option<String>,
    tried: Option<Vec<Tried>>,
}

fn id_of(text: Option<&str>) -> Option<HitterId> {
    text.and_then(|id| id.parse().ok()).map(HitterId::new)
}

pub(super) async fn page(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, Trouble> {
    let hitter = id_of(asked.hitter.as_deref());
    let start = PLAN_TEMPLATES
        .iter()
        .find(|start| Some(start.name) == asked.start.as_deref());
    let text = start.map(|start| start.text.to_owned());
    shown(&shared, &visitor, hitter, text, Shown::default()).await
}

/// What an answer to the form shows besides the plan.
#[derive(Default)]
struct Shown<'a> {
    /// What is wrong.
    said: Option<String>,
    /// How past swings would have been judged.
    tried: Option<Vec<Tried>>,
    /// The fields as they were sent, where they are what is wrong.
    sent: Option<&'a Sent>,
}

async fn shown(
    shared: &Shared,
    visitor: &Visitor,
    hitter: Option<HitterId>,
    text: Option<String>,
    Shown { said, tried, sent }: Shown<'_>,
) -> Result<Html<String>, Trouble> {
    let (hitters, plan) = shared
        .read(move |reader| {
            Ok((
                reader.hitters_by_last_session()?,
                reader.plan_in_force(hitter)?,
            ))
        })
        .await?;
    let w = visitor.words();
    let text = text
        .or(plan.as_ref().map(|plan| plan.text.clone()))
        .unwrap_or_else(|| PLAN_TEMPLATES[0].text.to_owned());
    let page = PlansPage {
        w,
        visitor,
        here: "plans",
        hitters: hitter_choices(hitters, hitter),
        hitter,
        in_force: plan
            .as_ref()
            .map_or_else(|| w.t("plans.none").to_owned(), |plan| plan.name.clone()),
        starts: PLAN_TEMPLATES.map(|start| (start.name, start.about)).into(),
        fields: match sent {
            Some(sent) => Some(PlanFields::as_sent(sent, &shared.seat.bands(), w)),
            None => Plan::parse(&text)
                .ok()
                .map(|plan| PlanFields::of(&plan, &shared.seat.bands(), w)),
        },
        schedules: plan_fields::SCHEDULES,
        levels: plan_fields::levels(),
        text,
        said,
        tried,
    };
    Ok(Html(page.render()?))
}

/// What the form sends.
#[derive(Deserialize)]
pub(super) struct Written {
    hitter: Option<String>,
    text: String,
    /// `try`, `put`, `try_fields`, `put_fields` or `drop`.
    what: String,
    #[serde(flatten)]
    fields: Sent,
}

pub(super) async fn write(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Posted(written): Posted<Written>,
) -> Result<Response, Trouble> {
    let w = visitor.words();
    let hitter = id_of(written.hitter.as_deref());
    let mut text = written.text.replace("\r\n", "\n");
    let (what, by_fields) = match written.what.strip_suffix("_fields") {
        Some(what) => (what, true),
        None => (written.what.as_str(), false),
    };
    if what == "drop" {
        let none = NewPlan {
            name: "none".into(),
            text: String::new(),
        };
        shared.edit(Edit::SetPlan { hitter, plan: none }).await?;
        return Ok(Redirect::to(&own_address(hitter)).into_response());
    }
    let plan = match by_fields {
        true => plan_fields::to_text(&written.fields, w).and_then(|made| {
            let plan = Plan::parse(&made).map_err(|error| error.reason)?;
            text = made;
            Ok(plan)
        }),
        false => Plan::parse(&text).map_err(|error| error.to_string()),
    };
    let plan = match plan {
        Ok(plan) => plan,
        Err(error) => {
            let wrong = Shown {
                said: Some(error),
                sent: by_fields.then_some(&written.fields),
                ..Shown::default()
            };
            let page = shown(&shared, &visitor, hitter, Some(text), wrong).await?;
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
        }
    };
    if what == "put" {
        let plan = NewPlan {
            name: plan.name,
            text,
        };
        shared.edit(Edit::SetPlan { hitter, plan }).await?;
        return Ok(Redirect::to(&own_address(hitter)).into_response());
    }
    let bands = plan.bands_over(&shared.seat.bands());
    let tried = shared
        .read(move |reader| {
            plan.focus
                .iter()
                .map(|name| tried(reader, hitter, *name, bands.get(name).copied(), w))
                .collect::<Result<Vec<_>, _>>()
        })
        .await?;
    let tried = Shown {
        tried: Some(tried),
        ..Shown::default()
    };
    let page = shown(&shared, &visitor, hitter, Some(text), tried).await?;
    Ok(page.into_response())
}

fn own_address(hitter: Option<HitterId>) -> String {
    hitter.map_or_else(|| "/plans".to_owned(), |id| format!("/plans?hitter={id}"))
}

/// How the hitter's last swings would have been judged.
fn tried(
    reader: &JournalReader,
    hitter: Option<HitterId>,
    name: MeasureName,
    band: Option<crate::coach::Band>,
    w: &'static Words,
) -> Result<Tried, JournalError> {
    let swings = reader.swings_measured(hitter, name, None, TRIED_ON)?;
    let values: Vec<f64> = swings.iter().map(|swing| swing.value).collect();
    // A band around what is usual is tried with the middle of these swings.
    let now = band.and_then(|band| band.absolute(median(&values)));
    let then: Vec<Verdict> = swings.iter().filter_map(|swing| swing.verdict).collect();
    let judged: Vec<Verdict> = now
        .iter()
        .flat_map(|band| values.iter().map(|value| band.judge(*value)))
        .collect();
    let share = |verdicts: &[Verdict]| match verdicts.len() {
        0 => "–".to_owned(),
        all => {
            let inside = verdicts.iter().filter(|v| **v == Verdict::In).count();
            format!("{:.0} %", 100.0 * inside as f64 / all as f64)
        }
    };
    let count = |verdict| judged.iter().filter(|v| **v == verdict).count();
    let last_band = swings.last().map(|swing| AbsoluteBand {
        low: swing.band.0,
        high: swing.band.1,
    });
    let band_words = |band: Option<AbsoluteBand>| {
        band.map(|band| numbers::band(name, &band))
            .filter(|words| !words.is_empty())
            .unwrap_or_else(|| w.t("plans.no_band").to_owned())
    };
    Ok(Tried {
        words: w.measure(name.name()).to_owned(),
        band_then: band_words(last_band),
        band_now: band_words(now),
        swings: values.len(),
        inside_then: share(&then),
        inside_now: share(&judged),
        misses_now: format!("▼ {} · ▲ {}", count(Verdict::Low), count(Verdict::High)),
    })
}
