//! A WAV file in a microphone's place.

use std::path::Path;

use hound::{SampleFormat, WavReader};

use super::onset::OnsetDetector;
use super::{HearingError, Piece};

/// How long a piece is, seconds.
const PIECE_SECS: f64 = 0.1;

/// What is heard in a WAV file, whole; seconds count from its first sample.
///
/// # Errors
/// Where it is no WAV of whole or floating-point samples, or cannot be read.
pub(crate) fn sounds_of_wav(path: &Path) -> Result<Vec<Piece<f64>>, HearingError> {
    let wrong = |source| HearingError::Wav {
        path: path.to_owned(),
        source,
    };
    let mut reader = WavReader::open(path).map_err(wrong)?;
    let spec = reader.spec();
    let full = f64::from(2.0_f32.powi(i32::from(spec.bits_per_sample) - 1));
    let samples: Result<Vec<f32>, hound::Error> = match spec.sample_format {
        SampleFormat::Float => reader.samples::<f32>().collect(),
        SampleFormat::Int => reader
            .samples::<i32>()
            .map(|sample| sample.map(|s| (f64::from(s) / full) as f32))
            .collect(),
    };
    let samples = samples.map_err(wrong)?;
    let (rate, channels) = (f64::from(spec.sample_rate), usize::from(spec.channels));
    let mut detector = OnsetDetector::new(rate, channels);
    let piece = (PIECE_SECS * rate) as usize;
    let mut pieces = Vec::new();
    // Silence behind the end brings out what began shortly before it.
    let rest = vec![0.0; piece * channels];
    for block in samples.chunks(piece.max(1) * channels).chain([&rest[..]]) {
        let from = detector.frames() as f64 / rate;
        let onsets = detector.push(block);
        pieces.push(Piece {
            from,
            to: detector.frames() as f64 / rate,
            room_db: detector.take_loudness().room_db(),
            onsets: onsets
                .into_iter()
                .map(|onset| (onset.frame / rate, onset))
                .collect(),
        });
    }
    pieces.pop();
    Ok(pieces)
}
