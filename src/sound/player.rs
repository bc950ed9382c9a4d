//! The handle to the thread `sound`, which makes cues heard as they are decided.
//!
//! In: [`PlayRequest`]s, [`SayRequest`]s and [`DeliverySound`]s through a short queue that never makes
//! the sender wait, and the head's place through an atomic. Out: one [`Outcome`] a request, and
//! [`PlayerHealth`] for the page. What runs on the thread is in `worker`. Nothing here may hold up the
//! swing analysis.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};

use crate::thread::spawn;
use crate::time::CaptureTime;

use super::delivery::DeliveryMark;
use super::device::{Device, OpenSpeaker, PATIENCE, Patience};
use super::device_voice::ToneState;
use super::head_tone::HeadTone;
use super::library::{CueLibrary, Sound};
use super::outcome::{Outcome, Ticket, UnheardReason};
use super::render::WavRender;
use super::reports::{Reports, Request};
use super::sentence::Said;
use super::speaker::{DeviceSpeaker, Speaker};
use super::worker::{Message, Outlet, Revised, ToneNews, Worker};
use super::{MAX_CUE, MAX_SENTENCE, SoundError};

/// Requests that may wait for the thread. It takes them at once; only opening a device keeps it
/// busy, and then all but the newest are of no use any more.
const QUEUE: usize = 4;

/// News of the head that may wait, for a file; a device needs only the newest.
const TONES: usize = 64;

/// Outcomes kept for a reader that is behind.
const OUTCOMES: usize = 64;

/// How long closing waits for the thread, which may be stuck in opening a device.
const CLOSE_PATIENCE: Duration = Duration::from_secs(2);

/// How long finishing waits: as above, after the last cue and a sentence that waits for its turn.
const FINISH_PATIENCE: Duration = CLOSE_PATIENCE
    .saturating_add(MAX_CUE)
    .saturating_add(MAX_SENTENCE);

/// Where cues are heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Output {
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
pub(crate) struct PlayRequest {
    /// Which cue.
    pub cue_id: Arc<str>,
    /// When it was decided, for the deadline and the latency.
    pub decided_at: Instant,
    /// Capture time of the decision: its place in a WAV file, and the rep's mark in the [`Outcome`].
    pub at: CaptureTime,
}

/// Words to be said as soon as nothing else is heard.
#[derive(Clone, Debug)]
pub(crate) struct SayRequest {
    /// What to say.
    pub said: Vec<Said>,
    /// When it was decided, for the deadline and the latency.
    pub decided_at: Instant,
    /// Capture time of the decision, as for [`PlayRequest`].
    pub at: CaptureTime,
}

/// A paced pitch to be played as soon as nothing else is heard. Its marks keep their distances to the
/// sample; when the first one was heard is in the [`Outcome`].
#[derive(Clone, Debug)]
pub(crate) struct DeliverySound {
    /// The sounds, in any order; a mark at 0 is heard first.
    pub marks: Vec<DeliveryMark>,
    /// When it was decided, for the deadline and the latency.
    pub decided_at: Instant,
    /// Capture time of the decision, as for [`PlayRequest`].
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
pub(crate) struct Player {
    sender: Option<Sender<Message>>,
    tones: Option<Sender<ToneNews>>,
    tone: Arc<ToneState>,
    tickets: AtomicU64,
    revised: Arc<Mutex<Option<Revised>>>,
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
    pub(crate) fn start(
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
        let tone = Arc::new(ToneState::new());
        let outlet = match output {
            Output::Device => {
                Outlet::Device(Box::new(Device::new(open, patience, Arc::clone(&tone))))
            }
            Output::WavFile(path) => Outlet::File(Box::new(
                WavRender::create(&path, Arc::clone(&library))?.with_volume(volume),
            )),
            Output::None => Outlet::None,
        };
        let (sender, queue) = bounded(QUEUE);
        let (tones, tone_news) = bounded(TONES);
        let (outcome_sender, outcomes) = bounded(OUTCOMES);
        let (alive, ended) = bounded(0);
        let reports = Reports::new(outcome_sender);
        reports.health().device = outlet.state();
        let worker = Worker::new(outlet, library, volume, reports.clone());
        let revised = worker.revised();
        let requests = queue.clone();
        let thread = spawn("sound", move || {
            let _alive: Sender<()> = alive;
            worker.run(&requests, &tone_news);
        })
        .map_err(SoundError::SpawnThread)?;
        Ok(Self {
            sender: Some(sender),
            tones: Some(tones),
            tone,
            tickets: AtomicU64::new(1),
            revised,
            queue,
            reports,
            outcomes,
            thread: Some(thread),
            ended,
        })
    }

    /// Asks for a cue. Returns at once, whatever the device is doing.
    pub(crate) fn play(&self, request: PlayRequest) -> Ticket {
        self.ask(Sound::Cue(request.cue_id), request.decided_at, request.at)
    }

    /// Asks for a sentence. Returns at once. It waits until nothing else is heard, and a cue about a
    /// swing cuts it short.
    pub(crate) fn say(&self, request: SayRequest) -> Ticket {
        self.ask(
            Sound::Sentence(request.said),
            request.decided_at,
            request.at,
        )
    }

    /// Asks for the sounds of a pitch. Returns at once. They wait until nothing else is heard, and a
    /// cue about a swing cuts them short.
    pub(crate) fn deliver(&self, delivery: DeliverySound) -> Ticket {
        self.ask(
            Sound::Delivery(delivery.marks),
            delivery.decided_at,
            delivery.at,
        )
    }

    /// Lets the head tone follow the head, or fade out. To be called with every frame while the rep
    /// runs; returns at once. `at` is the frame's capture time, its place in a WAV file. The tone is
    /// silent while a cue is heard.
    pub(crate) fn head_tone(&self, tone: Option<HeadTone>, at: CaptureTime) {
        self.tone.set(tone);
        if let Some(tones) = &self.tones
            && tones.try_send((tone, at)).is_err()
        {
            tracing::trace!(%at, "the sound thread is busy; it has older news of the head");
        }
    }

    /// How long the device took to the first sample of the head's last news, once; `None` where it has taken none since.
    pub(crate) fn tone_lag(&self) -> Option<Duration> {
        self.tone.take_lag()
    }

    fn ask(&self, sound: Sound, decided_at: Instant, at: CaptureTime) -> Ticket {
        let ticket = Ticket(self.tickets.fetch_add(1, Ordering::Relaxed));
        let Some(sender) = &self.sender else {
            return ticket;
        };
        let mut message = Message::Play(Request {
            ticket,
            sound,
            decided_at,
            at,
        });
        while let Err(TrySendError::Full(refused)) = sender.try_send(message) {
            message = refused;
            if let Ok(Message::Play(oldest)) = self.queue.try_recv() {
                self.reports.unheard(&oldest, UnheardReason::Replaced);
            }
        }
        ticket
    }

    /// Plays what begins from now on at this volume, 0 to 1, and, where it is given, from this library. What is heard
    /// or waits for its turn already goes on as it is. Returns at once.
    pub(crate) fn revise(&self, volume: f32, library: Option<Arc<CueLibrary>>) {
        let mut revised = self.revised.lock().unwrap_or_else(PoisonError::into_inner);
        let older = revised.take().and_then(|older| older.library);
        *revised = Some(Revised {
            volume: volume.clamp(0.0, 1.0),
            library: library.or(older),
        });
    }

    /// Where [`Outcome`]s arrive, in the order in which they were settled: a few milliseconds after the
    /// request where nothing else was heard. Nobody needs to wait for one: it names its request by
    /// ticket and time, and 64 of them are kept.
    pub(crate) fn outcomes(&self) -> &Receiver<Outcome> {
        &self.outcomes
    }

    /// Counts since the start, and the state now.
    pub(crate) fn health(&self) -> PlayerHealth {
        *self.reports.health()
    }

    /// Whether the thread still runs. It ends by itself only by a fault in the program.
    pub(crate) fn is_alive(&self) -> bool {
        self.thread
            .as_ref()
            .is_some_and(|thread| !thread.is_finished())
    }

    /// Lets the last cue be heard to its end, closes a WAV file at `end`, and ends the thread.
    pub(crate) fn finish(mut self, end: CaptureTime) {
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
        self.tones = None;
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
