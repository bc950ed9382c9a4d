//! The handle to the films: turns them on and off, takes frames, keeps stretches of time as films, and reports its state.

use std::cell::Cell;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};

use super::VideoSettings;
use super::cutting::{Cut, Cutter};
use super::film::FilmId;
use super::store::{FilmStore, Usage};
use super::writing::Writer;
use crate::capture::Frame;
use crate::thread::spawn;
use crate::time::CaptureTime;

/// Capacity of the frame channel; at 1280 x 720 a frame takes 2.8 MB.
const FRAMES: usize = 3;
/// Frames of a film are at least so far apart: of a camera at 90, 120 or 240 a second every second or fourth is taken, which
/// an eye does not miss and two cores could not encode beside the poses.
const LEAST_APART_SECS: f64 = 1.0 / 75.0;
/// Capacity of the channel of stretches to cut.
const CUTS: usize = 8;
/// Capacity of the channel of films to write.
const FILMS: usize = 2;
/// How long to wait for the threads to end.
const PATIENCE: Duration = Duration::from_secs(5);

/// The state of the films.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct FilmState {
    /// Whether new reps are filmed.
    pub(crate) keep: bool,
    /// The films' folder.
    pub(crate) folder: PathBuf,
    /// How much is kept now.
    pub(crate) usage: Usage,
    /// Films written since the start.
    pub(crate) written: u64,
    /// Films of logged reps that were dropped since the start.
    pub(crate) given_up: u64,
    /// Frames dropped since the start because encoding did not keep up.
    pub(crate) dropped: u64,
    /// How long encoding a frame takes, milliseconds, averaged with the latest frames weighing most.
    pub(crate) encode_ms: Option<f64>,
    /// Why the last film was dropped, until one is written again.
    pub(crate) trouble: Option<String>,
}

/// What the handle and the threads share.
#[derive(Debug, Default)]
pub(super) struct Shared {
    /// Whether frames are wanted; while they are not, a frame costs only this load.
    pub(crate) on: AtomicBool,
    /// Frames dropped because the channel was full.
    pub(crate) dropped: AtomicU64,
    /// How often films were taken back that were on their way to the disk.
    withdrawals: AtomicU64,
    state: Mutex<FilmState>,
    wanted: Mutex<Wanted>,
}

/// Whether films are wanted, and how much is kept of them.
#[derive(Debug, Default)]
struct Wanted {
    settings: Option<VideoSettings>,
    /// The hitter who hits now allows none.
    withheld: bool,
}

impl Shared {
    pub(super) fn state(&self) -> MutexGuard<'_, FilmState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wanted(&self) -> MutexGuard<'_, Wanted> {
        self.wanted.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The settings in force.
    pub(super) fn settings(&self) -> Option<VideoSettings> {
        self.wanted().settings
    }

    /// Whether the settings want films, whoever hits.
    pub(super) fn keeps(&self) -> bool {
        self.settings().is_some_and(|settings| settings.keep)
    }

    /// Counts up when films are taken back: those that were asked for before are not written.
    pub(super) fn withdrawals(&self) -> u64 {
        self.withdrawals.load(Ordering::Acquire)
    }

    fn set_settings(&self, settings: VideoSettings) {
        self.state().keep = settings.keep;
        self.want(|wanted| wanted.settings = Some(settings));
    }

    fn want(&self, change: impl FnOnce(&mut Wanted)) {
        let mut wanted = self.wanted();
        change(&mut wanted);
        let keep = wanted.settings.is_some_and(|settings| settings.keep);
        self.on.store(keep && !wanted.withheld, Ordering::Release);
    }

    /// Notes that a rep has no film.
    pub(super) fn give_up(&self, rep: u32, why: &str) {
        tracing::warn!(rep, why, "a rep is logged without its film");
        let mut state = self.state();
        state.given_up += 1;
        state.trouble = Some(why.to_owned());
    }
}

/// The pose thread's end: takes over the frames that it is done with.
#[derive(Debug)]
pub(crate) struct FrameTap {
    shared: Arc<Shared>,
    full: Sender<Frame>,
    empty: Receiver<Frame>,
    taken_at: Cell<Option<CaptureTime>>,
}

impl FrameTap {
    /// Takes the frame and leaves a used buffer in its place. Where films are off, earlier frames still wait to be encoded, or
    /// the last one was taken a moment ago, the frame stays; this never blocks and never copies a picture.
    pub(crate) fn offer(&self, frame: &mut Frame) {
        if !self.shared.on.load(Ordering::Relaxed) {
            return;
        }
        let at = frame.captured_at;
        let since = self.taken_at.get().map(|last| at.secs_since(last));
        if since.is_some_and(|secs| secs > 0.0 && secs < LEAST_APART_SECS) {
            return;
        }
        if self.full.is_full() {
            self.shared.dropped.fetch_add(1, Ordering::Relaxed);
            return;
        }
        self.taken_at.set(Some(at));
        let spare = self.empty.try_recv().unwrap_or_default();
        // Only this thread sends, so there is room; if the other thread has ended, the frame comes back.
        if let Err(error) = self.full.try_send(std::mem::replace(frame, spare)) {
            *frame = error.into_inner();
        }
    }
}

/// Closed while somebody hits who allows no film: no frame is remembered then.
#[derive(Clone, Debug)]
pub(crate) struct FilmGate(Arc<Shared>);

impl FilmGate {
    /// Opens or closes it. A film that is due of the hitter before is still written.
    pub(crate) fn set(&self, allowed: bool) {
        self.0.want(|wanted| wanted.withheld = !allowed);
    }

    /// Drops what is on its way to the disk, whoever it is of: once this returns none of it gets there to stay.
    pub(crate) fn take_back(&self) {
        self.0.withdrawals.fetch_add(1, Ordering::AcqRel);
    }
}

/// The films of one run.
#[derive(Debug)]
pub(crate) struct Films {
    shared: Arc<Shared>,
    store: FilmStore,
    tap: Option<FrameTap>,
    // None once closed.
    cuts: Option<Sender<Cut>>,
    /// Wakes the writer when limits have changed.
    wake: Option<Sender<()>>,
    threads: Vec<JoinHandle<()>>,
}

impl Films {
    /// Starts the threads `video` and `video-files` for the journal's films, whether films are on or off: limits apply to
    /// films that exist in any case. `free` returns the free bytes at a path.
    ///
    /// # Errors
    /// Where a thread cannot be started.
    pub(crate) fn start(
        journal: &Path,
        settings: VideoSettings,
        free: fn(&Path) -> io::Result<u64>,
    ) -> io::Result<Self> {
        let store = FilmStore::of_journal(journal);
        let shared = Arc::new(Shared::default());
        shared.set_settings(settings);
        shared.state().folder = store.folder().to_owned();
        let (full, frames) = bounded(FRAMES);
        let (used, empty) = bounded(FRAMES + 1);
        let (cuts, to_cut) = bounded(CUTS);
        let (films, to_write) = bounded(FILMS);
        let (wake, woken) = bounded(1);
        let writer = Writer {
            store: store.clone(),
            shared: Arc::clone(&shared),
            films: to_write,
            woken,
            free,
        };
        let cutter = Cutter::new(Arc::clone(&shared), frames, used, to_cut, films);
        let threads = vec![
            spawn("video-files", move || writer.run())?,
            spawn("video", move || cutter.run())?,
        ];
        Ok(Self {
            tap: Some(FrameTap {
                taken_at: Cell::default(),
                shared: Arc::clone(&shared),
                full,
                empty,
            }),
            shared,
            store,
            cuts: Some(cuts),
            wake: Some(wake),
            threads,
        })
    }

    /// The pose thread's end; `None` from the second call on.
    pub(crate) fn tap(&mut self) -> Option<FrameTap> {
        self.tap.take()
    }

    /// The gate for hitters who allow no film.
    pub(crate) fn gate(&self) -> FilmGate {
        FilmGate(Arc::clone(&self.shared))
    }

    /// Whether new reps are filmed.
    pub(crate) fn is_on(&self) -> bool {
        self.shared.on.load(Ordering::Relaxed)
    }

    /// The films' folder.
    pub(crate) fn folder(&self) -> &Path {
        self.store.folder()
    }

    /// Applies other settings; returns whether that turned films on or off.
    pub(crate) fn revise(&self, settings: VideoSettings) -> bool {
        let before = self.shared.settings();
        if before == Some(settings) {
            return false;
        }
        self.shared.set_settings(settings);
        if let Some(wake) = &self.wake {
            // A wake-up that is pending serves for both.
            let _ = wake.try_send(());
        }
        before.is_none_or(|before| before.keep != settings.keep)
    }

    /// Keeps the stretch from `from` to `to` as the film of a rep. Never blocks.
    pub(crate) fn keep(&self, id: FilmId, from: CaptureTime, to: CaptureTime) {
        let Some(cuts) = self.cuts.as_ref().filter(|_| self.is_on()) else {
            return;
        };
        let cut = Cut::new(id, from, to, self.shared.withdrawals());
        match cuts.try_send(cut) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => self.shared.give_up(id.rep, "too many films wait"),
            Err(TrySendError::Disconnected(_)) => {
                self.shared.give_up(id.rep, "the video thread has ended");
            }
        }
    }

    /// Notes that a logged rep cannot have a film, if films are on.
    pub(crate) fn none_for(&self, rep: u32, why: &str) {
        if self.is_on() {
            self.shared.give_up(rep, why);
        }
    }

    /// The current state.
    pub(crate) fn state(&self) -> FilmState {
        let mut state = self.shared.state().clone();
        state.dropped = self.shared.dropped.load(Ordering::Relaxed);
        state
    }

    /// Writes the films that are due and ends the threads.
    pub(crate) fn close(mut self) {
        self.finish();
    }

    fn finish(&mut self) {
        self.tap = None;
        self.cuts = None;
        self.wake = None;
        let until = Instant::now() + PATIENCE;
        // The thread that feeds the other was started last and ends first.
        while let Some(thread) = self.threads.pop() {
            while !thread.is_finished() && Instant::now() < until {
                std::thread::sleep(Duration::from_millis(5));
            }
            if !thread.is_finished() {
                tracing::warn!("the disk does not take films; the last ones may be missing");
            } else if thread.join().is_err() {
                tracing::error!("a video thread had panicked; reps after that have no film");
            }
        }
    }
}

impl Drop for Films {
    fn drop(&mut self) {
        self.finish();
    }
}
