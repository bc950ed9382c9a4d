//! The default output device, kept open, with a small buffer.
//!
//! In: voices from the sound thread. Out: samples, on a thread of the audio library that calls
//! [`DeviceVoice::next`]; that thread must never wait, lock, log or allocate on our account.
//! The error callback only sets a flag and counts, because the library may call it without pause.

use std::num::NonZero;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use rodio::cpal::{BufferSize, Error, ErrorKind};
use rodio::{
    ChannelCount, DeviceSinkBuilder, DeviceSinkError, MixerDeviceSink, SampleRate, Source,
};

use super::voice::Voice;
use super::{SAMPLE_RATE_HZ, SoundError};

/// Samples handed to the device at a time, the quickest first. The last entry is the library's own
/// choice. A device that refuses one is offered the next.
pub(super) const PERIODS: [Option<u32>; 4] = [Some(256), Some(512), Some(1024), None];

/// A voice waits for up to one period to be taken up, and then for the two that the ring in front of
/// the converter holds.
const PERIODS_TO_OUTPUT: u32 = 3;

/// Something voices can be played on.
pub(super) trait Speaker: Send {
    /// Begins a voice within the next period.
    fn add(&mut self, voice: DeviceVoice);
    /// The device stopped working and must be opened anew.
    fn is_lost(&self) -> bool;
    /// How often the device ran dry since it was opened.
    fn stutters(&self) -> u64;
    /// From [`Speaker::add`] to the first sample at the output, estimated from above.
    fn latency(&self) -> Duration;
    /// Where in [`PERIODS`] it stands.
    fn period_index(&self) -> usize;
}

/// The real one.
pub(super) struct DeviceSpeaker {
    sink: MixerDeviceSink,
    faults: Arc<Faults>,
    period_index: usize,
}

#[derive(Default)]
struct Faults {
    lost: AtomicBool,
    stutters: AtomicU64,
}

impl DeviceSpeaker {
    /// Opens the system's default output with the first period from `period_index` on that it takes.
    ///
    /// # Errors
    /// [`SoundError::OpenDevice`] where there is no device or it takes none of the periods.
    pub(super) fn open(period_index: usize) -> Result<Self, SoundError> {
        let mut refusal = None;
        for (index, period) in PERIODS.iter().enumerate().skip(period_index) {
            match Self::open_with(index, *period) {
                Ok(speaker) => return Ok(speaker),
                // Without a device another period would fail the same way, and each try makes the sound
                // library print on standard error.
                Err(error @ DeviceSinkError::DefaultSinkConfigError(_)) => {
                    return Err(SoundError::OpenDevice(error));
                }
                Err(error) => refusal = Some(error),
            }
        }
        Err(SoundError::OpenDevice(
            refusal.unwrap_or(DeviceSinkError::NoDevice),
        ))
    }

    fn open_with(period_index: usize, period: Option<u32>) -> Result<Self, DeviceSinkError> {
        let faults = Arc::new(Faults::default());
        let noted = Arc::clone(&faults);
        let mut builder = DeviceSinkBuilder::from_default_device()?;
        if let Some(frames) = period {
            builder = builder.with_buffer_size(BufferSize::Fixed(frames));
        }
        let mut sink = builder
            .with_error_callback(move |error| noted.note(&error))
            .open_stream()?;
        sink.log_on_drop(false);
        Ok(Self {
            sink,
            faults,
            period_index,
        })
    }
}

impl Faults {
    fn note(&self, error: &Error) {
        match error.kind() {
            ErrorKind::Xrun => {
                self.stutters.fetch_add(1, Ordering::Relaxed);
            }
            // The stream goes on by itself after these.
            ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => {}
            _ => self.lost.store(true, Ordering::Relaxed),
        }
    }
}

impl Speaker for DeviceSpeaker {
    fn add(&mut self, voice: DeviceVoice) {
        self.sink.mixer().add(voice);
    }

    fn is_lost(&self) -> bool {
        self.faults.lost.load(Ordering::Relaxed)
    }

    fn stutters(&self) -> u64 {
        self.faults.stutters.load(Ordering::Relaxed)
    }

    fn latency(&self) -> Duration {
        match self.sink.config().buffer_size() {
            BufferSize::Fixed(frames) => {
                let rate = f64::from(self.sink.config().sample_rate().get());
                Duration::from_secs_f64(f64::from(frames * PERIODS_TO_OUTPUT) / rate)
            }
            BufferSize::Default => Duration::ZERO,
        }
    }

    fn period_index(&self) -> usize {
        self.period_index
    }
}

/// What the sound thread and a voice on the audio thread tell each other.
#[derive(Debug, Default)]
pub(super) struct VoiceState {
    cut: AtomicBool,
    ended: AtomicBool,
}

impl VoiceState {
    /// Asks the voice to die away.
    pub(super) fn cut(&self) {
        self.cut.store(true, Ordering::Release);
    }
}

/// A voice as the mixer takes it. It stays silent until the voice before it has ended, so two never
/// sound at once however the threads are scheduled.
pub(super) struct DeviceVoice {
    voice: Voice,
    state: Arc<VoiceState>,
    after: Option<Arc<VoiceState>>,
}

impl DeviceVoice {
    /// `after`: the voice begun before this one, if any.
    pub(super) fn new(voice: Voice, after: Option<Arc<VoiceState>>) -> Self {
        Self {
            voice,
            state: Arc::default(),
            after,
        }
    }

    /// For cutting this voice later and for letting the next one follow it.
    pub(super) fn state(&self) -> Arc<VoiceState> {
        Arc::clone(&self.state)
    }
}

impl Iterator for DeviceVoice {
    type Item = f32;

    fn next(&mut self) -> Option<f32> {
        if let Some(before) = &self.after {
            if !before.ended.load(Ordering::Acquire) {
                return Some(0.0);
            }
            self.after = None;
            // Cut before it was ever heard: not even the fade of it should be.
            if self.state.cut.load(Ordering::Acquire) {
                return None;
            }
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

impl Source for DeviceVoice {
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
