//! What runs on the thread `sound`: library, queue and device together.
//!
//! In: requests of the [`Player`](super::player::Player). Out: voices on the device, and one [`Outcome`]
//! per request. It decides neither which sound may begin (`queue`) nor how a device is kept open
//! (`device`), and nothing it meets ends it: without a device it goes on silent.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::Sender;

use super::device::{Device, DeviceChange};
use super::mixer::{Voice, VoiceState};
use super::queue::{CUT_FADE, Playback, PlaybackQueue};
use super::stream::Clock;
use super::{OutputState, SoundHealth};
use crate::sound::request::{NotPlayed, Outcome, Played, SoundRequest};
use crate::sound::{CueLibrary, duration_of};

/// How often the device is checked when nothing comes.
const POLL_EVERY: Duration = Duration::from_millis(250);

/// How often it is asked whether the device has taken a voice's first sample yet.
const BEGIN_POLL_EVERY: Duration = Duration::from_millis(2);

/// A voice that the device has not taken by then is reported by the estimate.
const BEGIN_PATIENCE: Duration = Duration::from_millis(150);

/// What the player's handle and its thread share.
pub(super) struct Shared {
    pub outcomes: Sender<Outcome>,
    pub health: Mutex<SoundHealth>,
    /// How what comes is to be played from now on. Not sent as a message: when the queue of requests is
    /// full, its oldest is thrown away.
    pub settings: Mutex<PlaybackSettings>,
}

/// How sounds are played.
#[derive(Clone)]
pub(super) struct PlaybackSettings {
    /// 0 to 1.
    pub volume: f32,
    pub library: Arc<CueLibrary>,
}

impl Shared {
    pub(super) fn health(&self) -> MutexGuard<'_, SoundHealth> {
        self.health.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn settings(&self) -> MutexGuard<'_, PlaybackSettings> {
        self.settings.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A reader that does not fetch its outcomes loses them.
    pub(super) fn report(&self, outcome: Outcome) {
        tracing::debug!("{outcome}");
        self.health().heard += u64::from(outcome.result.is_ok());
        if self.outcomes.try_send(outcome).is_err() {
            tracing::trace!("nobody fetches what became of sounds");
        }
    }
}

/// A voice that was handed over and has not begun yet, as far as is known.
struct HandedOver {
    request: SoundRequest,
    voice: Arc<VoiceState>,
    at: Instant,
    lasts: Duration,
    /// From `at` to the first sample at the output, for a device that does not report it.
    estimate: Duration,
}

/// What the thread owns.
pub(super) struct Worker {
    device: Device,
    queue: PlaybackQueue,
    handed_over: Vec<HandedOver>,
    shared: Arc<Shared>,
    clock: Clock,
    began: Instant,
}

impl Worker {
    pub(super) fn new(device: Device, shared: Arc<Shared>, clock: Clock) -> Self {
        shared.health().state = OutputState::Missing;
        Self {
            device,
            queue: PlaybackQueue::default(),
            handed_over: Vec::new(),
            shared,
            began: clock(),
            clock,
        }
    }

    /// Time since the thread began; the queue's clock.
    fn now(&self) -> Duration {
        (self.clock)().saturating_duration_since(self.began)
    }

    /// How long [`Self::poll`] may be left alone.
    pub(super) fn wait(&self) -> Duration {
        let longest = match self.handed_over.is_empty() {
            true => POLL_EVERY,
            false => BEGIN_POLL_EVERY,
        };
        let due = self.queue.wake_at();
        due.map_or(longest, |due| due.saturating_sub(self.now()).min(longest))
    }

    /// Checks the device, reports what has begun, and begins a waiting sound whose turn has come.
    pub(super) fn poll(&mut self) {
        let now = self.now();
        let change = self.device.poll(self.queue.busy_until(now).is_none());
        if change != DeviceChange::Unchanged {
            self.shared.health().state = match self.device.is_open() {
                true => OutputState::Open,
                false => OutputState::Missing,
            };
        }
        if change == DeviceChange::Lost {
            for lost in self.handed_over.drain(..) {
                self.shared
                    .report(lost.request.not_played(NotPlayed::NoDevice));
            }
            self.queue.clear(NotPlayed::NoDevice);
        }
        self.report_begun();
        let next = self.queue.poll(now);
        self.begin(next);
    }

    /// Takes a request.
    pub(super) fn play(&mut self, request: SoundRequest) {
        if !self.device.is_open() {
            return self.shared.report(request.not_played(NotPlayed::NoDevice));
        }
        let library = Arc::clone(&self.shared.settings().library);
        match library.samples(&request.sound) {
            Ok((samples, priority)) => {
                let decided_at = request.decided_at.saturating_duration_since(self.began);
                let playback = Playback {
                    request,
                    samples,
                    priority,
                    decided_at,
                    cuts: false,
                };
                let next = self.queue.push(self.now(), playback);
                self.begin(next);
            }
            Err(error) => {
                tracing::error!("{error}");
                self.shared
                    .report(request.not_played(NotPlayed::Unavailable));
            }
        }
    }

    /// Does what the queue decided.
    fn begin(&mut self, playback: Option<Playback>) {
        for outcome in self.queue.take_dropped() {
            self.shared.report(outcome);
        }
        let Some(playback) = playback else { return };
        let (now, volume) = ((self.clock)(), self.shared.settings().volume);
        let lasts = duration_of(playback.samples.len());
        let voice = Voice::new(playback.samples, volume, playback.cuts, now);
        let state = voice.state();
        if self.device.play(voice) {
            self.handed_over.push(HandedOver {
                request: playback.request,
                voice: state,
                at: now,
                lasts,
                estimate: self.device.latency(playback.cuts),
            });
        } else {
            self.shared
                .report(playback.request.not_played(NotPlayed::NoDevice));
        }
    }

    /// Reports the voices that have begun, and those that were cut before they could.
    fn report_begun(&mut self) {
        let (now, queue_delay) = ((self.clock)(), self.device.queue_delay());
        for handed in std::mem::take(&mut self.handed_over) {
            let heard_at = match handed.voice.began_at() {
                Some(began_at) => began_at + queue_delay,
                None if handed.voice.is_dropped() => {
                    self.shared
                        .report(handed.request.not_played(NotPlayed::Replaced));
                    continue;
                }
                None if now.duration_since(handed.at) > BEGIN_PATIENCE => {
                    handed.at + handed.estimate
                }
                None => {
                    self.handed_over.push(handed);
                    continue;
                }
            };
            let latency = heard_at.saturating_duration_since(handed.request.decided_at);
            self.shared.report(Outcome {
                request: handed.request,
                result: Ok(Played {
                    latency_millis: latency.as_secs_f64() * 1e3,
                    heard_at: Some(heard_at),
                    lasts: handed.lasts,
                }),
            });
        }
    }

    /// Fades out what is heard, because the program is closing.
    pub(super) fn fade_out(mut self) {
        self.report_begun();
        let speaker = self.device.fade_out();
        if speaker.is_some() {
            thread::sleep(CUT_FADE * 5);
        }
    }

    /// Lets what is heard, and what waits for it, come to its end.
    pub(super) fn drain(mut self) {
        while let Some(until) = self.queue.busy_until(self.now()) {
            thread::sleep(until.saturating_sub(self.now()).min(self.wait()));
            self.poll();
        }
        // What the device holds in its own buffer is still to be heard; no buffer is larger.
        thread::sleep(POLL_EVERY);
        self.report_begun();
    }
}

#[cfg(test)]
mod tests;
