//! Plans and bands: edited as fields or as text, tried on past swings, then put in force.

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::SelectOption;
use super::plan_fields::{self, FormFields, PlanFields};
use super::sessions::{hitter_options, plan_label};
use crate::audit::Act;
use crate::coach::{AbsoluteBand, Bands, PLAN_TEMPLATES, Plan, Verdict};
use crate::journal::{Edit, HitterId, JournalError, JournalReader, NewPlan, PlanId, StoredPlan};
use crate::page::auth::{CsrfForm, Requester};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::MeasureName;
use crate::stats::median;

/// A plan is tried on so many of the hitter's last swings.
const TRIED_ON: u32 = 300;

#[derive(Deserialize)]
pub(in crate::page) struct PlansQuery {
    hitter: Option<String>,
    start: Option<String>,
}

/// A measure under the plan that is tried.
struct TrialRow {
    label: &'static str,
    band_then: String,
    band_now: String,
    swings: usize,
    inside_then: String,
    inside_now: String,
    misses_now: String,
}

/// A plan that was put in force in another place while the one in force was.
struct PlanBeside {
    says: String,
    /// Where it can be looked at and put in force.
    open: String,
}

impl PlanBeside {
    fn of(plan: &StoredPlan, i18n: &Messages) -> Self {
        let by = i18n.account(plan.made_by.as_deref().unwrap_or_default());
        let when = format::day_and_time(plan.made_at);
        let whose = plan.hitter.map_or_else(String::new, |id| id.to_string());
        Self {
            says: i18n.fill("plans.beside", &[&plan_label(plan, i18n), &by, &when]),
            open: format!("/plans?hitter={whose}&start={}", plan.id),
        }
    }
}

#[derive(Template)]
#[template(path = "plans.html")]
struct PlansPage<'a> {
    page: PageContext<'a>,
    hitters: Vec<SelectOption>,
    hitter: Option<HitterId>,
    in_force: String,
    /// Plans that were put in force in other places at the same time.
    beside: Vec<PlanBeside>,
    templates: Vec<SelectOption>,
    /// The plan as fields; `None` where the text is no plan.
    fields: Option<PlanFields>,
    text: String,
    error: Option<String>,
    trial: Option<Vec<TrialRow>>,
}

fn id_of(text: Option<&str>) -> Option<HitterId> {
    text.and_then(|id| id.parse().ok()).map(HitterId::new)
}

fn id_of_plan(text: Option<&str>) -> Option<PlanId> {
    text.and_then(|id| id.parse().ok()).map(PlanId::new)
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<PlansQuery>,
) -> Result<Html<String>, PageError> {
    let hitter = id_of(query.hitter.as_deref());
    let start = PLAN_TEMPLATES
        .iter()
        .find(|start| Some(start.name) == query.start.as_deref());
    let text = match (start, id_of_plan(query.start.as_deref())) {
        (Some(start), _) => Some(start.text.to_owned()),
        (None, Some(plan)) => {
            let plan = state.read(move |reader| reader.plan(plan)).await?;
            plan.filter(|plan| plan.hitter == hitter)
                .map(|plan| plan.text)
        }
        (None, None) => None,
    };
    render(&state, &requester, hitter, text, PlanFeedback::default()).await
}

/// What the response to a form shows beside the plan.
#[derive(Default)]
struct PlanFeedback<'a> {
    error: Option<String>,
    /// How past swings would have been judged.
    trial: Option<Vec<TrialRow>>,
    /// The fields as they were sent, where one of them is wrong.
    sent: Option<&'a FormFields>,
}

async fn render(
    state: &AppState,
    requester: &Requester,
    hitter: Option<HitterId>,
    text: Option<String>,
    PlanFeedback { error, trial, sent }: PlanFeedback<'_>,
) -> Result<Html<String>, PageError> {
    let (hitters, plan, beside) = state
        .read(move |reader| {
            let plan = reader.plan_in_force(hitter)?;
            let beside = match &plan {
                Some(plan) => reader.plans_beside(plan)?,
                None => Vec::new(),
            };
            Ok((reader.hitters_to_choose(hitter)?, plan, beside))
        })
        .await?;
    let i18n = requester.messages();
    let text = text
        .or(plan.as_ref().map(|plan| plan.text.clone()))
        .unwrap_or_else(|| PLAN_TEMPLATES[0].text.to_owned());
    let page = PlansPage {
        page: PageContext::new(requester, Section::Plans),
        hitters: hitter_options(hitters, hitter, i18n),
        hitter,
        in_force: plan.as_ref().map_or_else(
            || i18n.t("plans.none").to_owned(),
            |plan| plan_label(plan, i18n),
        ),
        beside: beside
            .iter()
            .map(|plan| PlanBeside::of(plan, i18n))
            .collect(),
        templates: template_options(i18n),
        fields: match sent {
            Some(sent) => Some(PlanFields::as_sent(
                sent,
                &state.control.settings().bands,
                i18n,
            )),
            None => Plan::parse(&text)
                .ok()
                .map(|plan| PlanFields::of(&plan, &state.control.settings().bands, i18n)),
        },
        text,
        error,
        trial,
    };
    html(&page)
}

#[derive(Deserialize)]
pub(in crate::page) struct PlanForm {
    hitter: Option<String>,
    text: String,
    /// `try`, `put`, `try_fields`, `put_fields` or `drop`.
    what: String,
    #[serde(flatten)]
    fields: FormFields,
}

pub(in crate::page) async fn submit(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(form): CsrfForm<PlanForm>,
) -> Result<Response, PageError> {
    let i18n = requester.messages();
    let hitter = id_of(form.hitter.as_deref());
    let (what, by_fields) = match form.what.strip_suffix("_fields") {
        Some(what) => (what, true),
        None => (form.what.as_str(), false),
    };
    if matches!(what, "drop" | "put") {
        state.enter(Act::Corrected, &requester, (None, hitter));
    }
    if what == "drop" {
        let none = NewPlan {
            name: "none".into(),
            text: String::new(),
        };
        state
            .edit(Edit::SetPlan { hitter, plan: none }, &requester)
            .await?;
        return Ok(Redirect::to(&plans_url(hitter)).into_response());
    }
    let (plan, text) = match plan_in(&form, by_fields, i18n) {
        Ok(plan) => plan,
        Err(error) => {
            let wrong = PlanFeedback {
                error: Some(error),
                sent: by_fields.then_some(&form.fields),
                ..PlanFeedback::default()
            };
            let text = Some(text_in(&form));
            let page = render(&state, &requester, hitter, text, wrong).await?;
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
        }
    };
    if what == "put" {
        let plan = NewPlan {
            name: plan.name,
            text,
        };
        state
            .edit(Edit::SetPlan { hitter, plan }, &requester)
            .await?;
        return Ok(Redirect::to(&plans_url(hitter)).into_response());
    }
    let bands = plan.bands_over(&state.control.settings().bands);
    let trial = state
        .read(move |reader| {
            plan.focus
                .iter()
                .map(|name| try_measure(reader, hitter, *name, bands.get(name).copied(), i18n))
                .collect::<Result<Vec<_>, _>>()
        })
        .await?;
    let feedback = PlanFeedback {
        trial: Some(trial),
        ..PlanFeedback::default()
    };
    let page = render(&state, &requester, hitter, Some(text), feedback).await?;
    Ok(page.into_response())
}

/// A form's plan and its text.
///
/// # Errors
/// In words: what is wrong with it.
pub(in crate::page) fn plan_in(
    form: &PlanForm,
    by_fields: bool,
    i18n: &'static Messages,
) -> Result<(Plan, String), String> {
    let text = match by_fields {
        true => plan_fields::to_text(&form.fields, i18n)?,
        false => text_in(form),
    };
    let plan = Plan::parse(&text).map_err(|error| i18n.plan_error(&error, by_fields))?;
    Ok((plan, text))
}

/// The plan as fields that a browser shows and sends back.
///
/// # Errors
/// As [`plan_in`].
pub(in crate::page) fn through_fields(
    plan: &Plan,
    i18n: &'static Messages,
) -> Result<Plan, String> {
    let sent = PlanFields::of(plan, &Bands::new(), i18n).sent();
    let text = plan_fields::to_text(&sent, i18n)?;
    Plan::parse(&text).map_err(|error| i18n.plan_error(&error, true))
}

/// The plan as text, as it was sent.
fn text_in(form: &PlanForm) -> String {
    form.text.replace("\r\n", "\n")
}

/// The templates to start a plan from.
fn template_options(i18n: &Messages) -> Vec<SelectOption> {
    PLAN_TEMPLATES
        .iter()
        .map(|template| SelectOption {
            value: template.name.to_owned(),
            label: i18n.plan_name(template.name).to_owned(),
            selected: false,
        })
        .collect()
}

fn plans_url(hitter: Option<HitterId>) -> String {
    hitter.map_or_else(|| "/plans".to_owned(), |id| format!("/plans?hitter={id}"))
}

/// How the hitter's last swings would have been judged.
fn try_measure(
    reader: &JournalReader,
    hitter: Option<HitterId>,
    name: MeasureName,
    band: Option<crate::coach::Band>,
    i18n: &'static Messages,
) -> Result<TrialRow, JournalError> {
    let swings = reader.swings_measured(hitter, name, None, TRIED_ON)?;
    let values: Vec<f64> = swings.iter().map(|swing| swing.value).collect();
    // A band around the usual value is tried with the median of these swings.
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
        band.map(|band| format::band(i18n, name, &band))
            .filter(|words| !words.is_empty())
            .unwrap_or_else(|| i18n.t("plans.no_band").to_owned())
    };
    Ok(TrialRow {
        label: i18n.measure(name),
        band_then: band_words(last_band),
        band_now: band_words(now),
        swings: values.len(),
        inside_then: share(&then),
        inside_now: share(&judged),
        misses_now: format!("▼ {} · ▲ {}", count(Verdict::Low), count(Verdict::High)),
    })
}
