//! Rows of the journal's tables, written.
//!
//! Functions here work inside the caller's transaction and know nothing of files or locks.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, ToSql, TransactionBehavior, params};

use super::columns::{
    Column, HitterColumn, MeasureColumn, PlanColumn, RepColumn, SessionColumn, TimelineColumn,
    insert, insert_into,
};
use super::consents::keeps_landmarks;
use super::kept_settings::kept_settings;
use super::open::UncleanSession;
use super::read::stamp_of;
use super::sql::{Sql, is, params_from_iter};
use crate::coach::{AbsoluteBands, JudgedRep, Verdict};
use crate::journal::record::{
    HitterId, NewHitter, NewPlan, NewSession, PackedRep, PackedTimeline, PlanId, RepId, SaidBy,
    SessionId, writable, writable_fps,
};
use crate::journal::stamp::stamp_text;
use crate::motion::Direction;
use crate::rep::{Bats, EventName, Heard, LoadStyle, Measure, MeasureName};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

/// The beginning of the note on a session that a crash, kill or power cut left open.
pub(in crate::journal) const UNCLEAN_NOTE: &str = "not ended by cagehand";

/// Finds the hitter of this name and brings side and height up to date, or adds one.
pub(in crate::journal) fn find_or_add_hitter(
    connection: &Sql<'_>,
    hitter: &NewHitter,
    now: Timestamp,
) -> rusqlite::Result<HitterId> {
    let name = hitter
        .name
        .as_deref()
        .map(str::trim)
        .filter(|name| !name.is_empty());
    let bats = hitter.bats.map(Bats::name);
    // A height that is not a positive number is left out: it is an aid here, not a measurement.
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
    use HitterColumn as C;
    insert(
        connection,
        &[
            (C::Name, &name),
            (C::Bats, &bats),
            (C::HeightCm, &height_cm),
            (C::CreatedAt, &stamp_text(now)),
        ],
    )
    .map(HitterId::new)
}

/// Adds a session.
pub(in crate::journal) fn insert_session(
    connection: &Sql<'_>,
    hitter: Option<HitterId>,
    session: &NewSession,
) -> rusqlite::Result<SessionId> {
    let plan = session
        .plan
        .as_ref()
        .map(|plan| find_or_add_plan(connection, hitter, plan, session.started_at, None))
        .transpose()?;
    use SessionColumn as C;
    insert(
        connection,
        &[
            (C::Hitter, &hitter.map(HitterId::get)),
            (C::StartedAt, &stamp_text(session.started_at)),
            (C::Source, &session.source),
            (C::Settings, &kept_settings(&session.settings)),
            (C::ProgramVersion, &session.program_version),
            (C::Plan, &plan.map(PlanId::get)),
            (C::SaidBy, &session.said_by.map(SaidBy::as_str)),
        ],
    )
    .map(SessionId::new)
}

/// The hitter's newest plan if it is identical, else a new row by `made_by`; stored plans are never changed.
pub(in crate::journal) fn find_or_add_plan(
    connection: &Sql<'_>,
    hitter: Option<HitterId>,
    plan: &NewPlan,
    now: Timestamp,
    made_by: Option<&str>,
) -> rusqlite::Result<PlanId> {
    let newest: Option<(i64, String, String)> = connection
        .query_row(
            &format!(
                "SELECT id, name, text FROM plans WHERE {} ORDER BY turn DESC, uid DESC LIMIT 1",
                is("hitter", hitter, "?")
            ),
            params_from_iter(hitter.map(HitterId::get)),
            |row| Ok((row.get("id")?, row.get("name")?, row.get("text")?)),
        )
        .optional()?;
    if let Some((id, name, text)) = newest
        && (&name, &text) == (&plan.name, &plan.text)
    {
        return Ok(PlanId::new(id));
    }
    use PlanColumn as C;
    insert(
        connection,
        &[
            (C::Hitter, &hitter.map(HitterId::get)),
            (C::Name, &plan.name),
            (C::Text, &plan.text),
            (C::MadeAt, &stamp_text(now)),
            (C::MadeBy, &made_by),
        ],
    )
    .map(PlanId::new)
}

/// Adds a rep with its measures and its timeline.
pub(in crate::journal) fn insert_rep(
    connection: &Sql<'_>,
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
        ..
    } = &packed.judged;
    use RepColumn as C;
    let cue = cue.as_ref();
    // A cue that was heard needs no reason.
    let no_cue = no_cue
        .as_ref()
        .map(Recorded::as_str)
        .filter(|_| cue.is_none());
    let (plus_minus_ms, level_db) = match rep.heard {
        Some(Heard::Contact {
            plus_minus_ms,
            level_db,
        }) => (Some(plus_minus_ms), Some(level_db)),
        Some(Heard::Nothing | Heard::Unclear) | None => (None, None),
    };
    let described = described(session, packed);
    let described: Vec<(C, &dyn ToSql)> = described
        .iter()
        .map(|(column, value)| (*column, value as &dyn ToSql))
        .collect();
    let id = insert(
        connection,
        &[
            &described[..],
            &[
                (C::Number, number),
                (C::Cue, &cue.map(|cue| cue.id.as_str())),
                (C::CueAtSecs, &cue.map(|cue| cue.at.secs())),
                (C::CueLatencyMs, &cue.and_then(|cue| cue.latency_ms)),
                (C::NoCue, &no_cue),
                (C::Heard, &rep.heard.map(Heard::name)),
                (C::ContactPlusMinusMs, &plus_minus_ms),
                (C::ContactLevelDb, &level_db),
            ],
        ]
        .concat(),
    )?;
    insert_measures(
        connection,
        MeasureColumn::TABLE,
        id,
        &rep.measures,
        bands,
        verdicts,
    )?;
    if let Some(timeline) = &packed.timeline
        && keeps_landmarks(connection, session)?
    {
        insert_timeline(connection, TimelineColumn::TABLE, id, timeline)?;
    }
    Ok(RepId::new(id))
}

/// What a rep's row says of the movement, whether it counts or not.
pub(in crate::journal) fn described(
    session: SessionId,
    packed: &PackedRep,
) -> Vec<(RepColumn, Value)> {
    let JudgedRep { rep, pitch, .. } = &packed.judged;
    use RepColumn as C;
    let length = |cm: Option<f64>| Value::from(cm.filter(|cm| cm.is_finite()));
    let text = |text: &str| Value::from(text.to_owned());
    let optional_text = |text: Option<&str>| Value::from(text.map(str::to_owned));
    let scale = rep.ruler.map(|ruler| ruler.scale);
    let mut values = vec![
        (C::Session, session.get().into()),
        (C::Kind, text(rep.kind.name())),
        (C::Bats, text(rep.bats.name())),
        (C::View, text(rep.view.name())),
        (C::Fps, writable_fps(rep.fps).into()),
        (C::KnownAtSecs, rep.known_at.secs().into()),
        (C::LoggedAt, stamp_text(packed.logged_at).into()),
        (C::StanceWidthCm, length(rep.style.stance_width_cm)),
        (C::HandHeightCm, length(rep.style.hand_height_cm)),
        (C::LiftHeightCm, length(rep.style.lift_height_cm)),
        (C::Load, optional_text(rep.style.load.map(LoadStyle::name))),
        (C::PitchKmh, pitch.map(|pitch| pitch.speed_kmh).into()),
        (
            C::PitchReleaseSecs,
            pitch.map(|pitch| pitch.release.secs()).into(),
        ),
        (
            C::PitchArrivalSecs,
            pitch.map(|pitch| pitch.arrival.secs()).into(),
        ),
        (C::CmPerPx, scale.map(|scale| scale.cm_per_px).into()),
        (C::ScaledForCm, scale.map(|scale| scale.height_cm).into()),
        (C::ScaleSpread, scale.map(|scale| scale.spread).into()),
        (
            C::RollDeg,
            rep.ruler.and_then(|ruler| ruler.roll_deg).into(),
        ),
        (
            C::Pitcher,
            optional_text(rep.pitcher.map(Direction::as_str)),
        ),
    ];
    values.extend(EventName::ALL.map(|event| {
        let secs = rep.events.at(event).map(CaptureTime::secs);
        (C::of_event(event), secs.into())
    }));
    values
}

/// Adds landmarks to `timelines` or a table with its columns.
pub(in crate::journal) fn insert_timeline(
    connection: &Sql<'_>,
    table: &str,
    rep: i64,
    timeline: &PackedTimeline,
) -> rusqlite::Result<()> {
    use TimelineColumn as C;
    insert_into(
        connection,
        table,
        &[
            (C::Rep, &rep),
            (C::StartSecs, &timeline.start.secs()),
            (C::WidthPx, &timeline.picture.width_px),
            (C::HeightPx, &timeline.picture.height_px),
            (C::Landmarks, &timeline.landmarks),
        ],
    )
}

/// Adds the measures of the rep with this id, with how they were judged, to `measures` or a table with its columns.
pub(in crate::journal) fn insert_measures(
    connection: &Sql<'_>,
    table: &str,
    id: i64,
    measures: &BTreeMap<MeasureName, Measure>,
    bands: &AbsoluteBands,
    verdicts: &BTreeMap<MeasureName, Verdict>,
) -> rusqlite::Result<()> {
    use MeasureColumn as C;
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
        // Without a value there is nothing to judge.
        let verdict = made.and(verdicts.get(name)).map(|verdict| verdict.as_str());
        insert_into(
            connection,
            table,
            &[
                (C::Rep, &id),
                (C::Name, &name.name()),
                (C::Value, &made.map(|made| made.0)),
                (C::PlusMinus, &made.map(|made| made.1)),
                (C::Confidence, &made.map(|made| made.2)),
                (C::Verdict, &verdict),
                (C::BandLow, &band.low),
                (C::BandHigh, &band.high),
                (C::Why, &why.as_ref().map(Recorded::as_str)),
            ],
        )?;
    }
    Ok(())
}

/// The rep with this number in this session, if it was the same swing: one that ended at the same
/// capture time. This tells a retry from a second rep with the same number.
pub(in crate::journal) fn find_same_rep(
    connection: &Sql<'_>,
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
pub(in crate::journal) fn close_unclean_sessions(
    connection: &mut Connection,
    now: Timestamp,
) -> rusqlite::Result<Vec<UncleanSession>> {
    let change = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let sql = Sql::of_file(&change);
    let unclean: Vec<UncleanSession> = sql
        .prepare(
            "SELECT id, started_at,
                    max(started_at, coalesce((SELECT max(logged_at) FROM reps WHERE session = sessions.id), ''))
                        AS last_at,
                    (SELECT count(*) FROM reps WHERE session = sessions.id) AS reps
             FROM sessions WHERE ended_at IS NULL ORDER BY id",
        )?
        .query_map([], |row| {
            Ok(UncleanSession {
                id: SessionId::new(row.get("id")?),
                started_at: stamp_of(row, "started_at")?,
                ended_at: stamp_of(row, "last_at")?,
                reps: row.get("reps")?,
            })
        })?
        .collect::<rusqlite::Result<_>>()?;
    let note = format!(
        "{UNCLEAN_NOTE}; closed at its last rep by the start at {}",
        stamp_text(now)
    );
    for session in &unclean {
        sql.execute(
            "UPDATE sessions SET ended_at = ?2, end_note = ?3 WHERE id = ?1",
            params![session.id.get(), stamp_text(session.ended_at), note],
        )?;
    }
    change.commit()?;
    Ok(unclean)
}
