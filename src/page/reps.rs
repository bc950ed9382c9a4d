//! One rep: played back as a stick figure, with its measures against their bands and against what is usual, alone or beside
//! another rep.

use std::collections::BTreeMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Path, Query, State};
use axum::response::Html;
use serde::Deserialize;

use super::doors::Visitor;
use super::films::{self, FilmThere};
use super::numbers;
use super::played::zero_of;
use super::sessions::{best_of, heard};
use super::shared::{Choice, Shared, Trouble};
use super::words::Words;
use crate::journal::{JournalReader, MeasuredSwing, NoteRow, RepId, StoredRep};
use crate::rep::{EventName, Events, MeasureName, RepKind};
use crate::stats::{median, quantile};
use crate::time::CaptureTime;

/// "Usual" is what the hitter did in so many swings before.
const USUAL_OVER: u32 = 200;
/// Fewer values than this are no habit.
const LEAST_USUAL: usize = 5;
/// How far back "last month" looks for the same hitter's best, in swings.
const LOOK_BACK: u32 = 2000;

/// What the page is asked for.
#[derive(Deserialize)]
pub(super) struct Asked {
    with: Option<i64>,
}

/// A measure in the table.
struct Row {
    name: &'static str,
    words: String,
    value: String,
    band: String,
    usual: String,
    other: String,
    sign: &'static str,
    class: &'static str,
}

/// An event in the table.
struct EventRow {
    name: &'static str,
    words: &'static str,
    /// Milliseconds from the zero of the replay; empty where it was not seen.
    at: String,
    /// The same as it was found, where the coach moved it.
    found: Option<String>,
}

/// The page's content.
#[derive(Template)]
#[template(path = "rep.html")]
struct RepPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    rep: StoredRep,
    id: i64,
    when: String,
    heard: String,
    corrections: u32,
    before: Option<i64>,
    after: Option<i64>,
    rows: Vec<Row>,
    choices: Vec<Choice>,
    with: Option<i64>,
    other_words: String,
    notes: Vec<NoteRow>,
    has_figure: bool,
    events: Vec<EventRow>,
    film: FilmThere,
    other_film: FilmThere,
    script_words: String,
}

pub(super) async fn page(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<i64>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, Trouble> {
    let id = RepId::new(id);
    let with = asked.with.map(RepId::new);
    let found = shared
        .read(move |reader| {
            let rep = reader.rep(id)?;
            let session = reader.reps_of(rep.session)?;
            let usual = usual(reader, &rep)?;
            let older = older_best(reader, &rep)?;
            let other = with.map(|with| reader.rep(with)).transpose()?;
            Ok(Found {
                notes: reader.notes(rep.session)?,
                corrections: reader.corrections(id)?,
                found_events: reader.found_events(id)?,
                first_frame: reader.timeline_start(id)?,
                film: films::there(reader, id)?,
                other_film: match with {
                    Some(with) => films::there(reader, with)?,
                    None => FilmThere::No,
                },
                rep,
                session,
                usual,
                older,
                other,
            })
        })
        .await?;
    let w = visitor.words();
    let place = found.session.iter().position(|rep| rep.id == id);
    let beside = |step: isize| {
        let place = place?.checked_add_signed(step)?;
        found.session.get(place).map(|rep| rep.id.get())
    };
    let choices = choices(&found, w);
    let rows = rows(&found, w);
    let page = RepPage {
        w,
        visitor: &visitor,
        here: "sessions",
        id: id.get(),
        when: numbers::day_and_time(found.rep.logged_at),
        heard: heard(&found.rep, w),
        corrections: found.corrections,
        before: beside(-1),
        after: beside(1),
        rows,
        choices,
        with: found.other.as_ref().map(|rep| rep.id.get()),
        other_words: found.other.as_ref().map(rep_words).unwrap_or_default(),
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
            w,
        ),
        film: found.film,
        other_film: found.other_film,
        script_words: serde_json::to_string(&w.for_scripts()).unwrap_or_default(),
        rep: found.rep,
    };
    Ok(Html(page.render()?))
}

struct Found {
    rep: StoredRep,
    session: Vec<StoredRep>,
    usual: BTreeMap<MeasureName, Vec<f64>>,
    older: Option<MeasuredSwing>,
    other: Option<StoredRep>,
    notes: Vec<NoteRow>,
    corrections: u32,
    found_events: Option<Events>,
    /// When its landmarks begin, where it was stored with them.
    first_frame: Option<CaptureTime>,
    film: FilmThere,
    other_film: FilmThere,
}

/// What the hitter did in the swings before a rep, by measure.
pub(super) fn usual(
    reader: &JournalReader,
    rep: &StoredRep,
) -> Result<BTreeMap<MeasureName, Vec<f64>>, crate::journal::JournalError> {
    let mut by_name: BTreeMap<MeasureName, Vec<f64>> = BTreeMap::new();
    // What nobody in particular does is usual for nobody.
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
        .rfind(|swing| swing.verdict == Some(crate::coach::Verdict::In))
        .or_else(|| older.clone().next_back())
        .cloned())
}

fn rep_words(rep: &StoredRep) -> String {
    format!(
        "{} · {}",
        numbers::day_and_time(rep.logged_at),
        rep.judged.number
    )
}

fn choices(found: &Found, w: &'static Words) -> Vec<Choice> {
    let mut choices = Vec::new();
    let own = found.rep.id;
    if let Some(best) = best_of(&found.session).filter(|best| *best != own) {
        choices.push(Choice {
            id: best.get(),
            words: w.t("rep.with_best").to_owned(),
            chosen: false,
        });
    }
    if let Some(older) = &found.older {
        choices.push(Choice {
            id: older.rep.get(),
            words: w.with("rep.with_older", numbers::day(older.logged_at)),
            chosen: false,
        });
    }
    let others = found
        .session
        .iter()
        .filter(|rep| rep.id != own && rep.counts_as_swing());
    choices.extend(others.map(|rep| Choice {
        id: rep.id.get(),
        words: w.with("rep.with_number", rep.judged.number),
        chosen: false,
    }));
    // The first that is meant: the best of the day is one of its numbers too.
    let with = found.other.as_ref().map(|rep| rep.id.get());
    if let Some(choice) = choices.iter_mut().find(|choice| Some(choice.id) == with) {
        choice.chosen = true;
    }
    choices
}

fn rows(found: &Found, w: &'static Words) -> Vec<Row> {
    let judged = &found.rep.judged;
    judged
        .rep
        .measures
        .iter()
        .map(|(name, measure)| {
            let verdict = judged.verdicts.get(name).copied();
            Row {
                name: name.name(),
                words: w.measure(name.name()).to_owned(),
                value: numbers::measure(*name, measure),
                band: judged
                    .bands
                    .get(name)
                    .map(|band| numbers::band(*name, band))
                    .unwrap_or_default(),
                usual: found
                    .usual
                    .get(name)
                    .map(|values| usual_words(*name, values))
                    .unwrap_or_default(),
                other: found
                    .other
                    .as_ref()
                    .and_then(|other| other.judged.rep.measures.get(name))
                    .map(|measure| numbers::measure(*name, measure))
                    .unwrap_or_default(),
                sign: numbers::sign(verdict),
                class: numbers::class(verdict),
            }
        })
        .collect()
}

/// The middle of what the hitter did before, and between what the middle half of it lay.
pub(super) fn usual_words(name: MeasureName, values: &[f64]) -> String {
    use crate::rep::Unit;
    if values.len() < LEAST_USUAL || matches!(name.unit(), Unit::Order | Unit::YesNo) {
        return String::new();
    }
    match (
        median(values),
        quantile(values, 0.25),
        quantile(values, 0.75),
    ) {
        (Some(middle), Some(low), Some(high)) => format!(
            "{} ({} … {})",
            numbers::with_unit(name, middle),
            numbers::plain(name, low),
            numbers::plain(name, high)
        ),
        _ => String::new(),
    }
}

fn event_rows(
    rep: &StoredRep,
    first_frame: Option<CaptureTime>,
    found: Option<&Events>,
    w: &'static Words,
) -> Vec<EventRow> {
    let rep = &rep.judged.rep;
    let zero = zero_of(rep, first_frame);
    let words = |at: Option<CaptureTime>| match at {
        Some(at) => format!("{:+.0} ms", 1e3 * at.secs_since(zero)),
        None => w.t("rep.event_unseen").to_owned(),
    };
    EventName::ALL
        .into_iter()
        .map(|event| {
            let at = rep.events.at(event);
            EventRow {
                name: event.name(),
                words: w.t(event_key(event)),
                at: words(at),
                found: found
                    .map(|found| found.at(event))
                    .filter(|found| *found != at)
                    .map(words),
            }
        })
        .collect()
}

/// The words of an event.
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
    fn what_is_usual_is_told_by_its_middle_half_once_it_is_a_habit() {
        let values = [1.0, 2.0, 3.0, 4.0, 5.0];
        assert_eq!(
            usual_words(MeasureName::HeadToPlant, &values),
            "3.0 cm (2.0 … 4.0)"
        );
        assert_eq!(usual_words(MeasureName::HeadToPlant, &values[..4]), "");
        assert_eq!(usual_words(MeasureName::BackBeforeForward, &values), "");
    }
}
