//! What was seen and not counted: told in the log, and in the table that explains a recording; kept in the journal where it
//! came near.

use crate::coach::JudgedRep;
use crate::daemon::rep_text::{missed_text, moment_of};
use crate::daemon::{DaemonError, Terminal};
use crate::journal::RepRecord;
use crate::rep::{NotCounted, RepKind};
use crate::time::CaptureTime;

use super::RepStage;

/// The table of all that was seen in a recording.
#[derive(Default)]
pub(super) struct Explanation {
    rows: Vec<Row>,
}

struct Row {
    at: CaptureTime,
    kind: RepKind,
    what: String,
}

impl Explanation {
    pub(super) fn add_rep(&mut self, judged: &JudgedRep) {
        self.rows.push(Row {
            at: moment_of(&judged.rep),
            kind: judged.rep.kind,
            what: format!("counted: rep {}", judged.number),
        });
    }

    fn add_not_counted(&mut self, seen: &NotCounted) {
        self.rows.push(Row {
            at: seen
                .found
                .as_ref()
                .map_or(seen.at, |found| moment_of(&found.rep)),
            kind: seen.kind,
            what: format!("not counted: {}", missed_text(&seen.missed)),
        });
    }

    /// A line for each movement, in the order of time.
    pub(super) fn print(mut self, terminal: &Terminal) {
        if self.rows.is_empty() {
            return terminal.println("nothing that looked like a swing or a take was seen");
        }
        self.rows.sort_by_key(|row| row.at);
        terminal.println("   second  as     counted, or the condition that was missed");
        for Row { at, kind, what } in &self.rows {
            let (at, kind) = (at.secs(), kind.name());
            terminal.println(&format!("{at:9.2}  {kind:<5}  {what}"));
        }
    }
}

impl RepStage {
    /// Explains at the end what was counted, and what was not and why.
    #[must_use]
    pub(in crate::daemon) fn with_explanation(mut self) -> Self {
        self.explanation = Some(Explanation::default());
        self
    }

    /// Tells what the finder has seen and not counted.
    ///
    /// # Errors
    /// Where the journal's thread is gone.
    pub(super) fn tell_not_counted(&mut self, seen: Vec<NotCounted>) -> Result<(), DaemonError> {
        for seen in seen {
            let (at, kind) = (seen.at.secs(), seen.kind.name());
            let why = missed_text(&seen.missed);
            // Whatever a hitter does with feet and hands between two reps is told only where every detail is.
            match seen.found {
                Some(_) => tracing::info!(at, kind, %why, "seen, not counted"),
                None => tracing::debug!(at, kind, %why, "seen, not counted"),
            }
            if let Some(explanation) = &mut self.explanation {
                explanation.add_not_counted(&seen);
            }
            if let Some(found) = seen.found {
                let ago = self.last.secs_since(found.rep.known_at);
                let judged = self
                    .session
                    .training
                    .trainer
                    .coach()
                    .judge_not_counted(found.rep);
                let record = RepRecord::new(judged, found.frames, self.picture).ended_ago(ago);
                self.records.log_not_counted(record, seen.missed)?;
            }
        }
        Ok(())
    }
}
