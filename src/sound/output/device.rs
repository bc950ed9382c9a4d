//! Keeps an output device open for weeks: opens it, notices that it is gone, opens it again.
//!
//! In: voices and a regular call to [`Device::poll`], both on the thread `sound`. Out: the state of the
//! device and the latency to expect. Opening may block for a while; nothing else here does.
//! A missing device is logged once, at WARN; the tries after that are silent until one works.

use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::Sender;

use super::mixer::Voice;
use super::queue::CUT_FADE;
use super::speaker::{PERIODS, Speaker};
use super::stream::{Clock, HeadToneControl, MixerStream};
use crate::sound::SoundError;

/// Opens a speaker with the first period from this index of [`PERIODS`] on that works.
pub(in crate::sound) type OpenSpeaker =
    Arc<dyn Fn(usize) -> Result<Box<dyn Speaker>, SoundError> + Send + Sync>;

/// When a missing device is tried again, and when a stuttering one gets a larger buffer.
#[derive(Clone, Copy, Debug)]
pub(in crate::sound) struct RetryPolicy {
    /// Wait before the first new try; doubled after each that fails.
    pub first_retry: Duration,
    /// Longest wait between two tries.
    pub last_retry: Duration,
    /// A device that worked this long starts again with `first_retry` when it is lost.
    pub steady_after: Duration,
    /// More stutters than this within `stutter_window` are answered with a larger buffer.
    pub stutters_allowed: u64,
    pub stutter_window: Duration,
}

/// Each try makes the sound library print on standard error, so they become rare quickly.
/// The stutter limit is a guess: one may be a busy moment, four in a minute are a habit.
pub(super) const RETRY_POLICY: RetryPolicy = RetryPolicy {
    first_retry: Duration::from_secs(5),
    last_retry: Duration::from_secs(60),
    steady_after: Duration::from_secs(60),
    stutters_allowed: 3,
    stutter_window: Duration::from_secs(60),
};

/// The device, open or not.
pub(super) struct Device {
    open: OpenSpeaker,
    policy: RetryPolicy,
    clock: Clock,
    opened: Option<Opened>,
    retry_at: Option<Instant>,
    retry_wait: Duration,
    /// The absence was logged already.
    warned: bool,
    period_index: usize,
    tone: Arc<HeadToneControl>,
}

struct Opened {
    // Before the speaker, so that the stream ends before the device closes.
    voices: Sender<Voice>,
    speaker: Box<dyn Speaker>,
    since: Instant,
    window_began: Instant,
    stutters_before_window: u64,
}

/// What [`Device::poll`] found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum DeviceChange {
    Unchanged,
    /// A device is open now; nothing is playing on it.
    Opened,
    /// The device is gone, and with it what was playing.
    Lost,
}

impl Device {
    /// Not open yet; the first [`Self::poll`] tries.
    pub(super) fn new(
        open: OpenSpeaker,
        policy: RetryPolicy,
        tone: Arc<HeadToneControl>,
        clock: Clock,
    ) -> Self {
        Self {
            open,
            policy,
            clock,
            opened: None,
            retry_at: None,
            retry_wait: policy.first_retry,
            warned: false,
            period_index: 0,
            tone,
        }
    }

    /// Whether voices can be played.
    pub(super) fn is_open(&self) -> bool {
        self.opened.is_some()
    }

    /// Hands a voice to the audio thread. `false` without a device, or with one that stands still.
    pub(super) fn play(&self, voice: Voice) -> bool {
        self.opened
            .as_ref()
            .is_some_and(|open| !open.speaker.is_lost() && open.voices.try_send(voice).is_ok())
    }

    /// From the device's taking a sample to its being at the output, estimated.
    pub(super) fn queue_delay(&self) -> Duration {
        let open = self.opened.as_ref();
        open.map_or(Duration::ZERO, |open| open.speaker.queue_delay())
    }

    /// From handing a voice over to its first sample at the output, estimated from above.
    pub(super) fn latency(&self, cuts: bool) -> Duration {
        let open = self.opened.as_ref();
        let latency = open.map_or(Duration::ZERO, |open| open.speaker.latency());
        match cuts || self.tone.is_on() {
            true => latency + CUT_FADE,
            false => latency,
        }
    }

    /// Lets what is playing die away, for good.
    pub(super) fn fade_out(&mut self) -> Option<Box<dyn Speaker>> {
        self.tone.set(None);
        let Opened {
            voices, speaker, ..
        } = self.opened.take()?;
        drop(voices);
        Some(speaker)
    }

    /// Checks the device; to be called a few times a second. `idle`: nothing is being heard.
    pub(super) fn poll(&mut self, idle: bool) -> DeviceChange {
        let now = (self.clock)();
        match &mut self.opened {
            Some(open) if open.speaker.is_lost() => {
                tracing::warn!(
                    "the sound device stopped working; cues are not heard until it is back, trying again in {} s",
                    self.retry_wait.as_secs()
                );
                if now.duration_since(open.since) >= self.policy.steady_after {
                    self.retry_wait = self.policy.first_retry;
                }
                self.warned = true;
                self.opened = None;
                self.retry_later(now);
                DeviceChange::Lost
            }
            Some(open) => {
                if idle
                    && open.stutters_too_often(now, &self.policy)
                    && self.period_index + 1 < PERIODS.len()
                {
                    return self.enlarge_buffer(now);
                }
                DeviceChange::Unchanged
            }
            None if self.retry_at.is_some_and(|at| now < at) => DeviceChange::Unchanged,
            None => self.try_open(now),
        }
    }

    fn try_open(&mut self, now: Instant) -> DeviceChange {
        match (self.open)(self.period_index) {
            Ok(mut speaker) => {
                self.period_index = speaker.period_index();
                tracing::info!(
                    latency_millis = speaker.latency().as_secs_f64() * 1e3,
                    "sound device is open"
                );
                let (voices, stream) = MixerStream::new(&self.tone, &self.clock);
                speaker.start(stream);
                self.opened = Some(Opened {
                    voices,
                    speaker,
                    since: now,
                    window_began: now,
                    stutters_before_window: 0,
                });
                self.retry_at = None;
                self.warned = false;
                DeviceChange::Opened
            }
            Err(error) if !self.warned => {
                tracing::warn!(
                    "{error}; cues are not heard. Plug in a speaker, choose a default output in the system's sound \
                     settings, or set the sound output to none; trying again every {} to {} s",
                    self.policy.first_retry.as_secs(),
                    self.policy.last_retry.as_secs()
                );
                self.warned = true;
                self.retry_later(now);
                DeviceChange::Unchanged
            }
            Err(error) => {
                tracing::trace!("{error}");
                self.retry_later(now);
                DeviceChange::Unchanged
            }
        }
    }

    /// The machine cannot fill so small a buffer in time: a larger one costs some latency, a
    /// stuttering cue costs its meaning.
    fn enlarge_buffer(&mut self, now: Instant) -> DeviceChange {
        self.period_index += 1;
        tracing::warn!(
            "sound stutters because the machine is busy; using a larger buffer, cues come a little later"
        );
        self.opened = None;
        match self.try_open(now) {
            DeviceChange::Opened => DeviceChange::Opened,
            _ => DeviceChange::Lost,
        }
    }

    fn retry_later(&mut self, now: Instant) {
        self.retry_at = Some(now + self.retry_wait);
        self.retry_wait = (self.retry_wait * 2).min(self.policy.last_retry);
    }
}

impl Opened {
    fn stutters_too_often(&mut self, now: Instant, policy: &RetryPolicy) -> bool {
        let all = self.speaker.stutters();
        let recent = all.saturating_sub(self.stutters_before_window);
        if now.duration_since(self.window_began) >= policy.stutter_window {
            self.window_began = now;
            self.stutters_before_window = all;
        }
        recent > policy.stutters_allowed
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU64, Ordering};

    use super::*;

    /// Seconds of simulated time, polled four times a second, at which a device that is never there was tried.
    fn tries_within(secs: u64) -> Vec<u64> {
        let (tried, millis) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicU64::new(0)));
        let (start, passed) = (Instant::now(), Arc::clone(&millis));
        let clock: Clock =
            Arc::new(move || start + Duration::from_millis(passed.load(Ordering::SeqCst)));
        let count = Arc::clone(&tried);
        let open: OpenSpeaker = Arc::new(move |_| {
            count.fetch_add(1, Ordering::SeqCst);
            Err(SoundError::OpenDevice(rodio::DeviceSinkError::NoDevice))
        });
        let tone = Arc::new(HeadToneControl::new(&clock, 1.0));
        let mut device = Device::new(open, RETRY_POLICY, tone, clock);
        let mut at = Vec::new();
        for poll in 0..secs * 4 {
            millis.store(poll * 250, Ordering::SeqCst);
            device.poll(true);
            if tried.swap(0, Ordering::SeqCst) > 0 {
                at.push(poll / 4);
            }
        }
        at
    }

    #[test]
    fn tries_become_rare_but_never_end() {
        assert_eq!(tries_within(320), [0, 5, 15, 35, 75, 135, 195, 255, 315]);
    }
}
