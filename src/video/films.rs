//! The handle to the films: turned on and off, fed with frames, told which stretches to keep, and asked how it is.

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

/// Frames on their way to the thread; at 1280 x 720 they take 2.8 MB each.
const FRAMES: usize = 3;
/// Stretches that may wait to be cut.
const CUTS: usize = 8;
/// Films that may wait for the disk.
const FILMS: usize = 2;
/// How long the threads have to end.
const PATIENCE: Duration = Duration::from_secs(5);

/// How the films are.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FilmState {
    /// Whether new reps are filmed.
    pub(crate) keep: bool,
    /// Where films lie.
    pub(crate) folder: PathBuf,
    /// What is kept now.
    pub(crate) usage: Usage,
    /// Films written since the start.
    pub(crate) written: u64,
    /// Films of logged reps that were given up since the start.
    pub(crate) given_up: u64,
    /// Frames left out since the start because packing did not keep up.
    pub(crate) dropped: u64,
    /// How long packing a frame takes, milliseconds, the latest ones counting most.
    pub(crate) encode_ms: Option<f64>,
    /// Why the last film was given up, until one is written again.
    pub(crate) trouble: Option<String>,
}

/// What handle and threads share.
#[derive(Debug, Default)]
pub(super) struct Shared {
    /// Whether frames are wanted; a frame costs this one load while they are not.
    pub(crate) on: AtomicBool,
    /// Frames that found no place.
    pub(crate) dropped: AtomicU64,
    state: Mutex<FilmState>,
    limits: Mutex<Option<VideoSettings>>,
}

impl Shared {
    pub(super) fn state(&self) -> MutexGuard<'_, FilmState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What is wanted now.
    pub(super) fn settings(&self) -> Option<VideoSettings> {
        *self.limits.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set_settings(&self, settings: VideoSettings) {
        *self.limits.lock().unwrap_or_else(PoisonError::into_inner) = Some(settings);
        self.state().keep = settings.keep;
        self.on.store(settings.keep, Ordering::Release);
    }

    /// A rep has no film.
    pub(super) fn give_up(&self, rep: u32, why: &str) {
        tracing::warn!(rep, why, "a rep is logged without its film");
        let mut state = self.state();
        state.given_up += 1;
        state.trouble = Some(why.to_owned());
    }
}

/// The pose thread's end: takes frames over that it has looked at.
#[derive(Debug)]
pub struct FrameTap {
    shared: Arc<Shared>,
    full: Sender<Frame>,
    empty: Receiver<Frame>,
}

impl FrameTap {
    /// Takes the frame and leaves a used buffer in its place. Where films are off, or the frames before are not packed yet, the
    /// frame stays; it never waits and never copies a picture.
    pub(crate) fn offer(&self, frame: &mut Frame) {
        if !self.shared.on.load(Ordering::Relaxed) {
            return;
        }
        if self.full.is_full() {
            self.shared.dropped.fetch_add(1, Ordering::Relaxed);
            return;
        }
        let spare = self.empty.try_recv().unwrap_or_default();
        // Only this thread sends, so there is room; a thread that has ended gives the frame back.
        if let Err(error) = self.full.try_send(std::mem::replace(frame, spare)) {
            *frame = error.into_inner();
        }
    }
}

/// The films of one run.
#[derive(Debug)]
pub struct Films {
    shared: Arc<Shared>,
    store: FilmStore,
    tap: Option<FrameTap>,
    // None once closed.
    cuts: Option<Sender<Cut>>,
    /// Wakes the writer where limits have changed.
    wake: Option<Sender<()>>,
    threads: Vec<JoinHandle<()>>,
}

impl Films {
    /// Starts the threads `video` and `video-files` for the journal's films, whether films are on or off: limits hold for what
    /// is there in any case. `free` tells how much room there is at a place.
    ///
    /// # Errors
    /// Where the system gives no thread.
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

    /// The end for the pose thread, once.
    pub(crate) fn tap(&mut self) -> Option<FrameTap> {
        self.tap.take()
    }

    /// Whether new reps are filmed.
    pub(crate) fn is_on(&self) -> bool {
        self.shared.on.load(Ordering::Relaxed)
    }

    /// Where films lie.
    pub fn folder(&self) -> &Path {
        self.store.folder()
    }

    /// Takes up other settings; gives whether films were turned on or off by that.
    pub(crate) fn revise(&self, settings: VideoSettings) -> bool {
        let before = self.shared.settings();
        if before == Some(settings) {
            return false;
        }
        self.shared.set_settings(settings);
        if let Some(wake) = &self.wake {
            // One that waits already does for both.
            let _ = wake.try_send(());
        }
        before.is_none_or(|before| before.keep != settings.keep)
    }

    /// Has the stretch from `from` to `to` kept as the film of a rep. Never waits.
    pub(crate) fn keep(&self, id: FilmId, from: CaptureTime, to: CaptureTime) {
        let Some(cuts) = self.cuts.as_ref().filter(|_| self.is_on()) else {
            return;
        };
        let cut = Cut::new(id, from, to);
        match cuts.try_send(cut) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => self.shared.give_up(id.rep, "too many films wait"),
            Err(TrySendError::Disconnected(_)) => {
                self.shared.give_up(id.rep, "the video thread has ended");
            }
        }
    }

    /// A rep is logged that cannot have a film, although films are on.
    pub(crate) fn none_for(&self, rep: u32, why: &str) {
        if self.is_on() {
            self.shared.give_up(rep, why);
        }
    }

    /// How the films are.
    pub(crate) fn state(&self) -> FilmState {
        let mut state = self.shared.state().clone();
        state.dropped = self.shared.dropped.load(Ordering::Relaxed);
        state
    }

    /// Writes what was asked for and ends the threads.
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
