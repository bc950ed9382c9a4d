//! Samples a rotated square of a frame as the input image of a network, red, green and blue of a pixel adjacent.

use super::roi::Roi;
use crate::capture::Frame;
use cagehand_networks::WorkerPool;
use std::sync::{Mutex, PoisonError};

/// What the image has outside the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Border {
    /// The nearest pixel of the frame.
    Repeat,
    /// Black.
    Black,
}

/// Fractional bits of the sampling position.
const FRACTION_BITS: u32 = 16;
/// Bits of the bilinear weights.
const WEIGHT_BITS: u32 = 8;
/// Pixels along the side of the tiles in which the image is sampled.
const TILE: usize = 32;
/// Bytes that memory delivers at once.
const CACHE_LINE: usize = 64;

/// Samples `roi` at `size` x `size` points into `pixels` (size x size x 3), each value `low + byte / 255 * (high - low)`.
///
/// Bilinear; the first point is the square's corner, as in the model's published pipeline. The pool shares the work.
///
/// # Panics
/// Where `pixels` or the frame's pixels have the wrong length.
pub(super) fn crop(
    frame: &Frame,
    roi: &Roi,
    size: usize,
    border: Border,
    (low, high): (f32, f32),
    pixels: &mut [f32],
    pool: &WorkerPool,
) {
    assert_eq!(pixels.len(), 3 * size * size, "pixels for {size}x{size}");
    assert_eq!(
        frame.rgb.len(),
        3 * frame.width * frame.height,
        "pixels of the frame"
    );
    if frame.width == 0 || frame.height == 0 {
        pixels.fill(low);
        return;
    }
    let unit = (high - low) / 255.0 / (1u32 << (2 * WEIGHT_BITS)) as f32;
    let sampler = Sampler { frame, border };
    let fixed = |v: f32| (f64::from(v) * f64::from(1u32 << FRACTION_BITS)) as i64;
    let step = 1.0 / size as f32;
    let origin = roi.image_from_roi(0.0, 0.0);
    let along = roi.image_from_roi(step, 0.0);
    let (dx, dy) = (fixed(along[0] - origin[0]), fixed(along[1] - origin[1]));
    let [right, bottom] =
        [frame.width, frame.height].map(|length| (length as i64 - 1) << FRACTION_BITS);
    let sample = |band: usize, pixels: &mut [f32]| {
        let starts: [_; TILE] = std::array::from_fn(|row| {
            let row = (band * TILE + row) as f32;
            roi.image_from_roi(0.0, row * step).map(fixed)
        });
        let starts = &starts[..pixels.len() / (3 * size)];
        for column in (0..size).step_by(TILE) {
            let columns = column..(column + TILE).min(size);
            let at =
                |[x, y]: [i64; 2], column: usize| [x + dx * column as i64, y + dy * column as i64];
            let ends = |start| [at(start, columns.start), at(start, columns.end - 1)];
            prefetch(frame, [ends(starts[0]), ends(starts[starts.len() - 1])]);
            for (start, pixels) in starts.iter().zip(pixels.chunks_exact_mut(3 * size)) {
                let pixels = pixels[3 * columns.start..3 * columns.end].chunks_exact_mut(3);
                let points = columns.clone().map(|column| at(*start, column));
                let inside = ends(*start)
                    .iter()
                    .all(|[x, y]| (0..right).contains(x) && (0..bottom).contains(y));
                // Most rows have all their pixels in the frame, which are quicker to read.
                if inside {
                    for (pixel, [x, y]) in pixels.zip(points) {
                        blend(sampler.inner(x, y), weights(x, y), low, unit, pixel);
                    }
                } else {
                    for (pixel, [x, y]) in pixels.zip(points) {
                        blend(sampler.any(x, y), weights(x, y), low, unit, pixel);
                    }
                }
            }
        }
    };
    let bands = Mutex::new(pixels.chunks_mut(3 * size * TILE).enumerate());
    let next = || bands.lock().unwrap_or_else(PoisonError::into_inner).next();
    pool.run(&|worker| {
        while worker.may_continue()
            && let Some((band, pixels)) = next()
        {
            sample(band, pixels);
        }
    });
}

/// Reads, in order, the part of the frame under a tile of points with these corners, to bring it into the first-level
/// cache. A frame that another core has just decoded is in none of this core's caches, and a rotated square reads it in an
/// order that the processor does not predict: without this each point waits for memory.
fn prefetch(frame: &Frame, corners: [[[i64; 2]; 2]; 2]) {
    let reach = |axis: usize, length: usize| {
        let [[a, b], [c, d]] = corners.map(|row| row.map(|corner| corner[axis]));
        let pixel = |v: i64| (v >> FRACTION_BITS).clamp(0, length as i64 - 1) as usize;
        // With the right and lower neighbor of each point.
        pixel(a.min(b).min(c).min(d))..(pixel(a.max(b).max(c).max(d)) + 2).min(length)
    };
    let (columns, rows) = (reach(0, frame.width), reach(1, frame.height));
    let mut sum = 0;
    for row in rows {
        let line = &frame.rgb[3 * row * frame.width..][3 * columns.start..3 * columns.end];
        sum += line
            .iter()
            .step_by(CACHE_LINE)
            .map(|byte| u32::from(*byte))
            .sum::<u32>();
        sum += line.last().map_or(0, |byte| u32::from(*byte));
    }
    // Without a use of the sum the compiler would drop the reads.
    std::hint::black_box(sum);
}

/// The weighted sum of four pixels, channel by channel.
#[inline(always)]
fn blend(four: [&[u8; 3]; 4], weights: [i32; 4], low: f32, unit: f32, pixel: &mut [f32]) {
    for (k, value) in pixel.iter_mut().enumerate() {
        // At most 255 times the sum of the weights, 65 536.
        let sum = (0..4)
            .map(|i| i32::from(four[i][k]) * weights[i])
            .sum::<i32>();
        *value = low + sum as f32 * unit;
    }
}

/// The bilinear weights of a position's four pixels, which add up to `1 << (2 * WEIGHT_BITS)`.
#[inline(always)]
fn weights(x: i64, y: i64) -> [i32; 4] {
    const ONE: i32 = 1 << WEIGHT_BITS;
    let part = |v: i64| (v >> (FRACTION_BITS - WEIGHT_BITS)) as i32 & (ONE - 1);
    let (fx, fy) = (part(x), part(y));
    [
        (ONE - fx) * (ONE - fy),
        fx * (ONE - fy),
        (ONE - fx) * fy,
        fx * fy,
    ]
}

struct Sampler<'a> {
    frame: &'a Frame,
    border: Border,
}

impl Sampler<'_> {
    /// The four pixels around a position whose right and lower neighbors are in the frame too: the upper two from left to
    /// right, then the lower two.
    #[inline(always)]
    fn inner(&self, x: i64, y: i64) -> [&[u8; 3]; 4] {
        let width = self.frame.width;
        let at = (y >> FRACTION_BITS) as usize * width + (x >> FRACTION_BITS) as usize;
        let pixels = self.frame.rgb.as_chunks().0;
        let (upper, lower) = (&pixels[at..at + 2], &pixels[at + width..at + width + 2]);
        [&upper[0], &upper[1], &lower[0], &lower[1]]
    }

    /// The same for any position.
    #[inline]
    fn any(&self, x: i64, y: i64) -> [&[u8; 3]; 4] {
        let (px, py) = (x >> FRACTION_BITS, y >> FRACTION_BITS);
        [
            self.pixel(px, py),
            self.pixel(px + 1, py),
            self.pixel(px, py + 1),
            self.pixel(px + 1, py + 1),
        ]
    }

    fn pixel(&self, x: i64, y: i64) -> &[u8; 3] {
        let (w, h) = (self.frame.width as i64, self.frame.height as i64);
        if self.border == Border::Black && !((0..w).contains(&x) && (0..h).contains(&y)) {
            return &[0; 3];
        }
        let (x, y) = (x.clamp(0, w - 1) as usize, y.clamp(0, h - 1) as usize);
        &self.frame.rgb.as_chunks().0[y * self.frame.width + x]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use cagehand_networks::CoreBudget;

    /// Samples with one thread, then with three.
    fn sample(
        frame: &Frame,
        roi: &Roi,
        size: usize,
        border: Border,
        range: (f32, f32),
        pixels: &mut [f32],
    ) {
        crop(
            frame,
            roi,
            size,
            border,
            range,
            pixels,
            &WorkerPool::new(1, &CoreBudget::unlimited()),
        );
        let mut together = vec![f32::NAN; pixels.len()];
        crop(
            frame,
            roi,
            size,
            border,
            range,
            &mut together,
            &WorkerPool::new(3, &CoreBudget::unlimited()),
        );
        assert_eq!(*pixels, together);
    }

    fn frame() -> Frame {
        let (width, height) = (8, 6);
        let rgb = (0..height)
            .flat_map(|y| (0..width).flat_map(move |x| [10 * x as u8, 20 * y as u8, 7]))
            .collect();
        Frame {
            width,
            height,
            rgb,
            ..Frame::default()
        }
    }

    #[test]
    fn an_upright_square_of_its_own_size_copies_the_pixels() {
        let roi = Roi {
            center_x_px: 4.0,
            center_y_px: 3.0,
            side_px: 4.0,
            rotation_rad: 0.0,
        };
        let mut pixels = vec![0.0; 3 * 16];
        sample(&frame(), &roi, 4, Border::Repeat, (0.0, 255.0), &mut pixels);
        for row in 0..4 {
            for column in 0..4 {
                assert_eq!(pixels[3 * (row * 4 + column)], 10.0 * (2 + column) as f32);
                assert_eq!(pixels[3 * (row * 4 + column) + 1], 20.0 * (1 + row) as f32);
                assert_eq!(pixels[3 * (row * 4 + column) + 2], 7.0);
            }
        }
    }

    #[test]
    fn halfway_positions_blend_and_the_outside_follows_the_border() {
        let roi = Roi {
            center_x_px: 0.5,
            center_y_px: 2.0,
            side_px: 2.0,
            rotation_rad: 0.0,
        };
        let mut pixels = vec![0.0; 3 * 4];
        sample(&frame(), &roi, 2, Border::Repeat, (0.0, 255.0), &mut pixels);
        assert_eq!([pixels[0], pixels[3]], [0.0, 5.0]);
        sample(&frame(), &roi, 2, Border::Black, (-1.0, 1.0), &mut pixels);
        assert!(
            (pixels[0] + 1.0).abs() < 1e-6,
            "half black, half zero red: {}",
            pixels[0]
        );
    }

    #[test]
    fn a_turned_square_over_the_edges_is_sampled_alike_within_and_beyond() {
        let frame = frame();
        let roi = Roi {
            center_x_px: 6.5,
            center_y_px: 1.5,
            side_px: 9.0,
            rotation_rad: 0.7,
        };
        let mut pixels = vec![f32::NAN; 3 * 72 * 72];
        sample(&frame, &roi, 72, Border::Repeat, (0.0, 255.0), &mut pixels);
        for (nth, found) in pixels.chunks_exact(3).enumerate() {
            let [x, y] = roi.image_from_roi((nth % 72) as f32 / 72.0, (nth / 72) as f32 / 72.0);
            // The frame is a ramp, so the expected value is the ramp at the nearest position in the frame.
            let expected = [10.0 * x.clamp(0.0, 7.0), 20.0 * y.clamp(0.0, 5.0), 7.0];
            for (found, expected) in found.iter().zip(expected) {
                assert!(
                    (found - expected).abs() < 0.1,
                    "{x} {y}: {found}, not {expected}"
                );
            }
        }
    }

    #[test]
    fn a_square_far_outside_is_sampled_without_fault() {
        let roi = Roi {
            center_x_px: -900.0,
            center_y_px: 1e6,
            side_px: 50.0,
            rotation_rad: 2.0,
        };
        let mut pixels = vec![0.0; 3 * 9];
        sample(&frame(), &roi, 3, Border::Repeat, (0.0, 1.0), &mut pixels);
        assert!(pixels.iter().all(|v| (0.0..=1.0).contains(v)));
        let nowhere = Roi {
            center_x_px: f32::NAN,
            ..roi
        };
        sample(
            &frame(),
            &nowhere,
            3,
            Border::Repeat,
            (0.0, 1.0),
            &mut pixels,
        );
        assert!(pixels.iter().all(|v| (0.0..=1.0).contains(v)));
    }
}
