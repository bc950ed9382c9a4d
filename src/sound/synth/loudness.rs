//! Brings all sounds to one loudness, so that no cue startles and none is missed.
//!
//! The measure is the loudest momentary loudness of EBU R128 (EBU Tech 3341: K-weighted, 400 ms
//! window); the whole-program value of the same standard needs sounds far longer than a cue.

use ebur128::{EbuR128, Mode};

use crate::sound::{SAMPLE_RATE_HZ, SoundError};

/// The level of every tone and every phrase: as loud as speech gets at this peak without compression.
/// How loud the cage is then is up to the amplifier and the volume setting.
pub(in crate::sound) const TARGET_LUFS: f64 = -15.0;

/// No sample may be larger than this, about -1.4 dB below full scale, so that converting the rate
/// for a device cannot push a peak over the top.
pub(in crate::sound) const MAX_SAMPLE: f32 = 0.85;

/// A window this long is what "momentary" means in the standard.
const WINDOW_MILLIS: u32 = 400;
/// How far the window moves between two readings.
const STEP_MILLIS: u32 = 10;

/// Loudest momentary loudness of `samples` (one channel at [`SAMPLE_RATE_HZ`]) in LUFS, as if
/// silence came before and after them; minus infinity for silence.
pub(in crate::sound) fn loudest_momentary(samples: &[f32]) -> Result<f64, SoundError> {
    let mut meter = EbuR128::new(1, SAMPLE_RATE_HZ, Mode::M)?;
    let window = vec![0.0_f32; (SAMPLE_RATE_HZ * WINDOW_MILLIS / 1000) as usize];
    meter.add_frames_f32(&window)?;
    let mut loudest = f64::NEG_INFINITY;
    let step = (SAMPLE_RATE_HZ * STEP_MILLIS / 1000) as usize;
    for piece in samples.chunks(step).chain(window.chunks(step)) {
        meter.add_frames_f32(piece)?;
        loudest = loudest.max(meter.loudness_momentary()?);
    }
    Ok(loudest)
}

/// Scales `samples` to [`TARGET_LUFS`], or as near below it as [`MAX_SAMPLE`] lets it come.
///
/// # Errors
/// Only where the meter itself fails. Silence is left alone.
pub(in crate::sound) fn level(samples: &mut [f32]) -> Result<(), SoundError> {
    let loudness = loudest_momentary(samples)?;
    let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
    if !loudness.is_finite() || peak == 0.0 {
        return Ok(());
    }
    let wanted = 10_f64.powf((TARGET_LUFS - loudness) / 20.0) as f32;
    let gain = wanted.min(MAX_SAMPLE / peak);
    samples.iter_mut().for_each(|s| *s *= gain);
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::f32::consts::TAU;

    use super::*;

    fn sine(pitch_hz: f32, amplitude: f32, secs: f32) -> Vec<f32> {
        let rate = SAMPLE_RATE_HZ as f32;
        (0..(secs * rate) as usize)
            .map(|i| amplitude * (i as f32 * pitch_hz * TAU / rate).sin())
            .collect()
    }

    /// ITU-R BS.1770: a 997 Hz sine at full scale in one channel reads -3.01 LKFS.
    #[test]
    fn a_full_scale_sine_reads_as_the_standard_says() {
        let loudness = loudest_momentary(&sine(997.0, 1.0, 1.0)).expect("a reading");
        assert!((loudness + 3.01).abs() < 0.05, "{loudness}");
    }

    #[test]
    fn leveling_meets_the_target_or_stops_at_the_peak() {
        let mut long = sine(997.0, 0.01, 1.0);
        level(&mut long).expect("a level");
        assert!((loudest_momentary(&long).expect("a reading") - TARGET_LUFS).abs() < 0.1);
        let mut click = sine(997.0, 0.01, 0.005);
        level(&mut click).expect("a level");
        let peak = click.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
        assert!(
            (peak - MAX_SAMPLE).abs() < 1e-4,
            "too short to be as loud: {peak}"
        );
    }

    #[test]
    fn silence_stays_silent() {
        let mut silence = vec![0.0; 1000];
        level(&mut silence).expect("no error");
        assert!(silence.iter().all(|s| *s == 0.0));
    }
}
