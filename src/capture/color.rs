//! Converts the YUV layouts of codecs and cameras to packed RGB.
//!
//! The arithmetic is the `yuv` crate's (SIMD chosen at run time). Which matrix and range a picture
//! uses is told by its source; where it is not, BT.601 limited is assumed, which is also what ffmpeg's
//! own scaler assumes, so both ways of reading a clip give the same pixels.

use yuv::{
    YuvBiPlanarImage, YuvConversionMode, YuvError, YuvPackedImage, YuvPlanarImage, YuvRange,
    YuvStandardMatrix,
};

/// The matrix and the range of a picture's YUV values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct ColorSpace {
    pub matrix: YuvStandardMatrix,
    pub range: YuvRange,
}

impl Default for ColorSpace {
    fn default() -> Self {
        Self {
            matrix: YuvStandardMatrix::Bt601,
            range: YuvRange::Limited,
        }
    }
}

impl ColorSpace {
    /// From a video stream's `matrix_coefficients` (ITU-T H.273, table 4) and full-range flag.
    pub(super) fn from_codes(matrix_coefficients: Option<u8>, full_range: bool) -> Self {
        let matrix = match matrix_coefficients {
            Some(1) => YuvStandardMatrix::Bt709,
            Some(4) => YuvStandardMatrix::Fcc,
            Some(7) => YuvStandardMatrix::Smpte240,
            Some(9 | 10) => YuvStandardMatrix::Bt2020,
            _ => YuvStandardMatrix::Bt601,
        };
        Self {
            matrix,
            range: if full_range {
                YuvRange::Full
            } else {
                YuvRange::Limited
            },
        }
    }
}

/// Planar 4:2:0: full-size luma, and two chroma planes of half the width and height.
pub(super) struct Planes420<'a> {
    pub y: &'a [u8],
    pub u: &'a [u8],
    pub v: &'a [u8],
    /// Bytes per row of `y`.
    pub y_stride: usize,
    /// Bytes per row of `u` and of `v`.
    pub uv_stride: usize,
}

/// Converts planar 4:2:0 to RGB; `rgb` must hold `3 * width * height` bytes.
pub(super) fn planes_to_rgb(
    planes: &Planes420<'_>,
    width: usize,
    height: usize,
    color: ColorSpace,
    rgb: &mut [u8],
) -> Result<(), YuvError> {
    let image = YuvPlanarImage {
        y_plane: planes.y,
        y_stride: planes.y_stride as u32,
        u_plane: planes.u,
        u_stride: planes.uv_stride as u32,
        v_plane: planes.v,
        v_stride: planes.uv_stride as u32,
        width: width as u32,
        height: height as u32,
    };
    yuv::yuv420_to_rgb(&image, rgb, 3 * width as u32, color.range, color.matrix)
}

/// Converts YUYV (packed 4:2:2) with `stride` bytes per row to RGB.
pub(super) fn yuyv_to_rgb(
    yuyv: &[u8],
    stride: usize,
    width: usize,
    height: usize,
    color: ColorSpace,
    rgb: &mut [u8],
) -> Result<(), YuvError> {
    let image = YuvPackedImage {
        yuy: yuyv,
        yuy_stride: stride as u32,
        width: width as u32,
        height: height as u32,
    };
    yuv::yuyv422_to_rgb(&image, rgb, 3 * width as u32, color.range, color.matrix)
}

/// Converts NV12 (a Y plane, then a half-size plane of interleaved U and V) with `stride` bytes per
/// row to RGB.
pub(super) fn nv12_to_rgb(
    nv12: &[u8],
    stride: usize,
    width: usize,
    height: usize,
    color: ColorSpace,
    rgb: &mut [u8],
) -> Result<(), YuvError> {
    let (y_plane, uv_plane) = nv12.split_at((stride * height).min(nv12.len()));
    let image = YuvBiPlanarImage {
        y_plane,
        y_stride: stride as u32,
        uv_plane,
        uv_stride: stride as u32,
        width: width as u32,
        height: height as u32,
    };
    yuv::yuv_nv12_to_rgb(
        &image,
        rgb,
        3 * width as u32,
        color.range,
        color.matrix,
        YuvConversionMode::Balanced,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The color bars of ITU-R BT.601 and BT.709 at 100 %: red, in 8-bit limited range, as the two
    /// recommendations' own equations give it (BT.601-7 section 2.5, BT.709-6 section 3).
    #[test]
    fn pure_red_comes_out_red_in_either_matrix_and_range() {
        let cases = [
            (Some(6), false, [81, 90, 240]),
            (Some(1), false, [63, 102, 240]),
            (None, false, [81, 90, 240]),
            // Full range BT.601, the JPEG File Interchange Format's equations.
            (Some(6), true, [76, 85, 255]),
        ];
        for (matrix, full_range, [y, u, v]) in cases {
            let color = ColorSpace::from_codes(matrix, full_range);
            let (width, height) = (16, 4);
            let mut from_planes = vec![0; 3 * width * height];
            let planes = Planes420 {
                y: &[y; 64],
                u: &[u; 16],
                v: &[v; 16],
                y_stride: 16,
                uv_stride: 8,
            };
            planes_to_rgb(&planes, width, height, color, &mut from_planes).unwrap();
            let mut from_yuyv = vec![0; 3 * width * height];
            let yuyv: Vec<u8> = [y, u, y, v]
                .iter()
                .copied()
                .cycle()
                .take(2 * width * height)
                .collect();
            yuyv_to_rgb(&yuyv, 2 * width, width, height, color, &mut from_yuyv).unwrap();
            let mut from_nv12 = vec![0; 3 * width * height];
            let nv12: Vec<u8> = std::iter::repeat_n(y, width * height)
                .chain([u, v].iter().copied().cycle().take(width * height / 2))
                .collect();
            nv12_to_rgb(&nv12, width, width, height, color, &mut from_nv12).unwrap();
            for rgb in [&from_planes, &from_yuyv, &from_nv12] {
                for pixel in rgb.chunks(3) {
                    assert!(
                        pixel[0] >= 252 && pixel[1] <= 3 && pixel[2] <= 3,
                        "{matrix:?} {full_range}: {pixel:?}"
                    );
                }
            }
        }
    }
}
