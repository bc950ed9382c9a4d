//! The mixer as the device's audio thread runs it, and the head tone's control, which both threads share.
//!
//! [`Iterator::next`] runs on a thread of the audio library that must never wait, lock, log or
//! allocate on our account: voices come through a bounded channel that is only tried, the head's
//! travel through atomics.

use std::num::NonZero;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, TryRecvError, bounded};
use rodio::{ChannelCount, SampleRate, Source};

use super::mixer::{MAX_WAITING, Mixer, Voice};
use crate::sound::SAMPLE_RATE_HZ;

/// Where the time comes from; tests bring their own.
pub(in crate::sound) type Clock = Arc<dyn Fn() -> Instant + Send + Sync>;

/// The head's travel as the rep stage last gave it, read by the audio thread.
pub(super) struct HeadToneControl {
    clock: Clock,
    epoch: Instant,
    /// Bits of the share; those of "no number" while the tone is off.
    share: AtomicU32,
    /// Bits of the volume.
    volume: AtomicU32,
    /// Nanoseconds from `epoch` to the last change.
    set_nanos: AtomicU64,
    /// Nanoseconds from the last change to its first sample; 0 where none was taken since.
    lag_nanos: AtomicU64,
}

impl HeadToneControl {
    pub(super) fn new(clock: &Clock, volume: f32) -> Self {
        Self {
            clock: Arc::clone(clock),
            epoch: clock(),
            share: AtomicU32::new(f32::NAN.to_bits()),
            volume: AtomicU32::new(volume.to_bits()),
            set_nanos: AtomicU64::new(0),
            lag_nanos: AtomicU64::new(0),
        }
    }

    pub(super) fn set(&self, share: Option<f32>) {
        self.set_nanos.store(self.nanos(), Ordering::Release);
        let share = share.unwrap_or(f32::NAN);
        self.share.store(share.to_bits(), Ordering::Release);
    }

    pub(super) fn set_volume(&self, volume: f32) {
        self.volume.store(volume.to_bits(), Ordering::Release);
    }

    /// The time from the last change to its first sample, once.
    pub(super) fn take_lag(&self) -> Option<Duration> {
        let nanos = self.lag_nanos.swap(0, Ordering::AcqRel);
        (nanos > 0).then(|| Duration::from_nanos(nanos))
    }

    pub(super) fn is_on(&self) -> bool {
        self.share().is_some()
    }

    fn share(&self) -> Option<f32> {
        let share = f32::from_bits(self.share.load(Ordering::Acquire));
        share.is_finite().then_some(share)
    }

    fn volume(&self) -> f32 {
        f32::from_bits(self.volume.load(Ordering::Acquire))
    }

    /// The last change has reached the device.
    fn note_lag(&self) {
        let lag = self
            .nanos()
            .saturating_sub(self.set_nanos.load(Ordering::Acquire));
        self.lag_nanos.store(lag.max(1), Ordering::Release);
    }

    fn nanos(&self) -> u64 {
        let nanos = (self.clock)()
            .saturating_duration_since(self.epoch)
            .as_nanos();
        u64::try_from(nanos).unwrap_or(u64::MAX)
    }
}

/// What the audio library plays for as long as the device is open. It ends once the sender of its voices is
/// gone and what was heard has faded out.
pub(in crate::sound) struct MixerStream {
    mixer: Mixer,
    voices: Receiver<Voice>,
    tone: Arc<HeadToneControl>,
    /// The travel that the last sample was made for.
    share: Option<f32>,
    clock: Clock,
}

impl MixerStream {
    /// A stream, and where its voices are sent to.
    pub(super) fn new(tone: &Arc<HeadToneControl>, clock: &Clock) -> (Sender<Voice>, Self) {
        let (sender, voices) = bounded(MAX_WAITING);
        let stream = Self {
            mixer: Mixer::new(),
            voices,
            tone: Arc::clone(tone),
            share: None,
            clock: Arc::clone(clock),
        };
        (sender, stream)
    }

    /// Nothing is heard or waits.
    #[cfg(test)]
    pub(in crate::sound) fn is_idle(&self) -> bool {
        self.mixer.is_idle() && self.voices.is_empty()
    }
}

impl Iterator for MixerStream {
    type Item = f32;

    fn next(&mut self) -> Option<f32> {
        loop {
            match self.voices.try_recv() {
                Ok(voice) => {
                    voice.note_taken((self.clock)());
                    self.mixer.play(voice);
                }
                Err(TryRecvError::Empty) => break,
                Err(TryRecvError::Disconnected) => {
                    self.mixer.fade_out();
                    return (!self.mixer.is_idle()).then(|| self.mixer.next_sample());
                }
            }
        }
        let share = self.tone.share();
        if share != self.share {
            self.tone.note_lag();
            self.share = share;
        }
        self.mixer.set_tone(share, self.tone.volume());
        Some(self.mixer.next_sample())
    }
}

impl Source for MixerStream {
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
