//! The writer thread: receives jobs, stores them in order, waits while the disk fails.
//!
//! Jobs arrive through the channel and wait in `pending` until each is on disk. The first that fails for a passing reason
//! stops the queue; all are retried later, in order. The connection is kept meanwhile: SQLite goes on as soon as there is room.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError};

use crate::journal::error::JournalError;
use crate::journal::record::{NewHitter, NewSession, PackedRep, SessionId};
use crate::journal::store::open::Journal;
use crate::journal::worker::{Job, Shared, StorageState, WriterOptions};
use crate::wall_clock::now_to_the_millisecond;

/// The longest wait between tries once the program is ending.
const LAST_TRIES_EVERY: Duration = Duration::from_millis(200);

/// A job that waits to be stored.
type Pending = Job<Box<PackedRep>>;

impl Job {
    /// Packs a rep. Done on arrival rather than when it is stored, so that reps that wait take little memory.
    fn packed(self) -> Pending {
        match self {
            Job::Rep(record) => Job::Rep(Box::new(PackedRep::from_record(&record))),
            Job::NotCounted { rep, missed } => Job::NotCounted {
                rep: Box::new(PackedRep::from_record(&rep)),
                missed,
            },
            Job::Session { hitter, session } => Job::Session { hitter, session },
            Job::Edit { edit, reply } => Job::Edit { edit, reply },
            Job::End { at } => Job::End { at },
        }
    }
}

/// The thread's state.
pub(in crate::journal) struct Worker {
    path: PathBuf,
    /// `None` until the journal could be opened.
    pub(in crate::journal) journal: Option<Journal>,
    options: WriterOptions,
    shared: Arc<Shared>,
    receiver: Receiver<Job>,
    pending: VecDeque<Pending>,
    session: Option<SessionId>,
    /// How the running session began, to begin it again in a new file.
    begun: Option<(Option<NewHitter>, NewSession)>,
    /// Whether the first pending job has caused a panic.
    failed_before: bool,
    /// Number of a rep, and how often storing it panics.
    #[cfg(test)]
    pub(in crate::journal) fault_at: (u32, u32),
}

impl Worker {
    pub(in crate::journal) fn new(
        path: PathBuf,
        journal: Result<Journal, JournalError>,
        options: WriterOptions,
        shared: Arc<Shared>,
        receiver: Receiver<Job>,
    ) -> Self {
        let mut worker = Self {
            path,
            journal: None,
            options,
            shared,
            receiver,
            pending: VecDeque::new(),
            session: None,
            begun: None,
            failed_before: false,
            #[cfg(test)]
            fault_at: (0, 0),
        };
        match journal {
            Ok(journal) => worker.adopt(journal),
            Err(error) => worker.note_failure(&error),
        }
        worker
    }

    /// Runs until the handle is closed and everything is stored or given up.
    pub(in crate::journal) fn run(mut self) -> Result<(), JournalError> {
        let mut open = true;
        while open {
            if self.pending.is_empty() && self.journal.is_some() {
                match self.receiver.recv() {
                    Ok(job) => open = self.receive(job),
                    Err(_) => open = false,
                }
            } else {
                open = self.receive_until(Instant::now() + self.options.retry_every);
            }
            self.store_pending();
        }
        while !self.store_pending() {
            let now = Instant::now();
            let Some(left) = self
                .shared
                .give_up_at()
                .unwrap_or(now)
                .checked_duration_since(now)
            else {
                break;
            };
            std::thread::sleep(left.min(LAST_TRIES_EVERY).max(Duration::from_millis(1)));
        }
        self.report_unstored()
    }

    /// Returns whether more may come.
    pub(in crate::journal) fn receive(&mut self, job: Job) -> bool {
        let more = !matches!(job, Job::End { .. });
        match catch_unwind(AssertUnwindSafe(|| job.packed())) {
            // The person who made the edit is there to retry; it must not take effect minutes later.
            Ok(Job::Edit { reply, .. }) if self.is_waiting() => {
                let _ = reply.send(Err(JournalError::Disk {
                    path: self.path.clone(),
                    reason: "it does not take anything now; the health page says why".to_owned(),
                }));
            }
            Ok(pending) => self.pending.push_back(pending),
            Err(_) => {
                tracing::error!("an entry that cannot be packed is lost");
                self.shared.state().refused_reps += 1;
            }
        }
        self.shared.state().waiting = self.pending.len();
        more
    }

    fn is_waiting(&self) -> bool {
        matches!(self.shared.state().storage, StorageState::Waiting { .. })
    }

    /// Stores a job. A panic on the way is handled like an error: the file is reopened, and a job that panics again is refused,
    /// so that it does not hold up those behind it.
    fn store_guarded(&mut self, job: &Pending) -> Result<(), JournalError> {
        match catch_unwind(AssertUnwindSafe(|| self.store(job))) {
            Ok(stored) => {
                if stored.is_ok() {
                    self.failed_before = false;
                }
                stored
            }
            Err(_) => {
                self.journal = None;
                self.shared.state().restarts += 1;
                let again = std::mem::replace(&mut self.failed_before, true);
                let path = self.path.clone();
                let reason = "cagehand has a fault there; the log above says where".to_owned();
                if again {
                    self.failed_before = false;
                    Err(JournalError::Refused {
                        path,
                        doing: "store an entry",
                        reason,
                    })
                } else {
                    Err(JournalError::Disk { path, reason })
                }
            }
        }
    }

    /// Receives jobs while the disk fails; returns whether more may come. Beyond the limit they stay in the channel, so that the
    /// sender blocks.
    fn receive_until(&mut self, retry_at: Instant) -> bool {
        loop {
            let left = retry_at.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            let ending = self.shared.give_up_at().is_some();
            if self.pending.len() >= self.options.waiting_limit && !ending {
                std::thread::park_timeout(left);
                continue;
            }
            match self.receiver.recv_timeout(left) {
                Ok(job) => {
                    if !self.receive(job) {
                        return false;
                    }
                }
                Err(RecvTimeoutError::Timeout) => return true,
                Err(RecvTimeoutError::Disconnected) => return false,
            }
        }
    }

    /// Stores pending jobs in order until none is left or the disk fails. Returns whether none is left.
    pub(in crate::journal) fn store_pending(&mut self) -> bool {
        if self.journal.is_none() {
            match Journal::open_or_quarantine(&self.path) {
                Ok(journal) => self.adopt(journal),
                Err(error) => self.note_failure(&error),
            }
        }
        while self.journal.is_some()
            && let Some(job) = self.pending.pop_front()
        {
            let begun = Instant::now();
            match self.store_guarded(&job) {
                Ok(()) => {
                    self.note_success(matches!(job, Job::Rep(_)), begun.elapsed());
                }
                Err(
                    error @ (JournalError::Refused { .. } | JournalError::NoSuchSession { .. }),
                ) => {
                    tracing::error!(%error, "an entry is lost");
                    self.shared.state().refused_reps += u64::from(matches!(job, Job::Rep(_)));
                }
                Err(error @ JournalError::Moved { .. }) => {
                    tracing::warn!(%error, "a new journal is begun");
                    self.restart_in_new_file(job);
                }
                // After errors that do not pass by themselves, such as damage, jobs wait as well: the reps are
                // safer in memory, and the page shows what is wrong.
                Err(error) => {
                    self.pending.push_front(job);
                    self.note_failure(&error);
                    break;
                }
            }
        }
        self.shared.state().waiting = self.pending.len();
        self.pending.is_empty()
    }

    /// Lets go of a file that was moved or deleted; this job and those after it go to a new one.
    fn restart_in_new_file(&mut self, job: Pending) {
        if let Some(old) = self.journal.take()
            && let Err(error) = old.empty_wal()
        {
            tracing::warn!(%error, "the newest reps of the old journal may be lost");
        }
        let ran = self.session.take().and(self.begun.take());
        let goes_on = matches!(job, Job::Rep(_) | Job::NotCounted { .. });
        self.pending.push_front(job);
        if goes_on && let Some((hitter, session)) = ran {
            // The hitter's number of the old file means nothing in the new one.
            let session = NewSession {
                hitter: None,
                started_at: now_to_the_millisecond(),
                ..session
            };
            self.pending.push_front(Job::Session { hitter, session });
        }
        match Journal::open_or_quarantine(&self.path) {
            Ok(journal) => self.adopt(journal),
            Err(error) => self.note_failure(&error),
        }
    }

    fn store(&mut self, job: &Pending) -> Result<(), JournalError> {
        let Some(journal) = self.journal.as_mut() else {
            return Err(JournalError::WriterGone {
                path: self.path.clone(),
            });
        };
        let no_session = || JournalError::Refused {
            path: self.path.clone(),
            doing: "log a rep",
            reason: "no session was begun".to_owned(),
        };
        match job {
            Job::Session { hitter, session } => {
                if let Some(running) = self.session {
                    journal.end_session(running, session.started_at, None)?;
                    self.session = None;
                }
                self.session = Some(journal.begin_session_of(hitter.as_ref(), session)?);
                self.begun = Some((hitter.clone(), session.clone()));
                // A session that another already follows is not the running one.
                let followed = self
                    .pending
                    .iter()
                    .any(|job| matches!(job, Job::Session { .. }));
                if !followed {
                    let mut state = self.shared.state();
                    state.session = self.session;
                    state.session_started = Some(session.started_at);
                }
            }
            Job::Rep(rep) => {
                let session = self.session.ok_or_else(no_session)?;
                #[cfg(test)]
                if rep.judged.number == self.fault_at.0 && self.fault_at.1 > 0 {
                    self.fault_at.1 -= 1;
                    panic!("a fault on purpose");
                }
                let started = Instant::now();
                journal.log_packed(session, rep)?;
                let ms = 1e3 * started.elapsed().as_secs_f64();
                tracing::debug!(rep = rep.judged.number, ms, "rep stored");
            }
            Job::NotCounted { rep, missed } => {
                let session = self.session.ok_or_else(no_session)?;
                journal.log_not_counted_packed(session, rep, *missed)?;
            }
            Job::Edit { edit, reply } => {
                // The caller may have stopped waiting; the edit is made all the same, and the page shows it.
                let _ = reply.send(journal.edit(edit));
            }
            Job::End { at } => {
                if let Some(running) = self.session {
                    journal.end_session(running, *at, None)?;
                    self.session = None;
                    let mut state = self.shared.state();
                    (state.session, state.session_started) = (None, None);
                }
            }
        }
        Ok(())
    }

    fn adopt(&mut self, journal: Journal) {
        if let Some(quarantined) = &journal.report().quarantined {
            tracing::warn!(
                journal = %self.path.display(),
                set_aside = %quarantined.path.display(),
                why = quarantined.why,
                "the journal was damaged; it is set aside and a new one is begun"
            );
        }
        for session in &journal.report().unclean {
            tracing::warn!(
                session = session.id.get(),
                reps = session.reps,
                "an earlier run did not end this session; it is closed now"
            );
        }
        self.shared.state().opened = Some(journal.report().clone());
        self.journal = Some(journal);
        self.note_working();
    }

    fn note_success(&self, is_rep: bool, took: Duration) {
        self.note_working();
        let mut state = self.shared.state();
        state.stored_reps += u64::from(is_rep);
        state.last_commit_ms = Some(took.as_secs_f64() * 1e3);
    }

    fn note_working(&self) {
        let mut state = self.shared.state();
        if state.storage != StorageState::Working {
            state.storage = StorageState::Working;
            drop(state);
            tracing::info!(path = %self.path.display(), "the journal takes reps again");
        }
    }

    /// Puts the failure into the state; only the first in a row is logged.
    fn note_failure(&self, error: &JournalError) {
        let mut state = self.shared.state();
        state.waiting = self.pending.len();
        let first = matches!(state.storage, StorageState::Working);
        match &mut state.storage {
            StorageState::Waiting { why, .. } => *why = error.to_string(),
            working => {
                *working = StorageState::Waiting {
                    since: now_to_the_millisecond(),
                    why: error.to_string(),
                };
            }
        }
        drop(state);
        if first {
            tracing::warn!(%error, "reps wait in memory until the journal takes them");
        }
    }

    fn report_unstored(&self) -> Result<(), JournalError> {
        let reps = self
            .pending
            .iter()
            .filter(|job| matches!(job, Job::Rep(_)))
            .count();
        if reps == 0 {
            return Ok(());
        }
        let reason = match &self.shared.state().storage {
            StorageState::Waiting { why, .. } => why.clone(),
            StorageState::Working => "the time ran out".to_owned(),
        };
        Err(JournalError::NotStored {
            path: self.path.clone(),
            reps: reps as u64,
            reason,
        })
    }
}
