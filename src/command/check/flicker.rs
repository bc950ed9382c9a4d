//! Do the lamps flicker with the mains? Told from the brightness of a few seconds of pictures. Pure.
//!
//! Lamps on an alternating current glow twice a period: at 100 Hz on mains of 50 Hz, at 120 Hz on 60 Hz. Pictures come too
//! seldom to show that as it is, but their times are known, so its strength can be computed at just these two frequencies.
//! Where the rate of the pictures divides the flicker's (60 a second under 120 Hz), each picture meets the same moment
//! of it: it can neither be found nor does it do harm.

use std::f64::consts::TAU;

use crate::capture::Frame;

/// Part of the height that is looked at: a sensor reads its rows one after the other, and over the whole picture the
/// bright and dark bands would cancel out.
const STRIP: f64 = 0.1;
/// Swing of the brightness, as a share of it, from which it is called flicker.
const LEAST_DEPTH: f64 = 0.015;
/// It must be so much stronger than what moves beside its frequency.
const OVER_THE_REST: f64 = 4.0;
/// Closer to a steady light, in Hz, it cannot be told from movement.
const LEAST_HZ: f64 = 1.5;
const LEAST_SAMPLES: usize = 60;

/// Lamps that flicker.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Flicker {
    /// Of the mains, Hz.
    pub mains_hz: u32,
    /// How far the brightness swings to either side, percent of its mean.
    pub depth_pct: f64,
}

/// Brightness of a strip across the middle of the picture, 0 to 255.
pub(super) fn strip_brightness(frame: &Frame) -> f64 {
    let row = 3 * frame.width;
    let rows = ((frame.height as f64 * STRIP) as usize).max(1);
    let from = frame.height.saturating_sub(rows) / 2 * row;
    let strip = frame.rgb.get(from..from + rows * row).unwrap_or_default();
    let sample = strip.iter().step_by(31);
    let count = sample.len().max(1) as f64;
    sample.map(|byte| f64::from(*byte)).sum::<f64>() / count
}

/// The flicker in brightnesses with their times in seconds, in order.
pub(super) fn flicker(samples: &[(f64, f64)]) -> Option<Flicker> {
    let (first, last) = (samples.first()?.0, samples.last()?.0);
    if samples.len() < LEAST_SAMPLES || last <= first {
        return None;
    }
    let fps = (samples.len() - 1) as f64 / (last - first);
    let found = [50, 60].into_iter().filter_map(|mains_hz| {
        let hz = 2.0 * f64::from(mains_hz);
        let seen_at = (hz - (hz / fps).round() * fps).abs();
        if seen_at < LEAST_HZ {
            return None;
        }
        let depth = depth_at(samples, hz);
        // Movement has much of its own near a steady light; these stay clear of the flicker itself.
        let mut beside: Vec<f64> = [-5.0, -4.0, -3.0, -2.0, 2.0, 3.0, 4.0, 5.0]
            .map(|off| depth_at(samples, hz + off))
            .into();
        beside.sort_by(f64::total_cmp);
        let rest = beside[beside.len() / 2];
        (depth >= LEAST_DEPTH && depth >= OVER_THE_REST * rest).then_some(Flicker {
            mains_hz,
            depth_pct: 100.0 * depth,
        })
    });
    found.max_by(|a, b| a.depth_pct.total_cmp(&b.depth_pct))
}

/// Amplitude at a frequency as a share of the mean, through a Hann window.
fn depth_at(samples: &[(f64, f64)], hz: f64) -> f64 {
    let (first, last) = match (samples.first(), samples.last()) {
        (Some(first), Some(last)) => (first.0, last.0),
        _ => return 0.0,
    };
    let mean = samples.iter().map(|(_, value)| value).sum::<f64>() / samples.len() as f64;
    let (mut re, mut im, mut weights) = (0.0, 0.0, 0.0);
    for (at, value) in samples {
        let weight = 0.5 - 0.5 * (TAU * (at - first) / (last - first)).cos();
        let (sin, cos) = (TAU * hz * at).sin_cos();
        re += weight * (value - mean) * cos;
        im += weight * (value - mean) * sin;
        weights += weight;
    }
    2.0 * re.hypot(im) / weights.max(f64::MIN_POSITIVE) / mean.max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pictures of a lamp whose light is 1 + depth cos(2 pi hz t), each the integral over its exposure, which is exact:
    /// the swing is less by sin(x) / x with x = pi hz exposure.
    fn lamp(hz: f64, depth: f64, fps: f64, exposure_secs: f64) -> Vec<(f64, f64)> {
        let frames = (3.0 * fps) as usize;
        (0..frames)
            .map(|frame| {
                let from = frame as f64 / fps;
                let swing = (TAU * hz * (from + exposure_secs)).sin() - (TAU * hz * from).sin();
                let light = exposure_secs + depth * swing / (TAU * hz);
                // A little noise from picture to picture, always the same.
                let noise = ((frame * 7919) % 13) as f64 / 13.0 - 0.5;
                (from, 110.0 * light / exposure_secs + noise)
            })
            .collect()
    }

    #[test]
    fn flicker_is_found_with_its_mains_and_depth() {
        for (hz, mains_hz, fps) in [
            (100.0, 50, 60.0),
            (100.0, 50, 30.0),
            (100.0, 50, 59.94),
            (120.0, 60, 50.0),
            (120.0, 60, 25.0),
        ] {
            let found = flicker(&lamp(hz, 0.3, fps, 0.004)).unwrap();
            let x = std::f64::consts::PI * hz * 0.004;
            let depth_pct = 100.0 * 0.3 * x.sin() / x;
            assert_eq!(found.mains_hz, mains_hz, "{hz} Hz at {fps}");
            assert!(
                (found.depth_pct - depth_pct).abs() < 0.5,
                "{found:?}, {depth_pct:.1} expected"
            );
        }
    }

    #[test]
    fn what_does_not_flicker_in_the_pictures_is_not_found() {
        // A whole period of the light in each exposure, pictures in step with the lamp, a steady light.
        for (hz, depth, fps, exposure) in [
            (100.0, 0.3, 60.0, 0.010),
            (120.0, 0.3, 60.0, 0.004),
            (100.0, 0.3, 50.0, 0.004),
            (100.0, 0.0, 60.0, 0.004),
        ] {
            assert_eq!(
                flicker(&lamp(hz, depth, fps, exposure)),
                None,
                "{hz} Hz {fps}"
            );
        }
        assert_eq!(flicker(&[]), None);
    }

    #[test]
    fn somebody_who_walks_through_the_picture_is_no_flicker() {
        for fps in [25.0, 30.0, 60.0] {
            let walk: Vec<(f64, f64)> = (0..(3.0 * fps) as usize)
                .map(|frame| frame as f64 / fps)
                .map(|at| {
                    (
                        at,
                        if (1.0..1.8).contains(&at) {
                            80.0
                        } else {
                            120.0
                        },
                    )
                })
                .collect();
            assert_eq!(flicker(&walk), None, "{fps}");
        }
    }

    #[test]
    fn the_strip_lies_across_the_middle() {
        let mut frame = Frame::default();
        let (width, height) = (64, 40);
        let rgb = frame.resized(width, height);
        rgb.fill(10);
        rgb[18 * 3 * width..22 * 3 * width].fill(200);
        assert!((strip_brightness(&frame) - 200.0).abs() < 1e-9);
        assert!(strip_brightness(&Frame::default()).abs() < 1e-9);
    }
}
