//! Keeps an output device open for weeks: opens it, notices that it is gone, opens it again.
//!
//! In: voices and a regular call to [`Device::tend`], both on the thread `sound`. Out: the state of the
//! device and the latency to expect. Opening may block for a while; nothing else here does.
//! A missing device is told once, at WARN; the tries after that are silent until one works.

use std::sync::Arc;
use std::time::{Duration, Instant};

use super::SoundError;
use super::device_voice::{DeviceTone, DeviceVoice, ToneState, VoiceState};
use super::speaker::{PERIODS, Speaker};
use super::voice::Voice;

/// Opens a speaker with the first period from this index of [`PERIODS`] on that works.
pub(super) type OpenSpeaker = Box<dyn FnMut(usize) -> Result<Box<dyn Speaker>, SoundError> + Send>;

/// How patiently a device is tended.
#[derive(Clone, Copy, Debug)]
pub(super) struct Patience {
    /// Wait before the first new try; doubled after each that fails.
    pub(super) first_retry: Duration,
    /// Longest wait between two tries.
    pub(super) last_retry: Duration,
    /// A device that worked this long starts again with `first_retry` when it is lost.
    pub(super) steady_after: Duration,
    /// This many stutters within `stutter_window` are answered with a larger buffer.
    pub(super) stutters_borne: u64,
    pub(super) stutter_window: Duration,
}

/// Each try makes the sound library print on standard error, so they become rare quickly.
/// The stutter limit is a guess: one may be a busy moment, four in a minute are a habit.
pub(super) const PATIENCE: Patience = Patience {
    first_retry: Duration::from_secs(5),
    last_retry: Duration::from_secs(60),
    steady_after: Duration::from_secs(60),
    stutters_borne: 3,
    stutter_window: Duration::from_secs(60),
};

/// The device, open or not.
pub(super) struct Device {
    open: OpenSpeaker,
    patience: Patience,
    speaker: Option<Open>,
    retry_at: Option<Instant>,
    retry_wait: Duration,
    /// The absence was told already.
    told: bool,
    period_index: usize,
    last_voice: Option<Arc<VoiceState>>,
    tone: Arc<ToneState>,
}

/// A voice that was handed over.
pub(super) struct Begun {
    pub(super) state: Arc<VoiceState>,
    /// From the device's taking a sample to its being at the output.
    pub(super) queue: Duration,
    /// From the hand-over to the first sample at the output, where the device has not told better.
    pub(super) latency: Duration,
}

struct Open {
    speaker: Box<dyn Speaker>,
    since: Instant,
    window_began: Instant,
    stutters_before_window: u64,
}

/// What [`Device::tend`] found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tended {
    /// As before.
    Unchanged,
    /// A device is open now; nothing is playing on it.
    Opened,
    /// The device is gone, and with it what was playing.
    Lost,
}

impl Device {
    /// Not open yet; the first [`Self::tend`] tries.
    pub(super) fn new(open: OpenSpeaker, patience: Patience, tone: Arc<ToneState>) -> Self {
        Self {
            open,
            patience,
            speaker: None,
            retry_at: None,
            retry_wait: patience.first_retry,
            told: false,
            period_index: 0,
            last_voice: None,
            tone,
        }
    }

    /// Whether voices can be played.
    pub(super) fn is_open(&self) -> bool {
        self.speaker.is_some()
    }

    /// Begins a voice, cutting the one before it where `cut` says so, after the head tone has made room.
    /// Gives `None` without a device.
    pub(super) fn play(&mut self, voice: Voice, cut: bool) -> Option<Begun> {
        let open = self
            .speaker
            .as_mut()
            .filter(|open| !open.speaker.is_lost())?;
        if cut && let Some(before) = &self.last_voice {
            before.cut();
        }
        let wait = cut || !self.tone.has_ended();
        self.tone.duck(true);
        let tone = Some(Arc::clone(&self.tone)).filter(|tone| !tone.has_ended());
        let voice = DeviceVoice::new(voice, self.last_voice.take(), tone);
        let state = voice.state();
        self.last_voice = Some(Arc::clone(&state));
        open.speaker.add(voice);
        let fade = if wait {
            super::schedule::CUT_FADE
        } else {
            Duration::ZERO
        };
        Some(Begun {
            state,
            queue: open.speaker.queue(),
            latency: open.speaker.latency() + fade,
        })
    }

    /// Lets the head tone be heard as long as it is wanted and no voice is.
    pub(super) fn tend_tone(&mut self, busy: bool, volume: f32) {
        let heard = self
            .last_voice
            .as_ref()
            .is_some_and(|voice| !voice.has_ended());
        self.tone.duck(busy || heard);
        if let Some(open) = &mut self.speaker
            && !open.speaker.is_lost()
            && self.tone.is_wanted()
            && self.tone.has_ended()
        {
            let tone = DeviceTone::new(Arc::clone(&self.tone), volume);
            open.speaker.add_tone(tone);
        }
    }

    /// Lets what is playing die away.
    pub(super) fn hush(&self) {
        if let Some(voice) = &self.last_voice {
            voice.cut();
        }
        self.tone.set(None);
    }

    /// Looks after the device; to be called a few times a second. `idle`: nothing is being heard.
    pub(super) fn tend(&mut self, now: Instant, idle: bool) -> Tended {
        match &mut self.speaker {
            Some(open) if open.speaker.is_lost() => {
                tracing::warn!(
                    "the sound device stopped working; cues are not heard until it is back, trying again in {} s",
                    self.retry_wait.as_secs()
                );
                if now.duration_since(open.since) >= self.patience.steady_after {
                    self.retry_wait = self.patience.first_retry;
                }
                self.told = true;
                self.close();
                self.wait_longer(now);
                Tended::Lost
            }
            Some(open) => {
                if idle
                    && open.stutters_too_often(now, &self.patience)
                    && self.period_index + 1 < PERIODS.len()
                {
                    return self.enlarge_buffer(now);
                }
                Tended::Unchanged
            }
            None if self.retry_at.is_some_and(|at| now < at) => Tended::Unchanged,
            None => self.try_open(now),
        }
    }

    fn try_open(&mut self, now: Instant) -> Tended {
        match (self.open)(self.period_index) {
            Ok(speaker) => {
                self.period_index = speaker.period_index();
                tracing::info!(
                    latency_millis = speaker.latency().as_secs_f64() * 1e3,
                    "sound device is open"
                );
                self.speaker = Some(Open {
                    speaker,
                    since: now,
                    window_began: now,
                    stutters_before_window: 0,
                });
                self.retry_at = None;
                self.told = false;
                Tended::Opened
            }
            Err(error) if !self.told => {
                tracing::warn!(
                    "{error}; cues are not heard. Plug in a speaker, choose a default output in the system's sound \
                     settings, or set the sound output to none; trying again every {} to {} s",
                    self.patience.first_retry.as_secs(),
                    self.patience.last_retry.as_secs()
                );
                self.told = true;
                self.wait_longer(now);
                Tended::Unchanged
            }
            Err(error) => {
                tracing::trace!("{error}");
                self.wait_longer(now);
                Tended::Unchanged
            }
        }
    }

    /// The machine cannot fill so small a buffer in time: a larger one costs some latency, a
    /// stuttering cue costs its meaning.
    fn enlarge_buffer(&mut self, now: Instant) -> Tended {
        self.period_index += 1;
        tracing::warn!(
            "sound stutters because the machine is busy; using a larger buffer, cues come a little later"
        );
        self.close();
        match self.try_open(now) {
            Tended::Opened => Tended::Opened,
            _ => Tended::Lost,
        }
    }

    fn close(&mut self) {
        self.speaker = None;
        self.last_voice = None;
    }

    fn wait_longer(&mut self, now: Instant) {
        self.retry_at = Some(now + self.retry_wait);
        self.retry_wait = (self.retry_wait * 2).min(self.patience.last_retry);
    }
}

impl Open {
    fn stutters_too_often(&mut self, now: Instant, patience: &Patience) -> bool {
        let all = self.speaker.stutters();
        let recent = all.saturating_sub(self.stutters_before_window);
        if now.duration_since(self.window_began) >= patience.stutter_window {
            self.window_began = now;
            self.stutters_before_window = all;
        }
        recent > patience.stutters_borne
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds of simulated time, four looks a second, at which a device that is never there was tried.
    fn tries_within(secs: u64) -> Vec<u64> {
        let tried = Arc::new(std::sync::atomic::AtomicU64::new(0));
        let count = Arc::clone(&tried);
        let open: OpenSpeaker = Box::new(move |_| {
            count.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
            Err(SoundError::OpenDevice(rodio::DeviceSinkError::NoDevice))
        });
        let (mut device, began) = (
            Device::new(open, PATIENCE, Arc::new(ToneState::new())),
            Instant::now(),
        );
        let mut at = Vec::new();
        for look in 0..secs * 4 {
            device.tend(began + Duration::from_millis(look * 250), true);
            if tried.swap(0, std::sync::atomic::Ordering::SeqCst) > 0 {
                at.push(look / 4);
            }
        }
        at
    }

    #[test]
    fn tries_become_rare_but_never_end() {
        assert_eq!(tries_within(320), [0, 5, 15, 35, 75, 135, 195, 255, 315]);
    }
}
