//! A measure over reps, sessions and months: its middle and spread, how much of it is in band, which way the misses go, what a
//! plan changed, and what tiring does within a session.

use std::collections::BTreeMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::response::Html;
use jiff::tz::TimeZone;
use serde::Deserialize;

use super::doors::Visitor;
use super::numbers;
use super::plot::{Plot, Point};
use super::sessions::hitter_choices;
use super::shared::{Choice, Shared, Trouble};
use super::words::Words;
use crate::coach::{AbsoluteBand, Verdict};
use crate::journal::{HitterId, MeasuredSwing, StoredPlan};
use crate::rep::{MeasureName, Unit};
use crate::stats::{median, quantile};

/// Swings that are looked at, by what they are gathered into.
const REPS: u32 = 300;
const FOR_SESSIONS: u32 = 5_000;
const FOR_MONTHS: u32 = 20_000;
/// The course of the middle runs over so many swings.
const RUNNING: usize = 15;
/// Swings before and after a plan's change that are set against each other.
const BESIDE_A_CHANGE: usize = 60;
/// Swings of a session that are taken together to see whether they tire.
const TIRING: u32 = 10;

/// What the page is asked for.
#[derive(Deserialize)]
pub(super) struct Asked {
    hitter: Option<String>,
    measure: Option<String>,
    by: Option<String>,
}

/// What swings are gathered into.
#[derive(Clone, Copy, PartialEq, Eq)]
enum By {
    Reps,
    Sessions,
    Months,
}

/// A single swing of the plot.
struct Single {
    rep: i64,
    words: String,
    value: String,
    band: String,
    sign: &'static str,
    class: &'static str,
}

/// How a group of swings lies.
struct Group {
    words: String,
    /// The page of what the group is.
    link: Option<String>,
    swings: usize,
    middle: String,
    spread: String,
    inside: String,
    misses: String,
}

/// A measure or a way of gathering to choose.
struct Word {
    id: &'static str,
    words: String,
    chosen: bool,
}

/// The page's content.
#[derive(Template)]
#[template(path = "trends.html")]
struct TrendsPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    hitters: Vec<Choice>,
    measures: Vec<Word>,
    gathered: Vec<Word>,
    title: String,
    svg: Option<String>,
    svg_words: String,
    whole: Option<Group>,
    groups: Vec<Group>,
    singles: Vec<Single>,
    changes: Vec<(String, Group, Group)>,
    tiring: Vec<Group>,
}

pub(super) async fn page(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, Trouble> {
    let w = visitor.words();
    let measure = asked
        .measure
        .as_deref()
        .and_then(MeasureName::from_name)
        .unwrap_or(MeasureName::HeadToPlant);
    let by = match asked.by.as_deref() {
        Some("sessions") => By::Sessions,
        Some("months") => By::Months,
        _ => By::Reps,
    };
    let told = asked.hitter.as_deref().and_then(|id| id.parse().ok());
    let at_most = match by {
        By::Reps => REPS,
        By::Sessions => FOR_SESSIONS,
        By::Months => FOR_MONTHS,
    };
    let (hitters, hitter, swings, plans) = shared
        .read(move |reader| {
            let hitters = reader.hitters_by_last_session()?;
            let first = hitters.iter().find(|hitter| hitter.name.is_some());
            let hitter = told.map(HitterId::new).or(first.map(|hitter| hitter.id));
            let swings = reader.swings_measured(hitter, measure, None, at_most)?;
            let mut plans = reader.plans()?;
            plans.retain(|plan| plan.hitter == hitter || plan.hitter.is_none());
            Ok((hitters, hitter, swings, plans))
        })
        .await?;
    let changes: Vec<(usize, &StoredPlan)> = plans
        .iter()
        .filter_map(|plan| {
            let place = swings.iter().position(|s| s.logged_at >= plan.made_at)?;
            (place > 0).then_some((place, plan))
        })
        .collect();
    let groups = gathered(&swings, by);
    let svg = draw(&swings, &groups, by, measure, &changes)?;
    let name = w.measure(measure.name());
    let page = TrendsPage {
        w,
        visitor: &visitor,
        here: "trends",
        hitters: hitter_choices(hitters, hitter),
        measures: MeasureName::ALL
            .iter()
            .filter(|name| !matches!(name.unit(), Unit::Order | Unit::YesNo))
            .map(|each| Word {
                id: each.name(),
                words: w.measure(each.name()).to_owned(),
                chosen: *each == measure,
            })
            .collect(),
        gathered: [
            ("reps", "trends.by_reps", By::Reps),
            ("sessions", "trends.by_sessions", By::Sessions),
            ("months", "trends.by_months", By::Months),
        ]
        .map(|(id, key, each)| Word {
            id,
            words: w.t(key).to_owned(),
            chosen: each == by,
        })
        .into(),
        title: name.to_owned(),
        svg_words: format!("{name}, {}", w.with("trends.swings", swings.len())),
        svg,
        whole: (!swings.is_empty())
            .then(|| group(w.t("trends.all").to_owned(), measure, &refs(&swings), w)),
        groups: match by {
            By::Reps => Vec::new(),
            By::Sessions | By::Months => groups
                .iter()
                .rev()
                .map(|(words, members)| Group {
                    link: link(members, by),
                    ..group(words.clone(), measure, members, w)
                })
                .collect(),
        },
        singles: match by {
            By::Reps => swings
                .iter()
                .rev()
                .map(|swing| single(swing, measure, w))
                .collect(),
            By::Sessions | By::Months => Vec::new(),
        },
        changes: changes
            .iter()
            .map(|(place, plan)| {
                let before = &swings[place.saturating_sub(BESIDE_A_CHANGE)..*place];
                let after = &swings[*place..(place + BESIDE_A_CHANGE).min(swings.len())];
                let words = if plan.text.is_empty() {
                    w.t("trends.no_plan").to_owned()
                } else {
                    plan.name.clone()
                };
                (
                    format!("{words} · {}", numbers::day(plan.made_at)),
                    group(w.t("trends.before").to_owned(), measure, &refs(before), w),
                    group(w.t("trends.after").to_owned(), measure, &refs(after), w),
                )
            })
            .collect(),
        tiring: tiring(&swings, measure, w),
    };
    Ok(Html(page.render()?))
}

/// Where a point or a row of the table leads.
fn link(members: &[&MeasuredSwing], by: By) -> Option<String> {
    let first = members.first()?;
    match by {
        By::Reps => Some(format!("/reps/{}", first.rep)),
        By::Sessions => Some(format!("/sessions/{}", first.session)),
        By::Months => None,
    }
}

fn single(swing: &MeasuredSwing, measure: MeasureName, w: &'static Words) -> Single {
    let (low, high) = swing.band;
    let words = format!(
        "{} · {} {}",
        numbers::day_and_time(swing.logged_at),
        w.t("review.rep"),
        swing.number
    );
    Single {
        rep: swing.rep.get(),
        words,
        value: format!(
            "{} ± {}",
            numbers::with_unit(measure, swing.value),
            numbers::plain(measure, swing.plus_minus)
        ),
        band: numbers::band(measure, &AbsoluteBand { low, high }),
        sign: numbers::sign(swing.verdict),
        class: numbers::class(swing.verdict),
    }
}

fn refs(swings: &[MeasuredSwing]) -> Vec<&MeasuredSwing> {
    swings.iter().collect()
}

/// Swings by session or month, in time order; for single reps one group a rep.
fn gathered(swings: &[MeasuredSwing], by: By) -> Vec<(String, Vec<&MeasuredSwing>)> {
    let mut groups: Vec<(String, Vec<&MeasuredSwing>)> = Vec::new();
    for swing in swings {
        let words = match by {
            By::Reps => numbers::day(swing.logged_at),
            By::Sessions => format!("{} · {}", numbers::day(swing.logged_at), swing.session),
            By::Months => swing
                .logged_at
                .to_zoned(TimeZone::system())
                .strftime("%Y-%m")
                .to_string(),
        };
        match groups.last_mut() {
            Some((same, members)) if *same == words && by != By::Reps => members.push(swing),
            _ => groups.push((words, vec![swing])),
        }
    }
    groups
}

fn draw(
    swings: &[MeasuredSwing],
    groups: &[(String, Vec<&MeasuredSwing>)],
    by: By,
    measure: MeasureName,
    changes: &[(usize, &StoredPlan)],
) -> Result<Option<String>, Trouble> {
    let points: Vec<Point> = groups
        .iter()
        .enumerate()
        .filter_map(|(place, (_, members))| {
            let point = point(place, members, by)?;
            Some(Point {
                link: link(members, by),
                ..point
            })
        })
        .collect();
    let middle: Vec<(f64, f64)> = match by {
        By::Reps => running(swings),
        By::Sessions | By::Months => points.iter().map(|p| (p.x, p.y)).collect(),
    };
    // A change lies before the group of the first swing after it.
    let changes: Vec<(f64, String)> = changes
        .iter()
        .filter_map(|(first, plan)| {
            let mut counted = 0;
            let place = groups.iter().position(|(_, members)| {
                counted += members.len();
                counted > *first
            })?;
            Some((place as f64 - 0.5, plan.name.clone()))
        })
        .collect();
    let label = |x: f64| {
        let place = x.round();
        if place < 0.0 {
            return String::new();
        }
        groups
            .get(place as usize)
            .map(|(words, _)| words.clone())
            .unwrap_or_default()
    };
    Plot {
        points: &points,
        band: swings.last().map_or((None, None), |swing| swing.band),
        middle: &middle,
        changes: &changes,
        unit: measure.unit().suffix(),
        label: &label,
    }
    .svg()
}

fn point(place: usize, members: &[&MeasuredSwing], by: By) -> Option<Point> {
    let x = place as f64;
    if by == By::Reps {
        let swing = members.first()?;
        return Some(Point {
            x,
            y: swing.value,
            reach: (
                swing.value - swing.plus_minus,
                swing.value + swing.plus_minus,
            ),
            verdict: swing.verdict,
            link: None,
        });
    }
    let values: Vec<f64> = members.iter().map(|swing| swing.value).collect();
    let y = median(&values)?;
    let (low, high) = members.last()?.band;
    let verdict = (low.is_some() || high.is_some()).then(|| AbsoluteBand { low, high }.judge(y));
    Some(Point {
        x,
        y,
        reach: (quantile(&values, 0.25)?, quantile(&values, 0.75)?),
        verdict,
        link: None,
    })
}

/// The middle of the last swings, swing by swing.
fn running(swings: &[MeasuredSwing]) -> Vec<(f64, f64)> {
    let values: Vec<f64> = swings.iter().map(|swing| swing.value).collect();
    (RUNNING..=values.len())
        .filter_map(|end| Some(((end - 1) as f64, median(&values[end - RUNNING..end])?)))
        .collect()
}

fn group(
    words: String,
    measure: MeasureName,
    swings: &[&MeasuredSwing],
    w: &'static Words,
) -> Group {
    let values: Vec<f64> = swings.iter().map(|swing| swing.value).collect();
    let judged: Vec<Verdict> = swings.iter().filter_map(|swing| swing.verdict).collect();
    let count = |verdict| judged.iter().filter(|v| **v == verdict).count();
    let share = |part: usize| 100.0 * part as f64 / judged.len().max(1) as f64;
    let spread = match (quantile(&values, 0.25), quantile(&values, 0.75)) {
        (Some(low), Some(high)) if values.len() >= 4 => format!(
            "{} … {}",
            numbers::plain(measure, low),
            numbers::plain(measure, high)
        ),
        _ => "–".to_owned(),
    };
    let (low, high) = (count(Verdict::Low), count(Verdict::High));
    Group {
        words,
        link: None,
        swings: values.len(),
        middle: median(&values).map_or_else(|| "–".to_owned(), |m| numbers::with_unit(measure, m)),
        spread,
        inside: match judged.is_empty() {
            true => "–".to_owned(),
            false => format!(
                "{:.0} % ({} {} {})",
                share(count(Verdict::In)),
                count(Verdict::In),
                w.t("trends.of"),
                judged.len()
            ),
        },
        misses: match low + high {
            0 => "–".to_owned(),
            _ => format!("▼ {low} · ▲ {high}"),
        },
    }
}

/// Tens of swings within a session, over all sessions looked at: what comes late in a session and is worse is tiring.
fn tiring(swings: &[MeasuredSwing], measure: MeasureName, w: &'static Words) -> Vec<Group> {
    let mut tens: BTreeMap<u32, Vec<&MeasuredSwing>> = BTreeMap::new();
    for swing in swings {
        tens.entry(swing.number.saturating_sub(1) / TIRING)
            .or_default()
            .push(swing);
    }
    if tens.len() < 2 {
        return Vec::new();
    }
    tens.into_iter()
        .map(|(ten, members)| {
            let words = format!("{}–{}", ten * TIRING + 1, (ten + 1) * TIRING);
            group(words, measure, &members, w)
        })
        .collect()
}
