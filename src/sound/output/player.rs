//! The handle to the thread `sound`, which plays on the default output device as sounds are decided.
//!
//! In: requests through a short queue that never makes the sender wait, the head's travel through an
//! atomic. Out: one [`Outcome`] per request. What runs on the thread is in `worker`. A thread that ends
//! by a fault is started again.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};

use super::device::{Device, OpenSpeaker, RETRY_POLICY, RetryPolicy};
use super::speaker::{DeviceSpeaker, Speaker};
use super::stream::{Clock, HeadToneControl};
use super::worker::{PlaybackSettings, Shared, Worker};
use super::{Sink, SoundHealth};
use crate::sound::request::{NotPlayed, Outcome, SoundRequest};
use crate::sound::{CueLibrary, MAX_CUE, MAX_SENTENCE, SoundError};
use crate::thread::spawn;
use crate::time::CaptureTime;

/// Requests that may wait for the thread. It takes them at once; only opening a device keeps it
/// busy, and then all but the newest are of no use any more.
const REQUESTS: usize = 4;

/// Outcomes kept for a reader that is behind.
const OUTCOMES: usize = 64;

/// How long closing waits for the thread, which may be stuck in opening a device.
const CLOSE_PATIENCE: Duration = Duration::from_secs(2);

/// How long finishing waits: as above, after the last cue and a sentence that waits for its turn.
const FINISH_PATIENCE: Duration = CLOSE_PATIENCE
    .saturating_add(MAX_CUE)
    .saturating_add(MAX_SENTENCE);

/// The handle. Dropping it fades out what is heard and ends the thread.
pub(super) struct Player {
    open: OpenSpeaker,
    policy: RetryPolicy,
    clock: Clock,
    shared: Arc<Shared>,
    tone: Arc<HeadToneControl>,
    outcomes: Receiver<Outcome>,
    thread: Option<SoundThread>,
}

struct SoundThread {
    requests: Sender<SoundRequest>,
    /// The thread's own receiver once more, to take out the oldest request when the queue is full.
    queue: Receiver<SoundRequest>,
    /// What is heard when the requests end is heard to its end, not faded out.
    drains: Arc<AtomicBool>,
    handle: JoinHandle<()>,
    /// Disconnects when the thread has ended.
    ended: Receiver<()>,
}

impl Player {
    /// Starts the thread. `volume` is 0 to 1 and scales the samples; a missing device is no error.
    ///
    /// # Errors
    /// Where the system has no thread left.
    pub(super) fn start(library: Arc<CueLibrary>, volume: f32) -> Result<Self, SoundError> {
        let open: OpenSpeaker = Arc::new(|index| {
            DeviceSpeaker::open(index).map(|speaker| Box::new(speaker) as Box<dyn Speaker>)
        });
        Self::start_with(library, volume, open, RETRY_POLICY)
    }

    pub(super) fn start_with(
        library: Arc<CueLibrary>,
        volume: f32,
        open: OpenSpeaker,
        policy: RetryPolicy,
    ) -> Result<Self, SoundError> {
        let volume = volume.clamp(0.0, 1.0);
        let clock: Clock = Arc::new(Instant::now);
        let (outcome_sender, outcomes) = bounded(OUTCOMES);
        let mut player = Self {
            open,
            policy,
            shared: Arc::new(Shared {
                outcomes: outcome_sender,
                health: Mutex::default(),
                settings: Mutex::new(PlaybackSettings { volume, library }),
            }),
            tone: Arc::new(HeadToneControl::new(&clock, volume)),
            clock,
            outcomes,
            thread: None,
        };
        player.thread = Some(player.start_thread()?);
        Ok(player)
    }

    fn start_thread(&self) -> Result<SoundThread, SoundError> {
        let (requests, queue) = bounded::<SoundRequest>(REQUESTS);
        let (alive, ended) = bounded::<()>(0);
        let drains = Arc::new(AtomicBool::new(false));
        let (open, clock) = (Arc::clone(&self.open), Arc::clone(&self.clock));
        let device = Device::new(open, self.policy, Arc::clone(&self.tone), clock);
        let shared = Arc::clone(&self.shared);
        let mut worker = Worker::new(device, shared, Arc::clone(&self.clock));
        let (incoming, to_its_end) = (queue.clone(), Arc::clone(&drains));
        let handle = spawn("sound", move || {
            let _alive = alive;
            loop {
                worker.poll();
                match incoming.recv_timeout(worker.wait()) {
                    Ok(request) => worker.play(request),
                    Err(RecvTimeoutError::Timeout) => {}
                    Err(RecvTimeoutError::Disconnected) => break,
                }
            }
            match to_its_end.load(Ordering::Acquire) {
                true => worker.drain(),
                false => worker.fade_out(),
            }
        })
        .map_err(SoundError::SpawnThread)?;
        Ok(SoundThread {
            requests,
            queue,
            drains,
            handle,
            ended,
        })
    }

    fn close(&mut self, patience: Duration, drain: bool) {
        let Some(SoundThread {
            requests,
            queue,
            drains,
            handle,
            ended,
        }) = self.thread.take()
        else {
            return;
        };
        drains.store(drain, Ordering::Release);
        drop((requests, queue));
        // The thread sends nothing here: the wait ends when it drops its side.
        if ended.recv_timeout(patience) == Err(RecvTimeoutError::Timeout) {
            tracing::warn!("the sound thread is stuck in the sound system and is left behind");
        } else if handle.join().is_err() {
            tracing::error!("the sound thread had panicked; cues after that were not heard");
        }
    }
}

impl Sink for Player {
    /// Returns at once, whatever the device is doing.
    fn play(&mut self, mut request: SoundRequest) {
        let Some(thread) = &self.thread else { return };
        while let Err(TrySendError::Full(refused)) = thread.requests.try_send(request) {
            request = refused;
            if let Ok(oldest) = thread.queue.try_recv() {
                self.shared.report(oldest.not_played(NotPlayed::Replaced));
            }
        }
    }

    fn set_head_tone(&mut self, share: Option<f32>, _at: CaptureTime) {
        self.tone.set(share);
    }

    fn head_tone_lag(&self) -> Option<Duration> {
        self.tone.take_lag()
    }

    fn apply_settings(&mut self, volume: f32, library: Option<Arc<CueLibrary>>) {
        self.tone.set_volume(volume);
        let mut settings = self.shared.settings();
        settings.volume = volume;
        if let Some(library) = library {
            settings.library = library;
        }
    }

    fn use_library(&mut self, library: Arc<CueLibrary>) {
        self.shared.settings().library = library;
    }

    fn outcomes(&mut self, patience: Duration) -> Vec<Outcome> {
        let mut outcomes: Vec<Outcome> = self.outcomes.try_iter().collect();
        if outcomes.is_empty() && !patience.is_zero() {
            outcomes.extend(self.outcomes.recv_timeout(patience).ok());
        }
        outcomes
    }

    fn restart_if_dead(&mut self) {
        if let Some(thread) = &self.thread
            && !thread.handle.is_finished()
        {
            return;
        }
        match self.start_thread() {
            Ok(thread) => {
                tracing::error!("the sound thread had failed and was started again");
                let dead = self.thread.replace(thread);
                for request in dead.iter().flat_map(|dead| dead.queue.try_iter()) {
                    self.shared.report(request.not_played(NotPlayed::NoDevice));
                }
                self.shared.health().restarts += 1;
            }
            Err(error) => tracing::error!(%error, "the sound thread cannot be started again"),
        }
    }

    fn health(&self) -> SoundHealth {
        *self.shared.health()
    }

    fn finish(mut self: Box<Self>, _end: CaptureTime) -> Result<(), SoundError> {
        self.close(FINISH_PATIENCE, true);
        Ok(())
    }
}

impl Drop for Player {
    fn drop(&mut self) {
        self.close(CLOSE_PATIENCE, false);
    }
}

#[cfg(test)]
mod tests;
