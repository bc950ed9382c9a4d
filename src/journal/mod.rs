//! The journal: the SQLite file that keeps hitters, sessions and every rep, and the ways out of it.
//!
//! In flow reps with their verdicts, cue, bands and landmarks; out flow stored reps for the coach's
//! page, the rep log (one JSON line a rep), and exports as JSON Lines, CSV and pose track.
//! Writing is done by one thread, [`JournalWriter`], which owns the only [`Journal`] of a file;
//! any thread or program may read beside it through a [`JournalReader`]. While the file takes nothing, reps wait in a spool. `docs/journal.md` gives the
//! format to others.
//!
//! A facility's office reads and edits the same through a store, PostgreSQL with the same tables: see `store/sql/`.
//!
//! This room stores what it gets. It must not judge a rep, drop one, or change a file that it
//! does not understand.

mod error;
mod exchange;
mod files;
mod record;
mod rep_json;
mod stamp;
mod store;
mod timeline;
mod worker;

pub(crate) use error::JournalError;
pub(crate) use exchange::{Batch, Standing, TakenChanges, ToldChange};
pub(crate) use files::deletion::{DeletionReport, DeletionTarget};
pub use files::export::ExportFormat;
pub(crate) use files::exports_folder::{delete_exports_before, prepare_exports_folder};
pub(crate) use files::quarantine::has_set_aside;
pub(crate) use files::remnants::Remnant;
pub(crate) use files::rep_log::{RepLog, RepLogError};
pub(crate) use record::{HitterId, NoteId, PlanId};
pub use record::{
    NewHitter, NewPlan, NewSession, NotCountedId, RepId, RepRecord, SaidBy, SessionId,
};
pub use rep_json::rep_line;
pub(crate) use store::consents::{ConsentRow, Consents, LONGEST_DECIDED_BY, consent_in_force};
pub use store::consents::{Decision, NewConsent, Purpose};
pub(crate) use store::edits::NoteRow;
pub use store::edits::{CorrectionRow, Edit};
pub(crate) use store::films::FILM_PART_BYTES;
pub(crate) use store::history::MeasuredSwing;
pub(crate) use store::hitters::{HitterChoice, HitterRow, LastSaid, MOST_LISTED};
pub use store::moved_events::MovedEvent;
pub use store::not_counted::StoredNotCounted;
pub(crate) use store::office::CageRow;
pub use store::open::Journal;
pub(crate) use store::open::{FileIdentity, JournalReader};
pub(crate) use store::people::{RowOf, is_name};
pub(crate) use store::plans::StoredPlan;
pub use store::query::{RepFilter, StoredRep};
pub(crate) use store::sessions::{Holding, SessionFilter, SessionRow};
pub use store::sql::{StoreConnector, StorePool};
pub(crate) use store::take_in::{ClipSession, TakenClip};
pub use timeline::{decode_timeline, encode_timeline};
pub(crate) use worker::{
    ExchangeStep, JournalHandle, JournalWriter, StorageState, StoreWriter, WriterOptions,
    WriterState,
};

#[cfg(test)]
use {
    store::edits::LONGEST_NOTE,
    store::open::{OpenReport, UncleanSession},
    store::query::Counts,
    timeline::TimelineError,
};
#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) use tests::{judged, record};
