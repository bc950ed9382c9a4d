//! Decoded pictures as frames: color conversion, then rotation.

use openh264::decoder::DecodedYUV;
use openh264::formats::YUVSource;

use super::super::mp4::Shown;
use crate::capture::color::{ColorSpace, Planes420, planes_to_rgb};
use crate::capture::rotation::rotate_rgb;
use crate::capture::{Frame, Rotation};

/// Writes decoded pictures into frames.
pub(super) struct FrameWriter {
    rotation: Rotation,
    color: ColorSpace,
    /// A picture before it is rotated; unused for upright clips.
    unrotated: Vec<u8>,
}

impl FrameWriter {
    pub(super) fn new(rotation: Rotation, color: ColorSpace) -> Self {
        Self {
            rotation,
            color,
            unrotated: Vec::new(),
        }
    }

    /// False if the picture could not be converted.
    pub(super) fn write(
        &mut self,
        picture: &DecodedYUV<'_>,
        shown: Shown,
        into: &mut Frame,
    ) -> bool {
        let (width, height) = picture.dimensions();
        let (y_stride, uv_stride, _) = picture.strides();
        let planes = Planes420 {
            y: picture.y(),
            u: picture.u(),
            v: picture.v(),
            y_stride,
            uv_stride,
        };
        into.index = shown.index;
        into.captured_at = shown.at;
        let (upright_width, upright_height) = self.rotation.rotated_size(width, height);
        let pixels = into.resized(upright_width, upright_height);
        let written = if self.rotation == Rotation::None {
            planes_to_rgb(&planes, width, height, self.color, pixels)
        } else {
            self.unrotated.resize(pixels.len(), 0);
            planes_to_rgb(&planes, width, height, self.color, &mut self.unrotated)
                .map(|()| rotate_rgb(&self.unrotated, width, height, self.rotation, pixels))
        };
        if let Err(error) = &written {
            tracing::error!(%error, width, height, "a decoded picture could not be turned into RGB");
        }
        written.is_ok()
    }
}
