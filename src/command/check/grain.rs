//! How grainy are the pictures? A camera that amplifies much has no light to spare, and then exposes as long as it can. Pure.

use crate::capture::Frame;

/// Every so many pixels one is looked at: a prime, so that no pattern of columns is all that is seen.
const STEP: usize = 97;
/// The median of the difference of two equal normal distributions, in their standard deviation: 0.6745 times the root of 2.
const MEDIAN_OF_DIFFERENCE: f64 = 0.9539;

/// Compares each picture with the one before. What moves is a small part of a picture, so the median is the noise.
pub(super) struct Grain {
    last: Vec<u8>,
    /// How often the green of a pixel changed by so much.
    changes: [u64; 256],
}

impl Default for Grain {
    fn default() -> Self {
        Self {
            last: Vec::new(),
            changes: [0; 256],
        }
    }
}

impl Grain {
    pub(super) fn step(&mut self, frame: &Frame) {
        let now: Vec<u8> = frame
            .rgb
            .iter()
            .skip(1)
            .step_by(3 * STEP)
            .copied()
            .collect();
        if now.len() == self.last.len() {
            for (now, before) in now.iter().zip(&self.last) {
                self.changes[usize::from(now.abs_diff(*before))] += 1;
            }
        }
        self.last = now;
    }

    /// Standard deviation of a still pixel, of 255; `None` before there are two pictures.
    pub(super) fn noise(&self) -> Option<f64> {
        let all: u64 = self.changes.iter().sum();
        let half = all as f64 / 2.0;
        let mut below = 0.0;
        for (change, count) in self.changes.iter().enumerate() {
            let count = *count as f64;
            if count > 0.0 && below + count >= half {
                // A change of n is one of n - 0.5 to n + 0.5 that was rounded; of 0 to 0.5 where n is 0.
                let (from, width) = match change {
                    0 => (0.0, 0.5),
                    _ => (change as f64 - 0.5, 1.0),
                };
                let median = from + width * (half - below) / count;
                return Some(median / MEDIAN_OF_DIFFERENCE);
            }
            below += count;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise that is normal enough, the sum of twelve even draws less six (the central limit theorem), always the same.
    fn pictures(sd: f64, count: usize) -> Vec<Frame> {
        let mut state = 12_345u64;
        let mut draw = move || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1u32 << 24)
        };
        (0..count)
            .map(|_| {
                let mut frame = Frame::default();
                for (at, byte) in frame.resized(640, 480).iter_mut().enumerate() {
                    // A still scene with dark and bright parts beneath it.
                    let scene = 60.0 + (at / 3 % 640) as f64 / 8.0;
                    let normal: f64 = (0..12).map(|_| draw()).sum::<f64>() - 6.0;
                    *byte = (scene + sd * normal).round() as u8;
                }
                frame
            })
            .collect()
    }

    #[test]
    fn the_noise_of_a_still_scene_is_found() {
        for sd in [1.0, 3.0, 6.0] {
            let mut grain = Grain::default();
            assert_eq!(grain.noise(), None);
            for frame in pictures(sd, 4) {
                grain.step(&frame);
            }
            let found = grain.noise().unwrap();
            assert!((found - sd).abs() < 0.1 * sd, "{found:.2}, {sd} wanted");
        }
    }

    #[test]
    fn somebody_who_moves_is_no_noise() {
        let mut grain = Grain::default();
        for (at, mut frame) in pictures(2.0, 6).into_iter().enumerate() {
            // A fifth of the picture's width, brighter, farther on in each picture.
            let width = frame.width;
            for (pixel, rgb) in frame.rgb.chunks_exact_mut(3).enumerate() {
                if (40 * at..40 * at + 128).contains(&(pixel % width)) {
                    rgb.fill(220);
                }
            }
            grain.step(&frame);
        }
        let found = grain.noise().unwrap();
        assert!((1.2..3.0).contains(&found), "{found}");
    }
}
