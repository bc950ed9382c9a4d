//! Depthwise convolution: each channel with a kernel of its own.
//!
//! In: a feature map and one small kernel a channel. Out: the clamped result. For each block of channels the input rows
//! of a band are copied to scratch memory with the padding around them: they fit the first-level cache, and no pixel is a
//! special case.

use super::layout::{BLOCK, Layout, Tile};
use super::vector::{F32x4, Vector};
#[cfg(target_arch = "x86_64")]
use super::vector::{F32x8, F32x16};
use super::{Clamp, InstructionSet, Level, dispatch};

/// A depthwise convolution with kernels of `K` by `K`.
pub(crate) struct Depthwise<'a> {
    /// The input.
    pub input: &'a [f32],
    /// The layout of the input, which holds the rows that the tile needs.
    pub from: Layout,
    /// The layout of the output.
    pub to: Layout,
    /// What to compute of the output.
    pub tile: &'a Tile,
    /// The stride in both directions.
    pub stride: usize,
    /// Rows of zeros above the input and columns of zeros to its left.
    pub padding: [usize; 2],
    /// For each block of channels its `K * K` taps, row by row, eight values a tap.
    pub weights: &'a [f32],
    /// One value a channel.
    pub bias: &'a [f32],
    /// Bounds of the result.
    pub clamp: Clamp,
}

impl Depthwise<'_> {
    /// Rows and columns of the padded input that a band is computed from.
    fn padded_size(to: Layout, stride: usize, kernel: usize) -> [usize; 2] {
        [to.band_rows, to.width].map(|count| (count - 1) * stride + kernel)
    }

    /// Floats of scratch memory that [`depthwise`] needs.
    pub(crate) fn scratch_len(to: Layout, stride: usize, kernel: usize) -> usize {
        let [rows, columns] = Self::padded_size(to, stride, kernel);
        rows * columns * BLOCK
    }
}

/// Computes `output = clamp(depthwise convolution + bias)` for one tile.
///
/// # Panics
/// Where a slice does not have the length that the layouts, `K` and the stride ask for.
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

/// With stride 1 a register wider than a block holds the block's channels of adjacent pixels. With other strides, and
/// for a last single pixel, the narrow register `N` is used.
///
/// # Safety
/// The slices have been checked, and the processor has the instruction sets of `V` and `N`.
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
    let pixels_per_register = (V::LANES / BLOCK).max(1);
    let line_len = Depthwise::padded_size(d.to, stride, K)[1] * BLOCK;
    for block in d.tile.blocks.clone() {
        copy_padded(d, stride, block, line_len, scratch);
        for (nth, y) in d.to.rows(d.tile.band).enumerate() {
            let mut row = Row {
                input: &scratch[nth * stride * line_len..],
                line_len,
                weights: &d.weights[block * K * K * BLOCK..][..K * K * BLOCK],
                bias: &d.bias[block * BLOCK..][..BLOCK],
                clamp: d.clamp,
                output: &mut output[d.to.in_tile(d.tile, y, block)..][..d.to.width * BLOCK],
            };
            let mut column = 0;
            while column < d.to.width {
                let left = d.to.width - column;
                // SAFETY: these output pixels and the padded input of their kernels are in the slices of `row`.
                column += unsafe {
                    if left >= 8 * pixels_per_register {
                        row.pixels::<V, K, 8>(stride, column)
                    } else if left >= 4 * pixels_per_register {
                        row.pixels::<V, K, 4>(stride, column)
                    } else if left >= 2 {
                        row.pixels::<N, K, 2>(stride, column)
                    } else {
                        row.pixels::<N, K, 1>(stride, column)
                    }
                };
            }
        }
    }
}

/// Copies the input rows of a band of one block, with zeros for the padding.
#[inline(always)]
fn copy_padded(
    d: &Depthwise<'_>,
    stride: usize,
    block: usize,
    line_len: usize,
    scratch: &mut [f32],
) {
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

/// One output row of one block.
struct Row<'a> {
    /// The padded input from the first row that this output row is computed from.
    input: &'a [f32],
    line_len: usize,
    weights: &'a [f32],
    bias: &'a [f32],
    clamp: Clamp,
    output: &'a mut [f32],
}

impl Row<'_> {
    /// Computes `COUNT` registers of adjacent output pixels together, so that each weight is loaded once for all of them.
    /// Returns the number of pixels.
    ///
    /// # Safety
    /// The row has these pixels, and the processor has the instruction set of `V`.
    #[inline(always)]
    unsafe fn pixels<V: Vector, const K: usize, const COUNT: usize>(
        &mut self,
        stride: usize,
        column: usize,
    ) -> usize {
        let pixels_per_register = (V::LANES / BLOCK).max(1);
        let step = stride * pixels_per_register * BLOCK;
        // A register narrower than a block takes it in parts.
        for lane in (0..BLOCK).step_by(V::LANES) {
            // SAFETY: these pixels and the padded input of their kernels are in the slices.
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
                        .store(to.add(n * pixels_per_register * BLOCK));
                }
            }
        }
        COUNT * pixels_per_register
    }
}
