//! Changes that somebody waits for: they are made at once or not at all, for whoever asked is there to try again.

use std::path::PathBuf;

use crossbeam_channel::Sender;

use crate::journal::error::JournalError;
use crate::journal::files::deletion::{DeletionReport, DeletionTarget};
use crate::journal::store::edits::Edit;
use crate::journal::store::open::JournalReader;
use crate::journal::store::take_in::{ClipSession, TakenClip};
use crate::journal::worker::thread::Worker;

/// Where the answer goes. Whoever asked may have stopped waiting; the change is made all the same, and the page shows it.
pub(in crate::journal) type Reply<T> = Sender<Result<T, JournalError>>;

/// A change with its answer.
pub(in crate::journal) enum Change {
    Edit {
        edit: Edit,
        by: String,
        reply: Reply<i64>,
    },
    Delete {
        whom: DeletionTarget,
        texts: Vec<PathBuf>,
        reply: Reply<DeletionReport>,
    },
    /// What was found in a clip, as a journal of its own.
    Clip {
        found: PathBuf,
        session: ClipSession,
        reply: Reply<TakenClip>,
    },
}

impl Change {
    /// Says why it cannot be made now.
    pub(super) fn refuse(&self, why: JournalError) {
        match self {
            Self::Edit { reply, .. } => drop(reply.send(Err(why))),
            Self::Delete { reply, .. } => drop(reply.send(Err(why))),
            Self::Clip { reply, .. } => drop(reply.send(Err(why))),
        }
    }
}

impl Worker {
    /// Makes the change and says how that went.
    pub(super) fn make(&mut self, change: &Change) -> Result<(), JournalError> {
        match change {
            Change::Edit { edit, by, reply } => {
                let _ = reply.send(self.open_journal()?.edit(edit, by));
                self.note_hitter_of_running_session();
            }
            Change::Delete { whom, texts, reply } => {
                let deleted = self.open_journal()?.delete(*whom, texts);
                self.forget_deleted_hitter(*whom, deleted.is_ok());
                let _ = reply.send(deleted);
            }
            Change::Clip {
                found,
                session,
                reply,
            } => {
                let journal = self.open_journal()?;
                let taken = JournalReader::open(found)
                    .and_then(|found| journal.take_in_clip(&found, session));
                let _ = reply.send(taken);
            }
        }
        Ok(())
    }
}
