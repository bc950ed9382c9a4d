//! Rows of the journal's tables, read: values of single columns, and a rep from its rows.

use std::collections::{BTreeMap, HashMap};
use std::str::FromStr;

use jiff::Timestamp;
use rusqlite::types::{Type, ValueRef};

use super::columns::{Column, Extra, MeasureColumn, RepColumn, RepExtra, Selected, get, joined};
use super::query::StoredRep;
use super::sql::{Place, Sql, SqlRow, SqlStatement};
use crate::coach::{AbsoluteBand, AbsoluteBands, CueGiven, JudgedRep, PitchPlayed, Verdict};
use crate::journal::record::{HitterId, RepId, SessionId};
use crate::journal::stamp::parse_stamp;
use crate::motion::{Direction, Scale};
use crate::rep::{
    Bats, EventName, Events, Heard, LoadStyle, Measure, MeasureName, Rep, RepKind, Ruler, Style,
    View,
};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

const KINDS: [RepKind; 2] = [RepKind::Swing, RepKind::Take];
pub(in crate::journal) const BATS: [Bats; 2] = [Bats::Left, Bats::Right];

/// Selects whole reps for [`read_rep`]; conditions and order come behind it.
pub(in crate::journal) fn select_reps() -> String {
    format!(
        "SELECT {}, {} FROM reps JOIN sessions ON sessions.id = reps.session
         LEFT JOIN hitters ON hitters.id = sessions.hitter",
        RepColumn::selection(),
        RepExtra::selection()
    )
}

/// Reads a rep without its measures from a row of [`select_reps`].
pub(in crate::journal) fn read_rep(row: &SqlRow<'_>) -> rusqlite::Result<StoredRep> {
    use RepColumn as C;
    let time = |column: C| -> rusqlite::Result<Option<CaptureTime>> {
        Ok(get::<Option<f64>>(row, column)?.map(CaptureTime::from_secs))
    };
    let cue = match (recorded(row, C::Cue)?, time(C::CueAtSecs)?) {
        (Some(id), Some(at)) => Some(CueGiven {
            id,
            at,
            latency_ms: get(row, C::CueLatencyMs)?,
        }),
        _ => None,
    };
    let pitch = match (
        get(row, C::PitchKmh)?,
        time(C::PitchReleaseSecs)?,
        time(C::PitchArrivalSecs)?,
    ) {
        (Some(speed_kmh), Some(release), Some(arrival)) => Some(PitchPlayed {
            speed_kmh,
            release,
            arrival,
        }),
        _ => None,
    };
    let mut events = Events::default();
    for event in EventName::ALL {
        events = events.with(event, time(C::of_event(event))?);
    }
    let rep = Rep {
        kind: word(row, C::Kind, &KINDS, RepKind::name)?,
        bats: word(row, C::Bats, &BATS, Bats::name)?,
        pitcher: optional_word(row, C::Pitcher, Direction::ALL, Direction::as_str)?,
        view: word(row, C::View, &View::ALL, View::name)?,
        fps: get(row, C::Fps)?,
        events,
        measures: BTreeMap::new(),
        style: Style {
            stance_width_cm: get(row, C::StanceWidthCm)?,
            hand_height_cm: get(row, C::HandHeightCm)?,
            lift_height_cm: get(row, C::LiftHeightCm)?,
            load: optional_word(row, C::Load, &LoadStyle::ALL, LoadStyle::name)?,
        },
        ruler: read_ruler(row)?,
        heard: read_heard(row)?,
        known_at: CaptureTime::from_secs(get(row, C::KnownAtSecs)?),
    };
    Ok(StoredRep {
        id: RepId::new(get(row, C::Id)?),
        session: SessionId::new(get(row, C::Session)?),
        hitter: get::<Option<i64>>(row, RepExtra::Hitter)?.map(HitterId::new),
        hitter_name: get(row, RepExtra::HitterName)?,
        logged_at: stamp(row, C::LoggedAt)?,
        judged: JudgedRep {
            number: get(row, C::Number)?,
            rep,
            bands: AbsoluteBands::new(),
            verdicts: BTreeMap::new(),
            cue,
            no_cue: recorded(row, C::NoCue)?,
            pitch,
        },
        marked: get(row, C::Marked)?,
        excluded: get(row, C::StruckWhy)?,
        label_override: optional_word(row, C::Called, &KINDS, RepKind::name)?,
        moved: get(row, RepExtra::Moved)?,
        made_to_count: get(row, RepExtra::MadeToCount)?,
    })
}

fn read_heard(row: &SqlRow<'_>) -> rusqlite::Result<Option<Heard>> {
    let shown = Heard::Contact {
        plus_minus_ms: get::<Option<f64>>(row, RepColumn::ContactPlusMinusMs)?.unwrap_or_default(),
        level_db: get::<Option<f64>>(row, RepColumn::ContactLevelDb)?.unwrap_or_default(),
    };
    let words = [shown, Heard::Nothing, Heard::Unclear];
    optional_word(row, RepColumn::Heard, &words, Heard::name)
}

fn read_ruler(row: &SqlRow<'_>) -> rusqlite::Result<Option<Ruler>> {
    let scale = (
        get(row, RepColumn::CmPerPx)?,
        get(row, RepColumn::ScaledForCm)?,
        get(row, RepColumn::ScaleSpread)?,
    );
    Ok(match scale {
        (Some(cm_per_px), Some(height_cm), Some(spread)) => Some(Ruler {
            scale: Scale {
                cm_per_px,
                height_cm,
                spread,
            },
            roll_deg: get(row, RepColumn::RollDeg)?,
        }),
        _ => None,
    })
}

/// Prepares what [`read_measures`] asks for each rep, of `measures` or a table with its columns.
pub(in crate::journal) fn prepare_measures<'c>(
    connection: &Sql<'c>,
    table: &str,
) -> rusqlite::Result<SqlStatement<'c>> {
    connection.prepare_cached(&format!(
        "SELECT {} FROM {table} AS measures WHERE rep = ?1",
        MeasureColumn::selection()
    ))
}

/// Adds the rep's measures, verdicts and bands; `select` is of [`prepare_measures`].
///
/// A measure whose name this program does not know is left in the file and passed over.
pub(in crate::journal) fn read_measures(
    select: &mut SqlStatement<'_>,
    id: i64,
    judged: &mut JudgedRep,
) -> rusqlite::Result<()> {
    let mut rows = select.query([id])?;
    while let Some(row) = rows.next()? {
        add_measure(&row, judged)?;
    }
    Ok(())
}

/// Adds their measures, verdicts and bands to some reps: from afar in one question, from a file, where that takes longer, in one
/// for each.
pub(in crate::journal) fn read_measures_of(
    connection: &Sql<'_>,
    reps: &mut [StoredRep],
) -> rusqlite::Result<()> {
    if !connection.is_far() {
        let mut select = prepare_measures(connection, MeasureColumn::TABLE)?;
        for rep in reps {
            read_measures(&mut select, rep.id.get(), &mut rep.judged)?;
        }
        return Ok(());
    }
    let places: HashMap<i64, usize> = reps
        .iter()
        .enumerate()
        .map(|(place, rep)| (rep.id.get(), place))
        .collect();
    let ids: Vec<String> = reps.iter().map(|rep| rep.id.to_string()).collect();
    let mut select = connection.prepare(&format!(
        "SELECT {} FROM measures WHERE rep IN ({})",
        MeasureColumn::selection(),
        ids.join(", ")
    ))?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        if let Some(place) = places.get(&get(&row, MeasureColumn::Rep)?) {
            add_measure(&row, &mut reps[*place].judged)?;
        }
    }
    Ok(())
}

fn add_measure(row: &SqlRow<'_>, judged: &mut JudgedRep) -> rusqlite::Result<()> {
    use MeasureColumn as C;
    let name = row.get_ref(C::Name.index())?.as_str()?;
    let Some(name) = MeasureName::from_name(name) else {
        return Ok(());
    };
    let measure = match get(row, C::Value)? {
        Some(value) => Measure::Made {
            value,
            plus_minus: get(row, C::PlusMinus)?,
            confidence: get(row, C::Confidence)?,
        },
        None => Measure::NotMade {
            why: get::<String>(row, C::Why)?.as_str().into(),
        },
    };
    judged.rep.measures.insert(name, measure);
    if let Some(verdict) = verdict(row, C::Verdict)? {
        judged.verdicts.insert(name, verdict);
    }
    let band = AbsoluteBand {
        low: get(row, C::BandLow)?,
        high: get(row, C::BandHigh)?,
    };
    if band != AbsoluteBand::default() {
        judged.bands.insert(name, band);
    }
    Ok(())
}

/// The columns of a rep's events, for [`read_events`].
pub(in crate::journal) fn event_columns() -> String {
    joined(&RepColumn::events())
}

/// Reads events from a row that has the [`event_columns`] and nothing else.
pub(in crate::journal) fn read_events(row: &SqlRow<'_>) -> rusqlite::Result<Events> {
    let mut events = Events::default();
    for (place, event) in EventName::ALL.into_iter().enumerate() {
        let secs: Option<f64> = row.get(place)?;
        events = events.with(event, secs.map(CaptureTime::from_secs));
    }
    Ok(events)
}

/// Reads a stamp.
pub(in crate::journal) fn stamp(
    row: &SqlRow<'_>,
    column: impl Selected,
) -> rusqlite::Result<Timestamp> {
    stamp_of(row, column.index())
}

/// Reads a stamp that may be missing.
pub(in crate::journal) fn optional_stamp(
    row: &SqlRow<'_>,
    column: impl Selected,
) -> rusqlite::Result<Option<Timestamp>> {
    optional_stamp_of(row, column.index())
}

/// Reads a stamp that may be missing, by the name or place of its column.
pub(in crate::journal) fn optional_stamp_of(
    row: &SqlRow<'_>,
    column: impl Place,
) -> rusqlite::Result<Option<Timestamp>> {
    let place = column.in_row(row)?;
    match row.get_ref(place)? {
        ValueRef::Null => Ok(None),
        _ => stamp_of(row, place).map(Some),
    }
}

/// Reads a stamp by the name or place of its column.
pub(in crate::journal) fn stamp_of(
    row: &SqlRow<'_>,
    column: impl Place,
) -> rusqlite::Result<Timestamp> {
    let place = column.in_row(row)?;
    parse_stamp(row.get_ref(place)?.as_str()?).map_err(|error| {
        rusqlite::Error::FromSqlConversionFailure(place, Type::Text, Box::new(error))
    })
}

/// Reads a verdict, where there is one.
pub(in crate::journal) fn verdict(
    row: &SqlRow<'_>,
    column: impl Selected,
) -> rusqlite::Result<Option<Verdict>> {
    optional_word(row, column, Verdict::ALL, Verdict::as_str)
}

/// Reads the text of an enum that may be missing; one that only other versions know is kept as it is.
fn recorded<T: FromStr>(
    row: &SqlRow<'_>,
    column: impl Selected,
) -> rusqlite::Result<Option<Recorded<T>>> {
    let text = row.get_ref(column.index())?.as_str_or_null()?;
    Ok(text.map(Recorded::from))
}

/// Reads one of a few words.
pub(in crate::journal) fn word<T: Copy>(
    row: &SqlRow<'_>,
    column: impl Selected,
    all: &[T],
    name: impl Fn(T) -> &'static str,
) -> rusqlite::Result<T> {
    let word = row.get_ref(column.index())?.as_str()?;
    all.iter()
        .copied()
        .find(|value| name(*value) == word)
        .ok_or_else(|| {
            let error = format!("'{word}' is not a word of this column");
            rusqlite::Error::FromSqlConversionFailure(column.index(), Type::Text, error.into())
        })
}

/// Reads one of a few words that may be missing.
pub(in crate::journal) fn optional_word<T: Copy>(
    row: &SqlRow<'_>,
    column: impl Selected,
    all: &[T],
    name: impl Fn(T) -> &'static str,
) -> rusqlite::Result<Option<T>> {
    match row.get_ref(column.index())? {
        ValueRef::Null => Ok(None),
        _ => word(row, column, all, name).map(Some),
    }
}
