//! Keeps a microphone open for weeks, and listens to it on a thread of its own.
//!
//! In: the microphone's blocks. Out: [`Piece`]s through a channel, and the [`MicrophoneState`]. A microphone that is missing or
//! lost is opened again and again, told once at WARN; one that gives nothing but zeros is muted, and told once too.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};

use super::device::{Block, BlockPorts, Microphone, MicrophoneChoice, OpenMicrophone, opener};
use super::onset::{Loudness, OnsetDetector};
use super::sample_clock::SampleClock;
use super::{HearingError, Piece};
use crate::thread::spawn;

/// Blocks on their way, and pieces that may wait: a rep stage that is busy takes them within a second.
const BLOCKS: usize = 64;
const PIECES: usize = 100;
/// How long a piece is at least.
const PIECE: Duration = Duration::from_millis(100);
/// After samples were lost, the blocks of so long say when what follows was heard: the first one may have come late.
const SETTLES: Duration = Duration::from_millis(250);
/// A piece is no longer than this, however often samples are lost.
const LONGEST_PIECE: Duration = Duration::from_millis(500);
/// How often the microphone is looked at where nothing comes from it.
const POLL: Duration = Duration::from_millis(250);
/// A microphone from which nothing comes for so long is lost.
const STALLED: Duration = Duration::from_secs(3);
/// Zeros for so long are a muted microphone.
const MUTED_AFTER: Duration = Duration::from_secs(3);
/// Waits before a missing microphone is tried again: the first, doubled each time up to the last.
const RETRY: (Duration, Duration) = (Duration::from_secs(2), Duration::from_secs(60));

/// What the microphone is doing.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) enum MicrophoneState {
    /// It is turned off.
    #[default]
    Off,
    /// It is being opened, or was silent since, which it may not stay.
    Opens,
    /// It is not there; it is tried again and again.
    Missing,
    /// It gives nothing but zeros.
    Muted {
        /// Its name.
        name: String,
    },
    /// It is heard.
    Listens {
        /// Its name.
        name: String,
        /// How loud the room is above 1 kHz, decibels against full scale.
        room_db: f64,
    },
}

/// The handle; dropping it ends the thread.
pub(crate) struct Listener {
    pieces: Receiver<Piece>,
    state: Arc<Mutex<MicrophoneState>>,
}

impl Listener {
    /// Starts to listen. A missing microphone is no error.
    ///
    /// # Errors
    /// Where the system has no thread left.
    pub(crate) fn start(choice: MicrophoneChoice) -> Result<Self, HearingError> {
        Self::start_with(opener(choice), RETRY)
    }

    fn start_with(open: OpenMicrophone, retry: (Duration, Duration)) -> Result<Self, HearingError> {
        let (sender, pieces) = bounded(PIECES);
        let state = Arc::new(Mutex::new(MicrophoneState::Opens));
        let thread = ListenerThread {
            open,
            retry,
            pieces: sender,
            state: Arc::clone(&state),
            warned: false,
        };
        spawn("microphone", move || thread.run()).map_err(HearingError::SpawnThread)?;
        Ok(Self { pieces, state })
    }

    /// What was heard since the last call.
    pub(crate) fn pieces(&self) -> impl Iterator<Item = Piece> + '_ {
        self.pieces.try_iter()
    }

    /// What the microphone is doing.
    pub(crate) fn state(&self) -> MicrophoneState {
        lock(&self.state).clone()
    }

    /// Waits for the next piece.
    pub(crate) fn wait(&self, patience: Duration) -> Option<Piece> {
        self.pieces.recv_timeout(patience).ok()
    }
}

fn lock(state: &Mutex<MicrophoneState>) -> MutexGuard<'_, MicrophoneState> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

struct ListenerThread {
    open: OpenMicrophone,
    retry: (Duration, Duration),
    pieces: Sender<Piece>,
    state: Arc<Mutex<MicrophoneState>>,
    /// The absence was told already.
    warned: bool,
}

/// Nobody takes pieces any more.
struct Over;

impl ListenerThread {
    fn run(mut self) {
        let mut wait = self.retry.0;
        loop {
            let (full, blocks) = bounded(BLOCKS);
            let (give_back, empty) = bounded(BLOCKS);
            let began = Instant::now();
            match (self.open)(BlockPorts { full, empty }) {
                Ok(microphone) => {
                    tracing::info!(name = microphone.name(), "the microphone is open");
                    self.warned = false;
                    self.set(MicrophoneState::Opens);
                    if self.listen(&*microphone, &blocks, &give_back).is_err() {
                        return;
                    }
                    tracing::warn!(
                        "the microphone stopped working; contact is estimated from the hands until it is back"
                    );
                    self.warned = true;
                    if began.elapsed() > self.retry.1 {
                        wait = self.retry.0;
                    }
                    self.set(MicrophoneState::Missing);
                }
                Err(error) => {
                    if !std::mem::replace(&mut self.warned, true) {
                        tracing::warn!(
                            "{error}; contact is estimated from the hands. Plug it in or name another under [microphone]; trying again"
                        );
                    }
                    self.set(MicrophoneState::Missing);
                }
            }
            if !self.rest(wait) {
                return;
            }
            wait = (2 * wait).min(self.retry.1);
        }
    }

    /// Waits, unless nobody takes pieces any more.
    fn rest(&self, wait: Duration) -> bool {
        let until = Instant::now() + wait;
        while Instant::now() < until {
            // A piece in which nothing was heard says that nothing was heard, and finds out whether anybody is there.
            let now = Instant::now();
            if self.send(deaf(now, now)).is_err() {
                return false;
            }
            std::thread::sleep(POLL.min(until.saturating_duration_since(Instant::now())));
        }
        true
    }

    fn set(&self, state: MicrophoneState) {
        *lock(&self.state) = state;
    }

    fn send(&self, piece: Piece) -> Result<(), Over> {
        match self.pieces.try_send(piece) {
            // Whoever is that far behind judges swings that are long over.
            Ok(()) | Err(TrySendError::Full(_)) => Ok(()),
            Err(TrySendError::Disconnected(_)) => Err(Over),
        }
    }

    /// Listens until the microphone is lost.
    fn listen(
        &self,
        microphone: &dyn Microphone,
        blocks: &Receiver<Block>,
        give_back: &Sender<Vec<f32>>,
    ) -> Result<(), Over> {
        let rate_hz = microphone.rate_hz();
        let mut ear = Ear::new(rate_hz, microphone.channels());
        let (mut last, mut lost) = (Instant::now(), 0);
        let mut muted = Muted::default();
        loop {
            match blocks.recv_timeout(POLL) {
                Ok(Block {
                    samples,
                    heard_at,
                    losses,
                }) => {
                    last = Instant::now();
                    if losses > lost {
                        lost = losses;
                        tracing::debug!(lost, "samples of the microphone were lost");
                        ear.note_gap();
                    }
                    ear.take(&samples, heard_at);
                    let _ = give_back.try_send(samples);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Ok(()),
            }
            if microphone.is_lost() || last.elapsed() > STALLED {
                return Ok(());
            }
            let Some((piece, loudness)) = ear.piece_due() else {
                continue;
            };
            if muted.step(loudness.is_silent()) {
                tracing::warn!(
                    "the microphone gives nothing but zeros: it is muted, or not the one that is meant; contact is estimated from the hands"
                );
            }
            let name = microphone.name().to_owned();
            match (muted.is_muted(), loudness.room_db()) {
                (true, _) => self.set(MicrophoneState::Muted { name }),
                (false, Some(room_db)) => self.set(MicrophoneState::Listens { name, room_db }),
                // After a moment of silence the state stays.
                (false, None) => {}
            }
            self.send(piece)?;
        }
    }
}

/// A piece in which nothing was heard.
fn deaf(from: Instant, to: Instant) -> Piece {
    Piece {
        from,
        to,
        room_db: None,
        onsets: Vec::new(),
    }
}

/// Detector and clock of one open microphone.
struct Ear {
    detector: OnsetDetector,
    /// Each with the frame from which on it counts: the count of samples is behind by what was lost before.
    clocks: VecDeque<(u64, SampleClock)>,
    /// The frame from which on the newest of them is trusted.
    settled_at: u64,
    /// The frame at which the next piece begins, and what was found since.
    from: u64,
    found: Vec<super::Onset>,
    /// Samples were lost since the last piece.
    gap: bool,
}

impl Ear {
    fn new(rate_hz: f64, channels: usize) -> Self {
        Self {
            detector: OnsetDetector::new(rate_hz, channels),
            clocks: VecDeque::from([(0, SampleClock::new(rate_hz))]),
            settled_at: 0,
            from: 0,
            found: Vec::new(),
            gap: false,
        }
    }

    /// Samples were lost: what comes from the next block on is dated anew, by the earliest of the first blocks. What was heard before
    /// keeps its time, and what is under way says nothing of what was not heard.
    fn note_gap(&mut self) {
        let (frames, rate_hz) = (self.detector.frames(), self.detector.rate_hz());
        self.clocks.push_back((frames, SampleClock::new(rate_hz)));
        self.settled_at = frames + (SETTLES.as_secs_f64() * rate_hz) as u64;
        self.gap = true;
    }

    fn take(&mut self, samples: &[f32], heard_at: Instant) {
        if let Some((_, clock)) = self.clocks.back_mut() {
            clock.note(self.detector.frames(), heard_at);
        }
        self.found.extend(self.detector.push(samples));
    }

    /// When a frame was heard, by the clock that counted then.
    fn at(&self, frame: f64) -> Option<Instant> {
        let counts = |(from, _): &&(u64, SampleClock)| *from as f64 <= frame;
        let found = self.clocks.iter().rev().find(counts);
        found.or(self.clocks.front())?.1.at(frame)
    }

    /// What was heard and how loud it was, where that is long enough for a piece.
    fn piece_due(&mut self) -> Option<(Piece, Loudness)> {
        let frames = self.detector.frames();
        let lasts = (frames - self.from) as f64 / self.detector.rate_hz();
        let settles = frames < self.settled_at && lasts < LONGEST_PIECE.as_secs_f64();
        if lasts < PIECE.as_secs_f64() || settles {
            return None;
        }
        let (from, to) = (self.at(self.from as f64)?, self.at(frames as f64)?);
        let found = std::mem::take(&mut self.found);
        let onsets = found
            .into_iter()
            .filter_map(|onset| Some((self.at(onset.frame)?, onset)))
            .collect();
        self.from = frames;
        // The detector knows of an onset a little later.
        let kept = frames.saturating_sub(self.detector.rate_hz() as u64);
        while self.clocks.get(1).is_some_and(|(from, _)| *from < kept) {
            self.clocks.pop_front();
        }
        let loudness = self.detector.take_loudness();
        let piece = Piece {
            from,
            to,
            room_db: loudness
                .room_db()
                .filter(|_| !std::mem::take(&mut self.gap)),
            onsets,
        };
        Some((piece, loudness))
    }
}

/// Whether a microphone gives nothing but zeros.
#[derive(Default)]
struct Muted {
    since: Option<Instant>,
    told: bool,
}

impl Muted {
    /// Takes a piece; whether this is to be told now.
    fn step(&mut self, silent: bool) -> bool {
        if !silent {
            *self = Self::default();
            return false;
        }
        self.since.get_or_insert_with(Instant::now);
        self.is_muted() && !std::mem::replace(&mut self.told, true)
    }

    fn is_muted(&self) -> bool {
        self.since
            .is_some_and(|since| since.elapsed() >= MUTED_AFTER)
    }
}

#[cfg(test)]
mod tests;
