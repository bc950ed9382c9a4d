//! Changes that somebody waits for: they are made at once or not at all, for whoever asked is there to try again.

use std::path::PathBuf;

use crossbeam_channel::{Sender, bounded};

use crate::journal::error::JournalError;
use crate::journal::exchange::{TakenChanges, ToldChange};
use crate::journal::files::deletion::{DeletionReport, DeletionTarget};
use crate::journal::store::edits::Edit;
use crate::journal::store::open::{Journal, JournalReader};
use crate::journal::store::sql::StorePool;
use crate::journal::store::take_in::{ClipSession, TakenClip};
use crate::journal::worker::thread::Worker;
use crate::journal::worker::{CHANNEL_JOBS, Job, JournalHandle};
use crate::thread::spawn;

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
    /// What is between the journal and its facility's store.
    Exchange {
        step: ExchangeStep,
        reply: Reply<TakenChanges>,
    },
}

/// A step of the exchange with a facility's store.
#[derive(Clone, Debug)]
pub(crate) enum ExchangeStep {
    /// A batch is going to be sent under a mark, up to a change.
    Sending { mark: String, rev: i64 },
    /// The store has other rows under the numbers of these.
    RenewUids(Vec<String>),
    /// Others changed this.
    Take(Vec<ToldChange>),
}

impl Change {
    /// Says why it cannot be made now.
    pub(super) fn refuse(&self, why: JournalError) {
        match self {
            Self::Edit { reply, .. } => drop(reply.send(Err(why))),
            Self::Delete { reply, .. } => drop(reply.send(Err(why))),
            Self::Clip { reply, .. } => drop(reply.send(Err(why))),
            Self::Exchange { reply, .. } => drop(reply.send(Err(why))),
        }
    }
}

impl Worker {
    /// Makes the change and says how that went.
    pub(super) fn make(&mut self, change: &Change) -> Result<(), JournalError> {
        match change {
            Change::Edit { edit, by, reply } => {
                let former = self.name_given_up_by(edit);
                let edited = self.open_journal()?.edit(edit, by);
                if edited.is_ok() {
                    self.note_former_name(former.as_deref());
                }
                let _ = reply.send(edited);
                self.note_hitter_of_running_session();
            }
            Change::Delete { whom, texts, reply } => {
                let former = match whom {
                    DeletionTarget::Hitter(hitter) => self.name_of(*hitter),
                    _ => None,
                };
                let deleted = self.open_journal()?.delete(*whom, texts);
                if deleted.is_ok() {
                    self.note_former_name(former.as_deref());
                }
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
            Change::Exchange { step, reply } => {
                let journal = self.open_journal()?;
                let done = match step {
                    ExchangeStep::Sending { mark, rev } => journal
                        .note_sent(mark, *rev)
                        .map(|()| TakenChanges::default()),
                    ExchangeStep::RenewUids(uids) => {
                        journal.renew_uids(uids).map(|()| TakenChanges::default())
                    }
                    ExchangeStep::Take(changes) => journal.take_changes(changes),
                };
                for (former, _) in done.iter().flat_map(|taken| &taken.renamed) {
                    self.note_former_name(Some(former));
                }
                let _ = reply.send(done);
                self.note_hitter_of_running_session();
            }
        }
        Ok(())
    }
}

/// Makes the changes that an office asks for in the facility's store, one after the other.
pub(crate) struct StoreWriter {
    handle: JournalHandle,
}

impl StoreWriter {
    /// Starts the thread named `store`; it ends with the last handle.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(crate) fn start(pool: StorePool, name: &str) -> std::io::Result<Self> {
        let (sender, receiver) = bounded(CHANNEL_JOBS);
        let mut store = Journal::of_store(pool, name);
        spawn("store", move || {
            for job in receiver {
                if let Job::Change(change) = job {
                    make_in_store(&mut store, &change);
                }
            }
        })?;
        let handle = JournalHandle::new(sender, name.into());
        Ok(Self { handle })
    }

    /// A handle for edits.
    pub(crate) fn handle(&self) -> JournalHandle {
        self.handle.clone()
    }
}

fn make_in_store(store: &mut Journal, change: &Change) {
    match change {
        Change::Edit { edit, by, reply } => drop(reply.send(store.edit(edit, by))),
        Change::Delete { whom, reply, .. } => drop(reply.send(store.delete_in_store(*whom))),
        Change::Clip { .. } | Change::Exchange { .. } => change.refuse(JournalError::NoFile {
            path: store.path().to_owned(),
            doing: "take in a session",
        }),
    }
}
