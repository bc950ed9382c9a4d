//! The matrix product behind every convolution that mixes channels.
//!
//! In: the patch of each output pixel (its channels, or an im2col window), packed weights, bias and residual. Out: the
//! clamped output channels of each pixel.

use super::layout::BLOCK;
use super::vector::{F32x4, Vector};
#[cfg(target_arch = "x86_64")]
use super::vector::{F32x8, F32x16};
use super::{Clamp, InstructionSet, Level, dispatch};
use std::ops::Range;

/// A matrix product. A row of the left matrix is the patch of one output pixel.
pub(crate) struct Gemm<'a> {
    /// Output pixels.
    pub pixels: usize,
    /// What each output pixel reads of the input.
    pub patch: Patch,
    /// Floats from one pixel's patch to the next one's.
    pub pixel_stride: usize,
    /// Floats from one run of a patch to the next run.
    pub run_stride: usize,
    /// Output channels, a multiple of eight: columns of the right matrix.
    pub columns: usize,
    /// The columns to compute: whole panels.
    pub column_range: Range<usize>,
    /// The input, from the first pixel's patch on.
    pub input: &'a [f32],
    /// The right matrix as [`pack_weights`] gives it.
    pub weights: &'a [f32],
    /// One value a column.
    pub bias: &'a [f32],
    /// Values that are added before the clamp, laid out like the output and from the same place on.
    pub residual: Option<&'a [f32]>,
    /// Floats from one block of eight output channels to the next; within a block pixel follows pixel.
    pub block_stride: usize,
    /// Bounds of the result.
    pub clamp: Clamp,
}

/// What one output pixel reads of the input: some runs of adjacent values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Patch {
    /// The number of runs.
    pub runs: usize,
    /// Values of each run.
    pub run_len: usize,
}

/// Values of a patch in one pass, about: the panel of weights for them stays in the first-level cache.
const PASS_VALUES: usize = 288;

impl Patch {
    /// Values in all runs.
    pub(crate) fn values(self) -> usize {
        self.runs * self.run_len
    }

    /// The runs of each pass over the patches.
    fn passes(self) -> impl Iterator<Item = Range<usize>> {
        let passes = self
            .values()
            .div_ceil(PASS_VALUES)
            .clamp(1, self.runs.max(1));
        let step = self.runs.div_ceil(passes).max(1);
        (0..self.runs)
            .step_by(step)
            .map(move |start| start..(start + step).min(self.runs))
    }
}

/// Splits columns, a multiple of eight, into panels as (start, width): of two registers, and for the rest of one register
/// and of eight columns.
fn panels(columns: usize, lanes: usize) -> impl Iterator<Item = (usize, usize)> {
    let mut start = 0;
    std::iter::from_fn(move || {
        let left = columns - start;
        let width = match left / lanes {
            0 => left,
            1 => lanes,
            _ => 2 * lanes,
        };
        start += width;
        (width > 0).then_some((start - width, width))
    })
}

/// Blocks of channels in a panel; a range of columns to compute starts at a multiple of it.
pub(crate) fn panel_blocks(set: InstructionSet) -> usize {
    (2 * set.lanes()).div_ceil(BLOCK)
}

/// Packs a matrix of `patch.values()` rows and `columns` columns, whose elements `at` gives by row and column, in the
/// order in which [`gemm`] reads it.
pub(crate) fn pack_weights(
    set: InstructionSet,
    patch: Patch,
    columns: usize,
    at: impl Fn(usize, usize) -> f32,
) -> Vec<f32> {
    let mut values = Vec::with_capacity(patch.values() * columns);
    for runs in patch.passes() {
        let rows = runs.start * patch.run_len..runs.end * patch.run_len;
        for (start, width) in panels(columns, set.lanes()) {
            for row in rows.clone() {
                values.extend((start..start + width).map(|column| at(row, column)));
            }
        }
    }
    values
}

/// Computes `output = clamp(patches * weights + bias + residual)` for the columns of `column_range`; `output` starts with
/// the first of them of the first pixel.
///
/// # Panics
/// Where a slice does not have the length that the numbers ask for.
pub(crate) fn gemm(set: InstructionSet, g: &Gemm<'_>, output: &mut [f32]) {
    let Patch { runs, run_len } = g.patch;
    assert!(
        g.columns.is_multiple_of(BLOCK) && g.columns > 0 && g.pixels > 0 && runs > 0 && run_len > 0,
        "size of a matrix product"
    );
    let last = (g.pixels - 1) * g.pixel_stride + (runs - 1) * g.run_stride + run_len - 1;
    assert!(last < g.input.len(), "input of a matrix product");
    assert_eq!(
        g.weights.len(),
        g.patch.values() * g.columns,
        "weights of a matrix product"
    );
    assert_eq!(g.bias.len(), g.columns, "bias of a matrix product");
    let whole =
        |column: usize| column == g.columns || column.is_multiple_of(panel_blocks(set) * BLOCK);
    assert!(
        g.column_range.start < g.column_range.end
            && g.column_range.end <= g.columns
            && whole(g.column_range.start)
            && whole(g.column_range.end),
        "columns of a matrix product"
    );
    let reach = (g.column_range.len() / BLOCK - 1) * g.block_stride + g.pixels * BLOCK;
    assert!(
        g.residual.is_none_or(|residual| residual.len() >= reach),
        "residual of a matrix product"
    );
    assert!(output.len() >= reach, "output of a matrix product");
    dispatch!(set, gemm_portable, gemm_avx2, gemm_avx512, (g, output));
}

unsafe fn gemm_portable(g: &Gemm<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x4, F32x4, 6, 12>(g, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn gemm_avx2(g: &Gemm<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x8, F32x8, 6, 12>(g, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,avx512f,avx512vl")]
unsafe fn gemm_avx512(g: &Gemm<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x16, F32x8, 8, 16>(g, output) }
}

/// Input values per sweep over the weights: what the first-level cache holds where the weights are few, what the
/// second-level cache holds where sweeping over the weights is the cost.
const L1_VALUES: usize = 6 * 1024;
const L2_VALUES: usize = 48 * 1024;

/// Works panel by panel: with two registers `V` and `HIGH` pixels at a time, or with one register (`V`, or `N` for the last
/// eight columns) and `TALL` pixels at a time; with fewer pixels at the end. Three registers a panel would need one more
/// register than AVX2 has, and spill.
///
/// # Safety
/// The slices have been checked, and the processor has the instruction sets of `V` and `N`.
#[inline(always)]
unsafe fn run<V: Vector, N: Vector, const HIGH: usize, const TALL: usize>(
    g: &Gemm<'_>,
    output: &mut [f32],
) {
    let mut weights = g.weights;
    for runs in g.patch.passes() {
        let depth = runs.len() * g.patch.run_len;
        let (packed, rest) = weights.split_at(depth * g.columns);
        weights = rest;
        let values = if depth * g.column_range.len() > L1_VALUES {
            L2_VALUES
        } else {
            L1_VALUES
        };
        let sweep = (values / depth).next_multiple_of(2 * TALL);
        for first in (0..g.pixels).step_by(sweep) {
            let last = (first + sweep).min(g.pixels);
            let wanted = |(column, _): &(usize, usize)| g.column_range.contains(column);
            for (column, width) in panels(g.columns, V::LANES).filter(wanted) {
                let pass = PanelPass {
                    runs: runs.clone(),
                    is_first: runs.start == 0,
                    is_last: runs.end == g.patch.runs,
                    weights: &packed[depth * column..depth * (column + width)],
                    column,
                };
                let mut pixel = first;
                while pixel < last {
                    let left = last - pixel;
                    // SAFETY: `left` pixels follow, and the panel is as wide as the registers.
                    pixel += unsafe {
                        if width == 2 * V::LANES {
                            pixels::<V, HIGH, 2>(g, &pass, pixel, left, output)
                        } else if width == V::LANES {
                            pixels::<V, TALL, 1>(g, &pass, pixel, left, output)
                        } else {
                            pixels::<N, TALL, 1>(g, &pass, pixel, left, output)
                        }
                    };
                }
            }
        }
    }
}

/// One pass over one panel: some runs of the patches and the panel's weights for them.
struct PanelPass<'a> {
    runs: Range<usize>,
    /// Whether these are the first runs: then there are no sums yet.
    is_first: bool,
    /// Whether these are the last runs: then bias, residual and clamp follow.
    is_last: bool,
    weights: &'a [f32],
    column: usize,
}

/// Computes as many pixels at a time as the number left allows, and returns how many.
///
/// # Safety
/// As for [`micro_kernel`], with `left` pixels from `pixel` on.
#[inline(always)]
unsafe fn pixels<V: Vector, const HIGH: usize, const WIDE: usize>(
    g: &Gemm<'_>,
    pass: &PanelPass<'_>,
    pixel: usize,
    left: usize,
    output: &mut [f32],
) -> usize {
    // SAFETY: no micro-kernel takes more pixels than are left.
    unsafe {
        if left >= HIGH {
            with_strides::<V, HIGH, WIDE>(g, pass, pixel, output)
        } else if HIGH > 8 && left >= 8 {
            with_strides::<V, 8, WIDE>(g, pass, pixel, output)
        } else if HIGH > 4 && left >= 4 {
            with_strides::<V, 4, WIDE>(g, pass, pixel, output)
        } else if left >= 2 {
            with_strides::<V, 2, WIDE>(g, pass, pixel, output)
        } else {
            with_strides::<V, 1, WIDE>(g, pass, pixel, output)
        }
    }
}

/// Makes the strides constants in the usual case, where a pixel's patch is its own blocks of channels. Returns `HIGH`.
///
/// # Safety
/// As for [`micro_kernel`].
#[inline(always)]
unsafe fn with_strides<V: Vector, const HIGH: usize, const WIDE: usize>(
    g: &Gemm<'_>,
    pass: &PanelPass<'_>,
    pixel: usize,
    output: &mut [f32],
) -> usize {
    // SAFETY: as promised to this function.
    unsafe {
        if g.pixel_stride == BLOCK && g.patch.run_len == BLOCK {
            micro_kernel::<V, HIGH, WIDE>(g, pass, pixel, BLOCK, BLOCK, output);
        } else {
            micro_kernel::<V, HIGH, WIDE>(g, pass, pixel, g.pixel_stride, g.patch.run_len, output);
        }
    }
    HIGH
}

/// Computes `HIGH` pixels by `WIDE` registers, whose sums stay in registers for the whole pass.
///
/// # Safety
/// The slices have been checked, `HIGH` pixels follow from `pixel` on, the panel is `WIDE` registers wide, and the
/// processor has the instruction set of `V`.
#[inline(always)]
unsafe fn micro_kernel<V: Vector, const HIGH: usize, const WIDE: usize>(
    g: &Gemm<'_>,
    pass: &PanelPass<'_>,
    pixel: usize,
    pixel_stride: usize,
    run_len: usize,
    output: &mut [f32],
) {
    // SAFETY: the pixels, runs and columns are in the slices, whose lengths were checked.
    unsafe {
        // Where register `j` of pixel `i` starts in the output and in the residual.
        let index = |i: usize, j: usize| {
            let column = pass.column - g.column_range.start + j * V::LANES;
            column / BLOCK * g.block_stride + column % BLOCK + (pixel + i) * BLOCK
        };
        let mut sums = [[V::splat(0.0); WIDE]; HIGH];
        if !pass.is_first {
            for (i, sums) in sums.iter_mut().enumerate() {
                for (j, sum) in sums.iter_mut().enumerate() {
                    *sum = V::load_blocks(output.as_ptr().add(index(i, j)), g.block_stride);
                }
            }
        }
        let mut weights = pass.weights.as_ptr();
        let mut input = g
            .input
            .as_ptr()
            .add(pixel * pixel_stride + pass.runs.start * g.run_stride);
        for _ in pass.runs.clone() {
            for k in 0..run_len {
                let mut panel = [V::splat(0.0); WIDE];
                for (j, register) in panel.iter_mut().enumerate() {
                    *register = V::load(weights.add(j * V::LANES));
                }
                for (i, sums) in sums.iter_mut().enumerate() {
                    let value = V::splat(*input.add(i * pixel_stride + k));
                    for (sum, weight) in sums.iter_mut().zip(panel) {
                        *sum = sum.mul_add(value, weight);
                    }
                }
                weights = weights.add(WIDE * V::LANES);
            }
            input = input.wrapping_add(g.run_stride);
        }
        for (i, sums) in sums.into_iter().enumerate() {
            for (j, mut sum) in sums.into_iter().enumerate() {
                let at = index(i, j);
                if pass.is_last {
                    // Added first, the biases, some of them a hundred times the products, would cost digits at every step.
                    sum = sum.add(V::load(g.bias.as_ptr().add(pass.column + j * V::LANES)));
                    if let Some(residual) = g.residual {
                        sum = sum.add(V::load_blocks(residual.as_ptr().add(at), g.block_stride));
                    }
                    sum = sum.clamp(g.clamp);
                }
                sum.store_blocks(output.as_mut_ptr().add(at), g.block_stride);
            }
        }
    }
}
