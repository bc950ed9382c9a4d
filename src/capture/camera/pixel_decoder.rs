//! Decodes what a camera sends into RGB frames.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace as JpegColors;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::PixelFormat;
use super::huffman_tables;
use crate::capture::Frame;
use crate::capture::color::{ColorSpace, nv12_to_rgb, yuyv_to_rgb};
use crate::cores;
use crate::picture_size::PictureSize;

/// After this many frames that fail strict decoding and none that passes, the camera is assumed to write
/// all its JPEGs slightly wrong, and they are decoded leniently from then on.
const MAX_STRICT_FAILURES: u32 = 10;
/// A header that tells of more is damaged: 7680 x 4320 is the most that any camera sends.
const MAX_PIXELS: usize = 7680 * 4320;

/// How the bytes that a camera sends are laid out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Layout {
    pub format: PixelFormat,
    /// Not used for MJPEG, which carries its own.
    pub size: PictureSize,
    /// Bytes per row; zero for rows without padding. Not used for MJPEG.
    pub stride: usize,
    pub color: ColorSpace,
}

/// Decodes the frames of one camera.
#[derive(Debug, Default)]
pub(super) struct PixelDecoder {
    strict_failures: u32,
    strict_successes: u64,
    with_tables: Vec<u8>,
}

/// Decodes Motion JPEG frames as those of a camera are decoded.
#[derive(Debug, Default)]
pub struct MjpegDecoder(PixelDecoder);

impl MjpegDecoder {
    /// Writes size and pixels of `frame` from one JPEG.
    ///
    /// # Errors
    /// What is wrong with the bytes, in words.
    pub fn decode(&mut self, jpeg: &[u8], frame: &mut Frame) -> Result<(), String> {
        let _urgent = cores::BUDGET.begin_urgent();
        self.0.decode_jpeg(jpeg, frame)
    }
}

impl PixelDecoder {
    /// Writes size and pixels of `frame`, or says what is wrong with the bytes.
    pub(super) fn decode(
        &mut self,
        bytes: &[u8],
        layout: &Layout,
        frame: &mut Frame,
    ) -> Result<(), String> {
        if bytes.is_empty() {
            return Err("it is empty".into());
        }
        let width = layout.size.width_px as usize;
        let height = layout.size.height_px as usize;
        let _urgent = cores::BUDGET.begin_urgent();
        match layout.format {
            PixelFormat::Mjpeg => self.decode_jpeg(bytes, frame),
            PixelFormat::Yuyv => {
                let stride = layout.stride.max(2 * width);
                let rows = take_rows(bytes, stride, height, 2 * width)?;
                yuyv_to_rgb(
                    rows,
                    stride,
                    width,
                    height,
                    layout.color,
                    frame.resized(width, height),
                )
                .map_err(|error| error.to_string())
            }
            PixelFormat::Nv12 => {
                let stride = layout.stride.max(width);
                let planes = take_rows(bytes, stride, height + height.div_ceil(2), width)?;
                nv12_to_rgb(
                    planes,
                    stride,
                    width,
                    height,
                    layout.color,
                    frame.resized(width, height),
                )
                .map_err(|error| error.to_string())
            }
            PixelFormat::Rgb24 => {
                let stride = layout.stride.max(3 * width);
                let rows = take_rows(bytes, stride, height, 3 * width)?;
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
        let jpeg = match huffman_tables::insertion_point(bytes) {
            Some(at) => {
                huffman_tables::insert(bytes, at, &mut self.with_tables);
                &self.with_tables[..]
            }
            None => bytes,
        };
        // Decoded leniently, half a JPEG gives a picture that is half gray, without an error.
        if self.strict_successes == 0 && self.strict_failures >= MAX_STRICT_FAILURES {
            return read_jpeg(jpeg, false, frame);
        }
        let result = read_jpeg(jpeg, true, frame);
        match &result {
            Ok(()) => self.strict_successes += 1,
            Err(_) if self.strict_successes == 0 => {
                self.strict_failures += 1;
                if self.strict_failures == MAX_STRICT_FAILURES {
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
        .jpeg_set_out_colorspace(JpegColors::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(jpeg), options);
    decoder
        .decode_headers()
        .map_err(|error| format!("its JPEG header is bad ({error:?})"))?;
    let info = decoder.info().ok_or("its JPEG header tells no size")?;
    let (width, height) = (usize::from(info.width), usize::from(info.height));
    if width * height > MAX_PIXELS {
        return Err(format!(
            "its JPEG header tells of {width} x {height} pixels"
        ));
    }
    decoder
        .decode_into(frame.resized(width, height))
        .map_err(|error| format!("its JPEG is bad ({error:?})"))
}

/// The bytes of `rows` rows, the last of which need not be padded; an error if there are fewer.
fn take_rows(
    bytes: &[u8],
    stride: usize,
    rows: usize,
    used_in_row: usize,
) -> Result<&[u8], String> {
    let needed = stride * rows.saturating_sub(1) + used_in_row;
    if bytes.len() < needed {
        return Err(format!(
            "it has {} bytes where {needed} are needed",
            bytes.len()
        ));
    }
    Ok(&bytes[..bytes.len().min(stride * rows)])
}

#[cfg(test)]
#[path = "pixel_decoder_tests.rs"]
mod tests;
