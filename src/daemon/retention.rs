//! The limit in time of what the journal keeps: sessions that are older than the settings let them be are deleted, as thoroughly as a
//! person deletes one.

use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::{Timestamp, ToSpan};

use crate::journal::{DeletionTarget, Journal, JournalHandle};

/// How often it is looked for old sessions.
const LOOK_EVERY: Duration = Duration::from_secs(3600);

/// How long nobody has stood in before it is looked: the journal is rebuilt where something goes, and reps wait for that.
const QUIET: Duration = Duration::from_secs(60);

/// When it was last looked for old sessions, and by which limit in months.
#[derive(Debug, Default)]
pub(super) struct Retention(Mutex<Option<(Instant, u32)>>);

impl Retention {
    /// Whether it is time to look, which then counts as done: at the start of a run, and each hour or after an edit of the limit
    /// once nobody has stood in for a minute.
    pub(super) fn due(&self, months: u32, idle_for: Duration) -> bool {
        let mut looked = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_due = looked.is_none_or(|(at, by)| {
            (at.elapsed() >= LOOK_EVERY || by != months) && idle_for >= QUIET
        });
        if is_due {
            *looked = Some((Instant::now(), months));
        }
        is_due
    }
}

/// The moment so many months ago.
pub(super) fn limit(now: Timestamp, months: u32) -> Option<Timestamp> {
    let now = now.to_zoned(jiff::tz::TimeZone::UTC);
    let ago = now.checked_sub(i64::from(months).months()).ok()?;
    Some(ago.timestamp())
}

/// Deletes what is older, and says in the log how much that was and whether anything is left of it.
pub(super) fn delete_before(writer: &JournalHandle, limit: Timestamp, journal: Option<&Path>) {
    let has_old = journal
        .map(|path| Journal::read_only(path).and_then(|reader| reader.has_before(limit)))
        .transpose();
    match has_old {
        Ok(Some(true)) => {}
        Ok(_) => return,
        Err(error) => {
            tracing::warn!(%error, "whether anything is too old to be kept could not be read");
            return;
        }
    }
    match writer.delete(DeletionTarget::Before(limit), Vec::new()) {
        Ok(report) => tracing::info!(
            sessions = report.sessions,
            reps = report.reps,
            left_in_files = report.remnants.len() + report.remnants_aside.len(),
            "sessions older than journal.keep_months are deleted"
        ),
        Err(error) => {
            tracing::warn!(%error, "sessions that are too old to be kept could not be deleted")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_looked_at_the_start_and_after_an_edit_while_nobody_hits() {
        let retention = Retention::default();
        assert!(retention.due(12, Duration::ZERO));
        assert!(!retention.due(12, QUIET), "an hour has not gone by");
        assert!(!retention.due(6, Duration::ZERO), "somebody hits");
        assert!(retention.due(6, QUIET));
        assert!(!retention.due(6, QUIET));
    }

    #[test]
    fn months_are_counted_by_the_calendar() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        assert_eq!(
            limit(at("2026-05-31T10:00:00Z"), 3),
            Some(at("2026-02-28T10:00:00Z"))
        );
        assert_eq!(
            limit(at("2026-05-31T10:00:00Z"), 600),
            Some(at("1976-05-31T10:00:00Z"))
        );
    }
}
