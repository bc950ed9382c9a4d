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
use super::replay_data::zero_of;
use super::sessions::{best_of, heard_text};
use crate::coach::Verdict;
use crate::journal::{CorrectionRow, JournalReader, MeasuredSwing, NoteRow, RepId, StoredRep};
use crate::page::auth::Requester;
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::{EventName, Events, MeasureName, RepKind};
use crate::stats::{median, quantile};
use crate::time::CaptureTime;

/// The usual values are those of so many swings before.
const USUAL_OVER: u32 = 200;
/// Fewer values show no habit.
const MIN_USUAL: usize = 5;
/// How many swings back an older rep to compare with is looked for.
const LOOK_BACK: u32 = 2000;

#[derive(Deserialize)]
pub(in crate::page) struct RepQuery {
    with: Option<i64>,
}

/// A measure in the table.
struct MeasureRow {
    name: &'static str,
    label: &'static str,
    value: String,
    band: String,
    usual: String,
    other: String,
    sign: &'static str,
    verdict: Option<Verdict>,
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
    rows: Vec<MeasureRow>,
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
    let rows = rows(&found, i18n);
    let page = RepPage {
        page: PageContext::new(&requester, Section::Sessions),
        id: id.get(),
        when: format::day_and_time(found.rep.logged_at),
        heard: heard_text(&found.rep, i18n),
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
        rows,
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

struct Found {
    rep: StoredRep,
    session: Vec<StoredRep>,
    usual: BTreeMap<MeasureName, Vec<f64>>,
    older: Option<MeasuredSwing>,
    other: Option<StoredRep>,
    notes: Vec<NoteRow>,
    corrections: Vec<CorrectionRow>,
    found_events: Option<Events>,
    /// When its landmarks begin, where it was stored with them.
    first_frame: Option<CaptureTime>,
    film: RepFilm,
    other_film: RepFilm,
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

fn rows(found: &Found, i18n: &'static Messages) -> Vec<MeasureRow> {
    let judged = &found.rep.judged;
    judged
        .rep
        .measures
        .iter()
        .map(|(name, measure)| {
            let verdict = judged.verdicts.get(name).copied();
            MeasureRow {
                name: name.name(),
                label: i18n.measure(*name),
                value: format::measure(i18n, *name, measure),
                band: judged
                    .bands
                    .get(name)
                    .map(|band| format::band(i18n, *name, band))
                    .unwrap_or_default(),
                usual: found
                    .usual
                    .get(name)
                    .map(|values| usual_text(i18n, *name, values))
                    .unwrap_or_default(),
                other: found
                    .other
                    .as_ref()
                    .and_then(|other| other.judged.rep.measures.get(name))
                    .map(|measure| format::measure(i18n, *name, measure))
                    .unwrap_or_default(),
                sign: format::sign(verdict),
                verdict,
            }
        })
        .collect()
}

/// The median of the usual values, and the range of their middle half.
pub(in crate::page) fn usual_text(i18n: &Messages, name: MeasureName, values: &[f64]) -> String {
    if values.len() < MIN_USUAL || !name.unit().is_quantity() {
        return String::new();
    }
    match (
        median(values),
        quantile(values, 0.25),
        quantile(values, 0.75),
    ) {
        (Some(middle), Some(low), Some(high)) => format!(
            "{} ({} … {})",
            format::with_unit(i18n, name, middle),
            format::plain(i18n, name, low),
            format::plain(i18n, name, high)
        ),
        _ => String::new(),
    }
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
        ("struck", _) => i18n.t("review.struck"),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn usual_values_show_their_middle_half_once_they_are_a_habit() {
        let i18n = Messages::of(crate::sound::Language::English);
        let values = [1.0, 2.0, 3.0, 4.0, 5.0];
        assert_eq!(
            usual_text(i18n, MeasureName::HeadToPlant, &values),
            "3.0 cm (2.0 … 4.0)"
        );
        assert_eq!(usual_text(i18n, MeasureName::HeadToPlant, &values[..4]), "");
        assert_eq!(
            usual_text(i18n, MeasureName::BackBeforeForward, &values),
            ""
        );
    }
}
