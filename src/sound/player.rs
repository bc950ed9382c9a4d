//! The handle to the thread `sound`, which makes cues heard as they are decided.
//!
//! In: [`PlayRequest`]s through a short queue that never makes the sender wait. Out: one [`Outcome`] a
//! request, and [`PlayerHealth`] for the page. What runs on the thread is in `worker`. Nothing here
//! may hold up the swing analysis.

use std::path::PathBuf;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};

use crate::time::CaptureTime;

use super::device::{Device, OpenSpeaker, PATIENCE, Patience};
use super::library::CueLibrary;
use super::outcome::{Outcome, UnheardReason};
use super::render::WavRender;
use super::speaker::{DeviceSpeaker, Speaker};
use super::worker::{Message, Outlet, Reports, Worker};
use super::{MAX_CUE, SoundError};

/// Requests that may wait for the thread. It takes them at once; only opening a device keeps it
/// busy, and then all but the newest are of no use any more.
const QUEUE: usize = 4;

/// Outcomes kept for a reader that is behind.
const OUTCOMES: usize = 64;

/// How long closing waits for the thread, which may be stuck in opening a device.
const CLOSE_PATIENCE: Duration = Duration::from_secs(2);

/// How long finishing waits: as above, after the last cue and one that waits for its turn.
const FINISH_PATIENCE: Duration = CLOSE_PATIENCE
    .saturating_add(MAX_CUE)
    .saturating_add(MAX_CUE);

/// Where cues are heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// The system's default output device.
    Device,
    /// A WAV file on the recording's time line. For a recording that is replayed in real time; a
    /// faster replay uses [`WavRender`] itself, where nothing can be dropped.
    WavFile(PathBuf),
    /// Nowhere.
    None,
}

/// A cue to be played now.
#[derive(Clone, Debug)]
pub struct PlayRequest {
    /// Which cue.
    pub cue_id: Arc<str>,
    /// When it was decided, for the deadline and the latency.
    pub decided_at: Instant,
    /// Capture time of the decision: its place in a WAV file, and the rep's mark in the [`Outcome`].
    pub at: CaptureTime,
}

/// What the player's output is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DeviceState {
    /// Sound is switched off.
    #[default]
    Off,
    /// The device is open.
    Open,
    /// There is no device; the player tries again by itself.
    Absent,
    /// Cues go into a file.
    File,
}

/// Counts since the start, and the state now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlayerHealth {
    /// What the output is doing.
    pub device: DeviceState,
    /// Cues handed over.
    pub heard: u64,
    /// Cues not heard because a newer one came.
    pub replaced: u64,
    /// Cues not heard because they came too late.
    pub stale: u64,
    /// Cues not heard for want of a device, a file or a sound.
    pub silent: u64,
    /// How often the device was lost.
    pub device_losses: u64,
    /// Outcomes nobody fetched in time.
    pub outcomes_dropped: u64,
    /// Latency of the last cue heard, in milliseconds.
    pub last_latency_millis: Option<f64>,
}

/// The handle to the thread. Dropping it fades out what is heard and ends the thread.
pub struct Player {
    sender: Option<Sender<Message>>,
    /// The thread's own receiver once more, to take out the oldest request when the queue is full.
    queue: Receiver<Message>,
    reports: Reports,
    outcomes: Receiver<Outcome>,
    thread: Option<thread::JoinHandle<()>>,
    /// Disconnects when the thread has ended.
    ended: Receiver<()>,
}

impl Player {
    /// Starts the thread. `volume` is 0 to 1 and scales the samples; a missing device is no error.
    ///
    /// # Errors
    /// Where the WAV file cannot be created or the system has no thread left.
    pub fn start(
        output: Output,
        library: Arc<CueLibrary>,
        volume: f32,
    ) -> Result<Self, SoundError> {
        let open: OpenSpeaker = Box::new(|index| {
            DeviceSpeaker::open(index).map(|speaker| Box::new(speaker) as Box<dyn Speaker>)
        });
        Self::start_with(output, library, volume, open, PATIENCE)
    }

    pub(super) fn start_with(
        output: Output,
        library: Arc<CueLibrary>,
        volume: f32,
        open: OpenSpeaker,
        patience: Patience,
    ) -> Result<Self, SoundError> {
        let volume = volume.clamp(0.0, 1.0);
        let outlet = match output {
            Output::Device => Outlet::Device(Box::new(Device::new(open, patience))),
            Output::WavFile(path) => Outlet::File(Box::new(
                WavRender::create(&path, Arc::clone(&library))?.with_volume(volume),
            )),
            Output::None => Outlet::None,
        };
        let (sender, queue) = bounded(QUEUE);
        let (outcome_sender, outcomes) = bounded(OUTCOMES);
        let (alive, ended) = bounded(0);
        let reports = Reports::new(outcome_sender);
        reports.health().device = outlet.state();
        let worker = Worker::new(outlet, library, volume, reports.clone());
        let requests = queue.clone();
        let thread = thread::Builder::new()
            .name("sound".to_owned())
            .spawn(move || {
                let _alive: Sender<()> = alive;
                worker.run(&requests);
            })
            .map_err(SoundError::SpawnThread)?;
        Ok(Self {
            sender: Some(sender),
            queue,
            reports,
            outcomes,
            thread: Some(thread),
            ended,
        })
    }

    /// Asks for a cue. Returns at once, whatever the device is doing.
    pub fn play(&self, request: PlayRequest) {
        let Some(sender) = &self.sender else { return };
        let mut message = Message::Play(request);
        while let Err(TrySendError::Full(refused)) = sender.try_send(message) {
            message = refused;
            if let Ok(Message::Play(oldest)) = self.queue.try_recv() {
                self.reports.unheard(&oldest, UnheardReason::Replaced);
            }
        }
    }

    /// Where [`Outcome`]s arrive, in the order in which they were settled.
    pub fn outcomes(&self) -> &Receiver<Outcome> {
        &self.outcomes
    }

    /// Counts since the start, and the state now.
    pub fn health(&self) -> PlayerHealth {
        *self.reports.health()
    }

    /// Whether the thread still runs. It ends by itself only by a fault in the program.
    pub fn is_alive(&self) -> bool {
        self.thread
            .as_ref()
            .is_some_and(|thread| !thread.is_finished())
    }

    /// Lets the last cue be heard to its end, closes a WAV file at `end`, and ends the thread.
    pub fn finish(mut self, end: CaptureTime) {
        if let Some(sender) = &self.sender
            && sender
                .send_timeout(Message::Finish(end), CLOSE_PATIENCE)
                .is_err()
        {
            tracing::warn!("the sound thread does not answer; the last cue may be missing");
        }
        self.close(FINISH_PATIENCE);
    }

    fn close(&mut self, patience: Duration) {
        self.sender = None;
        let Some(thread) = self.thread.take() else {
            return;
        };
        // The thread sends nothing here: the wait ends when it drops its side.
        if self.ended.recv_timeout(patience) == Err(RecvTimeoutError::Timeout) {
            tracing::warn!("the sound thread is stuck in the sound system and is left behind");
        } else if thread.join().is_err() {
            tracing::error!("the sound thread had panicked; cues after that were not heard");
        }
    }
}

impl Drop for Player {
    fn drop(&mut self) {
        self.close(CLOSE_PATIENCE);
    }
}
