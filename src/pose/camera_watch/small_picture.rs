//! The picture in gray and small, as the camera watch looks at it.

use crate::capture::Frame;

/// The longer side has at most so many pixels.
const LONGER_SIDE: usize = 240;
/// Of the rows that become one, at most so many are read.
const ROWS_READ: usize = 4;

/// A picture in gray; each of its pixels is the mean of a square of the frame.
#[derive(Clone, Debug, Default)]
pub(super) struct SmallPicture {
    pub width: usize,
    pub height: usize,
    /// Side of that square, pixels of the frame.
    pub factor: usize,
    /// Brightness, 0 to 255, rows from the top.
    pub gray: Vec<f32>,
    sums: Vec<u16>,
}

impl SmallPicture {
    /// Takes on a frame's picture; the memory already held is used again.
    pub(super) fn read(&mut self, frame: &Frame) {
        let factor = frame.width.max(frame.height).div_ceil(LONGER_SIDE).max(1);
        self.factor = factor;
        (self.width, self.height) = (frame.width / factor, frame.height / factor);
        self.gray.clear();
        if self.width == 0 || frame.rgb.len() < 3 * frame.width * frame.height {
            self.height = 0;
            return;
        }
        let step = factor.div_ceil(ROWS_READ);
        let rows = factor.div_ceil(step);
        let scale = 1.0 / (3 * factor * rows) as f32;
        let used = 3 * factor * self.width;
        for band in frame
            .rgb
            .chunks_exact(3 * frame.width * factor)
            .take(self.height)
        {
            self.sums.clear();
            self.sums.resize(used, 0);
            for row in band.chunks_exact(3 * frame.width).step_by(step) {
                for (sum, byte) in self.sums.iter_mut().zip(row) {
                    *sum += u16::from(*byte);
                }
            }
            let cells = self.sums.chunks_exact(3 * factor);
            self.gray
                .extend(cells.map(|cell| {
                    scale * cell.iter().map(|sum| u32::from(*sum)).sum::<u32>() as f32
                }));
        }
    }

    /// The brightness at whole pixels.
    pub(super) fn at(&self, x: usize, y: usize) -> f32 {
        self.gray[y * self.width + x]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_pixel_is_the_mean_of_a_square() {
        let mut frame = Frame::default();
        let pixels = frame.resized(960, 480);
        for (i, byte) in pixels.iter_mut().enumerate() {
            // Four columns of one brightness, the next four of another.
            *byte = if i / 3 % 960 / 4 % 2 == 0 { 40 } else { 200 };
        }
        let mut small = SmallPicture::default();
        small.read(&frame);
        assert_eq!((small.width, small.height, small.factor), (240, 120, 4));
        assert_eq!(small.gray.len(), 240 * 120);
        assert!((small.at(6, 7) - 40.0).abs() < 1e-3 && (small.at(7, 7) - 200.0).abs() < 1e-3);
    }

    #[test]
    fn a_frame_without_pixels_gives_none() {
        let mut small = SmallPicture::default();
        small.read(&Frame::default());
        assert_eq!((small.height, small.gray.len()), (0, 0));
    }
}
