//! The thread that carries changes between a cage's journal and the facility's store, both ways.
//!
//! In: the settings' `[facility]` and the journal as it is then. Out: its rows in the store, what others changed in the journal, and
//! how that goes. Nothing waits for the thread: a cage goes on for as long as the network is down. First it hears what was deleted
//! and what hitters allow, then it sends. Whatever is sent or heard twice changes nothing.

mod films;
mod screen;

use std::cell::{Cell, RefCell};
use std::collections::HashSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use serde_json::{Value, json};

use super::Terminal;
use crate::facility::{FacilitySettings, Received, StoreClient, StoreError};
use crate::journal::{
    DeletionTarget, ExchangeStep, FileIdentity, HitterChoice, HitterId, Journal, JournalError,
    JournalHandle, JournalReader, Purpose, TakenChanges, ToldChange,
};
use crate::page::SessionControl;
use crate::settings::PageSettings;
use crate::status::Health;
use crate::thread::{Lower, give_way, spawn};
use crate::wall_clock::now_to_the_millisecond;

/// How often both are asked for changes, and how often the cage says how it is.
const LOOK_EVERY: Duration = Duration::from_secs(3);
const TELL_EVERY: Duration = Duration::from_secs(30);
/// The first wait after a failure, and the longest.
const FIRST_WAIT: Duration = Duration::from_secs(2);
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// Bytes with which a batch is full, at most and at least.
const LARGEST_BATCH: usize = 1 << 20;
const SMALLEST_BATCH: usize = 1 << 15;
/// Changes that are asked for at once.
const CHANGES_AT_ONCE: i32 = 100;

/// The running exchange; it ends when this is dropped.
#[derive(Debug)]
pub(super) struct FacilityLink {
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl FacilityLink {
    /// Starts it where the settings name a store.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(super) fn start_where_named(
        control: Arc<dyn SessionControl>,
        health: &Arc<Health>,
        terminal: &Terminal,
    ) -> std::io::Result<Option<Self>> {
        let Some(settings) = control.settings().facility else {
            return Ok(None);
        };
        let url = settings.address.url();
        let films = match settings.films {
            true => ", films go there too",
            false => "",
        };
        terminal.println(&format!("facility: {} of {url}{films}", settings.cage));
        Self::start(settings, control, Arc::clone(health)).map(Some)
    }

    /// Starts the thread named `facility`.
    ///
    /// # Errors
    /// Where the system gives no thread.
    fn start(
        settings: FacilitySettings,
        control: Arc<dyn SessionControl>,
        health: Arc<Health>,
    ) -> std::io::Result<Self> {
        health.change_facility(|_| {});
        let (stop, stopped) = bounded(0);
        let carrier = Carrier {
            settings,
            control,
            health,
            began: Instant::now(),
            stopped,
            has_carried: Cell::default(),
            screen: RefCell::default(),
            batch_bytes: Cell::new(LARGEST_BATCH),
        };
        let thread = spawn("facility", move || {
            give_way(Lower::Much);
            carrier.run();
        })?;
        Ok(Self {
            stop: Some(stop),
            thread: Some(thread),
        })
    }
}

impl Drop for FacilityLink {
    /// A statement that waits for the network is not waited for: the store takes a batch whole or not at all.
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take().filter(JoinHandle::is_finished) {
            let _ = thread.join();
        }
    }
}

struct Carrier {
    settings: FacilitySettings,
    control: Arc<dyn SessionControl>,
    health: Arc<Health>,
    began: Instant,
    stopped: Receiver<()>,
    /// The thread that tells an office what the screen shows.
    screen: RefCell<Option<JoinHandle<()>>>,
    /// Whether anything went through since the last wait.
    has_carried: Cell<bool>,
    /// With how much a batch is full.
    batch_bytes: Cell<usize>,
}

/// A journal with its writer, as they are now.
struct Ends {
    path: PathBuf,
    /// The file that the reader has open. The writer begins another one under the same name where it is gone or damaged.
    file: Option<FileIdentity>,
    reader: JournalReader,
    writer: JournalHandle,
}

impl Ends {
    /// Makes sure that reader and writer have the same file: numbers of the one mean others in another.
    fn refuse_replaced(&self) -> Result<(), JournalError> {
        if FileIdentity::of(&self.path) == self.file {
            return Ok(());
        }
        let path = self.path.clone();
        Err(JournalError::Moved { path })
    }
}

/// A connection in use.
struct Exchange {
    ends: Ends,
    store: StoreClient,
    /// Up to which change the store has the journal.
    sent_to: i64,
    /// Films that it has, or takes none of.
    films_done: HashSet<films::FilmKey>,
}

impl Carrier {
    fn run(self) {
        let mut wait = FIRST_WAIT;
        loop {
            let began = Instant::now();
            let carried = self.carry();
            if self.is_stopped_within(Duration::ZERO) {
                return;
            }
            let Err(error) = carried else { continue };
            self.note_failure(&error);
            // A connection that held for a while was not refused; and over a line that breaks often, all goes through bit by bit.
            if self.has_carried.take() || began.elapsed() > LONGEST_WAIT {
                wait = FIRST_WAIT;
            }
            if self.is_stopped_within(spread(wait)) {
                return;
            }
            wait = (2 * wait).min(LONGEST_WAIT);
        }
    }

    /// Carries changes until the thread is to end, the journal is another one, or something fails.
    fn carry(&self) -> Result<(), StoreError> {
        while self.control.journal_writer().is_none() {
            if self.is_stopped_within(LOOK_EVERY) {
                return Ok(());
            }
        }
        let mut exchange = self.begin()?;
        let mut told_at = Instant::now();
        loop {
            self.go_round(&mut exchange)?;
            self.show_screen_where_watched(&mut exchange)?;
            if told_at.elapsed() >= TELL_EVERY {
                let description = self.description(&exchange.ends);
                exchange.store.hello(&self.settings.cage, &description)?;
                told_at = Instant::now();
            }
            let wait = match self.send_films(&mut exchange)? {
                true => Duration::ZERO,
                false => LOOK_EVERY,
            };
            if self.is_stopped_within(wait)
                || self.control.journal().as_ref() != Some(&exchange.ends.path)
            {
                return Ok(());
            }
        }
    }

    /// Connects, and finds out how far the store is.
    fn begin(&self) -> Result<Exchange, StoreError> {
        let ends = self.ends()?;
        let mut store = StoreClient::connect(&self.settings.address, &ends.reader.standing()?)?;
        let received = store.hello(&self.settings.cage, &self.description(&ends))?;
        Ok(Exchange {
            sent_to: self.sent_to(&ends, &received)?,
            store,
            ends,
            films_done: HashSet::new(),
        })
    }

    /// Hears what others changed, then sends. Deletions and decisions first, each time: what is not to be there is not sent.
    fn go_round(&self, exchange: &mut Exchange) -> Result<(), StoreError> {
        let Exchange {
            store,
            ends,
            sent_to,
            ..
        } = exchange;
        ends.refuse_replaced()?;
        self.pull(store, ends)?;
        *sent_to = self.push(store, ends, *sent_to)?;
        self.note_working(ends, *sent_to)
    }

    fn ends(&self) -> Result<Ends, StoreError> {
        let gone = |path: PathBuf| StoreError::Journal(JournalError::WriterGone { path });
        let path = self.control.journal().ok_or_else(|| gone("?".into()))?;
        let writer = self
            .control
            .journal_writer()
            .ok_or_else(|| gone(path.clone()))?;
        Ok(Ends {
            file: FileIdentity::of(&path),
            reader: Journal::read_only(&path)?,
            path,
            writer,
        })
    }

    /// Up to which change the store has this journal. Where it does not know the journal's past, or the journal not the store's,
    /// either was restored from a backup: then all is sent again, and what is there already changes nothing.
    fn sent_to(&self, ends: &Ends, received: &Received) -> Result<i64, StoreError> {
        let Some(mark) = &received.mark else {
            return Ok(0);
        };
        match ends.reader.sent_up_to(mark)? {
            Some(rev) if rev == received.rev => Ok(rev),
            _ => {
                tracing::warn!(
                    "the facility's store or this journal was restored; all is sent again"
                );
                Ok(0)
            }
        }
    }

    /// Takes over all that others changed.
    fn pull(&self, store: &mut StoreClient, ends: &Ends) -> Result<(), StoreError> {
        loop {
            let (number, mark) = ends.reader.standing()?.pulled;
            let changes = store.changes_after((number, mark.as_deref()), CHANGES_AT_ONCE)?;
            if changes.is_empty() {
                return Ok(());
            }
            let mut rest = &changes[..];
            while let Some(first) = rest.first() {
                ends.refuse_replaced()?;
                if let Some(target) = first.deletes(&ends.reader)? {
                    self.delete(ends, target)?;
                }
                let next = rest[1..]
                    .iter()
                    .position(|change| change.what == "deleted")
                    .map_or(rest.len(), |place| place + 1);
                self.take(ends, &rest[..next])?;
                rest = &rest[next..];
            }
        }
    }

    fn take(&self, ends: &Ends, changes: &[ToldChange]) -> Result<(), StoreError> {
        let taken = ends.writer.exchange(ExchangeStep::Take(changes.to_vec()))?;
        self.put_in_force(ends, &taken)
    }

    /// What changes mean for whoever hits now.
    fn put_in_force(&self, ends: &Ends, taken: &TakenChanges) -> Result<(), StoreError> {
        for (before, now) in &taken.renamed {
            self.hitter_changed(before, now.as_deref());
        }
        for hitter in &taken.consents_of {
            let refused = ends.reader.consents(*hitter)?.refuses(Purpose::Film);
            self.control.consents_changed(refused);
            if let Err(error) = ends.reader.delete_refused_films(*hitter)? {
                tracing::error!(%error, "films that were refused are left");
            }
        }
        Ok(())
    }

    fn hitter_changed(&self, before: &str, now: Option<&str>) {
        if let Err(error) = self.control.hitter_changed(before, now) {
            tracing::warn!(%error, "who hits now could not be brought up to date");
        }
    }

    /// Deletes here what was deleted elsewhere, with the same search for what is left.
    fn delete(&self, ends: &Ends, target: DeletionTarget) -> Result<(), StoreError> {
        let name = match target {
            DeletionTarget::Hitter(hitter) => self.name_of(ends, hitter)?,
            _ => None,
        };
        // A film that is on its way to the disk would come after the deletion.
        self.control.consents_changed(true);
        let report = ends.writer.delete(target, self.control.texts())?;
        tracing::info!(
            sessions = report.sessions,
            reps = report.reps,
            remnants = report.remnants.len() + report.remnants_aside.len(),
            "deleted here what was deleted in the facility"
        );
        if let Some(name) = name {
            self.hitter_changed(&name, None);
        }
        Ok(())
    }

    fn name_of(&self, ends: &Ends, hitter: HitterId) -> Result<Option<String>, StoreError> {
        Ok(ends.reader.hitter(&HitterChoice::Id(hitter))?.name)
    }

    /// Sends all that changed; gives up to which change.
    fn push(&self, store: &mut StoreClient, ends: &Ends, mut rev: i64) -> Result<i64, StoreError> {
        while let Some(batch) = ends.reader.batch_after(rev, self.batch_bytes.get())? {
            let mark = new_mark();
            // Before it is sent: a kill in between leaves a mark that no store knows.
            ends.writer.exchange(ExchangeStep::Sending {
                mark: mark.clone(),
                rev: batch.rev,
            })?;
            let sent = store.send(&batch, &mark);
            self.batch_bytes.set(match (&sent, self.batch_bytes.get()) {
                (Ok(_), bytes) => (2 * bytes).min(LARGEST_BATCH),
                // Over a line that breaks often, less goes through more often.
                (Err(_), bytes) => (bytes / 2).max(SMALLEST_BATCH),
            });
            let collided = sent?;
            if !collided.is_empty() {
                tracing::info!(rows = collided.len(), "rows get other uids");
                ends.writer.exchange(ExchangeStep::RenewUids(collided))?;
            }
            rev = batch.rev;
            self.has_carried.set(true);
            self.note_working(ends, rev)?;
            if self.is_stopped_within(Duration::ZERO) {
                break;
            }
        }
        Ok(rev)
    }

    /// What the office shows of this cage.
    fn description(&self, ends: &Ends) -> Value {
        let figures = self.health.figures(self.began.elapsed(), Some(&ends.path));
        json!({
            "version": figures.version,
            "up_secs": figures.up_secs,
            "ready": figures.stage.ready.to_string(),
            "camera_stand": figures.stage.camera_stand.to_string(),
            "fps": figures.fps,
            "last_rep": figures.stage.last_rep,
            "swings": figures.stage.swings,
            "takes": figures.stage.takes,
            "reps_behind": figures.facility.map_or(0, |facility| facility.reps_behind),
            "reps_waiting": figures.stage.reps_waiting,
            "reps_lost": figures.stage.reps_lost,
            "disk_free_bytes": figures.disk_free_bytes,
            "page": screen_of(&self.control.settings().page),
            "live": self.settings.live,
        })
    }

    fn note_working(&self, ends: &Ends, sent_to: i64) -> Result<(), StoreError> {
        let reps_behind = ends.reader.reps_after(sent_to)?;
        self.health.change_facility(|figures| {
            if !figures.connected {
                tracing::info!(
                    store = self.settings.address.url(),
                    "the facility's store answers"
                );
                figures.since = Some(now_to_the_millisecond());
            }
            (figures.connected, figures.reps_behind, figures.trouble) = (true, reps_behind, None);
        });
        Ok(())
    }

    fn note_failure(&self, error: &StoreError) {
        // How much waits is known without the store.
        let waiting = self.ends().and_then(|ends| {
            let sent_to = ends.reader.last_sent()?.unwrap_or_default();
            Ok(ends.reader.reps_after(sent_to)?)
        });
        self.health.change_facility(|figures| {
            if figures.connected || figures.since.is_none() {
                tracing::warn!(%error, "the cage goes on without the facility's store");
                figures.since = Some(now_to_the_millisecond());
            }
            figures.connected = false;
            figures.trouble = Some(error.to_string());
            figures.reps_behind = waiting.unwrap_or(figures.reps_behind);
        });
    }

    fn is_stopped_within(&self, wait: Duration) -> bool {
        !matches!(
            self.stopped.recv_timeout(wait),
            Err(RecvTimeoutError::Timeout)
        )
    }
}

/// Where the cage's own screen is, for others in the network; `None` where it is for this machine alone.
fn screen_of(page: &PageSettings) -> Option<String> {
    let listen = page.listen.filter(|listen| !listen.ip().is_loopback())?;
    let machine = match page.names.first() {
        Some(name) => name.clone(),
        None if listen.ip().is_unspecified() => return None,
        None => listen.ip().to_string(),
    };
    let scheme = if page.unencrypted { "http" } else { "https" };
    Some(format!("{scheme}://{machine}:{}/", listen.port()))
}

/// A wait that differs from cage to cage, so that a store that comes back is not asked by all at once.
fn spread(wait: Duration) -> Duration {
    wait.mul_f64(0.75 + 0.5 * fastrand::f64())
}

fn new_mark() -> String {
    format!("{:032x}", fastrand::u128(..))
}

#[cfg(test)]
mod tests;
