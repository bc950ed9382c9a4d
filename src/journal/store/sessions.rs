//! Queries of a journal: its sessions.

use jiff::Timestamp;
use rusqlite::types::Value;

use super::columns::{Column, Extra, SessionColumn, SessionExtra, get};
use super::insert::UNCLEAN_NOTE;
use super::read::{optional_stamp, stamp};
use super::sql::{SqlRow, params_from_iter};
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, PlanId, SessionId};
use crate::journal::stamp::stamp_text;
use crate::journal::store::open::JournalReader;

/// A session as stored, with how much it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct SessionRow {
    /// The session's number.
    pub id: SessionId,
    /// Who hit, where known.
    pub hitter: Option<HitterId>,
    /// The hitter's name, where known.
    pub(crate) hitter_name: Option<String>,
    /// When it began.
    pub started_at: Timestamp,
    /// When it ended; `None` while it runs.
    pub(crate) ended_at: Option<Timestamp>,
    /// Why it ended, if not as usual.
    pub(crate) end_note: Option<String>,
    /// What was watched.
    pub source: String,
    /// The settings in force at its start.
    pub settings: String,
    /// The program's version.
    pub program_version: String,
    /// The plan it went by, if any.
    pub plan: Option<PlanId>,
    /// How many swings it holds.
    pub(crate) swings: u32,
    /// How many takes it holds.
    pub(crate) takes: u32,
    /// Swings and misses, where a microphone listened.
    pub(crate) swings_and_misses: u32,
}

impl SessionRow {
    /// Whether a crash, kill or power cut left it open and a later start closed it.
    pub(crate) fn is_unclean(&self) -> bool {
        self.end_note
            .as_deref()
            .is_some_and(|note| note.starts_with(UNCLEAN_NOTE))
    }
}

/// Selects sessions; the default is all of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct SessionFilter {
    /// Only this hitter's.
    pub hitter: Option<HitterId>,
    /// Only this one.
    pub(crate) only: Option<SessionId>,
    /// Only those that began before this one.
    pub(crate) before: Option<SessionId>,
    /// Only those that began at this time or later.
    pub(crate) since: Option<Timestamp>,
    /// Only those that began before this time.
    pub(crate) until: Option<Timestamp>,
    pub(crate) holding: Holding,
    /// At most so many, those that began last.
    pub(crate) at_most: Option<u32>,
}

impl SessionFilter {
    /// Which rows, and in which order.
    fn as_sql(&self) -> (String, Vec<Value>) {
        // Only conditions that are set are written, so that each can use its index.
        let mut conditions = Vec::new();
        let mut values = Vec::new();
        let mut only = |condition: &'static str, value: Option<Value>| {
            if let Some(value) = value {
                conditions.push(condition);
                values.push(value);
            }
        };
        only("sessions.hitter = ?", self.hitter.map(|id| id.get().into()));
        only("sessions.id = ?", self.only.map(|id| id.get().into()));
        let stamp = |at: Option<Timestamp>| at.map(|at| stamp_text(at).into());
        only("sessions.started_at >= ?", stamp(self.since));
        only("sessions.started_at < ?", stamp(self.until));
        only(
            "(sessions.started_at, sessions.id) < (SELECT started_at, id FROM sessions AS other WHERE other.id = ?)",
            self.before.map(|id| id.get().into()),
        );
        match self.holding {
            Holding::Anything => {}
            Holding::Reps => conditions.push(
                "EXISTS (SELECT 1 FROM reps WHERE session = sessions.id AND struck_why IS NULL)",
            ),
            Holding::Swings => conditions.push(
                "EXISTS (SELECT 1 FROM reps WHERE session = sessions.id AND struck_why IS NULL
                 AND coalesce(called, kind) = 'swing')",
            ),
        }
        let which = match conditions.is_empty() {
            true => String::new(),
            false => format!("WHERE {}", conditions.join(" AND ")),
        };
        let limit = self
            .at_most
            .map_or_else(String::new, |limit| format!("LIMIT {limit}"));
        let order = format!("{which} ORDER BY sessions.started_at DESC, sessions.id DESC {limit}");
        (order, values)
    }
}

/// What a session must hold to be selected; excluded reps do not count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Holding {
    #[default]
    Anything,
    Reps,
    Swings,
}

fn read_session(row: &SqlRow<'_>) -> rusqlite::Result<SessionRow> {
    use SessionColumn as C;
    Ok(SessionRow {
        id: SessionId::new(get(row, C::Id)?),
        hitter: get::<Option<i64>>(row, C::Hitter)?.map(HitterId::new),
        hitter_name: get(row, SessionExtra::HitterName)?,
        started_at: stamp(row, C::StartedAt)?,
        ended_at: optional_stamp(row, C::EndedAt)?,
        end_note: get(row, C::EndNote)?,
        source: get(row, C::Source)?,
        settings: get(row, C::Settings)?,
        program_version: get(row, C::ProgramVersion)?,
        swings: get(row, SessionExtra::Swings)?,
        takes: get(row, SessionExtra::Takes)?,
        swings_and_misses: get(row, SessionExtra::SwingsAndMisses)?,
        plan: get::<Option<i64>>(row, C::Plan)?.map(PlanId::new),
    })
}

impl JournalReader {
    /// All sessions, the one that began last first.
    pub fn sessions(&self) -> Result<Vec<SessionRow>, JournalError> {
        self.sessions_of(&SessionFilter::default())
    }

    /// The selected sessions, the one that began last first.
    pub(crate) fn sessions_of(
        &self,
        filter: &SessionFilter,
    ) -> Result<Vec<SessionRow>, JournalError> {
        let (which, values) = filter.as_sql();
        self.query("list the sessions", |c| {
            c.prepare_cached(&format!(
                "SELECT {}, {} FROM sessions LEFT JOIN hitters ON hitters.id = sessions.hitter {which}",
                SessionColumn::selection(),
                SessionExtra::selection()
            ))?
            .query_map(params_from_iter(values), read_session)?
            .collect()
        })
    }

    /// Whose the selected sessions are, the one that began last first; nothing in them is counted.
    pub(crate) fn who_hit_in(
        &self,
        filter: &SessionFilter,
    ) -> Result<Vec<(SessionId, Option<HitterId>)>, JournalError> {
        let (which, values) = filter.as_sql();
        self.query("list who hit", |c| {
            c.prepare_cached(&format!("SELECT id, hitter FROM sessions {which}"))?
                .query_map(params_from_iter(values), |row| {
                    let hitter: Option<i64> = row.get("hitter")?;
                    Ok((SessionId::new(row.get("id")?), hitter.map(HitterId::new)))
                })?
                .collect()
        })
    }

    /// Whether there is a session of this number.
    pub(in crate::journal) fn has_session(&self, session: SessionId) -> Result<bool, JournalError> {
        self.query("find a session", |c| {
            c.prepare_cached("SELECT 1 FROM sessions WHERE id = ?1")?
                .exists([session.get()])
        })
    }
}
