//! The convolution of each channel with its own kernel.
//!
//! In: a picture, one small kernel a channel. Out: the bounded result. For each block of channels the rows that a band
//! needs are copied into scratch memory with zeros around them: it fits the first-level cache, and no pixel is special.

use super::layout::{BLOCK, Layout, Tile};
use super::vector::{F32x4, Vector};
#[cfg(target_arch = "x86_64")]
use super::vector::{F32x8, F32x16};
use super::{Clamp, InstructionSet, Level, dispatch};

/// A convolution of each channel with its own `K` by `K` kernel.
pub(crate) struct Depthwise<'a> {
    /// The input.
    pub input: &'a [f32],
    /// How the input lies; the rows that are needed must be there.
    pub from: Layout,
    /// How the output lies.
    pub to: Layout,
    /// What to compute of the output.
    pub tile: &'a Tile,
    /// Step in both directions.
    pub stride: usize,
    /// Rows above and columns left of the input that count as zero.
    pub padding: [usize; 2],
    /// For each block of 8 channels its `K * K` taps in row order, 8 values a tap.
    pub weights: &'a [f32],
    /// One value a channel.
    pub bias: &'a [f32],
    /// Bounds of the result.
    pub clamp: Clamp,
}

impl Depthwise<'_> {
    /// Rows and columns of the input that the kernels of a band reach, those outside the picture included.
    fn reach(to: Layout, stride: usize, kernel: usize) -> [usize; 2] {
        [to.band_rows, to.width].map(|count| (count - 1) * stride + kernel)
    }

    /// Values of scratch memory that [`depthwise`] needs.
    pub(crate) fn scratch_len(to: Layout, stride: usize, kernel: usize) -> usize {
        let [rows, columns] = Self::reach(to, stride, kernel);
        rows * columns * BLOCK
    }
}

/// Computes `output = clamp(depthwise convolution + bias)` for one tile.
///
/// # Panics
/// Where a slice does not have the size that the numbers ask for.
pub(crate) fn depthwise<const K: usize>(
    set: InstructionSet,
    d: &Depthwise<'_>,
    scratch: &mut [f32],
    output: &mut [f32],
) {
    assert!(
        d.stride > 0 && d.from.holds(&d.tile.blocks) && d.tile.band < d.to.bands(),
        "size of a depthwise convolution"
    );
    assert_eq!(
        d.input.len(),
        d.from.len(),
        "input of a depthwise convolution"
    );
    let channels = d.bias.len();
    assert_eq!(
        d.weights.len(),
        K * K * channels,
        "weights of a depthwise convolution"
    );
    assert!(
        d.tile.blocks.end * BLOCK <= channels,
        "bias of a depthwise convolution"
    );
    assert_eq!(
        output.len(),
        d.to.tile_len(d.tile),
        "output of a depthwise convolution"
    );
    let scratch = &mut scratch[..Depthwise::scratch_len(d.to, d.stride, K)];
    dispatch!(
        set,
        depthwise_portable::<K>,
        depthwise_avx2::<K>,
        depthwise_avx512::<K>,
        (d, scratch, output)
    );
}

unsafe fn depthwise_portable<const K: usize>(
    d: &Depthwise<'_>,
    scratch: &mut [f32],
    output: &mut [f32],
) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x4, F32x4, K>(d, scratch, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn depthwise_avx2<const K: usize>(
    d: &Depthwise<'_>,
    scratch: &mut [f32],
    output: &mut [f32],
) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x8, F32x8, K>(d, scratch, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,avx512f,avx512vl")]
unsafe fn depthwise_avx512<const K: usize>(
    d: &Depthwise<'_>,
    scratch: &mut [f32],
    output: &mut [f32],
) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x16, F32x8, K>(d, scratch, output) }
}

/// With stride 1 a register wider than a block holds the block's channels of neighbouring pixels; otherwise, and where
/// single pixels are left, the narrow register `N` is used.
///
/// # Safety
/// The slices have been checked, and the sets of `V` and `N` are there.
#[inline(always)]
unsafe fn run<V: Vector, N: Vector, const K: usize>(
    d: &Depthwise<'_>,
    scratch: &mut [f32],
    output: &mut [f32],
) {
    // SAFETY: as promised to this function.
    unsafe {
        match d.stride {
            1 => all_rows::<V, N, K>(d, 1, scratch, output),
            2 => all_rows::<N, N, K>(d, 2, scratch, output),
            stride => all_rows::<N, N, K>(d, stride, scratch, output),
        }
    }
}

#[inline(always)]
unsafe fn all_rows<V: Vector, N: Vector, const K: usize>(
    d: &Depthwise<'_>,
    stride: usize,
    scratch: &mut [f32],
    output: &mut [f32],
) {
    let wide = (V::LANES / BLOCK).max(1);
    let line_len = Depthwise::reach(d.to, stride, K)[1] * BLOCK;
    for block in d.tile.blocks.clone() {
        cover(d, stride, block, line_len, scratch);
        for (nth, row) in d.to.rows(d.tile.band).enumerate() {
            let mut row_tile = Row {
                input: &scratch[nth * stride * line_len..],
                line_len,
                weights: &d.weights[block * K * K * BLOCK..][..K * K * BLOCK],
                bias: &d.bias[block * BLOCK..][..BLOCK],
                clamp: d.clamp,
                output: &mut output[d.to.in_tile(d.tile, row, block)..][..d.to.width * BLOCK],
            };
            let mut column = 0;
            while column < d.to.width {
                let left = d.to.width - column;
                // SAFETY: the pixels exist, and with them all that their kernels reach.
                column += unsafe {
                    if left >= 8 * wide {
                        row_tile.pixels::<V, K, 8>(stride, column)
                    } else if left >= 4 * wide {
                        row_tile.pixels::<V, K, 4>(stride, column)
                    } else if left >= 2 {
                        row_tile.pixels::<N, K, 2>(stride, column)
                    } else {
                        row_tile.pixels::<N, K, 1>(stride, column)
                    }
                };
            }
        }
    }
}

/// Copies what a band needs of one block, with zeros where it lies outside the picture.
#[inline(always)]
fn cover(d: &Depthwise<'_>, stride: usize, block: usize, line_len: usize, scratch: &mut [f32]) {
    let [top, left] = d.padding;
    let first = d.to.rows(d.tile.band).start * stride;
    let inside = (d.from.width * BLOCK).min(line_len - left * BLOCK);
    for (nth, line) in scratch.chunks_exact_mut(line_len).enumerate() {
        match (first + nth)
            .checked_sub(top)
            .filter(|y| *y < d.from.height)
        {
            Some(y) => {
                let (before, rest) = line.split_at_mut(left * BLOCK);
                let (copied, after) = rest.split_at_mut(inside);
                before.fill(0.0);
                copied.copy_from_slice(&d.input[d.from.at(y, block)..][..inside]);
                after.fill(0.0);
            }
            None => line.fill(0.0),
        }
    }
}

/// One row of one block.
struct Row<'a> {
    /// The covered input from the first row that the kernels of this row reach.
    input: &'a [f32],
    line_len: usize,
    weights: &'a [f32],
    bias: &'a [f32],
    clamp: Clamp,
    output: &'a mut [f32],
}

impl Row<'_> {
    /// `COUNT` registers of neighbouring output pixels together, so that each weight is read once for all; returns the
    /// number of pixels.
    #[inline(always)]
    unsafe fn pixels<V: Vector, const K: usize, const COUNT: usize>(
        &mut self,
        stride: usize,
        column: usize,
    ) -> usize {
        let wide = (V::LANES / BLOCK).max(1);
        let step = stride * wide * BLOCK;
        // A register narrower than a block takes the block in parts.
        for lane in (0..BLOCK).step_by(V::LANES) {
            // SAFETY: all these pixels and what their kernels reach lie inside the slices.
            unsafe {
                let weights = self.weights.as_ptr().add(lane);
                let input = self.input.as_ptr().add(column * stride * BLOCK + lane);
                let mut sums = [V::splat(0.0); COUNT];
                for ky in 0..K {
                    let row = input.add(ky * self.line_len);
                    for kx in 0..K {
                        let weight = V::broadcast_block(weights.add((ky * K + kx) * BLOCK));
                        for (n, sum) in sums.iter_mut().enumerate() {
                            let value = V::load(row.add(kx * BLOCK + n * step));
                            *sum = sum.mul_add(value, weight);
                        }
                    }
                }
                let bias = V::broadcast_block(self.bias.as_ptr().add(lane));
                let to = self.output.as_mut_ptr().add(column * BLOCK + lane);
                for (n, sum) in sums.into_iter().enumerate() {
                    sum.add(bias)
                        .clamp(self.clamp)
                        .store(to.add(n * wide * BLOCK));
                }
            }
        }
        COUNT * wide
    }
}
