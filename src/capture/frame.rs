//! One picture with the time it was taken.

use crate::picture_size::PictureSize;
use crate::time::CaptureTime;

/// A picture in 8-bit RGB, rows from the top, without padding, upright as a viewer sees it.
#[derive(Clone, Debug, Default)]
pub struct Frame {
    /// Counts every frame the source produced, dropped ones included; starts at 0.
    pub index: u64,
    /// When the picture was taken.
    pub captured_at: CaptureTime,
    /// Width in pixels, after any rotation.
    pub width: usize,
    /// Height in pixels, after any rotation.
    pub height: usize,
    /// `3 * width * height` bytes.
    pub rgb: Vec<u8>,
}

impl Frame {
    /// Takes on a size and hands out the pixels to be written; the memory already held is used again.
    ///
    /// What the pixels hold until they are written is not defined.
    pub fn resized(&mut self, width: usize, height: usize) -> &mut [u8] {
        self.width = width;
        self.height = height;
        self.rgb.resize(3 * width * height, 0);
        &mut self.rgb
    }

    /// Width and height.
    pub fn size(&self) -> PictureSize {
        PictureSize {
            width_px: self.width as u32,
            height_px: self.height as u32,
        }
    }

    /// Mean brightness of a sample of the pixels, 0 to 255; 0 for a frame without pixels.
    pub fn brightness(&self) -> f32 {
        // A prime step, so that no pattern of columns or colours is all that is looked at; some thousands are plenty.
        const STEP: usize = 769;
        let sample = || self.rgb.iter().step_by(STEP);
        let count = sample().count();
        if count == 0 {
            return 0.0;
        }
        let sum: u64 = sample().map(|byte| u64::from(*byte)).sum();
        sum as f32 / count as f32
    }
}
