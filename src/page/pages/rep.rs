//! One rep: replayed as a stick figure, with its measures against their bands and the hitter's usual values, alone or beside
//! another rep.

use std::collections::BTreeMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Path, Query, State};
use axum::response::Html;
use serde::Deserialize;

use super::SelectOption;
use super::films::{self, RepFilm};
use super::measure_rows::{Group, MeasureRow, measure_rows, not_made};
use super::replay_data::zero_of;
use super::sessions::{best_of, heard_text};
use crate::coach::{Plan, Verdict};
use crate::journal::{
    CorrectionRow, JournalReader, MeasuredSwing, NoteRow, RepId, SessionFilter, SessionId,
    StoredRep,
};
use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::{EventName, Events, MeasureName, RepKind};
use crate::time::CaptureTime;

/// The usual values are those of so many swings before.
const USUAL_OVER: u32 = 100;
/// How many swings back an older rep to compare with is looked for.
const LOOK_BACK: u32 = 2000;

#[derive(Deserialize)]
pub(in crate::page) struct RepQuery {
    with: Option<i64>,
}

/// An event in the table.
struct EventRow {
    name: &'static str,
    label: &'static str,
    /// Milliseconds from the zero of the replay.
    at: String,
    /// The same as it was found, where the coach moved it.
    found: Option<String>,
}

/// A correction in the table.
struct CorrectionLine {
    when: String,
    what: String,
    was: String,
    became: String,
    by: String,
}

#[derive(Template)]
#[template(path = "rep.html")]
struct RepPage<'a> {
    page: PageContext<'a>,
    rep: StoredRep,
    id: i64,
    when: String,
    heard: String,
    /// What a microphone says of contact.
    contact: Option<&'static str>,
    corrections: Vec<CorrectionLine>,
    before: Option<i64>,
    after: Option<i64>,
    /// What is worked on.
    focus: Vec<MeasureRow>,
    groups: Vec<Group>,
    /// What could not be made, and why.
    not_made: String,
    others: Vec<SelectOption>,
    with: Option<i64>,
    other_label: String,
    notes: Vec<NoteRow>,
    has_figure: bool,
    events: Vec<EventRow>,
    film: RepFilm,
    other_film: RepFilm,
    script_messages: String,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
    Query(query): Query<RepQuery>,
) -> Result<Html<String>, PageError> {
    let id = RepId::new(id);
    let with = query.with.map(RepId::new);
    let found = state
        .read(move |reader| {
            let rep = reader.rep(id)?;
            let session = reader.reps_of(rep.session)?;
            let usual = usual_values(reader, &rep)?;
            let older = older_best(reader, &rep)?;
            let other = with.map(|with| reader.rep(with)).transpose()?;
            Ok(Found {
                plan: plan_of(reader, rep.session)?,
                notes: reader.notes(rep.session)?,
                corrections: reader.corrections(id)?,
                found_events: reader.found_events(id)?,
                first_frame: reader.timeline_start(id)?,
                film: films::state_of(reader, id)?,
                other_film: match with {
                    Some(with) => films::state_of(reader, with)?,
                    None => RepFilm::No,
                },
                rep,
                session,
                usual,
                older,
                other,
            })
        })
        .await?;
    let i18n = requester.messages();
    let place = found.session.iter().position(|rep| rep.id == id);
    let beside = |step: isize| {
        let place = place?.checked_add_signed(step)?;
        found.session.get(place).map(|rep| rep.id.get())
    };
    let others = compare_options(&found, i18n);
    let (focus, groups) = measure_rows(&found, i18n);
    let not_made = not_made(&found.rep, i18n);
    let page = RepPage {
        page: PageContext::new(&requester, Section::Sessions),
        id: id.get(),
        when: format::day_and_time(found.rep.logged_at),
        heard: heard_text(
            &found.rep,
            found
                .plan
                .as_ref()
                .map(|plan| plan.words)
                .unwrap_or_default(),
            i18n,
        ),
        contact: found
            .rep
            .judged
            .rep
            .heard
            .map(|heard| i18n.named("rep.ear.", heard.name())),
        corrections: found
            .corrections
            .into_iter()
            .map(|row| correction_line(row, i18n))
            .collect(),
        before: beside(-1),
        after: beside(1),
        focus,
        groups,
        not_made,
        others,
        with: found.other.as_ref().map(|rep| rep.id.get()),
        other_label: found.other.as_ref().map(rep_label).unwrap_or_default(),
        notes: found
            .notes
            .into_iter()
            .filter(|note| note.rep == Some(id))
            .collect(),
        has_figure: found.first_frame.is_some(),
        events: event_rows(
            &found.rep,
            found.first_frame,
            found.found_events.as_ref(),
            i18n,
        ),
        film: found.film,
        other_film: found.other_film,
        script_messages: serde_json::to_string(&i18n.script_messages()).unwrap_or_default(),
        rep: found.rep,
    };
    html(&page)
}

pub(super) struct Found {
    /// What the session was about.
    pub(super) plan: Option<Plan>,
    pub(super) rep: StoredRep,
    pub(super) session: Vec<StoredRep>,
    pub(super) usual: BTreeMap<MeasureName, Vec<f64>>,
    older: Option<MeasuredSwing>,
    pub(super) other: Option<StoredRep>,
    notes: Vec<NoteRow>,
    corrections: Vec<CorrectionRow>,
    found_events: Option<Events>,
    /// When its landmarks begin, where it was stored with them.
    first_frame: Option<CaptureTime>,
    film: RepFilm,
    other_film: RepFilm,
}

/// The plan of a session, where it had one that can be read.
fn plan_of(
    reader: &JournalReader,
    session: SessionId,
) -> Result<Option<Plan>, crate::journal::JournalError> {
    let only = SessionFilter {
        only: Some(session),
        ..SessionFilter::default()
    };
    let session = reader.sessions_of(&only)?.into_iter().next();
    let plan = match session.and_then(|session| session.plan) {
        Some(plan) => reader.plan(plan)?,
        None => None,
    };
    Ok(plan.and_then(|plan| Plan::parse(&plan.text).ok()))
}

/// The hitter's values in the swings before a rep, by measure; none for an anonymous hitter.
pub(in crate::page) fn usual_values(
    reader: &JournalReader,
    rep: &StoredRep,
) -> Result<BTreeMap<MeasureName, Vec<f64>>, crate::journal::JournalError> {
    let mut by_name: BTreeMap<MeasureName, Vec<f64>> = BTreeMap::new();
    if rep.hitter.is_some() {
        for (name, value) in reader.values_before(rep.hitter, rep.id, USUAL_OVER)? {
            by_name.entry(name).or_default().push(value);
        }
    }
    Ok(by_name)
}

/// A swing of the same hitter from a month ago or more, in band where there is one.
fn older_best(
    reader: &JournalReader,
    rep: &StoredRep,
) -> Result<Option<MeasuredSwing>, crate::journal::JournalError> {
    if rep.hitter.is_none() {
        return Ok(None);
    }
    let month = jiff::SignedDuration::from_hours(24 * 28);
    let Ok(limit) = rep.logged_at.checked_sub(month) else {
        return Ok(None);
    };
    let swings = reader.swings_measured(
        rep.hitter,
        MeasureName::HeadToPlant,
        Some(rep.id),
        LOOK_BACK,
    )?;
    let older = swings.iter().filter(|swing| swing.logged_at <= limit);
    Ok(older
        .clone()
        .rfind(|swing| swing.verdict == Some(Verdict::In))
        .or_else(|| older.clone().next_back())
        .cloned())
}

fn rep_label(rep: &StoredRep) -> String {
    format!(
        "{} · {}",
        format::day_and_time(rep.logged_at),
        rep.judged.number
    )
}

fn compare_options(found: &Found, i18n: &'static Messages) -> Vec<SelectOption> {
    let mut options = Vec::new();
    let own = found.rep.id;
    if let Some(best) = best_of(&found.session).filter(|best| *best != own) {
        options.push(SelectOption {
            value: best.to_string(),
            label: i18n.t("rep.with_best").to_owned(),
            selected: false,
        });
    }
    if let Some(older) = &found.older {
        options.push(SelectOption {
            value: older.rep.to_string(),
            label: i18n.format("rep.with_older", format::day(older.logged_at)),
            selected: false,
        });
    }
    let others = found
        .session
        .iter()
        .filter(|rep| rep.id != own && rep.counts_as_swing());
    options.extend(others.map(|rep| SelectOption {
        value: rep.id.to_string(),
        label: i18n.format("rep.with_number", rep.judged.number),
        selected: false,
    }));
    // Only the first: the best of the day also has a number of its own.
    let with = found.other.as_ref().map(|rep| rep.id.to_string());
    if let Some(option) = options
        .iter_mut()
        .find(|option| with.as_ref() == Some(&option.value))
    {
        option.selected = true;
    }
    options
}

fn event_rows(
    rep: &StoredRep,
    first_frame: Option<CaptureTime>,
    found: Option<&Events>,
    i18n: &'static Messages,
) -> Vec<EventRow> {
    let rep = &rep.judged.rep;
    let zero = zero_of(rep, first_frame);
    let words = |at: Option<CaptureTime>| match at {
        Some(at) => format!("{:+.0} ms", 1e3 * at.secs_since(zero)),
        None => i18n.t("rep.event_unseen").to_owned(),
    };
    EventName::ALL
        .into_iter()
        .map(|event| {
            let at = rep.events.at(event);
            EventRow {
                name: event.name(),
                label: i18n.t(event_key(event)),
                at: words(at),
                found: found
                    .map(|found| found.at(event))
                    .filter(|found| *found != at)
                    .map(words),
            }
        })
        .collect()
}

/// Times of events are on the session's clock: only their difference says something.
fn correction_line(row: CorrectionRow, i18n: &'static Messages) -> CorrectionLine {
    let event = EventName::from_name(&row.what);
    let what = match (row.what.as_str(), event) {
        (_, Some(event)) => i18n.t(event_key(event)),
        ("struck", _) => i18n.t("review.excluded"),
        _ => i18n.t("review.called"),
    };
    let secs = |text: &Option<String>| text.as_ref().and_then(|text| text.parse::<f64>().ok());
    let (was, became) = match (event, secs(&row.was), secs(&row.became)) {
        (Some(_), Some(was), Some(became)) => {
            (String::new(), format!("{:+.0} ms", 1e3 * (became - was)))
        }
        (Some(_), was, became) => {
            let unseen = i18n.t("rep.event_unseen");
            let word = |secs: Option<f64>| secs.map_or(unseen, |_| "✓").to_owned();
            (word(was), word(became))
        }
        (None, ..) => {
            let kinds = [RepKind::Swing, RepKind::Take];
            let word = |text: Option<String>| {
                let kind = kinds
                    .iter()
                    .find(|kind| text.as_deref() == Some(kind.name()));
                match kind {
                    Some(kind) => i18n.rep_kind(*kind).to_owned(),
                    None => text.unwrap_or_default(),
                }
            };
            (word(row.was), word(row.became))
        }
    };
    CorrectionLine {
        when: format::day_and_time(row.made_at),
        what: what.to_owned(),
        was,
        became,
        by: i18n
            .account(row.made_by.as_deref().unwrap_or_default())
            .to_owned(),
    }
}

fn event_key(event: EventName) -> &'static str {
    match event {
        EventName::Set => "js.event.set",
        EventName::Gather => "js.event.gather",
        EventName::LiftOff => "js.event.lift_off",
        EventName::Plant => "js.event.plant",
        EventName::HeelRise => "js.event.heel_rise",
        EventName::Contact => "js.event.contact",
        EventName::Finish => "js.event.finish",
    }
}
