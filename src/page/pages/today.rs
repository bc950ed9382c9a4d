//! The coach's first page: each hitter of a day on one card, with how the focus went, what changed most, three reps worth
//! opening and what the coach wrote.

use std::collections::BTreeMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::response::Html;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Deserialize;

use super::rep::usual_values;
use super::sessions::{plan_label, shown_measures};
use crate::coach::{AbsoluteBand, Plan, Verdict, is_change};
use crate::journal::{
    HitterId, Holding, JournalError, JournalReader, NoteRow, RepId, SessionFilter, SessionId,
    SessionRow, StoredPlan, StoredRep,
};
use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::MeasureName;
use crate::stats::{median, quantile};

/// Fewer values show no habit, and no change from it.
const LEAST_VALUES: usize = 5;

/// So many hitters are on one page; a busy day of many cages has more.
const CARDS: usize = 12;

#[derive(Deserialize)]
pub(in crate::page) struct TodayQuery {
    day: Option<String>,
    /// How many hitters of the day come before the first one shown.
    from: Option<usize>,
}

/// What one hitter did on a day.
struct HitterDay {
    hitter: Option<HitterId>,
    /// The newest first.
    sessions: Vec<SessionRow>,
    reps: Vec<StoredRep>,
    plan: Option<StoredPlan>,
    /// What the hitter works on, as far as it could be measured.
    focus: Option<MeasureName>,
    notes: Vec<NoteRow>,
    before: Option<LastTime>,
    usual: BTreeMap<MeasureName, Vec<f64>>,
}

/// The session before, with its notes.
struct LastTime {
    session: SessionRow,
    /// Swings within the range of what the hitter works on now, of those that were judged by it.
    in_range: (u32, u32),
    notes: Vec<NoteRow>,
}

/// A rep worth opening.
struct RepLink {
    id: i64,
    key: &'static str,
    number: u32,
    value: String,
    sign: &'static str,
}

/// How the focus went.
struct Focus {
    label: &'static str,
    today: String,
    before: Option<String>,
    median: String,
    usual: Option<String>,
    /// What the difference from the usual value is worth.
    verdict: Option<&'static str>,
}

/// A hitter's card.
struct Card {
    name: String,
    session: i64,
    summary: String,
    plan: Option<String>,
    focus: Option<Focus>,
    changed: Option<String>,
    reps: Vec<RepLink>,
    notes: Vec<String>,
    notes_before: Vec<String>,
}

#[derive(Template)]
#[template(path = "today.html")]
struct TodayPage<'a> {
    page: PageContext<'a>,
    day: String,
    cards: Vec<Card>,
    earlier: Option<String>,
    is_latest: bool,
    /// This page's own address.
    here: String,
    /// The hitters before these, and those after them.
    before: Option<String>,
    after: Option<String>,
    /// `13 to 24 of 31`, where not all are shown.
    shown: Option<String>,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<TodayQuery>,
) -> Result<Html<String>, PageError> {
    let wanted: Option<Date> = query.day.and_then(|day| day.parse().ok());
    let is_latest = wanted.is_none();
    let from = query.from.unwrap_or_default();
    let found = state
        .read(move |reader| day_of(reader, wanted, from))
        .await?;
    let hitters: Vec<HitterDay> = state
        .read_each(found.hitters, hitter_day)
        .await?
        .into_iter()
        .flatten()
        .collect();
    let i18n = requester.messages();
    let address = |from: usize| match (is_latest, from) {
        (true, 0) => "/today".to_owned(),
        (true, _) => format!("/today?from={from}"),
        (false, 0) => format!("/today?day={}", found.day),
        (false, _) => format!("/today?day={}&from={from}", found.day),
    };
    let from = from.min(found.of);
    let next = from + hitters.len();
    let range = i18n.fill("today.shown", &[&(from + 1), &next, &found.of]);
    html(&TodayPage {
        page: PageContext::new(&requester, Section::Today),
        here: address(from),
        before: (from > 0).then(|| address(from.saturating_sub(CARDS)) + "#last"),
        after: (next < found.of).then(|| address(next) + "#first"),
        shown: (found.of > hitters.len()).then_some(range),
        cards: hitters.iter().map(|one| card(one, i18n)).collect(),
        day: found.day,
        earlier: found.earlier,
        is_latest,
    })
}

/// A hitter's sessions of the day, the newest first.
type TheirSessions = (Option<HitterId>, Vec<SessionId>);

struct Day {
    day: String,
    /// Those that are shown.
    hitters: Vec<TheirSessions>,
    /// Of so many who hit.
    of: usize,
    /// The day before on which somebody hit.
    earlier: Option<String>,
}

/// The day that is asked for, else the last one on which somebody hit.
fn day_of(reader: &JournalReader, wanted: Option<Date>, from: usize) -> Result<Day, JournalError> {
    let date = |at: Timestamp| at.to_zoned(TimeZone::system()).date();
    let last_before = |until: Option<Timestamp>| {
        let last = reader.sessions_of(&SessionFilter {
            until,
            holding: Holding::Reps,
            at_most: Some(1),
            ..SessionFilter::default()
        })?;
        Ok::<_, JournalError>(last.first().map(|session| date(session.started_at)))
    };
    let day = match wanted {
        Some(day) => day,
        None => last_before(None)?.unwrap_or_else(|| date(crate::wall_clock::now())),
    };
    let begins = |day: Date| Some(day.to_zoned(TimeZone::system()).ok()?.timestamp());
    let (since, until) = (begins(day), day.tomorrow().ok().and_then(begins));
    let sessions = reader.who_hit_in(&SessionFilter {
        since,
        until,
        holding: Holding::Reps,
        ..SessionFilter::default()
    })?;
    let earlier = last_before(since)?;
    let mut by_hitter: Vec<TheirSessions> = Vec::new();
    for (session, hitter) in sessions {
        match by_hitter.iter_mut().find(|(who, _)| *who == hitter) {
            Some((_, theirs)) => theirs.push(session),
            None => by_hitter.push((hitter, vec![session])),
        }
    }
    // In the order in which they came.
    by_hitter.reverse();
    let of = by_hitter.len();
    Ok(Day {
        day: day.to_string(),
        hitters: by_hitter.into_iter().skip(from).take(CARDS).collect(),
        of,
        earlier: earlier.map(|day| day.to_string()),
    })
}

fn hitter_day(
    reader: &JournalReader,
    (hitter, theirs): TheirSessions,
) -> Result<Option<HitterDay>, JournalError> {
    let mut sessions = Vec::with_capacity(theirs.len());
    for session in theirs {
        sessions.extend(reader.sessions_of(&SessionFilter {
            only: Some(session),
            ..SessionFilter::default()
        })?);
    }
    // Deleted since the day was looked up.
    if sessions.is_empty() {
        return Ok(None);
    }
    let (mut reps, mut notes) = (Vec::new(), Vec::new());
    for session in sessions.iter().rev() {
        reps.extend(reader.reps_of(session.id)?);
        notes.extend(reader.notes(session.id)?);
    }
    let plan = match sessions.iter().find_map(|session| session.plan) {
        Some(plan) => reader.plan(plan)?,
        None => None,
    };
    // The first one that could be measured: what needs a pitch cannot be where none was played.
    let parsed = plan.as_ref().and_then(|plan| Plan::parse(&plan.text).ok());
    let swings = counted(&reps);
    let focus = shown_measures(parsed, &reps)
        .into_iter()
        .find(|name| !values_of(*name, &swings).is_empty());
    let first = sessions.last().map(|session| session.id);
    let before = match hitter {
        Some(_) => session_before(reader, hitter, first, focus)?,
        None => None,
    };
    Ok(Some(HitterDay {
        hitter,
        focus,
        usual: match reps.first() {
            Some(first) => usual_values(reader, first)?,
            None => BTreeMap::new(),
        },
        sessions,
        reps,
        plan,
        notes,
        before,
    }))
}

/// The hitter's last session with a swing before this one.
fn session_before(
    reader: &JournalReader,
    hitter: Option<HitterId>,
    before: Option<SessionId>,
    focus: Option<MeasureName>,
) -> Result<Option<LastTime>, JournalError> {
    let earlier = reader.sessions_of(&SessionFilter {
        hitter,
        before,
        holding: Holding::Swings,
        at_most: Some(1),
        ..SessionFilter::default()
    })?;
    let Some(session) = earlier.into_iter().next() else {
        return Ok(None);
    };
    Ok(Some(LastTime {
        in_range: match focus {
            Some(name) => reader.in_range(session.id, name)?,
            None => (0, 0),
        },
        notes: reader.notes(session.id)?,
        session,
    }))
}

fn card(of: &HitterDay, i18n: &'static Messages) -> Card {
    let swings: Vec<&StoredRep> = counted(&of.reps);
    let newest = &of.sessions[0];
    let count = |of_one: fn(&SessionRow) -> u32| of.sessions.iter().map(of_one).sum::<u32>();
    let mut summary = i18n.counted("count.swings", count(|s| s.swings));
    for (key, number) in [
        ("count.takes", count(|s| s.takes)),
        ("count.swings_and_misses", count(|s| s.swings_and_misses)),
    ] {
        if number > 0 {
            summary += &format!(", {}", i18n.counted(key, number));
        }
    }
    let texts = |notes: &[NoteRow]| notes.iter().map(|note| note.text.clone()).collect();
    Card {
        name: i18n.hitter(newest.hitter_name.as_deref()).to_owned(),
        session: newest.id.get(),
        summary,
        plan: of.plan.as_ref().map(|plan| plan_label(plan, i18n)),
        focus: of.focus.and_then(|name| focus_of(of, name, &swings, i18n)),
        changed: of
            .hitter
            .and_then(|_| changed_most(&swings, &of.usual, i18n)),
        reps: of
            .focus
            .map_or_else(Vec::new, |name| worth_opening(name, &swings, i18n)),
        notes: texts(&of.notes),
        notes_before: of
            .before
            .as_ref()
            .map_or_else(Vec::new, |before| texts(&before.notes)),
    }
}

fn counted(reps: &[StoredRep]) -> Vec<&StoredRep> {
    reps.iter().filter(|rep| rep.counts_as_swing()).collect()
}

fn values_of(name: MeasureName, swings: &[&StoredRep]) -> Vec<f64> {
    let value = |rep: &&StoredRep| rep.judged.rep.measures.get(&name)?.value();
    swings.iter().filter_map(value).collect()
}

fn in_range_now(name: MeasureName, swings: &[&StoredRep]) -> (u32, u32) {
    let verdict = |rep: &&StoredRep| rep.judged.verdicts.get(&name).copied();
    swings
        .iter()
        .filter_map(verdict)
        .fold((0, 0), |(inside, judged), verdict| {
            (inside + u32::from(verdict == Verdict::In), judged + 1)
        })
}

/// `11 of 18`: in range, of those that could be judged; nothing where none could.
fn of_judged((inside, judged): (u32, u32), i18n: &Messages) -> Option<String> {
    (judged > 0).then(|| i18n.fill("today.in_range", &[&inside, &judged]))
}

fn focus_of(
    of: &HitterDay,
    name: MeasureName,
    swings: &[&StoredRep],
    i18n: &'static Messages,
) -> Option<Focus> {
    let values = values_of(name, swings);
    let middle = median(&values)?;
    let before = of.before.as_ref().and_then(|before| {
        let went = of_judged(before.in_range, i18n)?;
        let day = format::day(before.session.started_at);
        Some(i18n.fill("today.last_time", &[&day, &went]))
    });
    let usual = of
        .usual
        .get(&name)
        .filter(|usual| usual.len() >= LEAST_VALUES && name.unit().is_quantity());
    let verdict = usual.map(|usual| match is_change(name, usual, &values) {
        true => i18n.t("today.beyond_chance"),
        false => i18n.t("today.within_chance"),
    });
    Some(Focus {
        label: i18n.measure(name),
        today: of_judged(in_range_now(name, swings), i18n).unwrap_or_default(),
        before,
        median: match name.unit().is_quantity() {
            true => i18n.format("today.median", i18n.value(name, middle)),
            false => String::new(),
        },
        usual: usual
            .and_then(|usual| median(usual))
            .map(|usual| i18n.format("today.usual", i18n.value(name, usual))),
        verdict,
    })
}

/// The measure whose median lies furthest from what is usual, counted in the spread of the usual values, where chance alone
/// does not do that.
fn changed_most(
    swings: &[&StoredRep],
    usual: &BTreeMap<MeasureName, Vec<f64>>,
    i18n: &Messages,
) -> Option<String> {
    let changed = usual.iter().filter_map(|(&name, usual)| {
        let values = values_of(name, swings);
        let enough = values.len() >= LEAST_VALUES && usual.len() >= LEAST_VALUES;
        if !enough || !name.unit().is_quantity() || !is_change(name, usual, &values) {
            return None;
        }
        let (from, to) = (median(usual)?, median(&values)?);
        let spread = quantile(usual, 0.75)? - quantile(usual, 0.25)?;
        (spread > 0.0).then(|| ((to - from).abs() / spread, name, from, to))
    });
    let (_, name, from, to) = changed.max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(i18n.fill(
        "today.changed",
        &[
            &i18n.measure(name),
            &i18n.value(name, to),
            &i18n.value(name, from),
        ],
    ))
}

/// The best, the typical and the worst swing in a measure, as far as they are different ones.
fn worth_opening(
    name: MeasureName,
    swings: &[&StoredRep],
    i18n: &'static Messages,
) -> Vec<RepLink> {
    let measured: Vec<(&StoredRep, f64)> = swings
        .iter()
        .filter_map(|rep| Some((*rep, rep.judged.rep.measures.get(&name)?.value()?)))
        .collect();
    let values: Vec<f64> = measured.iter().map(|(_, value)| *value).collect();
    let Some(middle) = median(&values) else {
        return Vec::new();
    };
    let band = measured
        .iter()
        .rev()
        .find_map(|(rep, _)| rep.judged.bands.get(&name));
    let off = |value: f64| off_by(band, value, middle);
    let by = |key: &dyn Fn(f64) -> f64| {
        let nearer = |a: &&(&StoredRep, f64), b: &&(&StoredRep, f64)| key(a.1).total_cmp(&key(b.1));
        measured.iter().min_by(nearer)
    };
    let found = [
        ("today.best", by(&off)),
        ("today.typical", by(&|value| (value - middle).abs())),
        ("today.worst", by(&|value| -off(value))),
    ];
    let mut links: Vec<(RepId, RepLink)> = Vec::new();
    for (key, rep) in found {
        let Some((rep, value)) = rep else { continue };
        if links.iter().any(|(id, _)| *id == rep.id) {
            continue;
        }
        let link = RepLink {
            id: rep.id.get(),
            key: i18n.t(key),
            number: rep.judged.number,
            value: i18n.value(name, *value),
            sign: format::sign(rep.judged.verdicts.get(&name).copied()),
        };
        links.push((rep.id, link));
    }
    links.into_iter().map(|(_, link)| link).collect()
}

/// How far a value is from what is wanted: beyond the range by so much, and within it from its middle, which weighs next to
/// nothing; without a range from the hitter's own middle.
fn off_by(band: Option<&AbsoluteBand>, value: f64, middle: f64) -> f64 {
    const WITHIN: f64 = 1e-3;
    let Some(band) = band else {
        return (value - middle).abs();
    };
    let below = band.low.map_or(0.0, |low| (low - value).max(0.0));
    let above = band.high.map_or(0.0, |high| (value - high).max(0.0));
    let wanted = match (band.low, band.high) {
        (Some(low), Some(high)) => 0.5 * (low + high),
        _ => middle,
    };
    below.max(above) + WITHIN * (value - wanted).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_the_range_weighs_more_than_off_its_middle() {
        let band = AbsoluteBand {
            low: Some(-4.0),
            high: Some(10.0),
        };
        let off = |value| off_by(Some(&band), value, 6.0);
        assert!(off(3.0) < off(9.0) && off(9.0) < off(10.5) && off(10.5) < off(-6.0));
        let open = AbsoluteBand {
            low: Some(10.0),
            high: None,
        };
        assert!(off_by(Some(&open), 14.0, 14.0) < off_by(Some(&open), 9.0, 14.0));
        assert_eq!(off_by(None, 8.0, 6.0), 2.0);
    }
}
