//! Queries of a journal: counts, reps and their landmarks.

use std::fmt;

use jiff::Timestamp;
use rusqlite::OptionalExtension;
use rusqlite::types::Value;

use super::columns::{Column, MeasureColumn};
use super::read::{prepare_measures, read_measures, read_measures_of, read_rep, select_reps};
use super::sql::params_from_iter;
use crate::coach::JudgedRep;
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, RepId, SessionId};
use crate::journal::stamp::stamp_text;
use crate::journal::store::hitters::HitterChoice;
use crate::journal::store::open::JournalReader;
use crate::journal::timeline::decode_timeline;
use crate::picture_size::PictureSize;
use crate::pose::PoseFrame;
use crate::rep::RepKind;
use crate::time::CaptureTime;

/// How many reps are held at a time, so that a store's measures of them are read in one question.
const REPS_AT_A_TIME: usize = 300;

/// How much a journal holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Hitters, the nameless included.
    pub(crate) hitters: u32,
    /// Sessions.
    pub(crate) sessions: u32,
    /// Reps that are swings.
    pub(crate) swings: u32,
    /// Reps that are takes.
    pub(crate) takes: u32,
}

impl fmt::Display for Counts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} hitters, {} sessions, {} swings and {} takes",
            self.hitters, self.sessions, self.swings, self.takes
        )
    }
}

/// A rep as stored.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredRep {
    /// The rep's number in the journal.
    pub id: RepId,
    /// Its session.
    pub session: SessionId,
    /// Who hit, where known.
    pub hitter: Option<HitterId>,
    /// The hitter's name, where known.
    pub(crate) hitter_name: Option<String>,
    /// When it ended, by the wall clock.
    pub(crate) logged_at: Timestamp,
    /// The rep with its bands and verdicts, and its cue.
    pub judged: JudgedRep,
    /// Whether the coach marked it to be found again.
    pub(crate) marked: bool,
    /// Why the coach excluded it; `None` where it counts.
    pub(crate) excluded: Option<String>,
    /// The coach's label, where it differs from what was detected.
    pub(crate) label_override: Option<RepKind>,
    /// Whether the coach moved any of its events; its measures are then made with them.
    pub moved: bool,
    /// Whether it was not counted when it was seen, and counts since the coach said so.
    pub made_to_count: bool,
}

impl StoredRep {
    /// What the rep counts as: the coach's label, else what was detected.
    pub(crate) fn kind(&self) -> RepKind {
        self.label_override.unwrap_or(self.judged.rep.kind)
    }

    /// Whether it counts as a swing: one, and not excluded.
    pub(crate) fn counts_as_swing(&self) -> bool {
        self.excluded.is_none() && self.kind() == RepKind::Swing
    }
}

/// Selects reps; the default is all of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RepFilter {
    /// Only this hitter's.
    pub hitter: Option<HitterChoice>,
    /// Only this session's.
    pub session: Option<SessionId>,
    /// Only those logged at this time or later.
    pub(crate) since: Option<Timestamp>,
    /// Only those logged before this time.
    pub(crate) until: Option<Timestamp>,
}

impl JournalReader {
    /// The version of the journal's tables.
    pub fn version(&self) -> Result<u32, JournalError> {
        self.query_file("read its version", |c| {
            c.pragma_query_value(None, "user_version", |row| row.get(0))
        })
    }

    /// How much the journal holds.
    pub fn counts(&self) -> Result<Counts, JournalError> {
        self.query("count the reps", |c| {
            c.query_row(
                "SELECT (SELECT count(*) FROM hitters) AS hitters, (SELECT count(*) FROM sessions) AS sessions,
                        count(*) FILTER (WHERE kind = 'swing') AS swings,
                        count(*) FILTER (WHERE kind = 'take') AS takes
                 FROM reps",
                [],
                |row| {
                    Ok(Counts {
                        hitters: row.get("hitters")?,
                        sessions: row.get("sessions")?,
                        swings: row.get("swings")?,
                        takes: row.get("takes")?,
                    })
                },
            )
        })
    }

    /// The reps of a session in their order; those that the coach made count stand in their place in time.
    ///
    /// # Errors
    /// [`JournalError::NoSuchSession`], and those of the disk.
    pub(crate) fn reps_of(&self, session: SessionId) -> Result<Vec<StoredRep>, JournalError> {
        let mut reps = Vec::new();
        self.for_each_rep(
            &RepFilter {
                session: Some(session),
                ..RepFilter::default()
            },
            |rep| {
                reps.push(rep);
                Ok(())
            },
        )?;
        if reps.iter().any(|rep| rep.made_to_count) {
            reps.sort_by_key(|rep| rep.judged.rep.known_at);
        }
        Ok(reps)
    }

    /// The rep with this id.
    ///
    /// # Errors
    /// [`JournalError::NoSuchRep`], and those of the disk.
    pub fn rep(&self, rep: RepId) -> Result<StoredRep, JournalError> {
        self.one_rep("WHERE reps.id = ?1", &[rep.get()])?
            .ok_or_else(|| JournalError::NoSuchRep {
                path: self.path.clone(),
                rep,
            })
    }

    /// The rep with this number in its session, if there is one.
    pub(crate) fn rep_numbered(
        &self,
        session: SessionId,
        number: u32,
    ) -> Result<Option<StoredRep>, JournalError> {
        self.one_rep(
            "WHERE reps.session = ?1 AND reps.number = ?2",
            &[session.get(), i64::from(number)],
        )
    }

    /// The rep that was logged last, if there is any.
    pub fn last_rep(&self) -> Result<Option<StoredRep>, JournalError> {
        self.one_rep("ORDER BY reps.id DESC LIMIT 1", &[])
    }

    fn one_rep(&self, which: &str, values: &[i64]) -> Result<Option<StoredRep>, JournalError> {
        self.query("read a rep", |c| {
            let mut select = c.prepare_cached(&format!("{} {which}", select_reps()))?;
            let found = select
                .query_row(params_from_iter(values), read_rep)
                .optional()?;
            let Some(mut rep) = found else {
                return Ok(None);
            };
            let mut measures = prepare_measures(c, MeasureColumn::TABLE)?;
            read_measures(&mut measures, rep.id.get(), &mut rep.judged)?;
            Ok(Some(rep))
        })
    }

    /// When the landmarks of a rep begin; `None` where it was stored without.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn timeline_start(&self, rep: RepId) -> Result<Option<CaptureTime>, JournalError> {
        self.query("see whether a rep has landmarks", |c| {
            c.prepare_cached("SELECT start_secs FROM timelines WHERE rep = ?1")?
                .query_row([rep.get()], |row| row.get(0).map(CaptureTime::from_secs))
                .optional()
        })
    }

    /// The landmarks of a rep and the size of their pictures; `None` where it was stored without.
    ///
    /// # Errors
    /// [`JournalError::NoSuchRep`]; [`JournalError::Timeline`] where the stored bytes cannot be read.
    pub fn timeline(
        &self,
        rep: RepId,
    ) -> Result<Option<(PictureSize, Vec<PoseFrame>)>, JournalError> {
        let found = self.query("read a rep's landmarks", |c| {
            c.prepare_cached(
                "SELECT width_px, height_px, landmarks FROM reps LEFT JOIN timelines ON timelines.rep = reps.id
                 WHERE reps.id = ?1",
            )?
            .query_row([rep.get()], |row| {
                let landmarks = row.get_ref("landmarks")?;
                if landmarks == rusqlite::types::ValueRef::Null {
                    return Ok(None);
                }
                let picture = PictureSize {
                    width_px: row.get("width_px")?,
                    height_px: row.get("height_px")?,
                };
                Ok(Some((picture, decode_timeline(landmarks.as_blob()?))))
            })
            .optional()
        })?;
        let Some(stored) = found else {
            return Err(JournalError::NoSuchRep {
                path: self.path.clone(),
                rep,
            });
        };
        let Some((picture, frames)) = stored else {
            return Ok(None);
        };
        match frames {
            Ok(frames) => Ok(Some((picture, frames))),
            Err(source) => Err(JournalError::Timeline {
                path: self.path.clone(),
                rep,
                source,
            }),
        }
    }

    /// Calls `take` with each selected rep, in the order of logging. All come from one snapshot of the journal, whatever is
    /// logged meanwhile. Returns how many there were.
    ///
    /// # Errors
    /// [`JournalError::NoSuchHitter`], [`JournalError::NoSuchSession`], those of the disk, and what
    /// `take` returns.
    pub fn for_each_rep(
        &self,
        filter: &RepFilter,
        mut take: impl FnMut(StoredRep) -> Result<(), JournalError>,
    ) -> Result<u64, JournalError> {
        let doing = "read the reps";
        let failed = |error| self.error(doing, error);
        self.snapshot(doing, |c| {
            let (conditions, values) = self.conditions(filter)?;
            let sql = format!("{} {conditions} ORDER BY reps.id", select_reps());
            // Of one session there are some tens.
            let select = match filter.session {
                Some(_) => c.prepare_cached(&sql),
                None => c.prepare_long(&sql),
            };
            let mut select = select.map_err(failed)?;
            let mut rows = select.query(params_from_iter(values)).map_err(failed)?;
            let mut count = 0;
            let mut reps = Vec::with_capacity(REPS_AT_A_TIME);
            loop {
                while reps.len() < REPS_AT_A_TIME
                    && let Some(row) = rows.next().map_err(failed)?
                {
                    reps.push(read_rep(&row).map_err(failed)?);
                }
                if reps.is_empty() {
                    return Ok(count);
                }
                read_measures_of(c, &mut reps).map_err(failed)?;
                for rep in reps.drain(..) {
                    take(rep)?;
                    count += 1;
                }
            }
        })
    }

    /// The filter as SQL. Only conditions that are set are written, so that each can use its index.
    pub(in crate::journal) fn conditions(
        &self,
        filter: &RepFilter,
    ) -> Result<(String, Vec<Value>), JournalError> {
        let mut conditions = Vec::new();
        let mut values = Vec::new();
        if let Some(session) = filter.session {
            let known = self.query("look up a session", |c| {
                c.prepare_cached("SELECT 1 FROM sessions WHERE id = ?1")?
                    .exists([session.get()])
            })?;
            if !known {
                return Err(JournalError::NoSuchSession {
                    path: self.path.clone(),
                    session,
                });
            }
            conditions.push("reps.session = ?");
            values.push(Value::from(session.get()));
        }
        if let Some(hitter) = &filter.hitter {
            conditions.push("sessions.hitter = ?");
            values.push(Value::from(self.hitter(hitter)?.id.get()));
        }
        if let Some(since) = filter.since {
            conditions.push("reps.logged_at >= ?");
            values.push(Value::from(stamp_text(since)));
        }
        if let Some(until) = filter.until {
            conditions.push("reps.logged_at < ?");
            values.push(Value::from(stamp_text(until)));
        }
        let sql = match conditions.is_empty() {
            true => String::new(),
            false => format!("WHERE {}", conditions.join(" AND ")),
        };
        Ok((sql, values))
    }
}
