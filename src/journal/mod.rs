//! The journal: the SQLite file that keeps hitters, sessions and every rep, and the ways out of it.
//!
//! In flow reps with their verdicts, cue, bands and landmarks; out flow stored reps for the coach's
//! page, the rep log (one JSON line a rep), and exports as JSON Lines, CSV and pose track.
//! Writing is done by one thread, [`JournalWriter`], which owns the only [`Journal`] of a file;
//! any thread or program may read beside it through a [`JournalReader`]. `docs/journal.md` gives the
//! format to others.
//!
//! This room stores what it is given. It must not judge a rep, drop one, or change a file that it
//! does not understand.

mod aside;
mod copy;
mod csv_rows;
mod edit;
mod error;
mod export;
mod forget;
mod hitter_files;
mod hitters;
mod line;
mod lock;
mod look;
mod moved;
mod open;
mod plans;
mod query;
mod record;
mod rep_log;
mod rows;
mod schema;
mod search;
mod stamp;
mod timeline;
mod usual;
mod write;
mod writer;
mod writer_thread;

pub use edit::Edit;
pub(crate) use edit::NoteRow;
pub(crate) use error::JournalError;
pub use export::ExportFormat;
pub(crate) use forget::{Forgotten, Left};
pub(crate) use hitters::{HitterChoice, HitterRow};
pub use line::{parse_rep_line, rep_line};
pub use moved::MovedEvent;
pub use open::Journal;
pub(crate) use open::JournalReader;
pub(crate) use plans::StoredPlan;
pub use query::{RepFilter, StoredRep};
pub(crate) use query::{SessionFilter, SessionRow};
pub(crate) use record::{HitterId, NoteId};
pub use record::{NewHitter, NewPlan, NewSession, RepId, RepRecord, SessionId};
pub(crate) use rep_log::{RepLog, RepLogError};
pub use stamp::now_to_the_millisecond;
pub use timeline::{decode_timeline, encode_timeline};
pub(crate) use usual::MeasuredSwing;
pub(crate) use writer::{JournalHandle, JournalWriter, Storage, WriterOptions, WriterState};

#[cfg(test)]
use {
    edit::LONGEST_NOTE,
    open::{OpenReport, UncleanSession},
    query::Counts,
    record::PlanId,
    timeline::TimelineError,
};
#[cfg(test)]
mod tests;
