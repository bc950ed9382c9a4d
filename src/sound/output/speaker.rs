//! The default output device, kept open, with a small buffer.
//!
//! In: one [`MixerStream`]. Out: its samples, which a thread of the audio library takes from it.
//! The error callback only sets a flag and counts, because the library may call it without pause.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use rodio::cpal::{BufferSize, Error, ErrorKind};
use rodio::{DeviceSinkBuilder, DeviceSinkError, MixerDeviceSink};

use super::stream::MixerStream;
use crate::sound::SoundError;

/// Samples handed to the device at a time, the quickest first. The last entry is the library's own
/// choice. A device that refuses one is offered the next.
pub(super) const PERIODS: [Option<u32>; 4] = [Some(256), Some(512), Some(1024), None];

/// What the library's own choice comes to, nearly.
const LIBRARY_PERIOD: Duration = Duration::from_millis(50);

/// What is queued in front of the converter when the device asks for a period. The ring holds two, and
/// it asks when one of them has been taken.
const PERIODS_QUEUED: u32 = 1;

/// An open output device.
pub(in crate::sound) trait Speaker: Send {
    /// Begins to play the stream within the next period.
    fn start(&mut self, stream: MixerStream);
    /// The device stopped working and must be opened anew.
    fn is_lost(&self) -> bool;
    /// How often the device ran dry since it was opened.
    fn stutters(&self) -> u64;
    /// Samples the device asks for at a time, as a duration.
    fn period(&self) -> Duration;
    /// From the moment a sample is taken to the moment it is at the output, estimated.
    fn queue_delay(&self) -> Duration {
        self.period() * PERIODS_QUEUED
    }
    /// From handing a voice over to its first sample at the output, estimated from above.
    fn latency(&self) -> Duration {
        self.queue_delay() + self.period() * 2
    }
    /// Its period's index in [`PERIODS`].
    fn period_index(&self) -> usize;
}

/// The system's default output device.
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
        crate::alsa_messages::collect();
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
    fn start(&mut self, stream: MixerStream) {
        self.sink.mixer().add(stream);
    }

    fn is_lost(&self) -> bool {
        self.faults.lost.load(Ordering::Relaxed)
    }

    fn stutters(&self) -> u64 {
        self.faults.stutters.load(Ordering::Relaxed)
    }

    fn period(&self) -> Duration {
        match self.sink.config().buffer_size() {
            BufferSize::Fixed(frames) => {
                let rate = f64::from(self.sink.config().sample_rate().get());
                Duration::from_secs_f64(f64::from(*frames) / rate)
            }
            BufferSize::Default => LIBRARY_PERIOD,
        }
    }

    fn period_index(&self) -> usize {
        self.period_index
    }
}

#[cfg(test)]
mod tests;
