//! Voices as the device's mixer takes them, and the few atomics they share with the sound thread.
//!
//! [`Iterator::next`] runs on a thread of the audio library that must never wait, lock, log or
//! allocate on our account. Two voices never sound at once, however the threads are scheduled: a voice
//! stays silent until what was before it has ended.

use std::num::NonZero;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rodio::{ChannelCount, SampleRate, Source};

use super::head_tone::{HeadTone, HeadToneVoice};
use super::voice::Voice;
use super::{SAMPLE_RATE_HZ, duration_of};

/// What the sound thread and a voice on the audio thread tell each other.
#[derive(Debug)]
pub(super) struct VoiceState {
    cut: AtomicBool,
    ended: AtomicBool,
    made_at: Instant,
    /// Nanoseconds from `made_at` to the first sample that was heard; 0 until then.
    began_nanos: AtomicU64,
}

impl VoiceState {
    fn new() -> Self {
        Self {
            cut: AtomicBool::new(false),
            ended: AtomicBool::new(false),
            made_at: Instant::now(),
            began_nanos: AtomicU64::new(0),
        }
    }

    /// Asks the voice to die away.
    pub(super) fn cut(&self) {
        self.cut.store(true, Ordering::Release);
    }

    /// No sample of it will come any more.
    pub(super) fn has_ended(&self) -> bool {
        self.ended.load(Ordering::Acquire)
    }

    /// When the device took its first sample, if it did. The place of that sample in the stream is
    /// counted in, so that what follows another voice is as exact as what comes alone.
    pub(super) fn began_at(&self) -> Option<Instant> {
        let nanos = self.began_nanos.load(Ordering::Acquire);
        (nanos > 0).then(|| self.made_at + Duration::from_nanos(nanos))
    }
}

/// A voice as the mixer takes it.
pub(super) struct DeviceVoice {
    voice: Voice,
    state: Arc<VoiceState>,
    after: Option<Arc<VoiceState>>,
    after_tone: Option<Arc<ToneState>>,
    /// When the mixer first asked, and how many samples of silence it was given since.
    first_asked: Option<Instant>,
    silent: usize,
}

impl DeviceVoice {
    /// `after`: the voice begun before this one, `after_tone`: the head tone, if any.
    pub(super) fn new(
        voice: Voice,
        after: Option<Arc<VoiceState>>,
        after_tone: Option<Arc<ToneState>>,
    ) -> Self {
        Self {
            voice,
            state: Arc::new(VoiceState::new()),
            after,
            after_tone,
            first_asked: None,
            silent: 0,
        }
    }

    /// For cutting this voice later and for letting the next one follow it.
    pub(super) fn state(&self) -> Arc<VoiceState> {
        Arc::clone(&self.state)
    }

    /// Whether something before it is still to be heard.
    fn must_wait(&mut self) -> bool {
        self.after = self.after.take().filter(|before| !before.has_ended());
        self.after_tone = self.after_tone.take().filter(|tone| !tone.is_silent());
        self.after.is_some() || self.after_tone.is_some()
    }

    /// Notes when the first sample is taken.
    fn begin(&self, first_asked: Instant) {
        let began = first_asked + duration_of(self.silent);
        let nanos = began
            .saturating_duration_since(self.state.made_at)
            .as_nanos();
        let nanos = u64::try_from(nanos).unwrap_or(u64::MAX).max(1);
        self.state.began_nanos.store(nanos, Ordering::Release);
    }
}

impl Iterator for DeviceVoice {
    type Item = f32;

    fn next(&mut self) -> Option<f32> {
        let first_asked = *self.first_asked.get_or_insert_with(Instant::now);
        if self.state.began_nanos.load(Ordering::Relaxed) == 0 {
            let must_wait = self.must_wait();
            // Cut before it was ever heard: not even the fade of it should be.
            if self.state.cut.load(Ordering::Acquire) && !must_wait {
                self.state.ended.store(true, Ordering::Release);
                return None;
            }
            if must_wait {
                self.silent += 1;
                return Some(0.0);
            }
            self.begin(first_asked);
        }
        if self.state.cut.load(Ordering::Acquire) {
            self.voice.cut();
        }
        let sample = self.voice.next();
        if sample.is_none() {
            self.state.ended.store(true, Ordering::Release);
        }
        sample
    }
}

impl Drop for DeviceVoice {
    fn drop(&mut self) {
        self.state.ended.store(true, Ordering::Release);
    }
}

/// Where the head is, written by whoever knows it and read by the audio thread.
#[derive(Debug)]
pub(super) struct ToneState {
    /// Bits of the share; those of "no number" while the tone is off.
    share: AtomicU32,
    ducked: AtomicBool,
    silent: AtomicBool,
    ended: AtomicBool,
    made_at: Instant,
    /// Nanoseconds from `made_at` to the last news.
    told_nanos: AtomicU64,
    /// Nanoseconds from news to their first sample; 0 where nobody has asked for a sample since.
    lag_nanos: AtomicU64,
}

impl ToneState {
    pub(super) fn new() -> Self {
        Self {
            share: AtomicU32::new(f32::NAN.to_bits()),
            ducked: AtomicBool::new(false),
            silent: AtomicBool::new(true),
            ended: AtomicBool::new(true),
            made_at: Instant::now(),
            told_nanos: AtomicU64::new(0),
            lag_nanos: AtomicU64::new(0),
        }
    }

    fn nanos(&self) -> u64 {
        u64::try_from(self.made_at.elapsed().as_nanos()).unwrap_or(u64::MAX)
    }

    /// The time from the last news to their first sample, once.
    pub(super) fn take_lag(&self) -> Option<Duration> {
        let nanos = self.lag_nanos.swap(0, Ordering::AcqRel);
        (nanos > 0).then(|| Duration::from_nanos(nanos))
    }

    /// News have reached the device.
    fn reached(&self) {
        let lag = self
            .nanos()
            .saturating_sub(self.told_nanos.load(Ordering::Acquire));
        self.lag_nanos.store(lag.max(1), Ordering::Release);
    }

    pub(super) fn set(&self, tone: Option<HeadTone>) {
        let share = tone.map_or(f32::NAN, |tone| tone.share);
        self.told_nanos.store(self.nanos(), Ordering::Release);
        self.share.store(share.to_bits(), Ordering::Release);
    }

    /// Makes room for a voice, or comes back.
    pub(super) fn duck(&self, ducked: bool) {
        self.ducked.store(ducked, Ordering::Release);
    }

    pub(super) fn is_wanted(&self) -> bool {
        self.share().is_some()
    }

    fn share(&self) -> Option<f32> {
        let share = f32::from_bits(self.share.load(Ordering::Acquire));
        share.is_finite().then_some(share)
    }

    pub(super) fn is_silent(&self) -> bool {
        self.silent.load(Ordering::Acquire)
    }

    /// Whether a new [`DeviceTone`] is needed for the tone to be heard.
    pub(super) fn has_ended(&self) -> bool {
        self.ended.load(Ordering::Acquire)
    }
}

/// The head tone as the mixer takes it. It ends when it was switched off and has died away.
pub(super) struct DeviceTone {
    voice: HeadToneVoice,
    state: Arc<ToneState>,
    volume: f32,
    /// What the last sample followed.
    follows: Option<f32>,
}

impl DeviceTone {
    pub(super) fn new(state: Arc<ToneState>, volume: f32) -> Self {
        state.ended.store(false, Ordering::Release);
        state.silent.store(false, Ordering::Release);
        Self {
            voice: HeadToneVoice::default(),
            state,
            volume,
            follows: None,
        }
    }
}

impl Iterator for DeviceTone {
    type Item = f32;

    fn next(&mut self) -> Option<f32> {
        let share = self.state.share();
        if share != self.follows {
            self.state.reached();
            self.follows = share;
        }
        self.voice.set(share);
        let ducked = self.state.ducked.load(Ordering::Acquire);
        self.voice.duck(ducked);
        if self.voice.is_off() {
            return None;
        }
        let sample = self.voice.next();
        // It may be called silent only while it cannot come back by itself.
        self.state
            .silent
            .store(ducked && self.voice.is_silent(), Ordering::Release);
        Some(sample * self.volume)
    }
}

impl Drop for DeviceTone {
    fn drop(&mut self) {
        self.state.silent.store(true, Ordering::Release);
        self.state.ended.store(true, Ordering::Release);
    }
}

macro_rules! one_endless_channel {
    ($voice:ty) => {
        impl Source for $voice {
            fn current_span_len(&self) -> Option<usize> {
                None
            }

            fn channels(&self) -> ChannelCount {
                ChannelCount::MIN
            }

            fn sample_rate(&self) -> SampleRate {
                NonZero::new(SAMPLE_RATE_HZ).unwrap_or(SampleRate::MIN)
            }

            fn total_duration(&self) -> Option<Duration> {
                None
            }
        }
    };
}

one_endless_channel!(DeviceVoice);
one_endless_channel!(DeviceTone);
