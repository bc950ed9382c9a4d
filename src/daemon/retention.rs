//! Limits in time: sessions that are older than the settings let them be are deleted, as thoroughly as a person deletes one, and old entries
//! leave the audit trail, old exports their folder.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::{Timestamp, ToSpan};

use crate::audit::{self, Act, Actor, AuditEntry};
use crate::journal::{DeletionTarget, Journal, JournalHandle, delete_exports_before};
use crate::settings::Settings;

/// How often it is looked for old sessions.
const LOOK_EVERY: Duration = Duration::from_secs(3600);

/// How long nobody has stood in before it is looked: the journal is rebuilt where something goes, and reps wait for that.
const QUIET: Duration = Duration::from_secs(60);

/// When it was last looked, and by which limits.
#[derive(Debug, Default)]
pub(super) struct Retention(Mutex<Option<(Instant, RetentionLimits)>>);

impl Retention {
    /// Whether it is time to look, which then counts as done: at the start of a run, and each hour or after an edit of the limits
    /// once nobody has stood in for a minute.
    pub(super) fn due(&self, limits: &RetentionLimits, idle_for: Duration) -> bool {
        let mut looked = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_due = looked.as_ref().is_none_or(|(at, by)| {
            (at.elapsed() >= LOOK_EVERY || by != limits) && idle_for >= QUIET
        });
        if is_due {
            *looked = Some((Instant::now(), limits.clone()));
        }
        is_due
    }
}

/// How long what is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct RetentionLimits {
    /// Sessions; `None` for as long as nobody deletes them.
    months: Option<u32>,
    /// The folder for exports, and the days that they are kept there.
    exports: Option<(PathBuf, u32)>,
    /// Entries of the audit trail.
    audit_days: u32,
}

impl RetentionLimits {
    pub(super) fn of(settings: &Settings) -> Self {
        Self {
            months: settings.keep_months,
            exports: settings.exports.clone(),
            audit_days: settings.page.audit_days,
        }
    }

    /// Deletes what is older than that, and says in the log how much it was.
    pub(super) fn apply(&self, writer: &JournalHandle, journal: &Path, now: Timestamp) {
        let trail = days_before(now, self.audit_days)
            .and_then(|limit| audit::delete_before(journal, limit));
        match trail {
            Ok(0) => {}
            Ok(entries) => tracing::info!(entries, "old entries left the audit trail"),
            Err(error) => tracing::warn!(%error, "old entries of the audit trail stay"),
        }
        match Journal::read_only(journal).and_then(|reader| reader.delete_films_left()) {
            Ok(Ok(films)) if films.failed.is_empty() && films.total.films == 0 => {}
            Ok(Ok(films)) => tracing::warn!(
                deleted = films.total.films,
                failed = films.failed.len(),
                "films that are refused had been left"
            ),
            Ok(Err(error)) => tracing::warn!(%error, "films that are refused may be left"),
            Err(error) => tracing::warn!(%error, "films that are refused may be left"),
        }
        if let Some((folder, days)) = &self.exports {
            match days_before(now, *days).and_then(|limit| delete_exports_before(folder, limit)) {
                Ok(0) => {}
                Ok(exports) => tracing::info!(exports, "old exports are deleted"),
                Err(error) => tracing::warn!(%error, "old exports stay"),
            }
        }
        if let Some(limit) = self.months.and_then(|months| months_before(now, months)) {
            delete_sessions_before(writer, limit, journal);
        }
    }
}

fn days_before(now: Timestamp, days: u32) -> std::io::Result<Timestamp> {
    let hours = i64::from(days) * 24;
    now.checked_sub(hours.hours())
        .map_err(std::io::Error::other)
}

/// The moment so many months ago.
fn months_before(now: Timestamp, months: u32) -> Option<Timestamp> {
    let now = now.to_zoned(jiff::tz::TimeZone::UTC);
    let ago = now.checked_sub(i64::from(months).months()).ok()?;
    Some(ago.timestamp())
}

/// Says in the log how much that was and whether anything is left of it.
fn delete_sessions_before(writer: &JournalHandle, limit: Timestamp, journal: &Path) {
    match Journal::read_only(journal).and_then(|reader| reader.has_before(limit)) {
        Ok(true) => {}
        Ok(false) => return,
        Err(error) => {
            tracing::warn!(%error, "whether anything is too old to be kept could not be read");
            return;
        }
    }
    match writer.delete(DeletionTarget::Before(limit), Vec::new()) {
        Ok(report) => {
            tracing::info!(
                sessions = report.sessions,
                reps = report.reps,
                left_in_files = report.remnants.len() + report.remnants_aside.len(),
                "sessions older than journal.keep_months are deleted"
            );
            let entry = AuditEntry::now(Actor::Program, Act::Deleted)
                .with_detail(format!("too old: {}", report.sessions));
            audit::enter(journal, &entry);
        }
        Err(error) => {
            tracing::warn!(%error, "sessions that are too old to be kept could not be deleted");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{JournalWriter, NewSession, WriterOptions, prepare_exports_folder};

    #[test]
    fn it_is_looked_at_the_start_and_after_an_edit_while_nobody_hits() {
        let limits = |months| RetentionLimits {
            months,
            exports: None,
            audit_days: 365,
        };
        let retention = Retention::default();
        assert!(retention.due(&limits(None), Duration::ZERO));
        assert!(
            !retention.due(&limits(None), QUIET),
            "an hour has not gone by"
        );
        assert!(
            !retention.due(&limits(Some(6)), Duration::ZERO),
            "somebody hits"
        );
        assert!(retention.due(&limits(Some(6)), QUIET));
        assert!(!retention.due(&limits(Some(6)), QUIET));
    }

    #[test]
    fn months_are_counted_by_the_calendar() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        assert_eq!(
            months_before(at("2026-05-31T10:00:00Z"), 3),
            Some(at("2026-02-28T10:00:00Z"))
        );
        assert_eq!(
            months_before(at("2026-05-31T10:00:00Z"), 600),
            Some(at("1976-05-31T10:00:00Z"))
        );
    }

    /// Each limit takes what is older and leaves the rest: entries of the trail, exports, sessions.
    #[test]
    fn what_is_older_than_its_limit_goes_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal.db");
        let now: Timestamp = "2026-11-20T12:00:00Z".parse().unwrap();
        let days_ago = |days: i64| now.checked_sub((days * 24).hours()).unwrap();
        let mut journal = Journal::open(&path).unwrap();
        for days in [100, 20] {
            let begun = NewSession {
                hitter: None,
                started_at: days_ago(days),
                source: "tee".into(),
                settings: String::new(),
                program_version: "0.1.0".into(),
                plan: None,
                said_by: None,
            };
            let session = journal.begin_session(&begun).unwrap();
            journal.end_session(session, days_ago(days), None).unwrap();
        }
        drop(journal);
        for days in [400, 300] {
            let entry = AuditEntry {
                at: days_ago(days),
                ..AuditEntry::now(Actor::Program, Act::Deleted)
            };
            audit::enter(&path, &entry);
        }
        let exports = dir.path().join("exports");
        prepare_exports_folder(&exports).unwrap();
        for (name, days) in [("old", 31), ("new", 29)] {
            std::fs::create_dir_all(exports.join(name)).unwrap();
            let made = std::time::SystemTime::from(days_ago(days));
            std::fs::File::open(exports.join(name))
                .unwrap()
                .set_modified(made)
                .unwrap();
        }
        let writer = JournalWriter::start(&path, WriterOptions::default()).unwrap();
        let limits = RetentionLimits {
            months: Some(2),
            exports: Some((exports.clone(), 30)),
            audit_days: 365,
        };
        limits.apply(&writer.handle().unwrap(), &path, now);
        assert!(!exports.join("old").exists() && exports.join("new").exists());
        let reader = Journal::read_only(&path).unwrap();
        let left = reader.sessions().unwrap();
        assert_eq!(
            left.iter().map(|row| row.started_at).collect::<Vec<_>>(),
            [days_ago(20)]
        );
        let trail = audit::read(&path).unwrap();
        assert_eq!(trail.len(), 2, "the younger entry, and that a session went");
        assert_eq!(
            trail
                .iter()
                .filter(|entry| entry.at < days_ago(365))
                .count(),
            0
        );
        assert_eq!(days_before(now, 3).unwrap(), days_ago(3));
    }
}
