//! A still picture as a PNG file with a ruler along its edges, so that places can be read off in any image viewer.
//!
//! In: a frame. Out: the file. The ruler is drawn over the frame's own pixels: a place in the file is the same place in
//! the frame.

use std::fs::File;
use std::io::{self, BufReader, BufWriter, Write};
use std::path::Path;

use crate::capture::Frame;
use crate::output_file::{self, Existing};
use crate::picture_size::PictureSize;

/// Lines and numbers come at this distance, ticks at the smaller one, pixels.
const LINES_PX: usize = 100;
const TICKS_PX: usize = 20;
/// How strongly the grid covers the picture, and the ruler's ticks.
const FAINT: f32 = 0.3;
const STRONG: f32 = 0.9;

/// Digits on a grid of three by five, a bit a dot, rows from the top.
const DIGITS: [[u8; 5]; 10] = [
    [0b111, 0b101, 0b101, 0b101, 0b111],
    [0b010, 0b110, 0b010, 0b010, 0b111],
    [0b110, 0b001, 0b011, 0b100, 0b111],
    [0b110, 0b001, 0b010, 0b001, 0b110],
    [0b101, 0b101, 0b111, 0b001, 0b001],
    [0b111, 0b100, 0b110, 0b001, 0b110],
    [0b011, 0b100, 0b111, 0b101, 0b111],
    [0b111, 0b001, 0b010, 0b010, 0b010],
    [0b111, 0b101, 0b010, 0b101, 0b111],
    [0b111, 0b101, 0b111, 0b001, 0b110],
];

/// How a PNG file begins (PNG Specification, 5.2).
const PNG_START: &[u8] = b"\x89PNG\r\n\x1a\n";

/// Writes the frame with its ruler.
///
/// # Errors
/// Where the file cannot be written.
pub(super) fn write(frame: &Frame, path: &Path) -> io::Result<()> {
    let mut canvas = Canvas {
        rgb: frame.rgb.clone(),
        width: frame.width,
        height: frame.height,
    };
    canvas.rule();
    let mut out = BufWriter::new(output_file::open(path, Existing::Replace(PNG_START))?);
    let size = |px: usize| u32::try_from(px).map_err(io::Error::other);
    let mut encoder = png::Encoder::new(&mut out, size(frame.width)?, size(frame.height)?);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&canvas.rgb)?;
    writer.finish()?;
    out.flush()
}

/// Width and height of a PNG file, pixels.
///
/// # Errors
/// Where it cannot be read or is no PNG file.
pub(super) fn picture_size(path: &Path) -> io::Result<PictureSize> {
    let reader = png::Decoder::new(BufReader::new(File::open(path)?)).read_info()?;
    let (width_px, height_px) = reader.info().size();
    Ok(PictureSize {
        width_px,
        height_px,
    })
}

struct Canvas {
    rgb: Vec<u8>,
    width: usize,
    height: usize,
}

impl Canvas {
    fn rule(&mut self) {
        // Dots of a size that can be read when a large picture is shown small.
        let dot = (self.width / 640).max(1);
        for x in (TICKS_PX..self.width).step_by(TICKS_PX) {
            let long = x % LINES_PX == 0;
            let reach = dot * if long { 8 } else { 3 };
            for y in 0..self.height {
                let at_edge = y < reach || y + reach >= self.height;
                match (at_edge, long) {
                    (true, _) => self.mark(x, y, STRONG),
                    (false, true) => self.mark(x, y, FAINT),
                    (false, false) => {}
                }
            }
        }
        for y in (TICKS_PX..self.height).step_by(TICKS_PX) {
            let long = y % LINES_PX == 0;
            let reach = dot * if long { 8 } else { 3 };
            for x in 0..self.width {
                let at_edge = x < reach || x + reach >= self.width;
                match (at_edge, long) {
                    (true, _) => self.mark(x, y, STRONG),
                    (false, true) => self.mark(x, y, FAINT),
                    (false, false) => {}
                }
            }
        }
        let high = 7 * dot;
        for x in (LINES_PX..self.width).step_by(LINES_PX) {
            let left = x.saturating_sub(number_width(x, dot) / 2);
            self.number(x, left, 9 * dot, dot);
            self.number(x, left, self.height.saturating_sub(9 * dot + high), dot);
        }
        for y in (LINES_PX..self.height).step_by(LINES_PX) {
            let top = y.saturating_sub(high / 2);
            self.number(y, 9 * dot, top, dot);
            let right = 9 * dot + number_width(y, dot);
            self.number(y, self.width.saturating_sub(right), top, dot);
        }
    }

    /// Light on dark and dark on light, so that it shows on any picture.
    fn mark(&mut self, x: usize, y: usize, strength: f32) {
        let at = 3 * (y * self.width + x);
        let Some(pixel) = self.rgb.get_mut(at..at + 3) else {
            return;
        };
        let mean = pixel.iter().map(|c| u32::from(*c)).sum::<u32>() / 3;
        let ink = if mean < 128 { 255.0 } else { 0.0 };
        for c in pixel {
            *c = (f32::from(*c) * (1.0 - strength) + ink * strength).round() as u8;
        }
    }

    /// A number in light dots on a dark field with its top left corner there.
    fn number(&mut self, number: usize, left: usize, top: usize, dot: usize) {
        let digits = number.to_string();
        let (wide, high) = (number_width(number, dot), 7 * dot);
        for y in top..top + high {
            for x in left..left + wide {
                self.fill(x, y, 20);
            }
        }
        for (place, digit) in digits.bytes().enumerate() {
            let rows = DIGITS[usize::from(digit - b'0')];
            for (row, bits) in rows.into_iter().enumerate() {
                for column in (0..3).filter(|c| bits & (0b100 >> c) != 0) {
                    let (x0, y0) = (left + dot * (1 + 4 * place + column), top + dot * (1 + row));
                    for y in y0..y0 + dot {
                        for x in x0..x0 + dot {
                            self.fill(x, y, 255);
                        }
                    }
                }
            }
        }
    }

    fn fill(&mut self, x: usize, y: usize, shade: u8) {
        let at = 3 * (y * self.width + x);
        if x < self.width
            && let Some(pixel) = self.rgb.get_mut(at..at + 3)
        {
            pixel.fill(shade);
        }
    }
}

/// Three dots a digit, one between two digits and one at either end.
fn number_width(number: usize, dot: usize) -> usize {
    dot * (4 * number.to_string().len() + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_has_the_frames_size_its_picture_and_lines_at_every_hundred() {
        let mut frame = Frame::default();
        frame.resized(640, 360).fill(60);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("still.png");
        write(&frame, &path).unwrap();
        let size = picture_size(&path).unwrap();
        assert_eq!((size.width_px, size.height_px), (640, 360));

        let mut reader = png::Decoder::new(BufReader::new(File::open(&path).unwrap()))
            .read_info()
            .unwrap();
        let mut rgb = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut rgb).unwrap();
        let at = |x: usize, y: usize| rgb[3 * (y * 640 + x)];
        for (x, y) in [(50, 50), (299, 150), (301, 250), (333, 199)] {
            assert_eq!(at(x, y), 60, "{x},{y} shows the picture");
        }
        for (x, y) in [(300, 150), (100, 250), (333, 200), (250, 300)] {
            assert!(at(x, y) > 90, "{x},{y} lies on a line");
        }
        assert!(at(320, 2) > 200, "a tick at the upper edge");
        assert!(at(320, 357) > 200, "a tick at the lower edge");
    }

    #[test]
    fn a_file_that_is_no_picture_has_no_size() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("list.png");
        std::fs::write(&path, "milk\n").unwrap();
        assert!(picture_size(&path).is_err());
    }
}
