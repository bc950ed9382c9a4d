//! Encodes frames as JPEG, scaled down to a size limit.
//!
//! In: a frame. Out: JPEG bytes, 4:2:0. Buffers are kept from one frame to the next. Pure; runs on the caller's thread.

use jpeg_encoder::{ColorType, Encoder, EncodingError, SamplingFactor};

use crate::capture::Frame;
use crate::cores;

/// The largest picture to make, pixels; a larger frame is scaled down and keeps its aspect ratio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SizeLimit {
    /// Pixels across.
    pub(crate) width: usize,
    /// Pixels down.
    pub(crate) height: usize,
}

impl SizeLimit {
    /// The largest size that JPEG can express.
    pub const ANY: Self = Self {
        width: u16::MAX as usize,
        height: u16::MAX as usize,
    };

    /// Pictures of films have at most 720 lines.
    pub(super) const IN_FILMS: Self = Self {
        width: u16::MAX as usize,
        height: 720,
    };
}

/// Of 100: faces and hands stay clear, and a picture takes less than a tenth of the camera's own bytes.
const QUALITY: u8 = 75;

/// Scales pictures down and encodes them as JPEG.
#[derive(Debug)]
pub struct JpegEncoder {
    largest: SizeLimit,
    smaller: Vec<u8>,
    across: Vec<(usize, u32)>,
}

/// An encoded picture.
#[derive(Debug)]
pub struct Jpeg {
    /// Pixels across.
    pub(crate) width: u16,
    /// Pixels down.
    pub(crate) height: u16,
    /// A whole JPEG file.
    pub bytes: Vec<u8>,
}

impl JpegEncoder {
    /// An encoder of pictures that are no larger than the limit.
    pub fn new(largest: SizeLimit) -> Self {
        Self {
            largest,
            smaller: Vec::new(),
            across: Vec::new(),
        }
    }

    /// Encodes a frame; `None` where it has no pixels or more than JPEG can express.
    pub fn encode(&mut self, frame: &Frame) -> Option<Result<Jpeg, EncodingError>> {
        let (width, height) = fitting(frame.width, frame.height, self.largest);
        let pixels = frame.width * frame.height;
        let (wide, high) = (u16::try_from(width).ok()?, u16::try_from(height).ok()?);
        if pixels == 0 || wide == 0 || high == 0 || frame.rgb.len() != 3 * pixels {
            return None;
        }
        let _urgent = cores::BUDGET.begin_urgent();
        let rgb = if (width, height) == (frame.width, frame.height) {
            &frame.rgb
        } else {
            self.shrink(frame, width, height);
            &self.smaller
        };
        let mut bytes = Vec::with_capacity(rgb.len() / 16);
        let mut encoder = Encoder::new(&mut bytes, QUALITY);
        encoder.set_sampling_factor(SamplingFactor::R_4_2_0);
        let encoded = encoder.encode(rgb, wide, high, ColorType::Rgb);
        Some(encoded.map(|()| Jpeg {
            width: wide,
            height: high,
            bytes,
        }))
    }

    /// Each pixel of the smaller picture is the mean of those that it covers, weighted by how much of each.
    fn shrink(&mut self, frame: &Frame, width: usize, height: usize) {
        self.smaller.clear();
        self.smaller.resize(3 * width * height, 0);
        weights(frame.width, width, &mut self.across);
        let mut down = Vec::new();
        weights(frame.height, height, &mut down);
        let across_each = self.across.len() / width;
        let down_each = down.len() / height;
        let mut row = vec![0u32; 3 * frame.width];
        for (out, lines) in self
            .smaller
            .chunks_exact_mut(3 * width)
            .zip(down.chunks_exact(down_each))
        {
            row.fill(0);
            for &(line, weight) in lines.iter().filter(|(_, weight)| *weight > 0) {
                let from = &frame.rgb[3 * line * frame.width..3 * (line + 1) * frame.width];
                for (sum, value) in row.iter_mut().zip(from) {
                    *sum += weight * u32::from(*value);
                }
            }
            for (pixel, parts) in out
                .chunks_exact_mut(3)
                .zip(self.across.chunks_exact(across_each))
            {
                let mut sums = [1u32 << (2 * SHIFT - 1); 3];
                for &(column, weight) in parts {
                    for (sum, value) in sums.iter_mut().zip(&row[3 * column..3 * column + 3]) {
                        *sum += weight * value;
                    }
                }
                for (value, sum) in pixel.iter_mut().zip(sums) {
                    *value = (sum >> (2 * SHIFT)).min(255) as u8;
                }
            }
        }
    }
}

/// Weights of one direction add up to this power of two: twice this and a byte stay within 32 bits.
const SHIFT: u32 = 11;

/// For each of `to` pixels, the pixels of `from` that it covers with their weights; the same number of entries for each.
fn weights(from: usize, to: usize, out: &mut Vec<(usize, u32)>) {
    out.clear();
    let each = from.div_ceil(to) + 1;
    let step = from as f64 / to as f64;
    for place in 0..to {
        let (begin, end) = (place as f64 * step, (place + 1) as f64 * step);
        let first = begin as usize;
        let mut left = 1u32 << SHIFT;
        for part in 0..each {
            let at = first + part;
            let covered = (end.min((at + 1) as f64) - begin.max(at as f64)).max(0.0);
            let weight = (covered / step * f64::from(1u32 << SHIFT)).round() as u32;
            // What rounding leaves over goes to the last, so that the sum is exact.
            let weight = match part + 1 == each || end <= (at + 1) as f64 {
                true => left,
                false => weight.min(left),
            };
            left -= weight;
            out.push((at.min(from - 1), weight));
        }
    }
}

/// The size of the encoded picture: the frame's own, or smaller with the same aspect ratio.
fn fitting(width: usize, height: usize, largest: SizeLimit) -> (usize, usize) {
    // The length of a side when the other side is scaled from `from` to `to`.
    let beside = |side: usize, from: usize, to: usize| ((side * to + from / 2) / from).max(1);
    if width <= largest.width && height <= largest.height {
        (width, height)
    } else if height * largest.width >= width * largest.height {
        (beside(width, height, largest.height), largest.height)
    } else {
        (largest.width, beside(height, width, largest.width))
    }
}

#[cfg(test)]
mod tests {
    use zune_jpeg::JpegDecoder;
    use zune_jpeg::zune_core::bytestream::ZCursor;

    use super::*;

    /// A frame whose pixels are told by place.
    fn frame(width: usize, height: usize, pixel: impl Fn(usize, usize) -> [u8; 3]) -> Frame {
        let mut frame = Frame::default();
        let rgb = frame.resized(width, height);
        for (place, out) in rgb.chunks_exact_mut(3).enumerate() {
            out.copy_from_slice(&pixel(place % width, place / width));
        }
        frame
    }

    fn decoded(packed: &Jpeg) -> Vec<u8> {
        let mut decoder = JpegDecoder::new(ZCursor::new(packed.bytes.as_slice()));
        let rgb = decoder.decode().unwrap();
        let size = decoder.dimensions().unwrap();
        assert_eq!(size, (packed.width.into(), packed.height.into()));
        rgb
    }

    #[test]
    fn a_picture_is_seen_again_by_another_decoder() {
        let frame = frame(320, 240, |x, y| [(x / 2) as u8, y as u8, 90]);
        let packed = JpegEncoder::new(SizeLimit::IN_FILMS)
            .encode(&frame)
            .unwrap()
            .unwrap();
        let rgb = decoded(&packed);
        let worst = rgb
            .iter()
            .zip(&frame.rgb)
            .map(|(a, b)| a.abs_diff(*b))
            .max();
        assert!(worst.unwrap() < 24, "{worst:?}");
    }

    #[test]
    fn a_large_picture_is_made_smaller_in_its_shape_and_keeps_its_light() {
        // A ramp stays a ramp, and a fine pattern turns into its mean.
        let frame = frame(1920, 1080, |x, y| {
            [
                (x * 255 / 1919) as u8,
                if (x + y) % 2 == 0 { 0 } else { 200 },
                255,
            ]
        });
        let mut encoder = JpegEncoder::new(SizeLimit::IN_FILMS);
        let packed = encoder.encode(&frame).unwrap().unwrap();
        assert_eq!((packed.width, packed.height), (1280, 720));
        for (place, pixel) in encoder.smaller.chunks_exact(3).enumerate() {
            let ramp = ((place % 1280) as f64 + 0.5) * 255.0 / 1280.0;
            assert!(
                (f64::from(pixel[0]) - ramp).abs() < 2.0,
                "{place} {pixel:?}"
            );
            assert!((78..=122).contains(&pixel[1]), "{place} {pixel:?}");
            assert_eq!(pixel[2], 255);
        }
        let mean: f64 = encoder
            .smaller
            .chunks_exact(3)
            .map(|pixel| f64::from(pixel[1]))
            .sum::<f64>()
            / (1280.0 * 720.0);
        assert!((mean - 100.0).abs() < 1.0, "{mean}");
        decoded(&packed);
    }

    #[test]
    fn odd_sizes_are_taken_and_frames_without_pixels_are_not() {
        let mut encoder = JpegEncoder::new(SizeLimit::IN_FILMS);
        for (width, height, fits) in [
            (641, 361, (641, 361)),
            (1281, 721, (1279, 720)),
            (101, 1999, (36, 720)),
            (1, 1, (1, 1)),
        ] {
            let frame = frame(width, height, |x, _| [x as u8; 3]);
            let packed = encoder.encode(&frame).unwrap().unwrap();
            assert_eq!((packed.width, packed.height), fits);
            decoded(&packed);
        }
        assert!(encoder.encode(&Frame::default()).is_none());
        let wrong = Frame {
            width: 10,
            height: 10,
            rgb: vec![0; 7],
            ..Frame::default()
        };
        assert!(encoder.encode(&wrong).is_none());
    }

    #[test]
    fn a_picture_keeps_within_both_sides_and_to_its_shape() {
        let square = SizeLimit {
            width: 640,
            height: 640,
        };
        for (width, height, fits) in [
            (1280, 720, (640, 360)),
            (720, 1280, (360, 640)),
            (1920, 1080, (640, 360)),
            (640, 480, (640, 480)),
            (1000, 1000, (640, 640)),
            (3000, 2, (640, 1)),
        ] {
            let frame = frame(width, height, |_, y| [y as u8; 3]);
            let packed = JpegEncoder::new(square).encode(&frame).unwrap().unwrap();
            assert_eq!(
                (usize::from(packed.width), usize::from(packed.height)),
                fits
            );
            decoded(&packed);
        }
    }
}
