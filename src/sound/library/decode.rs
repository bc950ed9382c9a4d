//! Turns a FLAC or WAV file into samples that can follow a tone: one channel, trimmed, leveled.
//!
//! Bytes in, samples at [`SAMPLE_RATE_HZ`] out; runs once at start, on the caller's thread. Built-in
//! phrases (FLAC) and a coach's own recordings (either) go the same way, so that both are equally loud.

use std::io::Cursor;
use std::num::NonZero;
use std::ops::RangeInclusive;
use std::path::Path;
use std::time::Duration;

use rodio::conversions::SampleRateConverter;
use rodio::decoder::DecoderError;
use rodio::{Decoder, Source};

use crate::sound::synth::{level, raised_cosine};
use crate::sound::{MAX_PART, SAMPLE_RATE_HZ, SoundError, samples_in};

/// A file of two megabytes may hold hours of nothing: what is longer than this with its silence is not decoded to its end.
const MOST_DECODED: Duration = Duration::from_secs(30);
/// Rates that recorders have.
const RATES_HZ: RangeInclusive<u32> = 8_000..=192_000;
const MOST_CHANNELS: usize = 8;

/// Quieter than this share of the loudest sample counts as silence at either end (-46 dB).
const SILENCE: f32 = 0.005;
/// Kept before the first and after the last audible sample, and faded.
const FADE_IN: Duration = Duration::from_millis(4);
const FADE_OUT: Duration = Duration::from_millis(20);

/// Decodes `bytes`; `path` is for error messages only.
///
/// # Errors
/// [`SoundError::DecodeSound`] where it is neither a FLAC nor a WAV file of a usual rate, [`SoundError::SilentSound`]
/// where nothing is to be heard, [`SoundError::LongSound`] beyond [`MOST_DECODED`].
pub(super) fn decode(bytes: Vec<u8>, path: &Path) -> Result<Vec<f32>, SoundError> {
    let decoder = Decoder::new(Cursor::new(bytes)).map_err(|source| SoundError::DecodeSound {
        path: path.into(),
        source,
    })?;
    let channels = usize::from(decoder.channels().get());
    let rate = decoder.sample_rate();
    if !can_convert(rate.get()) || channels > MOST_CHANNELS {
        return Err(SoundError::DecodeSound {
            path: path.into(),
            source: DecoderError::UnrecognizedFormat,
        });
    }
    let most = rate.get() as usize * channels * MOST_DECODED.as_secs() as usize;
    let interleaved: Vec<f32> = decoder.take(most + 1).collect();
    if interleaved.len() > most {
        return Err(SoundError::LongSound {
            path: path.into(),
            millis: MOST_DECODED.as_millis(),
            most_millis: MAX_PART.as_millis(),
        });
    }
    let one_channel = interleaved.chunks_exact(channels).map(|frame| {
        // A file of floats may hold what is no number.
        let sum: f32 = frame.iter().filter(|sample| sample.is_finite()).sum();
        sum / channels as f32
    });
    let target = NonZero::new(SAMPLE_RATE_HZ).unwrap_or(rate);
    let converted: Vec<f32> =
        SampleRateConverter::new(one_channel, rate, target, NonZero::<u16>::MIN).collect();

    let mut samples =
        trim(&converted).ok_or_else(|| SoundError::SilentSound { path: path.into() })?;
    level(&mut samples)?;
    Ok(samples)
}

/// Whether the converter takes this rate: it counts in 32 bits.
fn can_convert(rate_hz: u32) -> bool {
    let (mut a, mut b) = (rate_hz, SAMPLE_RATE_HZ);
    while b > 0 {
        (a, b) = (b, a % b);
    }
    let steps = u64::from(rate_hz / a.max(1)) * u64::from(SAMPLE_RATE_HZ / a.max(1));
    RATES_HZ.contains(&rate_hz) && steps <= u64::from(u32::MAX)
}

/// `samples` without the silence at its ends, faded in and out; `None` where all of it is silence.
fn trim(samples: &[f32]) -> Option<Vec<f32>> {
    /// Half a step of a 16-bit sample; what never rises above it is silence, not quiet speech.
    const NOTHING: f32 = 0.5 / 32768.0;
    let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
    if peak <= NOTHING {
        return None;
    }
    let audible = |s: &f32| s.abs() > peak * SILENCE;
    let first = samples
        .iter()
        .position(audible)?
        .saturating_sub(samples_in(FADE_IN));
    let last = (samples.iter().rposition(audible)? + 1 + samples_in(FADE_OUT)).min(samples.len());
    let mut kept = samples.get(first..last)?.to_vec();
    let (fade_in, fade_out) = (samples_in(FADE_IN) as f32, samples_in(FADE_OUT) as f32);
    kept.iter_mut()
        .enumerate()
        .for_each(|(i, s)| *s *= raised_cosine(i as f32 / fade_in));
    kept.iter_mut()
        .rev()
        .enumerate()
        .for_each(|(i, s)| *s *= raised_cosine(i as f32 / fade_out));
    Some(kept)
}
