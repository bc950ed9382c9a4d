//! Turns a FLAC or WAV file into samples that can follow a tone: one channel, trimmed, leveled.
//!
//! Bytes in, samples at [`SAMPLE_RATE_HZ`] out; runs once at start, on the caller's thread. Built-in
//! phrases (FLAC) and a coach's own recordings (either) go the same way, so that both are equally loud.

use std::io::Cursor;
use std::num::NonZero;
use std::path::Path;
use std::time::Duration;

use rodio::conversions::SampleRateConverter;
use rodio::{Decoder, Source};

use crate::sound::synth::{level, raised_cosine};
use crate::sound::{SAMPLE_RATE_HZ, SoundError, samples_in};

/// Quieter than this share of the loudest sample counts as silence at either end (-46 dB).
const SILENCE: f32 = 0.005;
/// Kept before the first and after the last audible sample, and faded.
const FADE_IN: Duration = Duration::from_millis(4);
const FADE_OUT: Duration = Duration::from_millis(20);

/// Decodes `bytes`; `path` is for error messages only.
///
/// # Errors
/// [`SoundError::DecodeSound`] where it is neither a FLAC nor a WAV file, [`SoundError::SilentSound`]
/// where nothing is to be heard.
pub(super) fn decode(bytes: Vec<u8>, path: &Path) -> Result<Vec<f32>, SoundError> {
    let decoder = Decoder::new(Cursor::new(bytes)).map_err(|source| SoundError::DecodeSound {
        path: path.into(),
        source,
    })?;
    let channels = usize::from(decoder.channels().get());
    let rate = decoder.sample_rate();
    let interleaved: Vec<f32> = decoder.collect();
    let one_channel = interleaved
        .chunks_exact(channels)
        .map(|frame| frame.iter().sum::<f32>() / channels as f32);
    let target = NonZero::new(SAMPLE_RATE_HZ).unwrap_or(rate);
    let converted: Vec<f32> =
        SampleRateConverter::new(one_channel, rate, target, NonZero::<u16>::MIN).collect();

    let mut samples =
        trim(&converted).ok_or_else(|| SoundError::SilentSound { path: path.into() })?;
    level(&mut samples)?;
    Ok(samples)
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
