//! The machine's microphones.
//!
//! In: which one. Out: blocks of samples with when they were heard, sent from a thread of the audio library that never waits.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender};
use rodio::cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use rodio::cpal::{
    self, Data, Device, Error, ErrorKind, FromSample, InputCallbackInfo, SampleFormat,
};

use super::HearingError;
use crate::alsa_messages;

/// Which microphone is listened to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct MicrophoneChoice {
    /// A part of its name, in any case; empty for the system's own choice.
    pub name: String,
}

/// A block of samples, channels interleaved.
pub(super) struct Block {
    /// The samples, -1 to 1.
    pub samples: Vec<f32>,
    /// When the first of them was heard.
    pub heard_at: Instant,
    /// How often samples were lost before it.
    pub losses: u64,
}

/// Where a microphone leaves its blocks, and where it takes empty ones from.
pub(super) struct BlockPorts {
    pub full: Sender<Block>,
    pub empty: Receiver<Vec<f32>>,
}

/// An open microphone.
pub(super) trait Microphone {
    /// Its name.
    fn name(&self) -> &str;
    /// Samples a second of each channel.
    fn rate_hz(&self) -> f64;
    /// Channels that are interleaved.
    fn channels(&self) -> usize;
    /// It stopped working and must be opened anew.
    fn is_lost(&self) -> bool;
}

/// Opens a microphone.
pub(super) type OpenMicrophone =
    Arc<dyn Fn(BlockPorts) -> Result<Box<dyn Microphone>, HearingError> + Send + Sync>;

struct DeviceMicrophone {
    // The stream ends with it.
    _stream: cpal::Stream,
    name: String,
    rate_hz: f64,
    channels: usize,
    faults: Arc<Faults>,
}

#[derive(Default)]
struct Faults {
    lost: AtomicBool,
    /// How often samples were lost: the system or this program did not take them in time.
    losses: AtomicU64,
}

/// Names of the microphones that are there.
pub(crate) fn microphones() -> Vec<String> {
    alsa_messages::collect();
    let mut names: Vec<String> = cpal::default_host()
        .input_devices()
        .map(|devices| devices.filter_map(|device| name_of(&device)).collect())
        .unwrap_or_default();
    names.sort();
    names.dedup();
    names
}

/// Opens the microphone of that choice each time it is called.
pub(super) fn opener(choice: MicrophoneChoice) -> OpenMicrophone {
    Arc::new(move |ports| open(&choice, ports))
}

fn open(choice: &MicrophoneChoice, ports: BlockPorts) -> Result<Box<dyn Microphone>, HearingError> {
    alsa_messages::collect();
    let none = || HearingError::NoMicrophone {
        name: choice.name.clone(),
    };
    let host = cpal::default_host();
    let device = if choice.name.is_empty() {
        host.default_input_device()
    } else {
        let wanted = choice.name.to_lowercase();
        let is_it = |device: &Device| {
            let id = device.id().map(|id| id.to_string()).unwrap_or_default();
            let name = name_of(device).unwrap_or_default();
            [id, name]
                .iter()
                .any(|n| n.to_lowercase().contains(&wanted))
        };
        host.input_devices()
            .ok()
            .and_then(|mut devices| devices.find(is_it))
    };
    let device = device.ok_or_else(none)?;
    let name = name_of(&device).unwrap_or_else(|| choice.name.clone());
    let cannot = |source| HearingError::Open {
        name: name.clone(),
        source,
    };
    let config = device
        .default_input_config()
        .map_err(|error| match error.kind() {
            // The system's own choice is there by name only where nothing is plugged in.
            ErrorKind::DeviceNotAvailable => none(),
            _ => cannot(error),
        })?;
    let (format, config) = (config.sample_format(), config.config());
    let (rate_hz, channels) = (f64::from(config.sample_rate), usize::from(config.channels));
    let faults = Arc::new(Faults::default());
    let read = reader(format).ok_or_else(|| HearingError::Format {
        name: name.clone(),
        format: format.to_string(),
    })?;
    let (counted, noted) = (Arc::clone(&faults), Arc::clone(&faults));
    let stream = device
        .build_input_stream_raw(
            config,
            format,
            move |data: &Data, info: &InputCallbackInfo| {
                let mut samples = ports.empty.try_recv().unwrap_or_default();
                samples.clear();
                read(data, &mut samples);
                let lasts = samples.len() as f64 / channels.max(1) as f64 / rate_hz;
                let stamps = info.timestamp();
                // Some backends do not tell how long samples have waited: at least as long as they last.
                let waited = stamps
                    .callback
                    .saturating_duration_since(stamps.capture)
                    .max(Duration::from_secs_f64(lasts));
                let now = Instant::now();
                let heard_at = now.checked_sub(waited).unwrap_or(now);
                let block = Block {
                    samples,
                    heard_at,
                    losses: counted.losses.load(Ordering::Relaxed),
                };
                if ports.full.try_send(block).is_err() {
                    counted.losses.fetch_add(1, Ordering::Relaxed);
                }
            },
            move |error: Error| noted.note(&error),
            None,
        )
        .map_err(cannot)?;
    stream.play().map_err(cannot)?;
    Ok(Box::new(DeviceMicrophone {
        _stream: stream,
        name,
        rate_hz,
        channels,
        faults,
    }))
}

fn name_of(device: &Device) -> Option<String> {
    let description = device.description().ok()?;
    Some(description.name().to_owned())
}

/// Reads samples of a kind; `None` for kinds that no sound card gives.
fn reader(format: SampleFormat) -> Option<fn(&Data, &mut Vec<f32>)> {
    fn read<T: cpal::SizedSample>(data: &Data, into: &mut Vec<f32>)
    where
        f32: FromSample<T>,
    {
        if let Some(samples) = data.as_slice::<T>() {
            into.extend(samples.iter().map(|s| f32::from_sample_(*s)));
        }
    }
    Some(match format {
        SampleFormat::F32 => read::<f32>,
        SampleFormat::F64 => read::<f64>,
        SampleFormat::I8 => read::<i8>,
        SampleFormat::I16 => read::<i16>,
        SampleFormat::I24 => read::<cpal::I24>,
        SampleFormat::I32 => read::<i32>,
        SampleFormat::U8 => read::<u8>,
        SampleFormat::U16 => read::<u16>,
        _ => return None,
    })
}

impl Faults {
    /// The library may call this without pause.
    fn note(&self, error: &Error) {
        match error.kind() {
            ErrorKind::Xrun => {
                self.losses.fetch_add(1, Ordering::Relaxed);
            }
            // The stream goes on by itself after these.
            ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => {}
            _ => self.lost.store(true, Ordering::Relaxed),
        }
    }
}

impl Microphone for DeviceMicrophone {
    fn name(&self) -> &str {
        &self.name
    }

    fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    fn channels(&self) -> usize {
        self.channels
    }

    fn is_lost(&self) -> bool {
        self.faults.lost.load(Ordering::Relaxed)
    }
}
