//! Rows of the journal's tables, written and read: the SQL of single entries.
//!
//! Functions here work inside the caller's transaction and know nothing of files or locks.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::types::{Type, ValueRef};
use rusqlite::{Connection, OptionalExtension, Row, Statement, TransactionBehavior, params};

use super::open::UncleanSession;
use super::query::StoredRep;
use super::record::{
    HitterId, NewHitter, NewPlan, NewSession, PackedRep, PlanId, RepId, SessionId, writable,
    writable_fps,
};
use super::stamp::{parse_stamp, stamp_text};
use crate::coach::{AbsoluteBand, AbsoluteBands, CueGiven, JudgedRep, PitchPlayed, Verdict};
use crate::motion::Scale;
use crate::rep::{Bats, Events, LoadStyle, Measure, MeasureName, Rep, RepKind, Ruler, Style, View};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// How the note of a session begins that a crash, kill or power cut left open.
pub(super) const UNCLEAN_NOTE: &str = "not ended by cagehand";

const INSERT_SESSION: &str =
    "INSERT INTO sessions (hitter, started_at, source, settings, program_version, plan)
     VALUES (?1, ?2, ?3, ?4, ?5, ?6)";

const INSERT_REP: &str = "INSERT INTO reps (session, number, kind, bats, view, fps,
        set_secs, gather_secs, lift_off_secs, plant_secs, heel_rise_secs, contact_secs, finish_secs,
        known_at_secs, cue, cue_at_secs, cue_latency_ms, logged_at,
        stance_width_cm, hand_height_cm, lift_height_cm, load,
        no_cue, pitch_kmh, pitch_release_secs, pitch_arrival_secs,
        cm_per_px, scaled_for_cm, scale_spread, roll_deg)
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20,
             ?21, ?22, ?23, ?24, ?25, ?26, ?27, ?28, ?29, ?30)";

const INSERT_MEASURE: &str = "INSERT INTO measures (rep, name, value, plus_minus, confidence, verdict, band_low, band_high, why)
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)";

const INSERT_TIMELINE: &str =
    "INSERT INTO timelines (rep, start_secs, width_px, height_px, landmarks)
     VALUES (?1, ?2, ?3, ?4, ?5)";

/// The columns that [`read_rep`] reads, in its order.
pub(super) const REP_COLUMNS: &str =
    "reps.id, reps.session, reps.number, reps.kind, reps.bats, reps.view, reps.fps,
     reps.set_secs, reps.gather_secs, reps.lift_off_secs, reps.plant_secs, reps.heel_rise_secs,
     reps.contact_secs, reps.finish_secs, reps.known_at_secs,
     reps.cue, reps.cue_at_secs, reps.cue_latency_ms, reps.logged_at, sessions.hitter, hitters.name,
     reps.stance_width_cm, reps.hand_height_cm, reps.lift_height_cm, reps.load,
     reps.no_cue, reps.pitch_kmh, reps.pitch_release_secs, reps.pitch_arrival_secs,
     reps.marked, reps.struck_why, reps.called,
     reps.cm_per_px, reps.scaled_for_cm, reps.scale_spread, reps.roll_deg,
     EXISTS (SELECT 1 FROM found_events WHERE rep = reps.id)";

/// The tables behind [`REP_COLUMNS`].
pub(super) const REP_TABLES: &str = "reps JOIN sessions ON sessions.id = reps.session LEFT JOIN hitters ON hitters.id = sessions.hitter";

/// The measures of one rep, for [`read_measures`].
pub(super) const SELECT_MEASURES: &str = "SELECT name, value, plus_minus, confidence, verdict, band_low, band_high, why FROM measures WHERE rep = ?1";

/// Finds the hitter of this name and brings side and height up to date, or adds one.
pub(super) fn find_or_add_hitter(
    connection: &Connection,
    hitter: &NewHitter,
    now: Timestamp,
) -> rusqlite::Result<HitterId> {
    let name = hitter
        .name
        .as_deref()
        .map(str::trim)
        .filter(|name| !name.is_empty());
    let bats = hitter.bats.map(Bats::name);
    // What is not a height is not kept; the height is an aid here, not a measurement.
    let height_cm = hitter.height_cm.filter(|cm| cm.is_finite() && *cm > 0.0);
    let known = name
        .map(|name| {
            connection
                .query_row("SELECT id FROM hitters WHERE name = ?1", [name], |row| {
                    row.get(0)
                })
                .optional()
        })
        .transpose()?
        .flatten();
    if let Some(id) = known {
        connection.execute(
            "UPDATE hitters SET bats = coalesce(?2, bats), height_cm = coalesce(?3, height_cm) WHERE id = ?1",
            params![id, bats, height_cm],
        )?;
        return Ok(HitterId::new(id));
    }
    connection.execute(
        "INSERT INTO hitters (name, bats, height_cm, created_at) VALUES (?1, ?2, ?3, ?4)",
        params![name, bats, height_cm, stamp_text(now)],
    )?;
    Ok(HitterId::new(connection.last_insert_rowid()))
}

/// Adds a session.
pub(super) fn insert_session(
    connection: &Connection,
    hitter: Option<HitterId>,
    session: &NewSession,
) -> rusqlite::Result<SessionId> {
    let plan = session
        .plan
        .as_ref()
        .map(|plan| find_or_add_plan(connection, hitter, plan, session.started_at))
        .transpose()?;
    connection.execute(
        INSERT_SESSION,
        params![
            hitter.map(HitterId::get),
            stamp_text(session.started_at),
            session.source,
            session.settings,
            session.program_version,
            plan.map(PlanId::get),
        ],
    )?;
    Ok(SessionId::new(connection.last_insert_rowid()))
}

/// The hitter's newest plan if it is this one to the letter, else a new entry; plans are never changed.
pub(super) fn find_or_add_plan(
    connection: &Connection,
    hitter: Option<HitterId>,
    plan: &NewPlan,
    now: Timestamp,
) -> rusqlite::Result<PlanId> {
    let newest: Option<(i64, String, String)> = connection
        .query_row(
            "SELECT id, name, text FROM plans WHERE hitter IS ?1 ORDER BY id DESC LIMIT 1",
            [hitter.map(HitterId::get)],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()?;
    if let Some((id, name, text)) = newest
        && (&name, &text) == (&plan.name, &plan.text)
    {
        return Ok(PlanId::new(id));
    }
    connection.execute(
        "INSERT INTO plans (hitter, name, text, made_at) VALUES (?1, ?2, ?3, ?4)",
        params![
            hitter.map(HitterId::get),
            plan.name,
            plan.text,
            stamp_text(now)
        ],
    )?;
    Ok(PlanId::new(connection.last_insert_rowid()))
}

/// Adds a rep with its measures and its timeline.
pub(super) fn insert_rep(
    connection: &Connection,
    session: SessionId,
    packed: &PackedRep,
) -> rusqlite::Result<RepId> {
    let JudgedRep {
        number,
        rep,
        bands,
        verdicts,
        cue,
        no_cue,
        pitch,
    } = &packed.judged;
    let secs = |at: Option<CaptureTime>| at.map(CaptureTime::secs);
    let length = |cm: Option<f64>| cm.filter(|cm| cm.is_finite());
    let events = &rep.events;
    let scale = rep.ruler.map(|ruler| ruler.scale);
    connection.prepare_cached(INSERT_REP)?.execute(params![
        session.get(),
        number,
        rep.kind.name(),
        rep.bats.name(),
        rep.view.name(),
        writable_fps(rep.fps),
        secs(events.set),
        secs(events.gather),
        secs(events.lift_off),
        secs(events.plant),
        secs(events.heel_rise),
        secs(events.contact),
        secs(events.finish),
        rep.known_at.secs(),
        cue.as_ref().map(|cue| cue.id.as_str()),
        cue.as_ref().map(|cue| cue.at.secs()),
        cue.as_ref().and_then(|cue| cue.latency_ms),
        stamp_text(packed.logged_at),
        length(rep.style.stance_width_cm),
        length(rep.style.hand_height_cm),
        length(rep.style.lift_height_cm),
        rep.style.load.map(LoadStyle::name),
        // A cue that was heard needs no reason.
        no_cue
            .as_ref()
            .map(Recorded::as_str)
            .filter(|_| cue.is_none()),
        pitch.map(|pitch| pitch.speed_kmh),
        pitch.map(|pitch| pitch.release.secs()),
        pitch.map(|pitch| pitch.arrival.secs()),
        scale.map(|scale| scale.cm_per_px),
        scale.map(|scale| scale.height_cm),
        scale.map(|scale| scale.spread),
        rep.ruler.and_then(|ruler| ruler.roll_deg),
    ])?;
    let id = connection.last_insert_rowid();
    insert_measures(connection, id, &rep.measures, bands, verdicts)?;
    if let Some(timeline) = &packed.timeline {
        connection
            .prepare_cached(INSERT_TIMELINE)?
            .execute(params![
                id,
                timeline.start.secs(),
                timeline.picture.width_px,
                timeline.picture.height_px,
                timeline.landmarks,
            ])?;
    }
    Ok(RepId::new(id))
}

/// Adds the measures of the rep with this id, with how they were judged.
pub(super) fn insert_measures(
    connection: &Connection,
    id: i64,
    measures: &BTreeMap<MeasureName, Measure>,
    bands: &AbsoluteBands,
    verdicts: &BTreeMap<MeasureName, Verdict>,
) -> rusqlite::Result<()> {
    let mut insert_measure = connection.prepare_cached(INSERT_MEASURE)?;
    for (name, measure) in measures {
        let band = bands.get(name).copied().unwrap_or_default();
        let (made, why) = match writable(measure) {
            Measure::Made {
                value,
                plus_minus,
                confidence,
            } => (Some((value, plus_minus, confidence)), None),
            Measure::NotMade { why } => (None, Some(why)),
        };
        insert_measure.execute(params![
            id,
            name.name(),
            made.map(|m| m.0),
            made.map(|m| m.1),
            made.map(|m| m.2),
            // Without a value there is nothing to judge.
            made.and(verdicts.get(name)).map(|verdict| verdict.name()),
            band.low,
            band.high,
            why.as_ref().map(Recorded::as_str),
        ])?;
    }
    Ok(())
}

/// The rep with this number in this session, if it was the same swing: one that ended at the same
/// capture time. It tells a second try of one rep from two reps with one number.
pub(super) fn find_same_rep(
    connection: &Connection,
    session: SessionId,
    judged: &JudgedRep,
) -> rusqlite::Result<Option<RepId>> {
    connection
        .query_row(
            "SELECT id FROM reps WHERE session = ?1 AND number = ?2 AND known_at_secs = ?3",
            params![session.get(), judged.number, judged.rep.known_at.secs()],
            |row| row.get(0),
        )
        .optional()
        .map(|id| id.map(RepId::new))
}

/// Ends every session that is still open, at its last rep, with a note.
pub(super) fn close_unclean_sessions(
    connection: &mut Connection,
    now: Timestamp,
) -> rusqlite::Result<Vec<UncleanSession>> {
    let change = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let unclean: Vec<UncleanSession> = change
        .prepare(
            "SELECT id, started_at,
                    max(started_at, coalesce((SELECT max(logged_at) FROM reps WHERE session = sessions.id), '')),
                    (SELECT count(*) FROM reps WHERE session = sessions.id)
             FROM sessions WHERE ended_at IS NULL ORDER BY id",
        )?
        .query_map([], |row| {
            Ok(UncleanSession {
                id: SessionId::new(row.get(0)?),
                started_at: stamp_at(row, 1)?,
                ended_at: stamp_at(row, 2)?,
                reps: row.get(3)?,
            })
        })?
        .collect::<rusqlite::Result<_>>()?;
    let note = format!(
        "{UNCLEAN_NOTE}; closed at its last rep by the start at {}",
        stamp_text(now)
    );
    for session in &unclean {
        change.execute(
            "UPDATE sessions SET ended_at = ?2, end_note = ?3 WHERE id = ?1",
            params![session.id.get(), stamp_text(session.ended_at), note],
        )?;
    }
    change.commit()?;
    Ok(unclean)
}

/// Reads a rep without its measures from a row of [`REP_COLUMNS`].
pub(super) fn read_rep(row: &Row<'_>) -> rusqlite::Result<StoredRep> {
    let time = |i: usize| -> rusqlite::Result<Option<CaptureTime>> {
        Ok(row.get::<_, Option<f64>>(i)?.map(CaptureTime::from_secs))
    };
    let events = Events {
        set: time(7)?,
        gather: time(8)?,
        lift_off: time(9)?,
        plant: time(10)?,
        heel_rise: time(11)?,
        contact: time(12)?,
        finish: time(13)?,
    };
    let cue = match (row.get::<_, Option<String>>(15)?, time(16)?) {
        (Some(id), Some(at)) => Some(CueGiven {
            id: id.as_str().into(),
            at,
            latency_ms: row.get(17)?,
        }),
        _ => None,
    };
    let style = Style {
        stance_width_cm: row.get(21)?,
        hand_height_cm: row.get(22)?,
        lift_height_cm: row.get(23)?,
        load: match row.get_ref(24)? {
            ValueRef::Null => None,
            _ => Some(word_at(row, 24, &LoadStyle::ALL, LoadStyle::name)?),
        },
    };
    let pitch = match (row.get::<_, Option<f64>>(26)?, time(27)?, time(28)?) {
        (Some(speed_kmh), Some(release), Some(arrival)) => Some(PitchPlayed {
            speed_kmh,
            release,
            arrival,
        }),
        _ => None,
    };
    let rep = Rep {
        kind: word_at(row, 3, &[RepKind::Swing, RepKind::Take], RepKind::name)?,
        bats: word_at(row, 4, &[Bats::Left, Bats::Right], Bats::name)?,
        view: word_at(
            row,
            5,
            &[View::OpenSide, View::Rear, View::Front],
            View::name,
        )?,
        fps: row.get(6)?,
        events,
        measures: BTreeMap::new(),
        style,
        ruler: match (row.get(32)?, row.get(33)?, row.get(34)?) {
            (Some(cm_per_px), Some(height_cm), Some(spread)) => Some(Ruler {
                scale: Scale {
                    cm_per_px,
                    height_cm,
                    spread,
                },
                roll_deg: row.get(35)?,
            }),
            _ => None,
        },
        known_at: CaptureTime::from_secs(row.get(14)?),
    };
    Ok(StoredRep {
        id: RepId::new(row.get(0)?),
        session: SessionId::new(row.get(1)?),
        hitter: row.get::<_, Option<i64>>(19)?.map(HitterId::new),
        hitter_name: row.get(20)?,
        logged_at: stamp_at(row, 18)?,
        judged: JudgedRep {
            number: row.get(2)?,
            rep,
            bands: AbsoluteBands::new(),
            verdicts: BTreeMap::new(),
            cue,
            no_cue: row
                .get::<_, Option<String>>(25)?
                .as_deref()
                .map(Recorded::from),
            pitch,
        },
        marked: row.get(29)?,
        struck: row.get(30)?,
        called: match row.get_ref(31)? {
            ValueRef::Null => None,
            _ => Some(word_at(
                row,
                31,
                &[RepKind::Swing, RepKind::Take],
                RepKind::name,
            )?),
        },
        moved: row.get(36)?,
    })
}

/// Adds the rep's measures, verdicts and bands; `select` is [`SELECT_MEASURES`].
///
/// A measure whose name this program does not know is left in the file and passed over.
pub(super) fn read_measures(
    select: &mut Statement<'_>,
    stored: &mut StoredRep,
) -> rusqlite::Result<()> {
    let mut rows = select.query([stored.id.get()])?;
    while let Some(row) = rows.next()? {
        let Some(name) = MeasureName::from_name(row.get_ref(0)?.as_str()?) else {
            continue;
        };
        let measure = match row.get::<_, Option<f64>>(1)? {
            Some(value) => Measure::Made {
                value,
                plus_minus: row.get(2)?,
                confidence: row.get(3)?,
            },
            None => Measure::NotMade {
                why: row.get::<_, String>(7)?.as_str().into(),
            },
        };
        stored.judged.rep.measures.insert(name, measure);
        if row.get_ref(4)? != ValueRef::Null {
            let all = [Verdict::In, Verdict::Low, Verdict::High];
            stored
                .judged
                .verdicts
                .insert(name, word_at(row, 4, &all, Verdict::name)?);
        }
        let band = AbsoluteBand {
            low: row.get(5)?,
            high: row.get(6)?,
        };
        if band != AbsoluteBand::default() {
            stored.judged.bands.insert(name, band);
        }
    }
    Ok(())
}

/// Reads a stamp.
pub(super) fn stamp_at(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    parse_stamp(row.get_ref(column)?.as_str()?).map_err(|error| {
        rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error))
    })
}

/// Reads one of a few words.
pub(super) fn word_at<T: Copy>(
    row: &Row<'_>,
    column: usize,
    all: &[T],
    name: impl Fn(T) -> &'static str,
) -> rusqlite::Result<T> {
    let word = row.get_ref(column)?.as_str()?;
    all.iter()
        .copied()
        .find(|value| name(*value) == word)
        .ok_or_else(|| {
            let error = format!("'{word}' is not a word of this column");
            rusqlite::Error::FromSqlConversionFailure(column, Type::Text, error.into())
        })
}
