//! The writer thread: receives jobs, stores them in order, waits while the disk fails.
//!
//! Jobs arrive through the channel and wait in `pending` until each is on disk. The first that fails for a passing reason
//! stops the queue: what waits goes into the spool, what comes after it too, and all is moved into the journal later, in order.
//! The connection is kept meanwhile: SQLite goes on as soon as there is room. A journal that turns out to be damaged is set
//! aside, and what waits goes into a new one.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError};
use jiff::Timestamp;

use crate::journal::error::JournalError;
use crate::journal::files::preflight::check_beside_writer;
use crate::journal::files::spool::{self, Spool};
use crate::journal::record::{NewHitter, NewSession, PackedRep, SessionId};
use crate::journal::store::open::Journal;
use crate::journal::worker::waiting::strip_landmarks;
use crate::journal::worker::{Job, Shared, StorageState, WriterOptions};
use crate::wall_clock::now_to_the_millisecond;

/// The longest wait between tries once the program is ending.
const LAST_TRIES_EVERY: Duration = Duration::from_millis(200);
/// How often the file is looked at while reps go into it.
const LOOK_EVERY: Duration = Duration::from_secs(10);

/// A job that waits to be stored.
pub(super) type Pending = Job<Box<PackedRep>>;

impl Job {
    /// Packs a rep. Done on arrival rather than when it is stored, so that reps that wait take little memory.
    fn packed(self) -> Pending {
        match self {
            Job::Rep(record) => Job::Rep(Box::new(PackedRep::from_record(&record))),
            Job::NotCounted { rep, missed } => Job::NotCounted {
                rep: Box::new(PackedRep::from_record(&rep)),
                missed,
            },
            Job::Session {
                hitter,
                session,
                chosen_at,
            } => Job::Session {
                hitter,
                session,
                chosen_at,
            },
            Job::Change(change) => Job::Change(change),
            Job::End { at } => Job::End { at },
        }
    }
}

/// The thread's state.
pub(in crate::journal) struct Worker {
    pub(super) path: PathBuf,
    /// `None` until the journal could be opened.
    pub(in crate::journal) journal: Option<Journal>,
    options: WriterOptions,
    pub(super) shared: Arc<Shared>,
    receiver: Receiver<Job>,
    pub(super) pending: VecDeque<Pending>,
    /// Where reps wait on disk; `None` while none does.
    pub(in crate::journal) spool: Option<Spool>,
    /// Where that may lie.
    pub(super) spool_places: Vec<PathBuf>,
    pub(super) session: Option<SessionId>,
    /// How the running session began, to begin it again in a new file.
    pub(super) begun: Option<(Option<NewHitter>, NewSession)>,
    /// Whether no disk took the spool at the last try.
    pub(super) spool_failed: bool,
    /// Whether the journal was opened afresh because it seemed damaged, and has stored nothing since.
    pub(super) damaged_before: bool,
    /// When the file was last looked at past the connection.
    looked: Option<Instant>,
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
            journal: None,
            options,
            shared,
            receiver,
            pending: VecDeque::new(),
            spool: None,
            spool_places: spool::places(&path),
            path,
            session: None,
            begun: None,
            spool_failed: false,
            damaged_before: false,
            looked: None,
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
            if self.is_idle() {
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

    /// Whether nothing waits to be tried again.
    fn is_idle(&self) -> bool {
        self.pending.is_empty() && self.spool.is_none() && self.journal.is_some()
    }

    /// Returns whether more may come.
    pub(in crate::journal) fn receive(&mut self, job: Job) -> bool {
        let more = !matches!(job, Job::End { .. });
        match catch_unwind(AssertUnwindSafe(|| job.packed())) {
            // The person who asked is there to retry; it must not take effect minutes later.
            Ok(Job::Change(change)) if self.is_waiting() => change.refuse(self.takes_nothing()),
            Ok(mut pending) => {
                if self.pending.len() >= self.options.waiting_limit {
                    strip_landmarks(&mut pending);
                }
                self.pending.push_back(pending);
            }
            Err(_) => {
                tracing::error!("an entry that cannot be packed is lost");
                self.shared.state().refused_reps += 1;
            }
        }
        self.note_waiting();
        more
    }

    pub(super) fn note_waiting(&self) {
        let mut state = self.shared.state();
        state.waiting = self.pending.len();
        state.spool = None;
        if let Some(spool) = &self.spool {
            state.waiting += spool.entries() as usize;
            state.spool = Some(spool.path().to_path_buf());
        }
    }

    pub(super) fn takes_nothing(&self) -> JournalError {
        JournalError::Disk {
            path: self.path.clone(),
            reason: "it does not take anything now; the health page says why".to_owned(),
        }
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
                if again {
                    self.failed_before = false;
                    Err(JournalError::Refused {
                        path: self.path.clone(),
                        doing: "store an entry",
                        reason: "cagehand has a fault there; the log above says where".to_owned(),
                    })
                } else {
                    Err(self.fault())
                }
            }
        }
    }

    /// Receives jobs while the disk fails; returns whether more may come. Each goes into the spool at once.
    fn receive_until(&mut self, retry_at: Instant) -> bool {
        loop {
            let left = retry_at.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            match self.receiver.recv_timeout(left) {
                Ok(job) => {
                    let more = self.receive(job);
                    self.spool_pending();
                    if !more {
                        return false;
                    }
                }
                Err(RecvTimeoutError::Timeout) => return true,
                Err(RecvTimeoutError::Disconnected) => return false,
            }
        }
    }

    /// Stores what waits in the spool and then the pending jobs, in order, until none is left or the disk fails. Returns whether
    /// none is left. What is left goes into the spool.
    pub(in crate::journal) fn store_pending(&mut self) -> bool {
        if self.journal.is_none() {
            match Journal::open_or_quarantine(&self.path) {
                Ok(journal) => self.adopt(journal),
                Err(error) => self.note_failure(&error),
            }
        }
        if let Err(error) = self.empty_spool_guarded() {
            self.take_failure(error, None);
        }
        while self.journal.is_some()
            && self.spool.is_none()
            && let Some(job) = self.pending.pop_front()
        {
            let begun = Instant::now();
            match self.store_guarded(&job) {
                Ok(()) => {
                    self.damaged_before = false;
                    self.note_success(matches!(job, Job::Rep(_)), begun.elapsed());
                }
                Err(
                    error @ (JournalError::Refused { .. } | JournalError::NoSuchSession { .. }),
                ) => {
                    tracing::error!(%error, "an entry is lost");
                    self.shared.state().refused_reps += u64::from(matches!(job, Job::Rep(_)));
                }
                Err(error) => {
                    if !self.take_failure(error, Some(job)) {
                        break;
                    }
                }
            }
        }
        // After a fault of ours the same entry is tried once more at once, and the spool would trip over it too.
        if !self.failed_before {
            self.spool_pending();
        }
        self.note_waiting();
        self.pending.is_empty() && self.spool.is_none()
    }

    fn store(&mut self, job: &Pending) -> Result<(), JournalError> {
        match job {
            Job::Session {
                hitter,
                session,
                chosen_at,
            } => {
                let hitter = self.shared.still_there(hitter.as_ref(), *chosen_at);
                let follows_another = self.session.is_some();
                self.end_running_session(session.started_at)?;
                if follows_another {
                    self.refuse_damaged(true)?;
                }
                let begun = self.open_journal()?.begin_session_of(hitter, session)?;
                self.session = Some(begun);
                self.begun = Some((hitter.cloned(), session.clone()));
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
                #[cfg(test)]
                if rep.judged.number == self.fault_at.0 && self.fault_at.1 > 0 {
                    self.fault_at.1 -= 1;
                    panic!("a fault on purpose");
                }
                let started = Instant::now();
                let is_due = self.looked.is_none_or(|at| at.elapsed() >= LOOK_EVERY);
                if is_due {
                    self.refuse_damaged(false)?;
                    self.looked = Some(started);
                }
                let session = self.running_session()?;
                self.open_journal()?.log_packed(session, rep)?;
                let ms = 1e3 * started.elapsed().as_secs_f64();
                tracing::debug!(rep = rep.judged.number, ms, "rep stored");
            }
            Job::NotCounted { rep, missed } => {
                let session = self.running_session()?;
                self.open_journal()?
                    .log_not_counted_packed(session, rep, *missed)?;
            }
            Job::Change(change) => self.make(change)?,
            Job::End { at } => {
                self.end_running_session(*at)?;
                self.begun = None;
                let mut state = self.shared.state();
                (state.session, state.session_started) = (None, None);
            }
        }
        Ok(())
    }

    /// Ends the running session, which somebody may have deleted meanwhile.
    fn end_running_session(&mut self, at: Timestamp) -> Result<(), JournalError> {
        let Some(running) = self.session else {
            return Ok(());
        };
        match self.open_journal()?.end_session(running, at, None) {
            Ok(()) | Err(JournalError::NoSuchSession { .. }) => {
                self.session = None;
                Ok(())
            }
            Err(error) => Err(error),
        }
    }

    /// Finds damage that the open connection does not meet, so that what comes goes into a sound file.
    fn refuse_damaged(&self, whole: bool) -> Result<(), JournalError> {
        match check_beside_writer(&self.path, whole) {
            Err(error) if error.damaged_file().is_some() => Err(error),
            Err(error) => {
                tracing::warn!(%error, "the journal cannot be looked at");
                Ok(())
            }
            Ok(()) => Ok(()),
        }
    }

    pub(super) fn open_journal(&mut self) -> Result<&mut Journal, JournalError> {
        let path = &self.path;
        self.journal
            .as_mut()
            .ok_or_else(|| JournalError::WriterGone { path: path.clone() })
    }

    /// The session that reps go to. One that somebody deleted while it ran is begun again.
    fn running_session(&mut self) -> Result<SessionId, JournalError> {
        if let Some(session) = self.session
            && self.open_journal()?.reader().has_session(session)?
        {
            return Ok(session);
        }
        let Some((hitter, session)) = self.begun.as_ref().filter(|_| self.session.is_some()) else {
            return Err(JournalError::Refused {
                path: self.path.clone(),
                doing: "log a rep",
                reason: "no session was begun".to_owned(),
            });
        };
        tracing::warn!("the running session was deleted; it is begun again");
        let (hitter, session) = (hitter.clone(), session.clone());
        let id = self
            .open_journal()?
            .begin_session_of(hitter.as_ref(), &session)?;
        self.session = Some(id);
        self.shared.state().session = Some(id);
        Ok(id)
    }

    pub(super) fn adopt(&mut self, journal: Journal) {
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

    pub(super) fn note_working(&self) {
        let mut state = self.shared.state();
        if state.storage != StorageState::Working {
            state.storage = StorageState::Working;
            drop(state);
            tracing::info!(path = %self.path.display(), "the journal takes reps again");
        }
    }

    /// Puts the failure into the state; only the first in a row is logged.
    pub(super) fn note_failure(&self, error: &JournalError) {
        self.note_waiting();
        let mut state = self.shared.state();
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
            tracing::warn!(%error, "reps wait until the journal takes them");
        }
    }

    fn report_unstored(&self) -> Result<(), JournalError> {
        if let Some(spool) = &self.spool {
            tracing::warn!(
                spool = %spool.path().display(),
                reps = spool.entries(),
                "reps wait in the spool for the next start"
            );
        }
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
