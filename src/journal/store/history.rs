//! Values of a hitter's swings over time, for plots and baselines.
//!
//! In: a hitter or a session, and measures. Out: values in the order of the reps, without those of excluded reps and of takes.
//! Each query reads no more reps than its limit, by index.

use jiff::Timestamp;
use rusqlite::params;

use super::columns::{Column, Extra, MeasureColumn, MeasureExtra, Selected, get};
use super::read::{stamp, verdict};
use crate::coach::Verdict;
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, RepId, SessionId};
use crate::journal::store::open::JournalReader;
use crate::rep::MeasureName;

/// Picks a hitter's last reps by index alone (`?1` the hitter, `?3` how many), up to the rep `?2`.
fn picked(compared: &str) -> String {
    format!(
        "WITH picked AS (
           SELECT reps.id FROM sessions JOIN reps ON reps.session = sessions.id
           WHERE sessions.hitter IS ?1 AND reps.id {compared} ?2
           ORDER BY reps.id DESC LIMIT ?3)"
    )
}

/// Measures of picked reps that count as swings; only theirs are looked up among the measures.
const OF_SWINGS: &str = "FROM picked JOIN reps ON reps.id = picked.id
     JOIN measures ON measures.rep = reps.id
     WHERE value IS NOT NULL AND struck_why IS NULL AND coalesce(called, kind) = 'swing'";

/// The measure `?4` of a hitter's last swings.
pub(in crate::journal) fn select_swings_measured() -> String {
    format!(
        "{} SELECT {}, {} {OF_SWINGS} AND measures.name = ?4 ORDER BY reps.id",
        picked("<="),
        MeasureColumn::selection(),
        MeasureExtra::selection()
    )
}

/// All measures of a hitter's last swings.
pub(in crate::journal) fn select_values_before() -> String {
    format!(
        "{} SELECT {} {OF_SWINGS}",
        picked("<"),
        MeasureColumn::selection()
    )
}

/// A value of one swing.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct MeasuredSwing {
    /// The rep.
    pub rep: RepId,
    /// Its session.
    pub session: SessionId,
    /// Its number there.
    pub(crate) number: u32,
    /// When it ended.
    pub(crate) logged_at: Timestamp,
    /// The value, in the measure's unit.
    pub(crate) value: f64,
    /// One standard deviation.
    pub(crate) plus_minus: f64,
    /// How it stood against the band it was judged by.
    pub(crate) verdict: Option<Verdict>,
    /// That band's ends.
    pub(crate) band: (Option<f64>, Option<f64>),
    /// Whether the coach marked it.
    pub(crate) marked: bool,
}

impl JournalReader {
    /// One measure's values over a hitter's last swings, the oldest first; `None` for the swings without a named hitter.
    ///
    /// `until` leaves out reps that came after that one; at most `at_most` swings are looked at.
    pub(crate) fn swings_measured(
        &self,
        hitter: Option<HitterId>,
        measure: MeasureName,
        until: Option<RepId>,
        at_most: u32,
    ) -> Result<Vec<MeasuredSwing>, JournalError> {
        self.query("read a measure over time", |c| {
            use MeasureColumn as C;
            let values = params![
                hitter.map(HitterId::get),
                until.map_or(i64::MAX, RepId::get),
                at_most,
                measure.name()
            ];
            c.prepare_cached(&select_swings_measured())?
                .query_map(values, |row| {
                    let known_at: f64 = get(row, MeasureExtra::KnownAtSecs)?;
                    let swing = MeasuredSwing {
                        rep: RepId::new(get(row, C::Rep)?),
                        session: SessionId::new(get(row, MeasureExtra::Session)?),
                        number: get(row, MeasureExtra::Number)?,
                        logged_at: stamp(row, MeasureExtra::LoggedAt)?,
                        value: get(row, C::Value)?,
                        plus_minus: get(row, C::PlusMinus)?,
                        verdict: verdict(row, C::Verdict)?,
                        band: (get(row, C::BandLow)?, get(row, C::BandHigh)?),
                        marked: get(row, MeasureExtra::Marked)?,
                    };
                    Ok((known_at, swing))
                })?
                .collect::<rusqlite::Result<Vec<_>>>()
        })
        .map(|mut swings: Vec<(f64, MeasuredSwing)>| {
            // What the coach made count later stands in its place in time.
            swings.sort_by(|(a, one), (b, other)| {
                one.session.cmp(&other.session).then(a.total_cmp(b))
            });
            swings.into_iter().map(|(_, swing)| swing).collect()
        })
    }

    /// All values of a hitter's last swings before a rep, by measure: their baseline at that time.
    pub(crate) fn values_before(
        &self,
        hitter: Option<HitterId>,
        before: RepId,
        at_most: u32,
    ) -> Result<Vec<(MeasureName, f64)>, JournalError> {
        self.query("read what is usual", |c| {
            use MeasureColumn as C;
            let mut select = c.prepare_cached(&select_values_before())?;
            let mut rows =
                select.query(params![hitter.map(HitterId::get), before.get(), at_most])?;
            let mut values = Vec::new();
            while let Some(row) = rows.next()? {
                if let Some(name) = MeasureName::from_name(row.get_ref(C::Name.index())?.as_str()?)
                {
                    values.push((name, get(row, C::Value)?));
                }
            }
            Ok(values)
        })
    }
}
