//! Values of a hitter's swings over time, for plots and baselines.
//!
//! In: a hitter or a session, and measures. Out: values in the order of the reps, without those of excluded reps and of takes.
//! Each query reads no more reps than its limit, by index.

use jiff::Timestamp;
use rusqlite::{ToSql, params};

use super::columns::{Extra, SwingColumn, get};
use super::read::{stamp, verdict};
use super::sql::is;
use crate::coach::{Baselines, Verdict};
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, RepId, SessionId};
use crate::journal::store::hitters::HitterChoice;
use crate::journal::store::open::JournalReader;
use crate::journal::store::query::RepFilter;
use crate::rep::MeasureName;

/// A hitter's last reps by when they hit, which a clip's may have done long before it was read (`?1` the hitter, `?2` how many);
/// `until` keeps those that stand so to a rep in time, such as `<= ?4`. By index alone, and no further than to the last one: SQLite
/// goes through a `CROSS JOIN` in the order in which it is written.
fn picked(hitter: Option<HitterId>, until: Option<(&str, &str)>) -> String {
    let of_hitter = is("sessions.hitter", hitter, "?1");
    let until = until.map_or_else(String::new, |(stands, rep)| {
        format!(
            "AND (sessions.started_at, sessions.id, reps.number) {stands}
             (SELECT began.started_at, last.session, last.number
              FROM reps AS last JOIN sessions AS began ON began.id = last.session WHERE last.id = {rep})"
        )
    });
    format!(
        "WITH picked AS (
           SELECT reps.id, reps.session, reps.number, reps.logged_at, reps.marked, reps.known_at_secs, sessions.started_at,
                  struck_why IS NULL AND coalesce(called, kind) = 'swing' AS is_swing
           FROM sessions CROSS JOIN reps
           WHERE reps.session = sessions.id AND {of_hitter} {until}
           ORDER BY sessions.started_at DESC, sessions.id DESC, reps.number DESC LIMIT ?2)"
    )
}

/// Measures of picked reps that count as swings; only theirs are looked up among the measures.
const OF_SWINGS: &str =
    "FROM picked JOIN measures ON measures.rep = picked.id WHERE value IS NOT NULL AND is_swing";

/// The measure `?3` of a hitter's last swings, up to the rep `?4` where there is one.
pub(in crate::journal) fn select_swings_measured(hitter: Option<HitterId>, until: bool) -> String {
    format!(
        "{} SELECT {} {OF_SWINGS} AND measures.name = ?3",
        picked(hitter, until.then_some(("<=", "?4"))),
        SwingColumn::selection()
    )
}

/// Names and values of all measures of a hitter's last swings before the rep `?3`.
pub(in crate::journal) fn select_values_before(hitter: Option<HitterId>) -> String {
    format!(
        "{} SELECT measures.name, measures.value {OF_SWINGS}",
        picked(hitter, Some(("<", "?3")))
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
    /// A hitter's baselines from all of their stored swings; the first `swings` of them fix a baseline. A hitter who is not in the
    /// journal yet has none.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn baselines_of(
        &self,
        hitter: &HitterChoice,
        swings: usize,
    ) -> Result<Baselines, JournalError> {
        let filter = RepFilter {
            hitter: Some(hitter.clone()),
            ..RepFilter::default()
        };
        let mut baselines = Baselines::new(swings);
        let read = self.for_each_rep(&filter, |stored| {
            if stored.counts_as_swing() {
                baselines.add(&stored.judged.rep);
            }
            Ok(())
        });
        match read {
            Ok(_) | Err(JournalError::NoSuchHitter { .. }) => Ok(baselines),
            Err(error) => Err(error),
        }
    }

    /// One measure's values over a hitter's last swings, the oldest first; `None` for the swings without a named hitter.
    ///
    /// `until` leaves out reps that came after that one; at most `at_most` reps are looked at.
    pub(crate) fn swings_measured(
        &self,
        hitter: Option<HitterId>,
        measure: MeasureName,
        until: Option<RepId>,
        at_most: u32,
    ) -> Result<Vec<MeasuredSwing>, JournalError> {
        self.query("read a measure over time", |c| {
            use SwingColumn as C;
            let select = select_swings_measured(hitter, until.is_some());
            let (hitter, measure) = (hitter.map(HitterId::get), measure.name());
            let until = until.map(RepId::get);
            let values: &[&dyn ToSql] = match &until {
                Some(until) => &[&hitter, &at_most, &measure, until],
                None => &[&hitter, &at_most, &measure],
            };
            c.prepare_cached(&select)?
                .query_map(values, |row| {
                    let began: String = get(row, C::SessionStartedAt)?;
                    let known_at: f64 = get(row, C::KnownAtSecs)?;
                    let swing = MeasuredSwing {
                        rep: RepId::new(get(row, C::Rep)?),
                        session: SessionId::new(get(row, C::Session)?),
                        number: get(row, C::Number)?,
                        logged_at: stamp(row, C::LoggedAt)?,
                        value: get(row, C::Value)?,
                        plus_minus: get(row, C::PlusMinus)?,
                        verdict: verdict(row, C::Verdict)?,
                        band: (get(row, C::BandLow)?, get(row, C::BandHigh)?),
                        marked: get(row, C::Marked)?,
                    };
                    Ok((began, known_at, swing))
                })?
                .collect::<rusqlite::Result<Vec<_>>>()
        })
        .map(|mut swings: Vec<(String, f64, MeasuredSwing)>| {
            // What the coach made count later stands in its place in time, and so does a clip.
            swings.sort_by(|(began, at, one), (other_began, other_at, other)| {
                let sessions = (began, one.session).cmp(&(other_began, other.session));
                sessions.then(at.total_cmp(other_at))
            });
            swings.into_iter().map(|(.., swing)| swing).collect()
        })
    }

    /// How many swings of a session are within the range of a measure, of those that were judged by it.
    pub(crate) fn in_range(
        &self,
        session: SessionId,
        measure: MeasureName,
    ) -> Result<(u32, u32), JournalError> {
        self.query("count the swings in range", |c| {
            c.prepare_cached(
                "SELECT count(*) FILTER (WHERE measures.verdict = 'in') AS inside, count(*) AS judged
                 FROM reps JOIN measures ON measures.rep = reps.id
                 WHERE reps.session = ?1 AND measures.name = ?2 AND measures.verdict IS NOT NULL
                   AND struck_why IS NULL AND coalesce(called, kind) = 'swing'",
            )?
            .query_row(params![session.get(), measure.name()], |row| {
                Ok((row.get("inside")?, row.get("judged")?))
            })
        })
    }

    /// Whether a hitter has more reps than so many.
    pub(crate) fn has_more_reps(
        &self,
        hitter: Option<HitterId>,
        than: u32,
    ) -> Result<bool, JournalError> {
        self.query("count a hitter's reps", |c| {
            c.prepare_cached(&format!(
                "SELECT 1 FROM sessions CROSS JOIN reps
                 WHERE reps.session = sessions.id AND {} LIMIT 1 OFFSET ?2",
                is("sessions.hitter", hitter, "?1")
            ))?
            .exists(params![hitter.map(HitterId::get), than])
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
            let mut select = c.prepare_cached(&select_values_before(hitter))?;
            let mut rows =
                select.query(params![hitter.map(HitterId::get), at_most, before.get()])?;
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
