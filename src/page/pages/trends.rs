//! A measure over reps, sessions and months: its median and spread, the share in band, the side of the misses, what a plan
//! changed, and what fatigue does within a session.

use std::collections::BTreeMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::response::Html;
use jiff::tz::TimeZone;
use serde::Deserialize;

use super::SelectOption;
use super::sessions::hitter_options;
use super::trend_plot::draw;
use crate::audit::Act;
use crate::coach::{AbsoluteBand, Verdict, is_change};
use crate::journal::{HitterChoice, HitterId, HitterRow, MeasuredSwing, StoredPlan};
use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::MeasureName;
use crate::stats::{median, quantile};

/// Reps that are looked at, by how swings are grouped.
const FOR_REPS: u32 = 300;
const FOR_GROUPS: u32 = 6_000;
/// Fewer swings say nothing of a hitter.
const LEAST_SWINGS: usize = 5;
/// Swings before and after a change of plan that are compared.
const BESIDE_A_CHANGE: usize = 60;
/// Swings of a session that are grouped to show fatigue.
const FATIGUE_STEP: u32 = 10;

#[derive(Deserialize)]
pub(in crate::page) struct TrendsQuery {
    hitter: Option<String>,
    measure: Option<String>,
    by: Option<String>,
}

/// How swings are grouped.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum GroupBy {
    Reps,
    Sessions,
    Months,
}

/// A row for one swing.
struct SwingRow {
    rep: i64,
    label: String,
    value: String,
    band: String,
    sign: &'static str,
    verdict: Option<Verdict>,
}

/// A row for a group of swings.
struct GroupRow {
    label: String,
    /// The page of the group.
    link: Option<String>,
    swings: usize,
    median: String,
    spread: String,
    inside: String,
    misses: String,
}

#[derive(Template)]
#[template(path = "trends.html")]
struct TrendsPage<'a> {
    page: PageContext<'a>,
    hitters: Vec<SelectOption>,
    measures: Vec<SelectOption>,
    groupings: Vec<SelectOption>,
    title: String,
    svg: Option<String>,
    svg_label: String,
    /// That there are too few swings to say anything.
    not_yet: Option<String>,
    /// That older reps are left out.
    no_older: Option<String>,
    all: Option<GroupRow>,
    groups: Vec<GroupRow>,
    swings: Vec<SwingRow>,
    changes: Vec<(String, GroupRow, GroupRow)>,
    fatigue: Vec<GroupRow>,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<TrendsQuery>,
) -> Result<Html<String>, PageError> {
    let i18n = requester.messages();
    let measure = query
        .measure
        .as_deref()
        .and_then(MeasureName::from_name)
        .unwrap_or(MeasureName::HeadToPlant);
    let by = GroupBy::from_query(query.by.as_deref());
    let wanted = query.hitter.as_deref().and_then(|id| id.parse().ok());
    let data = state
        .read(move |reader| {
            let hitters = reader.hitters_to_choose(wanted.map(HitterId::new))?;
            let first = hitters.iter().find(|hitter| hitter.name.is_some());
            // A frozen hitter has no trends.
            let is_frozen = |id: &HitterId| {
                let choice = HitterChoice::Id(*id);
                reader.hitter(&choice).is_ok_and(|hitter| hitter.frozen)
            };
            let hitter = wanted
                .map(HitterId::new)
                .filter(|id| !is_frozen(id))
                .or(first.map(|hitter| hitter.id));
            let swings = reader.swings_measured(hitter, measure, None, by.max_reps())?;
            let has_older = reader.has_more_reps(hitter, by.max_reps())?;
            Ok(TrendData {
                plans: reader.plans_for(hitter)?,
                hitters,
                hitter,
                swings,
                has_older,
            })
        })
        .await?;
    state.enter(Act::Looked, &requester, (None, data.hitter));
    let swings = &data.swings;
    let changes = data.plan_changes();
    let groups = grouped(swings, by);
    let name = i18n.measure(measure);
    html(&TrendsPage {
        page: PageContext::new(&requester, Section::Trends),
        measures: measure_options(measure, i18n),
        groupings: by.options(i18n),
        title: name.to_owned(),
        not_yet: (swings.len() < LEAST_SWINGS).then(|| i18n.counted("count.not_yet", swings.len())),
        no_older: data
            .has_older
            .then(|| i18n.format("trends.no_older", by.max_reps())),
        svg_label: format!("{name}, {}", i18n.counted("count.swings", swings.len())),
        svg: draw(swings, &groups, by, measure, &changes, i18n)?,
        all: (!swings.is_empty()).then(|| {
            group_row(
                i18n.t("trends.all").to_owned(),
                measure,
                &refs(swings),
                i18n,
            )
        }),
        groups: match by {
            GroupBy::Reps => Vec::new(),
            GroupBy::Sessions | GroupBy::Months => groups
                .iter()
                .rev()
                .map(|(label, members)| GroupRow {
                    link: link(members, by),
                    ..group_row(label.clone(), measure, members, i18n)
                })
                .collect(),
        },
        swings: match by {
            GroupBy::Reps => swings
                .iter()
                .rev()
                .map(|swing| swing_row(swing, measure, i18n))
                .collect(),
            GroupBy::Sessions | GroupBy::Months => Vec::new(),
        },
        changes: changes
            .iter()
            .map(|(first, plan)| change_rows(swings, *first, plan, measure, i18n))
            .collect(),
        fatigue: fatigue(swings, measure, i18n),
        hitters: hitter_options(data.hitters, data.hitter, i18n),
    })
}

/// What the journal has for the page.
struct TrendData {
    hitters: Vec<HitterRow>,
    hitter: Option<HitterId>,
    swings: Vec<MeasuredSwing>,
    /// Whether the hitter has more reps than those that were looked at.
    has_older: bool,
    /// The plans of the hitter and of everybody.
    plans: Vec<StoredPlan>,
}

impl TrendData {
    /// The plans that changed something, each with the index of the first swing under it.
    fn plan_changes(&self) -> Vec<(usize, &StoredPlan)> {
        self.plans
            .iter()
            .filter_map(|plan| {
                let mut swings = self.swings.iter();
                let first = swings.position(|swing| swing.logged_at >= plan.made_at)?;
                (first > 0).then_some((first, plan))
            })
            .collect()
    }
}

impl GroupBy {
    const ALL: [Self; 3] = [Self::Reps, Self::Sessions, Self::Months];

    fn from_query(value: Option<&str>) -> Self {
        let named = Self::ALL.into_iter().find(|by| Some(by.name()) == value);
        named.unwrap_or(Self::Reps)
    }

    const fn name(self) -> &'static str {
        match self {
            Self::Reps => "reps",
            Self::Sessions => "sessions",
            Self::Months => "months",
        }
    }

    const fn max_reps(self) -> u32 {
        match self {
            Self::Reps => FOR_REPS,
            Self::Sessions | Self::Months => FOR_GROUPS,
        }
    }

    fn options(self, i18n: &Messages) -> Vec<SelectOption> {
        let option = |by: Self| SelectOption {
            value: by.name().to_owned(),
            label: i18n
                .t(match by {
                    Self::Reps => "trends.by_reps",
                    Self::Sessions => "trends.by_sessions",
                    Self::Months => "trends.by_months",
                })
                .to_owned(),
            selected: by == self,
        };
        Self::ALL.map(option).into()
    }
}

/// The measures that can be plotted.
fn measure_options(selected: MeasureName, i18n: &Messages) -> Vec<SelectOption> {
    MeasureName::ALL
        .iter()
        .filter(|name| name.unit().is_quantity())
        .map(|name| SelectOption {
            value: name.name().to_owned(),
            label: i18n.measure(*name).to_owned(),
            selected: *name == selected,
        })
        .collect()
}

/// The swings before and after a change of plan.
fn change_rows(
    swings: &[MeasuredSwing],
    first: usize,
    plan: &StoredPlan,
    measure: MeasureName,
    i18n: &'static Messages,
) -> (String, GroupRow, GroupRow) {
    let before = &swings[first.saturating_sub(BESIDE_A_CHANGE)..first];
    let after = &swings[first..(first + BESIDE_A_CHANGE).min(swings.len())];
    let plan_name = match plan.text.is_empty() {
        true => i18n.t("trends.no_plan"),
        false => i18n.plan_name(&plan.name),
    };
    let values = |members: &[MeasuredSwing]| members.iter().map(|s| s.value).collect::<Vec<f64>>();
    let told = match is_change(measure, &values(before), &values(after)) {
        true => "trends.after",
        false => "trends.after_unchanged",
    };
    let row = |key, members| group_row(i18n.t(key).to_owned(), measure, &refs(members), i18n);
    (
        format!("{plan_name} · {}", format::day(plan.made_at)),
        row("trends.before", before),
        row(told, after),
    )
}

/// The page that a point or a row links to.
pub(super) fn link(members: &[&MeasuredSwing], by: GroupBy) -> Option<String> {
    let first = members.first()?;
    match by {
        GroupBy::Reps => Some(format!("/reps/{}", first.rep)),
        GroupBy::Sessions => Some(format!("/sessions/{}", first.session)),
        GroupBy::Months => None,
    }
}

fn swing_row(swing: &MeasuredSwing, measure: MeasureName, i18n: &'static Messages) -> SwingRow {
    let (low, high) = swing.band;
    let label = format!(
        "{} · {} {}",
        format::day_and_time(swing.logged_at),
        i18n.t("review.rep"),
        swing.number
    );
    SwingRow {
        rep: swing.rep.get(),
        label,
        value: format!(
            "{} ± {}",
            format::with_unit(i18n, measure, swing.value),
            format::plain(i18n, measure, swing.plus_minus)
        ),
        band: format::band(i18n, measure, &AbsoluteBand { low, high }),
        sign: format::sign(swing.verdict),
        verdict: swing.verdict,
    }
}

fn refs(swings: &[MeasuredSwing]) -> Vec<&MeasuredSwing> {
    swings.iter().collect()
}

/// Swings by session or month, in time order; by reps, each in a group of its own.
fn grouped(swings: &[MeasuredSwing], by: GroupBy) -> Vec<(String, Vec<&MeasuredSwing>)> {
    let mut groups: Vec<(String, Vec<&MeasuredSwing>)> = Vec::new();
    let mut session = None;
    for swing in swings {
        // A session is of one day, and its label takes longer to write than all the rest.
        let is_same = session.replace(swing.session) == Some(swing.session);
        if let Some((_, members)) = groups.last_mut()
            && is_same
            && by != GroupBy::Reps
        {
            members.push(swing);
            continue;
        }
        let words = match by {
            // With the rep's number, so that swings of one day have labels that differ.
            GroupBy::Reps => format!("{} · {}", format::day(swing.logged_at), swing.number),
            GroupBy::Sessions => format!("{} · {}", format::day(swing.logged_at), swing.session),
            GroupBy::Months => swing
                .logged_at
                .to_zoned(TimeZone::system())
                .strftime("%Y-%m")
                .to_string(),
        };
        match groups.last_mut() {
            Some((same, members)) if *same == words && by != GroupBy::Reps => members.push(swing),
            _ => groups.push((words, vec![swing])),
        }
    }
    groups
}

fn group_row(
    label: String,
    measure: MeasureName,
    swings: &[&MeasuredSwing],
    i18n: &'static Messages,
) -> GroupRow {
    let values: Vec<f64> = swings.iter().map(|swing| swing.value).collect();
    let judged: Vec<Verdict> = swings.iter().filter_map(|swing| swing.verdict).collect();
    let count = |verdict| judged.iter().filter(|v| **v == verdict).count();
    let share = |part: usize| 100.0 * part as f64 / judged.len().max(1) as f64;
    let spread = match (quantile(&values, 0.25), quantile(&values, 0.75)) {
        (Some(low), Some(high)) if values.len() >= 4 => format!(
            "{} … {}",
            format::plain(i18n, measure, low),
            format::plain(i18n, measure, high)
        ),
        _ => "–".to_owned(),
    };
    let (low, high) = (count(Verdict::Low), count(Verdict::High));
    GroupRow {
        label,
        link: None,
        swings: values.len(),
        median: median(&values)
            .map_or_else(|| "–".to_owned(), |m| format::with_unit(i18n, measure, m)),
        spread,
        inside: match judged.is_empty() {
            true => "–".to_owned(),
            false => format!(
                "{:.0} % ({} {} {})",
                share(count(Verdict::In)),
                count(Verdict::In),
                i18n.t("trends.of"),
                judged.len()
            ),
        },
        misses: match low + high {
            0 => "–".to_owned(),
            _ => format!("▼ {low} · ▲ {high}"),
        },
    }
}

/// The first ten swings of all sessions together, the second ten, and so on.
fn fatigue(
    swings: &[MeasuredSwing],
    measure: MeasureName,
    i18n: &'static Messages,
) -> Vec<GroupRow> {
    let mut tens: BTreeMap<u32, Vec<&MeasuredSwing>> = BTreeMap::new();
    for swing in swings {
        tens.entry(swing.number.saturating_sub(1) / FATIGUE_STEP)
            .or_default()
            .push(swing);
    }
    if tens.len() < 2 {
        return Vec::new();
    }
    tens.into_iter()
        .map(|(ten, members)| {
            let words = format!("{}–{}", ten * FATIGUE_STEP + 1, (ten + 1) * FATIGUE_STEP);
            group_row(words, measure, &members, i18n)
        })
        .collect()
}
