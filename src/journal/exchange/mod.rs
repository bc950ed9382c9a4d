//! What a journal and a facility's store tell each other of: rows that changed, as JSON under ids that are their own for ever.
//!
//! Out flow the rows that changed since a number ([`Batch`]); in flow rows that others changed ([`ToldChange`]), each of which is
//! taken over, or left where the journal has a newer version. Nothing here knows a network: `src/facility` carries both.
//! No clock decides anything: versions are counted (`edits`, `freezes`, `turn`; docs/journal.md).

mod incoming;
mod outgoing;
mod who;

pub(crate) use incoming::{TakenChanges, ToldChange};
pub(crate) use outgoing::{Batch, Standing};

/// A uid as the journal writes it, of one that a store wrote with hyphens.
fn plain_uid(uid: &str) -> String {
    uid.replace('-', "")
}
