//! Values of a hitter's swings over time, for plots and for what is usual.
//!
//! In: a hitter or a session, and measures. Out: values in the order of the reps, without those of struck reps and of takes.
//! Each question reads at most as many reps as it was told to, by index.

use jiff::Timestamp;
use rusqlite::params;

use super::error::JournalError;
use super::open::JournalReader;
use super::record::{HitterId, RepId, SessionId};
use super::rows::{stamp_at, word_at};
use crate::coach::Verdict;
use crate::rep::MeasureName;

/// The reps are picked first, by index alone; only theirs are looked up among the measures.
pub(super) const SWINGS_MEASURED: &str = "WITH picked AS (
      SELECT reps.id FROM sessions JOIN reps ON reps.session = sessions.id
      WHERE sessions.hitter IS ?1 AND reps.id <= ?2
      ORDER BY reps.id DESC LIMIT ?3)
     SELECT reps.id, reps.session, reps.number, reps.logged_at, value, plus_minus, verdict,
         band_low, band_high, marked
     FROM picked JOIN reps ON reps.id = picked.id
     JOIN measures ON measures.rep = reps.id AND measures.name = ?4
     WHERE value IS NOT NULL AND struck_why IS NULL AND coalesce(called, kind) = 'swing'
     ORDER BY reps.id";

/// The same for all measures at once.
pub(super) const VALUES_BEFORE: &str = "WITH picked AS (
      SELECT reps.id FROM sessions JOIN reps ON reps.session = sessions.id
      WHERE sessions.hitter IS ?1 AND reps.id < ?2
      ORDER BY reps.id DESC LIMIT ?3)
     SELECT name, value FROM picked JOIN reps ON reps.id = picked.id
     JOIN measures ON measures.rep = reps.id
     WHERE value IS NOT NULL AND struck_why IS NULL AND coalesce(called, kind) = 'swing'";

/// A value of one swing.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredSwing {
    /// The rep.
    pub rep: RepId,
    /// Its session.
    pub session: SessionId,
    /// Its number there.
    pub number: u32,
    /// When it ended.
    pub logged_at: Timestamp,
    /// The value, in the measure's unit.
    pub value: f64,
    /// One standard deviation.
    pub plus_minus: f64,
    /// How it stood against the band it was judged by.
    pub verdict: Option<Verdict>,
    /// That band's ends.
    pub band: (Option<f64>, Option<f64>),
    /// Whether the coach marked it.
    pub marked: bool,
}

impl JournalReader {
    /// One measure's values over a hitter's last swings, the oldest first; `None` for the swings of nobody named.
    ///
    /// `until` leaves out reps that came after that one; at most `at_most` swings are looked at.
    pub fn swings_measured(
        &self,
        hitter: Option<HitterId>,
        measure: MeasureName,
        until: Option<RepId>,
        at_most: u32,
    ) -> Result<Vec<MeasuredSwing>, JournalError> {
        self.ask("read a measure over time", |c| {
            let mut select = c.prepare_cached(SWINGS_MEASURED)?;
            select
                .query_map(
                    params![
                        hitter.map(HitterId::get),
                        until.map_or(i64::MAX, RepId::get),
                        at_most,
                        measure.name()
                    ],
                    |row| {
                        let all = [Verdict::In, Verdict::Low, Verdict::High];
                        let judged = row.get_ref(6)? != rusqlite::types::ValueRef::Null;
                        Ok(MeasuredSwing {
                            rep: RepId::new(row.get(0)?),
                            session: SessionId::new(row.get(1)?),
                            number: row.get(2)?,
                            logged_at: stamp_at(row, 3)?,
                            value: row.get(4)?,
                            plus_minus: row.get(5)?,
                            verdict: match judged {
                                true => Some(word_at(row, 6, &all, Verdict::name)?),
                                false => None,
                            },
                            band: (row.get(7)?, row.get(8)?),
                            marked: row.get(9)?,
                        })
                    },
                )?
                .collect()
        })
    }

    /// All values of a hitter's last swings before a rep, by measure: what was usual for them then.
    pub fn values_before(
        &self,
        hitter: Option<HitterId>,
        before: RepId,
        at_most: u32,
    ) -> Result<Vec<(MeasureName, f64)>, JournalError> {
        self.ask("read what is usual", |c| {
            let mut select = c.prepare_cached(VALUES_BEFORE)?;
            let mut rows =
                select.query(params![hitter.map(HitterId::get), before.get(), at_most])?;
            let mut values = Vec::new();
            while let Some(row) = rows.next()? {
                if let Some(name) = MeasureName::from_name(row.get_ref(0)?.as_str()?) {
                    values.push((name, row.get(1)?));
                }
            }
            Ok(values)
        })
    }
}
