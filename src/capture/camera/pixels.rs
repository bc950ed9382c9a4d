//! Decodes what a camera sends into RGB frames.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace as JpegColours;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::PixelFormat;
use super::fallback_tables;
use crate::capture::Frame;
use crate::capture::colour::{ColourSpace, nv12_to_rgb, yuyv_to_rgb};

/// After so many frames that fail only the strict reading, the camera is taken to write its JPEGs
/// a little wrong by habit, and they are read leniently from then on.
const STRICT_FAILURES_ALLOWED: u32 = 10;

/// What is to be known of the bytes that a camera sends.
#[derive(Clone, Copy, Debug)]
pub(super) struct Layout {
    pub format: PixelFormat,
    pub width: usize,
    pub height: usize,
    /// Bytes a row; zero for the least that a row needs. No meaning for MJPEG.
    pub stride: usize,
    pub colour: ColourSpace,
}

/// Decodes frames of one camera.
#[derive(Debug, Default)]
pub(super) struct PixelDecoder {
    strict_failures: u32,
    strict_successes: u64,
    with_tables: Vec<u8>,
}

impl PixelDecoder {
    /// Writes size and pixels of `frame`; says what is wrong with the bytes if they cannot be used.
    pub fn decode(
        &mut self,
        bytes: &[u8],
        layout: &Layout,
        frame: &mut Frame,
    ) -> Result<(), String> {
        if bytes.is_empty() {
            return Err("it is empty".into());
        }
        let (width, height) = (layout.width, layout.height);
        match layout.format {
            PixelFormat::Mjpeg => self.decode_jpeg(bytes, frame),
            PixelFormat::Yuyv => {
                let stride = layout.stride.max(2 * width);
                let rows = enough(bytes, stride, height, 2 * width)?;
                yuyv_to_rgb(
                    rows,
                    stride,
                    width,
                    height,
                    layout.colour,
                    frame.resized(width, height),
                )
                .map_err(|error| error.to_string())
            }
            PixelFormat::Nv12 => {
                let stride = layout.stride.max(width);
                let planes = enough(bytes, stride, height + height.div_ceil(2), width)?;
                nv12_to_rgb(
                    planes,
                    stride,
                    width,
                    height,
                    layout.colour,
                    frame.resized(width, height),
                )
                .map_err(|error| error.to_string())
            }
            PixelFormat::Rgb24 => {
                let stride = layout.stride.max(3 * width);
                let rows = enough(bytes, stride, height, 3 * width)?;
                for (row, into) in rows
                    .chunks(stride)
                    .zip(frame.resized(width, height).chunks_exact_mut(3 * width))
                {
                    into.copy_from_slice(&row[..3 * width]);
                }
                Ok(())
            }
        }
    }

    fn decode_jpeg(&mut self, bytes: &[u8], frame: &mut Frame) -> Result<(), String> {
        let jpeg = match fallback_tables::missing_at(bytes) {
            Some(at) => {
                fallback_tables::put_in(bytes, at, &mut self.with_tables);
                &self.with_tables[..]
            }
            None => bytes,
        };
        // Read leniently, half a JPEG gives a picture that is half grey, and nobody is told.
        if self.strict_successes == 0 && self.strict_failures >= STRICT_FAILURES_ALLOWED {
            return read_jpeg(jpeg, false, frame);
        }
        let result = read_jpeg(jpeg, true, frame);
        match &result {
            Ok(()) => self.strict_successes += 1,
            Err(_) if self.strict_successes == 0 => {
                self.strict_failures += 1;
                if self.strict_failures == STRICT_FAILURES_ALLOWED {
                    tracing::warn!(
                        "every JPEG of this camera is a little wrong; reading them leniently, so cut frames may show as grey"
                    );
                }
            }
            Err(_) => {}
        }
        result
    }
}

fn read_jpeg(jpeg: &[u8], strict: bool, frame: &mut Frame) -> Result<(), String> {
    let options = DecoderOptions::new_fast()
        .set_strict_mode(strict)
        .jpeg_set_out_colorspace(JpegColours::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(jpeg), options);
    decoder
        .decode_headers()
        .map_err(|error| format!("its JPEG header is bad ({error:?})"))?;
    let info = decoder.info().ok_or("its JPEG header tells no size")?;
    decoder
        .decode_into(frame.resized(info.width.into(), info.height.into()))
        .map_err(|error| format!("its JPEG is bad ({error:?})"))
}

/// The bytes of `rows` rows, of which the last need not be padded; an error if there are fewer.
fn enough(bytes: &[u8], stride: usize, rows: usize, used_in_row: usize) -> Result<&[u8], String> {
    let least = stride * rows.saturating_sub(1) + used_in_row;
    if bytes.len() < least {
        return Err(format!(
            "it has {} bytes where {least} are needed",
            bytes.len()
        ));
    }
    Ok(&bytes[..bytes.len().min(stride * rows)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    /// Made by ffmpeg with the typical Huffman tables; see `tests/data/clips/README.md`.
    fn jpeg() -> Vec<u8> {
        std::fs::read(
            Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/clips/typical_tables.jpg"),
        )
        .unwrap()
    }

    /// The JPEG as a camera sends it that leaves its tables out.
    fn without_tables(jpeg: &[u8]) -> Vec<u8> {
        let (mut bare, mut at) = (jpeg[..2].to_vec(), 2);
        loop {
            let length = 2 + usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
            match jpeg[at + 1] {
                0xC4 => {}
                0xDA => break,
                _ => bare.extend_from_slice(&jpeg[at..at + length]),
            }
            at += length;
        }
        bare.extend_from_slice(&jpeg[at..]);
        bare
    }

    fn layout(format: PixelFormat, width: usize, height: usize, stride: usize) -> Layout {
        Layout {
            format,
            width,
            height,
            stride,
            colour: ColourSpace::default(),
        }
    }

    fn decoded(bytes: &[u8]) -> Result<Frame, String> {
        let mut frame = Frame::default();
        PixelDecoder::default().decode(bytes, &layout(PixelFormat::Mjpeg, 0, 0, 0), &mut frame)?;
        Ok(frame)
    }

    #[test]
    fn a_jpeg_without_tables_gives_the_same_picture_as_with_them() {
        let whole = jpeg();
        let bare = without_tables(&whole);
        assert!(bare.len() + 300 < whole.len());
        let (with, without) = (decoded(&whole).unwrap(), decoded(&bare).unwrap());
        assert_eq!((with.width, with.height), (64, 48));
        assert!(with.rgb == without.rgb);
    }

    #[test]
    fn a_jpeg_cut_short_is_refused_and_not_painted_grey() {
        let whole = jpeg();
        for length in [whole.len() / 2, whole.len() * 3 / 4, 100, 2] {
            assert!(
                decoded(&whole[..length]).is_err(),
                "{length} of {} bytes",
                whole.len()
            );
        }
        assert!(decoded(b"no jpeg").is_err());
    }

    #[test]
    fn a_camera_whose_every_jpeg_lacks_its_end_still_works_after_a_while() {
        let whole = jpeg();
        let endless = &whole[..whole.len() - 200];
        let mut decoder = PixelDecoder::default();
        let mut frame = Frame::default();
        let layout = layout(PixelFormat::Mjpeg, 0, 0, 0);
        let results: Vec<bool> = (0..20)
            .map(|_| decoder.decode(endless, &layout, &mut frame).is_ok())
            .collect();
        assert!(!results[0] && results[19], "{results:?}");
        // A camera that can do better is held to it.
        let mut decoder = PixelDecoder::default();
        decoder.decode(&whole, &layout, &mut frame).unwrap();
        assert!((0..20).all(|_| decoder.decode(endless, &layout, &mut frame).is_err()));
    }

    #[test]
    fn rows_may_be_padded_and_must_be_whole() {
        // Two rows of two pixels, each row followed by two bytes of padding.
        let bytes = [1, 2, 3, 4, 5, 6, 99, 99, 7, 8, 9, 10, 11, 12, 99, 99];
        let mut frame = Frame::default();
        let mut decoder = PixelDecoder::default();
        decoder
            .decode(&bytes, &layout(PixelFormat::Rgb24, 2, 2, 8), &mut frame)
            .unwrap();
        assert_eq!(frame.rgb, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]);
        decoder
            .decode(
                &bytes[..14],
                &layout(PixelFormat::Rgb24, 2, 2, 8),
                &mut frame,
            )
            .unwrap();
        let error = decoder
            .decode(
                &bytes[..13],
                &layout(PixelFormat::Rgb24, 2, 2, 8),
                &mut frame,
            )
            .unwrap_err();
        assert!(error.contains("13 bytes where 14"), "{error}");
        for format in [PixelFormat::Yuyv, PixelFormat::Nv12] {
            assert!(
                decoder
                    .decode(&[128; 40], &layout(format, 16, 4, 0), &mut frame)
                    .is_err(),
                "{format}"
            );
        }
    }

    #[test]
    fn padded_yuyv_and_nv12_give_the_grey_they_hold() {
        let mut frame = Frame::default();
        let mut decoder = PixelDecoder::default();
        // 126 is mid grey in limited range: (126 - 16) * 255 / 219 = 128.
        let yuyv: Vec<u8> = (0..4)
            .flat_map(|_| [126, 128].into_iter().cycle().take(32).chain([0; 6]))
            .collect();
        decoder
            .decode(&yuyv, &layout(PixelFormat::Yuyv, 16, 4, 38), &mut frame)
            .unwrap();
        assert!(
            frame.rgb.iter().all(|value| value.abs_diff(128) <= 1),
            "{:?}",
            &frame.rgb[..12]
        );
        let nv12: Vec<u8> = (0..6)
            .flat_map(|row| {
                [if row < 4 { 126 } else { 128 }; 16]
                    .into_iter()
                    .chain([0; 8])
            })
            .collect();
        decoder
            .decode(&nv12, &layout(PixelFormat::Nv12, 16, 4, 24), &mut frame)
            .unwrap();
        assert!(
            frame.rgb.iter().all(|value| value.abs_diff(128) <= 1),
            "{:?}",
            &frame.rgb[..12]
        );
    }
}
