//! The handle to the journal's writer thread, and the state that it reports.
//!
//! Reps go in through a queue that never blocks and never drops one: while they cannot be written they wait in a spool, and in
//! memory where no disk takes that either. The thread itself is in [`thread`].

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Sender, TrySendError, bounded};
use jiff::Timestamp;

pub(in crate::journal) mod change;
mod former_names;
pub(in crate::journal) mod thread;
mod waiting;
mod who_hits;

use crate::journal::error::JournalError;
use crate::journal::exchange::TakenChanges;
use crate::journal::files::deletion::{DeletionReport, DeletionTarget};
use crate::journal::record::{NewHitter, NewSession, RepRecord, SessionId};
use crate::journal::store::edits::Edit;
use crate::journal::store::open::{Journal, OpenReport};
use crate::journal::store::take_in::{ClipSession, TakenClip};
use crate::journal::worker::change::{Change, Reply};
pub(crate) use crate::journal::worker::change::{ExchangeStep, StoreWriter};
use crate::journal::worker::former_names::FormerNames;
use crate::journal::worker::thread::Worker;
use crate::rep::MissedCondition;
use crate::thread::spawn;
use crate::wall_clock::now_to_the_millisecond;

/// Capacity of the channel to the thread: more than a day's reps, for a disk that hangs.
const CHANNEL_JOBS: usize = 10_000;
/// The thread receives jobs at once. Where so many wait for it, a disk hangs: from here on reps come without their landmarks, so
/// that a night's reps fit into memory.
const STALLED_AT_JOBS: usize = 100;

/// How long and for how much the writer waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct WriterOptions {
    /// How long to wait between tries while reps cannot be written.
    pub(crate) retry_every: Duration,
    /// How many jobs wait in memory with their landmarks, about 30 kB each; those beyond wait without, about 4 kB each.
    pub(crate) waiting_limit: usize,
}

impl Default for WriterOptions {
    fn default() -> Self {
        Self {
            retry_every: Duration::from_secs(3),
            waiting_limit: 2000,
        }
    }
}

/// Whether reps can be written.
#[derive(Clone, Debug, PartialEq, Default)]
pub(crate) enum StorageState {
    /// What was logged is on disk, or on its way.
    #[default]
    Working,
    /// Reps wait, in the spool or in memory, and are retried every few seconds.
    Waiting {
        /// Since when, by the wall clock.
        since: Timestamp,
        /// What is wrong and what to do, for people.
        why: String,
    },
}

/// The writer's state for the page and the health figures.
#[derive(Clone, Debug, PartialEq, Default)]
pub(crate) struct WriterState {
    /// Whether reps can be written.
    pub(crate) storage: StorageState,
    /// The running session, once it is on disk.
    pub session: Option<SessionId>,
    /// When that session began.
    pub(crate) session_started: Option<Timestamp>,
    /// Jobs that wait, in the spool and in memory.
    pub(crate) waiting: usize,
    /// The spool, while reps wait in one: they survive the end of the program.
    pub(crate) spool: Option<PathBuf>,
    /// Reps on disk since the start.
    pub(crate) stored_reps: u64,
    /// Reps that are lost because the journal refused them for good; always 0 unless cagehand has a bug.
    pub(crate) refused_reps: u64,
    /// How often the journal was reopened after a panic.
    pub(crate) restarts: u64,
    /// How long the last commit took, in milliseconds.
    pub(crate) last_commit_ms: Option<f64>,
    /// What opening the journal found; `None` while it could not be opened yet.
    pub(crate) opened: Option<OpenReport>,
}

/// A job for the thread. On its way there a rep is a whole record; while it waits to be stored it is packed.
pub(in crate::journal) enum Job<R = Box<RepRecord>> {
    Session {
        hitter: Option<NewHitter>,
        session: NewSession,
        /// When the hitter was chosen.
        chosen_at: Instant,
    },
    Rep(R),
    NotCounted {
        rep: R,
        missed: MissedCondition,
    },
    Change(Box<Change>),
    /// The session ends, and nothing comes after this: the handle is closed.
    End {
        at: Timestamp,
    },
}

/// How long to wait for an edit.
const EDIT_PATIENCE: Duration = Duration::from_secs(5);
/// How long to wait for a clip's session.
const CLIP_PATIENCE: Duration = Duration::from_secs(60);
/// How long to wait for a deletion, which rebuilds the file and reads all of it.
const DELETION_PATIENCE: Duration = Duration::from_secs(600);

/// Edits a journal beside its [`JournalWriter`]; cheap to copy to other threads.
#[derive(Clone, Debug)]
pub(crate) struct JournalHandle {
    sender: Sender<Job>,
    path: PathBuf,
    former_names: Arc<FormerNames>,
}

impl PartialEq for JournalHandle {
    fn eq(&self, other: &Self) -> bool {
        self.sender.same_channel(&other.sender)
    }
}

impl JournalHandle {
    fn new(sender: Sender<Job>, path: PathBuf) -> Self {
        Self {
            sender,
            path,
            former_names: Arc::default(),
        }
    }

    /// Whether a hitter who was chosen by name at that time has been deleted, renamed or merged since.
    pub(crate) fn has_changed_since(&self, name: &str, chosen_at: Instant) -> bool {
        self.former_names.was_given_up(name, chosen_at)
    }

    /// Makes a change by an account, waits until it is on disk, and returns the number of the row. An edit that cannot be made at
    /// once fails: the caller is still there to try again.
    ///
    /// # Errors
    /// Those of [`Journal::edit`], and [`JournalError::WriterGone`] where the writer has ended or does not answer in time.
    pub(crate) fn edit(&self, edit: Edit, by: &str) -> Result<i64, JournalError> {
        self.ask(EDIT_PATIENCE, |reply| Change::Edit {
            edit,
            by: by.to_owned(),
            reply,
        })
    }

    /// Takes in what was found in a clip, and waits until it is on disk.
    ///
    /// # Errors
    /// Those of [`Journal::take_in_clip`], and [`JournalError::WriterGone`] where the writer has ended or does not answer in time.
    pub(crate) fn take_in_clip(
        &self,
        found: PathBuf,
        session: ClipSession,
    ) -> Result<TakenClip, JournalError> {
        self.ask(CLIP_PATIENCE, |reply| Change::Clip {
            found,
            session,
            reply,
        })
    }

    /// Makes a step of the exchange with a facility's store, and waits until it is on disk.
    ///
    /// # Errors
    /// Those of the disk, and [`JournalError::WriterGone`] where the writer has ended or does not answer in time.
    pub(crate) fn exchange(&self, step: ExchangeStep) -> Result<TakenChanges, JournalError> {
        self.ask(CLIP_PATIENCE, |reply| Change::Exchange { step, reply })
    }

    /// Deletes a hitter or a session for good, waits until that is done, and says what is left. Reps wait meanwhile.
    ///
    /// # Errors
    /// Those of [`Journal::delete`], and [`JournalError::WriterGone`] where the writer has ended or does not answer in time.
    pub(crate) fn delete(
        &self,
        whom: DeletionTarget,
        texts: Vec<PathBuf>,
    ) -> Result<DeletionReport, JournalError> {
        self.ask(DELETION_PATIENCE, |reply| Change::Delete {
            whom,
            texts,
            reply,
        })
    }

    /// Asks for a change, and waits for so long for the answer.
    fn ask<T>(
        &self,
        patience: Duration,
        change: impl FnOnce(Reply<T>) -> Change,
    ) -> Result<T, JournalError> {
        let gone = || JournalError::WriterGone {
            path: self.path.clone(),
        };
        let (reply, answer) = bounded(1);
        self.sender
            .try_send(Job::Change(Box::new(change(reply))))
            .map_err(|_| gone())?;
        answer.recv_timeout(patience).map_err(|_| gone())?
    }
}

/// What the handle and the thread share.
#[derive(Debug, Default)]
pub(in crate::journal) struct Shared {
    state: Mutex<WriterState>,
    give_up_at: Mutex<Option<Instant>>,
    former_names: Arc<FormerNames>,
}

impl Shared {
    pub(in crate::journal) fn state(&self) -> MutexGuard<'_, WriterState> {
        // A state left by a panic is still valid; the thread's end is noticed elsewhere.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The hitter of a session that was asked for; nobody, where they were deleted, renamed or merged since.
    pub(in crate::journal) fn still_there<'h>(
        &self,
        hitter: Option<&'h NewHitter>,
        chosen_at: Instant,
    ) -> Option<&'h NewHitter> {
        hitter.filter(|hitter| {
            let has_changed = |name| self.former_names.was_given_up(name, chosen_at);
            !hitter.name.as_deref().is_some_and(has_changed)
        })
    }

    /// When to stop trying; `None` while the program runs.
    pub(in crate::journal) fn give_up_at(&self) -> Option<Instant> {
        *self
            .give_up_at
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    fn set_give_up_at(&self, at: Instant) {
        *self
            .give_up_at
            .lock()
            .unwrap_or_else(PoisonError::into_inner) = Some(at);
    }
}

/// The handle to the writer thread.
#[derive(Debug)]
pub struct JournalWriter {
    // None once closed.
    sender: Option<Sender<Job>>,
    thread: Option<JoinHandle<Result<(), JournalError>>>,
    shared: Arc<Shared>,
    path: PathBuf,
}

impl JournalWriter {
    /// Opens the journal and starts the thread named `journal`.
    ///
    /// A full or failing disk does not keep the program from starting: the thread opens the journal when it can, and what is
    /// logged until then waits in memory. Nor does a damaged journal: it is quarantined and replaced by a new one, which
    /// [`WriterState::opened`] reports.
    ///
    /// # Errors
    /// Those of [`Journal::open_or_quarantine`] that do not pass by themselves, and [`JournalError::WriterGone`]
    /// where the thread cannot be started.
    pub(crate) fn start(path: &Path, options: WriterOptions) -> Result<Self, JournalError> {
        let journal = match Journal::open_or_quarantine(path) {
            Ok(journal) => Ok(journal),
            Err(error) if error.is_passing() => Err(error),
            Err(error) => return Err(error),
        };
        let shared = Arc::new(Shared::default());
        let (sender, receiver) = bounded(CHANNEL_JOBS);
        let worker = Worker::new(
            path.to_path_buf(),
            journal,
            options,
            Arc::clone(&shared),
            receiver,
        );
        let thread = spawn("journal", || worker.run()).map_err(|error| {
            tracing::error!(%error, "the journal's thread cannot be started");
            JournalError::WriterGone {
                path: path.to_path_buf(),
            }
        })?;
        Ok(Self {
            sender: Some(sender),
            thread: Some(thread),
            shared,
            path: path.to_path_buf(),
        })
    }

    /// Begins a session, for this hitter if there is one; a running session is ended first. Nobody's, where the hitter was deleted,
    /// renamed or merged after they were chosen.
    ///
    /// # Errors
    /// [`JournalError::WriterGone`]. Errors of the disk show in [`JournalWriter::state`].
    pub(crate) fn begin_session(
        &self,
        hitter: Option<NewHitter>,
        session: NewSession,
        chosen_at: Instant,
    ) -> Result<(), JournalError> {
        // Until the new session is on disk the state names none: nobody may take the one before for it.
        {
            let mut state = self.shared.state();
            (state.session, state.session_started) = (None, None);
        }
        self.send(Job::Session {
            hitter,
            session,
            chosen_at,
        })
    }

    /// Logs a rep in the session begun last. Neither blocks nor drops it; while the thread hangs on a disk, the rep loses its
    /// landmarks.
    ///
    /// # Errors
    /// [`JournalError::WriterGone`].
    pub(crate) fn log_rep(&self, record: RepRecord) -> Result<(), JournalError> {
        let rep = Box::new(self.lightened(record));
        self.send(Job::Rep(rep))
    }

    fn lightened(&self, record: RepRecord) -> RepRecord {
        let is_stalled = self
            .sender
            .as_ref()
            .is_some_and(|sender| sender.len() >= STALLED_AT_JOBS);
        match is_stalled {
            false => record,
            true => {
                tracing::warn!(
                    rep = record.judged.number,
                    "the disk hangs; the rep waits without its landmarks"
                );
                record.without_landmarks()
            }
        }
    }

    /// Keeps a movement that was not counted, in the session begun last, as [`Self::log_rep`] does.
    ///
    /// # Errors
    /// [`JournalError::WriterGone`].
    pub(crate) fn log_not_counted(
        &self,
        record: RepRecord,
        missed: MissedCondition,
    ) -> Result<(), JournalError> {
        let rep = Box::new(self.lightened(record));
        self.send(Job::NotCounted { rep, missed })
    }

    /// A handle for edits; `None` once closed.
    pub(crate) fn handle(&self) -> Option<JournalHandle> {
        self.sender.as_ref().map(|sender| JournalHandle {
            sender: sender.clone(),
            path: self.path.clone(),
            former_names: Arc::clone(&self.shared.former_names),
        })
    }

    /// The state now.
    pub(crate) fn state(&self) -> WriterState {
        let mut state = self.shared.state().clone();
        state.waiting += self.sender.as_ref().map_or(0, Sender::len);
        state
    }

    /// Ends the session, stores what waits, and joins the thread. If reps cannot be written it retries for up to `patience`; what
    /// is in the spool then waits there for the next start.
    ///
    /// # Errors
    /// [`JournalError::NotStored`] with the number of reps lost, [`JournalError::WriterGone`] where
    /// the thread had died before.
    pub(crate) fn close(mut self, patience: Duration) -> Result<(), JournalError> {
        self.finish(patience)
    }

    fn finish(&mut self, patience: Duration) -> Result<(), JournalError> {
        let Some(thread) = self.thread.take() else {
            return Ok(());
        };
        let now = Instant::now();
        // A patience that the clock cannot express means practically forever.
        let give_up_at = now
            .checked_add(patience)
            .unwrap_or(now + Duration::from_secs(1 << 30));
        self.shared.set_give_up_at(give_up_at);
        if let Some(sender) = self.sender.take() {
            // A dead thread shows in the join below, and a full queue in what it reports.
            let at = now_to_the_millisecond();
            let _ = sender.send_timeout(Job::End { at }, patience);
        }
        thread.join().unwrap_or_else(|_| {
            Err(JournalError::WriterGone {
                path: self.path.clone(),
            })
        })
    }

    fn send(&self, job: Job) -> Result<(), JournalError> {
        let gone = || JournalError::WriterGone {
            path: self.path.clone(),
        };
        match self.sender.as_ref().ok_or_else(gone)?.try_send(job) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(job)) => {
                tracing::error!("the disk has hung for a day's reps; an entry is lost");
                self.shared.state().refused_reps += u64::from(matches!(job, Job::Rep(_)));
                Ok(())
            }
            // The thread, and with it the other end of the queue.
            Err(TrySendError::Disconnected(_)) => Err(gone()),
        }
    }
}

impl Drop for JournalWriter {
    /// Stores what waits if [`JournalWriter::close`] was not called.
    fn drop(&mut self) {
        if let Err(error) = self.finish(Duration::from_secs(2)) {
            tracing::error!(%error, "the journal's writer did not end well");
        }
    }
}
