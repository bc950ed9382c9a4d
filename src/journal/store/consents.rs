//! What a person allows: landmarks, their name in lists, films, the live picture.
//!
//! Each decision is a row that is never changed; of a purpose the newest row of the hitter is in force, which is the one with the
//! greatest turn: no clock decides that. Of several with that turn, made in places that did not know of each other, one that does
//! not allow it is in force. Without any row nothing was decided. Where landmarks are refused none are stored: every function that stores or moves some asks here, within the
//! caller's transaction.

use std::path::Path;

use jiff::Timestamp;
use jiff::civil::Date;
use rusqlite::OptionalExtension;
use rusqlite::types::Value;

use super::columns::{Column, ConsentColumn, get, insert};
use super::read::{stamp, word};
use super::sql::{Sql, params_from_iter};
use crate::journal::error::JournalError;
use crate::journal::files::deletion::TIMELINES;
use crate::journal::record::{HitterId, SessionId};
use crate::journal::stamp::stamp_text;
use crate::journal::store::edits::Edit;
use crate::journal::store::open::{Journal, JournalReader};
use crate::text_enum::text_enum;
use crate::video::{DeletedFilms, FilmError, FilmStore};
use crate::wall_clock::now_to_the_millisecond;

/// The longest text on who decided, characters.
pub(crate) const LONGEST_DECIDED_BY: usize = 120;

text_enum! {
    /// What a person is asked for.
    pub enum Purpose {
        /// The landmarks of their reps are kept. Measures and cues need none to be kept.
        Landmarks = "landmarks",
        /// Lists and the cage's screen show their name.
        Name = "name",
        /// Films of their reps are kept, where the settings keep films.
        Film = "film",
        /// Screens show the camera's picture while they hit, where the settings allow it.
        Picture = "picture",
    }
}

text_enum! {
    /// What was decided.
    pub enum Decision {
        /// It is allowed.
        Given = "given",
        /// It is not allowed.
        Refused = "refused",
        /// It was allowed and is not any more.
        Withdrawn = "withdrawn",
    }
}

/// A decision as it is recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewConsent {
    /// What for.
    pub purpose: Purpose,
    /// What was decided.
    pub decision: Decision,
    /// Who decided, and how: such as "mother, paper form"; 1 to 120 characters.
    pub decided_by: String,
    /// The day of the decision.
    pub decided_on: Date,
}

/// A decision as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct ConsentRow {
    pub(crate) purpose: Purpose,
    pub(crate) decision: Decision,
    /// Who decided, and how.
    pub(crate) decided_by: String,
    /// The day, such as `2026-11-29`.
    pub(crate) decided_on: String,
    /// The account of whoever wrote it down.
    pub(crate) recorded_by: String,
    pub(crate) recorded_at: Timestamp,
    /// Its place among the decisions of this purpose.
    turn: i64,
}

/// What is in force for a hitter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Consents([Option<Decision>; Purpose::ALL.len()]);

impl Consents {
    /// What was decided last; `None` where nothing was.
    pub(crate) fn decision(&self, purpose: Purpose) -> Option<Decision> {
        self.0[purpose as usize]
    }

    /// Whether it was refused or withdrawn.
    pub(crate) fn refuses(&self, purpose: Purpose) -> bool {
        matches!(
            self.decision(purpose),
            Some(Decision::Refused | Decision::Withdrawn)
        )
    }

    /// Of all rows of a hitter.
    pub(crate) fn of(rows: &[ConsentRow]) -> Self {
        let mut decisions = [None; Purpose::ALL.len()];
        for purpose in Purpose::ALL {
            decisions[*purpose as usize] = consent_in_force(rows, *purpose).map(|row| row.decision);
        }
        Self(decisions)
    }
}

/// Which of all rows of a hitter is in force: the one made last; of those that were made without knowing of each other, one that does
/// not allow it.
pub(crate) fn consent_in_force(rows: &[ConsentRow], purpose: Purpose) -> Option<&ConsentRow> {
    rows.iter()
        .filter(|row| row.purpose == purpose)
        .max_by_key(|row| (row.turn, row.decision != Decision::Given))
}

/// Why a decision cannot be recorded, if so.
pub(super) fn reason_to_refuse(consent: &NewConsent) -> Option<&'static str> {
    let by = consent.decided_by.trim();
    if by.is_empty() {
        return Some("it does not say who decided");
    }
    if by.chars().count() > LONGEST_DECIDED_BY || by.chars().any(char::is_control) {
        return Some("who decided is too long or not on one line");
    }
    // Somewhere it is tomorrow already.
    let today = now_to_the_millisecond()
        .to_zoned(jiff::tz::TimeZone::UTC)
        .date();
    let is_later = today.tomorrow().is_ok_and(|last| consent.decided_on > last);
    is_later.then_some("the day is in the future")
}

/// Records a decision; landmarks that are refused are deleted. `None` where there is no such hitter.
pub(super) fn record(
    connection: &Sql<'_>,
    hitter: HitterId,
    consent: &NewConsent,
    by: &str,
) -> rusqlite::Result<Option<i64>> {
    let is_there = connection
        .prepare_cached("SELECT 1 FROM hitters WHERE id = ?1")?
        .exists([hitter.get()])?;
    if !is_there {
        return Ok(None);
    }
    use ConsentColumn as C;
    insert(
        connection,
        &[
            (C::Hitter, &hitter.get()),
            (C::Purpose, &consent.purpose.as_str()),
            (C::Decision, &consent.decision.as_str()),
            (C::DecidedBy, &consent.decided_by.trim()),
            (C::DecidedOn, &consent.decided_on.to_string()),
            (C::RecordedBy, &by),
            (C::RecordedAt, &stamp_text(now_to_the_millisecond())),
        ],
    )?;
    delete_refused_landmarks(connection, hitter)?;
    Ok(Some(hitter.get()))
}

/// Whether landmarks are to go with a change, out of the write-ahead log too.
pub(super) fn deletes_landmarks(edit: &Edit) -> bool {
    matches!(edit, Edit::RecordConsent { consent, .. }
        if consent.purpose == Purpose::Landmarks && consent.decision != Decision::Given)
}

/// Of the decisions on a purpose: one that is among the newest and does not allow it.
const REFUSED_LAST: &str = "decision <> 'given' AND NOT EXISTS (
       SELECT 1 FROM consents AS newer WHERE newer.hitter = consents.hitter
       AND newer.purpose = consents.purpose AND newer.turn > consents.turn)";

/// Whether a hitter refuses something.
pub(super) fn refuses(
    connection: &Sql<'_>,
    hitter: HitterId,
    purpose: Purpose,
) -> rusqlite::Result<bool> {
    connection
        .prepare_cached(&format!(
            "SELECT 1 FROM consents WHERE hitter = ?1 AND purpose = ?2 AND {REFUSED_LAST}"
        ))?
        .exists((hitter.get(), purpose.as_str()))
}

/// Whether landmarks of a session's movements may be stored.
pub(super) fn keeps_landmarks(connection: &Sql<'_>, session: SessionId) -> rusqlite::Result<bool> {
    let hitter: Option<Option<i64>> = connection
        .prepare_cached("SELECT hitter FROM sessions WHERE id = ?1")?
        .query_row([session.get()], |row| row.get(0))
        .optional()?;
    match hitter.flatten() {
        Some(hitter) => Ok(!refuses(
            connection,
            HitterId::new(hitter),
            Purpose::Landmarks,
        )?),
        None => Ok(true),
    }
}

/// Deletes the landmarks of a hitter who refuses that any are kept.
pub(in crate::journal) fn delete_refused_landmarks(
    connection: &Sql<'_>,
    hitter: HitterId,
) -> rusqlite::Result<()> {
    if !refuses(connection, hitter, Purpose::Landmarks)? {
        return Ok(());
    }
    for (timelines, owners) in TIMELINES {
        connection.execute(
            &format!(
                "DELETE FROM {timelines} WHERE rep IN (SELECT {owners}.id FROM {owners}
                 JOIN sessions ON sessions.id = {owners}.session WHERE sessions.hitter = ?1)"
            ),
            [hitter.get()],
        )?;
    }
    Ok(())
}

/// What two hitters allow who are becoming one: of each purpose what neither refuses. Which decision is the newer one nobody can
/// tell: clocks may be wrong, and a row that was heard of comes later than it was made.
pub(super) fn allowed_by_both(connection: &Sql<'_>, both: [i64; 2]) -> rusqlite::Result<Vec<i64>> {
    connection
        .prepare_cached(
            "SELECT id FROM (
               SELECT id, purpose, row_number() OVER (PARTITION BY purpose ORDER BY decision = 'given', id DESC) AS place
               FROM consents AS one WHERE hitter IN (?1, ?2) AND NOT EXISTS (
                 SELECT 1 FROM consents WHERE hitter = one.hitter AND purpose = one.purpose AND turn > one.turn)
             ) AS placed WHERE place = 1 ORDER BY purpose",
        )?
        .query_map(both, |row| row.get(0))?
        .collect()
}

/// Puts these decisions in force again where they are not: each as a row of its own, so that it is told everywhere.
pub(super) fn put_in_force(connection: &Sql<'_>, rows: &[i64]) -> rusqlite::Result<()> {
    let mut again = connection.prepare_cached(
        "INSERT INTO consents (hitter, purpose, decision, decided_by, decided_on, recorded_by, recorded_at)
         SELECT hitter, purpose, decision, decided_by, decided_on, recorded_by, recorded_at FROM consents AS kept
         WHERE id = ?1 AND EXISTS (
           SELECT 1 FROM consents WHERE hitter = kept.hitter AND purpose = kept.purpose
           AND (turn > kept.turn OR (turn = kept.turn AND kept.decision = 'given' AND decision <> 'given')))",
    )?;
    for row in rows {
        again.execute([row])?;
    }
    Ok(())
}

/// The first version of the tables that holds decisions, and the first in which they have ids of their own.
const SINCE_VERSION: u32 = 12;
const UIDS_SINCE_VERSION: u32 = 14;

impl Journal {
    /// Takes over the decisions that the journal at `replaced` has and this one has not, of hitters who are the same in both. Gives
    /// how many.
    ///
    /// # Errors
    /// Those of the disk, on either side.
    pub(in crate::journal) fn take_consents_of(
        &mut self,
        replaced: &Path,
    ) -> Result<usize, JournalError> {
        let other = JournalReader::open(replaced)?;
        let uid = match other.version()? {
            ..SINCE_VERSION => return Ok(0),
            SINCE_VERSION..UIDS_SINCE_VERSION => "NULL",
            _ => "consents.uid",
        };
        let rows: Vec<[Value; 9]> = other.query("read what hitters allow", |c| {
            c.prepare(&format!(
                "SELECT hitter, hitters.created_at, purpose, decision, decided_by, decided_on, recorded_by, recorded_at, {uid}
                 FROM consents JOIN hitters ON hitters.id = consents.hitter ORDER BY consents.id",
            ))?
            .query_map([], |row| {
                let mut values = [const { Value::Null }; 9];
                for (place, value) in values.iter_mut().enumerate() {
                    *value = row.get(place)?;
                }
                Ok(values)
            })?
            .collect()
        })?;
        self.transaction("take over what hitters allow", |change| {
            let mut taken = 0;
            for row in &rows {
                taken += change
                    .prepare_cached(
                        "INSERT INTO consents (hitter, purpose, decision, decided_by, decided_on, recorded_by, recorded_at, uid)
                         SELECT ?1, ?3, ?4, ?5, ?6, ?7, ?8, ?9
                         WHERE EXISTS (SELECT 1 FROM hitters WHERE id = ?1 AND created_at = ?2)
                         AND NOT EXISTS (SELECT 1 FROM consents WHERE hitter = ?1 AND purpose = ?3 AND recorded_at = ?8)",
                    )?
                    .execute(params_from_iter(row))?;
                if let Value::Integer(hitter) = row[0] {
                    delete_refused_landmarks(change, HitterId::new(hitter))?;
                }
            }
            Ok(taken)
        })
    }
}

impl JournalReader {
    /// Every decision of a hitter, in the order in which they were recorded.
    pub(crate) fn consent_rows(&self, hitter: HitterId) -> Result<Vec<ConsentRow>, JournalError> {
        self.query("read what a hitter allows", |c| {
            use ConsentColumn as C;
            let columns = C::selection();
            c.prepare_cached(&format!(
                "SELECT {columns} FROM consents WHERE hitter = ?1 ORDER BY id"
            ))?
            .query_map([hitter.get()], |row| {
                Ok(ConsentRow {
                    purpose: word(row, C::Purpose, Purpose::ALL, Purpose::as_str)?,
                    decision: word(row, C::Decision, Decision::ALL, Decision::as_str)?,
                    decided_by: get(row, C::DecidedBy)?,
                    decided_on: get(row, C::DecidedOn)?,
                    recorded_by: get(row, C::RecordedBy)?,
                    recorded_at: stamp(row, C::RecordedAt)?,
                    turn: get(row, C::Turn)?,
                })
            })?
            .collect()
        })
    }

    /// What a hitter allows and refuses.
    pub(crate) fn consents(&self, hitter: HitterId) -> Result<Consents, JournalError> {
        Ok(Consents::of(&self.consent_rows(hitter)?))
    }

    /// Who decided what these hitters allow.
    pub(in crate::journal) fn who_decided(
        &self,
        hitters: impl IntoIterator<Item = i64>,
    ) -> Result<Vec<String>, JournalError> {
        let mut texts = Vec::new();
        for hitter in hitters {
            let rows = self.consent_rows(HitterId::new(hitter))?;
            texts.extend(rows.into_iter().map(|row| row.decided_by));
        }
        texts.sort();
        texts.dedup();
        Ok(texts)
    }

    /// The hitters who refuse something.
    pub(crate) fn who_refuse(&self, purpose: Purpose) -> Result<Vec<HitterId>, JournalError> {
        self.query("read what hitters allow", |c| {
            c.prepare_cached(&format!(
                "SELECT DISTINCT hitter FROM consents WHERE purpose = ?1 AND {REFUSED_LAST}"
            ))?
            .query_map([purpose.as_str()], |row| row.get(0).map(HitterId::new))?
            .collect()
        })
    }

    /// How many landmark timelines of a hitter's movements there are.
    pub(crate) fn count_timelines(&self, hitter: HitterId) -> Result<u32, JournalError> {
        let mut all = 0;
        for (timelines, owners) in TIMELINES {
            all += self.query("count landmarks", |c| {
                let sql = format!(
                    "SELECT count(*) FROM {timelines} JOIN {owners} ON {owners}.id = {timelines}.rep
                     JOIN sessions ON sessions.id = {owners}.session WHERE sessions.hitter = ?1"
                );
                c.query_row(&sql, [hitter.get()], |row| row.get::<_, u32>(0))
            })?;
        }
        Ok(all)
    }

    /// How many films of a hitter's reps there are; none where their folder cannot be read.
    pub(crate) fn count_films(&self, hitter: HitterId) -> Result<usize, JournalError> {
        if self.is_store() {
            return self.query("count a hitter's films", |c| {
                c.prepare_cached(
                    "SELECT count(*) FROM sessions JOIN reps ON reps.session = sessions.id JOIN films ON films.rep = reps.id
                     WHERE sessions.hitter = ?1",
                )?
                .query_row([hitter.get()], |row| row.get::<_, u32>(0))
                .map(|count| count as usize)
            });
        }
        let sessions = self.session_numbers(hitter)?;
        let films = FilmStore::of_journal(&self.path).films();
        let films = films.unwrap_or_default();
        Ok(films
            .iter()
            .filter(|film| sessions.contains(&film.session))
            .count())
    }

    /// The numbers of a hitter's sessions.
    fn session_numbers(&self, hitter: HitterId) -> Result<Vec<i64>, JournalError> {
        self.query("list the hitter's sessions", |c| {
            c.prepare_cached("SELECT id FROM sessions WHERE hitter = ?1 ORDER BY id")?
                .query_map([hitter.get()], |row| row.get(0))?
                .collect()
        })
    }

    /// Deletes the films of a hitter who refuses that any are kept. To be called once no more of them is written.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn delete_refused_films(
        &self,
        hitter: HitterId,
    ) -> Result<Result<DeletedFilms, FilmError>, JournalError> {
        let sessions = match self.consents(hitter)?.refuses(Purpose::Film) {
            true if !self.is_store() => self.session_numbers(hitter)?,
            _ => Vec::new(),
        };
        match sessions.is_empty() {
            true => Ok(Ok(DeletedFilms::default())),
            false => Ok(FilmStore::of_journal(&self.path).delete_sessions(&sessions)),
        }
    }

    /// [`Self::delete_refused_films`] of all hitters: the program can have ended, or the disk failed, before they were deleted.
    ///
    /// # Errors
    /// Those of the disk.
    pub(crate) fn delete_films_left(
        &self,
    ) -> Result<Result<DeletedFilms, FilmError>, JournalError> {
        let mut sessions = Vec::new();
        for hitter in self.who_refuse(Purpose::Film)? {
            sessions.extend(self.session_numbers(hitter)?);
        }
        Ok(FilmStore::of_journal(&self.path).delete_sessions(&sessions))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_in_force_goes_by_turn_and_not_by_row() {
        let rows = |decided: [(Decision, i64); 2]| {
            decided.map(|(decision, turn)| ConsentRow {
                purpose: Purpose::Film,
                decision,
                decided_by: "mother, paper form".to_owned(),
                decided_on: "2026-11-29".to_owned(),
                recorded_by: "coach".to_owned(),
                recorded_at: Timestamp::UNIX_EPOCH,
                turn,
            })
        };
        use Decision::{Given, Refused, Withdrawn};
        for (decided, in_force) in [
            // Of two that do not know of each other the refusal, whichever row came last.
            ([(Refused, 2), (Given, 2)], Refused),
            ([(Given, 2), (Refused, 2)], Refused),
            // A cage's clock was ahead.
            ([(Given, 3), (Withdrawn, 2)], Given),
            ([(Withdrawn, 3), (Given, 2)], Withdrawn),
        ] {
            let rows = rows(decided);
            let row = consent_in_force(&rows, Purpose::Film).unwrap();
            assert_eq!(row.decision, in_force, "{decided:?}");
            assert_eq!(Consents::of(&rows).decision(Purpose::Film), Some(in_force));
            assert_eq!(consent_in_force(&rows, Purpose::Name), None);
        }
    }
}
