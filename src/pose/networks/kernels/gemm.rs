//! The matrix gemm behind every convolution that mixes channels.
//!
//! In: pixels or windows of them, packed weights, what to add. Out: the mixed, bounded channels of each pixel.

use super::layout::BLOCK;
use super::vector::{F32x4, Vector};
#[cfg(target_arch = "x86_64")]
use super::vector::{F32x8, F32x16};
use super::{Clamp, InstructionSet, Level, dispatch};
use std::ops::Range;

/// A matrix gemm. One row of the left matrix is what one output pixel sees of the input: some runs of neighbouring
/// values.
pub(crate) struct Gemm<'a> {
    /// Output pixels.
    pub pixels: usize,
    /// What one pixel sees.
    pub window: Patch,
    /// From what one pixel sees to what the next one sees, from the start of a run to that of the next one.
    pub steps: [usize; 2],
    /// Channels out, a multiple of 8: columns of the right matrix.
    pub columns: usize,
    /// The columns to compute: whole panels.
    pub column_range: Range<usize>,
    /// The input, from the first pixel's first value on.
    pub input: &'a [f32],
    /// The right matrix as [`pack_weights`] gives it.
    pub weights: &'a [f32],
    /// One value a column.
    pub bias: &'a [f32],
    /// Values laid out like the output that are added before the clamp, from the first pixel's first computed one on.
    pub residual: Option<&'a [f32]>,
    /// From a block of 8 channels of the output to the next block; a pixel's 8 values follow those of the pixel before.
    pub block_step: usize,
    /// Bounds of the result.
    pub clamp: Clamp,
}

/// Runs of values that one output pixel sees.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Patch {
    /// How many runs.
    pub runs: usize,
    /// Values in each.
    pub run_len: usize,
}

/// Values of a window that one pass works on: a panel of weights for them stays in the first-level cache.
const PASS_VALUES: usize = 288;

impl Patch {
    /// Values in all runs.
    pub(crate) fn values(self) -> usize {
        self.runs * self.run_len
    }

    /// The passes in which a gemm goes through the runs.
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

/// Splits columns, a multiple of 8, into panels as (start, width): of two registers, and at the end of one and of 8
/// columns where that is needed.
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

/// Blocks of channels in a panel: what is column_range at once starts at a multiple of them.
pub(crate) fn panel_blocks(set: InstructionSet) -> usize {
    (2 * set.lanes()).div_ceil(BLOCK)
}

/// Lays out a matrix of `patch.values()` rows and `columns` columns in the order in which a gemm reads it.
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

/// Computes `output = clamp(windows * weights + bias + residual)`: some channels of the pixels, from the first
/// computed one of the first pixel on.
///
/// # Panics
/// Where a slice does not have the size that the numbers ask for.
pub(crate) fn gemm(set: InstructionSet, p: &Gemm<'_>, output: &mut [f32]) {
    let Patch { runs, run_len } = p.window;
    assert!(
        p.columns.is_multiple_of(BLOCK) && p.columns > 0 && p.pixels > 0 && runs > 0 && run_len > 0,
        "size of a gemm"
    );
    let last = (p.pixels - 1) * p.steps[0] + (runs - 1) * p.steps[1] + run_len - 1;
    assert!(last < p.input.len(), "input of a gemm");
    assert_eq!(
        p.weights.len(),
        p.window.values() * p.columns,
        "weights of a gemm"
    );
    assert_eq!(p.bias.len(), p.columns, "bias of a gemm");
    let whole =
        |column: usize| column == p.columns || column.is_multiple_of(panel_blocks(set) * BLOCK);
    assert!(
        p.column_range.start < p.column_range.end
            && p.column_range.end <= p.columns
            && whole(p.column_range.start)
            && whole(p.column_range.end),
        "columns of a gemm"
    );
    let reach = (p.column_range.len() / BLOCK - 1) * p.block_step + p.pixels * BLOCK;
    assert!(
        p.residual.is_none_or(|residual| residual.len() >= reach),
        "residual of a gemm"
    );
    assert!(output.len() >= reach, "output of a gemm");
    dispatch!(set, gemm_portable, gemm_avx2, gemm_avx512, (p, output));
}

unsafe fn gemm_portable(p: &Gemm<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x4, F32x4, 6, 12>(p, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn gemm_avx2(p: &Gemm<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x8, F32x8, 6, 12>(p, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,avx512f,avx512vl")]
unsafe fn gemm_avx512(p: &Gemm<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x16, F32x8, 8, 16>(p, output) }
}

/// Input values that one sweep over the weights works on: small enough for the first-level cache where the weights
/// are few, and for the second-level one where sweeping over them is what costs.
const L1_VALUES: usize = 6 * 1024;
const L2_VALUES: usize = 48 * 1024;

/// Panels of two registers `V` and micro_kernels of `HIGH` pixels, or of one register or one narrow register `N` and micro_kernels of
/// `TALL` pixels; fewer pixels at the end. Three registers would need one register more than AVX2 has, and spill.
///
/// # Safety
/// The slices have been checked, and the sets of `V` and `N` are there.
#[inline(always)]
unsafe fn run<V: Vector, N: Vector, const HIGH: usize, const TALL: usize>(
    p: &Gemm<'_>,
    output: &mut [f32],
) {
    let mut weights = p.weights;
    for runs in p.window.passes() {
        let depth = runs.len() * p.window.run_len;
        let (now, later) = weights.split_at(depth * p.columns);
        weights = later;
        let values = if depth * p.column_range.len() > L1_VALUES {
            L2_VALUES
        } else {
            L1_VALUES
        };
        let sweep = (values / depth).next_multiple_of(2 * TALL);
        for first in (0..p.pixels).step_by(sweep) {
            let last = (first + sweep).min(p.pixels);
            let column_range = |(column, _): &(usize, usize)| p.column_range.contains(column);
            for (column, width) in panels(p.columns, V::LANES).filter(column_range) {
                let pass = PanelPass {
                    runs: runs.clone(),
                    starts: runs.start == 0,
                    ends: runs.end == p.window.runs,
                    weights: &now[depth * column..depth * (column + width)],
                    column,
                };
                let mut pixel = first;
                while pixel < last {
                    let left = last - pixel;
                    // SAFETY: the pixels and the columns of each micro_kernel exist.
                    pixel += unsafe {
                        if width == 2 * V::LANES {
                            micro_kernels::<V, HIGH, 2>(p, &pass, pixel, left, output)
                        } else if width == V::LANES {
                            micro_kernels::<V, TALL, 1>(p, &pass, pixel, left, output)
                        } else {
                            micro_kernels::<N, TALL, 1>(p, &pass, pixel, left, output)
                        }
                    };
                }
            }
        }
    }
}

/// Some runs of the windows and one panel of the weights for them.
struct PanelPass<'a> {
    runs: Range<usize>,
    /// Whether these are the first runs: then nothing has been added up yet.
    starts: bool,
    /// Whether these are the last runs: then bias, residual and clamp follow.
    ends: bool,
    weights: &'a [f32],
    column: usize,
}

/// Computes one micro_kernel as high as the pixels that are left allow, and returns its height.
#[inline(always)]
unsafe fn micro_kernels<V: Vector, const HIGH: usize, const WIDE: usize>(
    p: &Gemm<'_>,
    pass: &PanelPass<'_>,
    pixel: usize,
    left: usize,
    output: &mut [f32],
) -> usize {
    // SAFETY: no micro_kernel is higher than the pixels that are left.
    unsafe {
        if left >= HIGH {
            sized_micro_kernel::<V, HIGH, WIDE>(p, pass, pixel, output)
        } else if HIGH > 8 && left >= 8 {
            sized_micro_kernel::<V, 8, WIDE>(p, pass, pixel, output)
        } else if HIGH > 4 && left >= 4 {
            sized_micro_kernel::<V, 4, WIDE>(p, pass, pixel, output)
        } else if left >= 2 {
            sized_micro_kernel::<V, 2, WIDE>(p, pass, pixel, output)
        } else {
            sized_micro_kernel::<V, 1, WIDE>(p, pass, pixel, output)
        }
    }
}

/// Has the compiler know the distances in the usual case, where a pixel sees the blocks of its own channels.
#[inline(always)]
unsafe fn sized_micro_kernel<V: Vector, const HIGH: usize, const WIDE: usize>(
    p: &Gemm<'_>,
    pass: &PanelPass<'_>,
    pixel: usize,
    output: &mut [f32],
) -> usize {
    // SAFETY: as promised to this function.
    unsafe {
        if p.steps[0] == BLOCK && p.window.run_len == BLOCK {
            micro_kernel::<V, HIGH, WIDE>(p, pass, pixel, BLOCK, BLOCK, output);
        } else {
            micro_kernel::<V, HIGH, WIDE>(p, pass, pixel, p.steps[0], p.window.run_len, output);
        }
    }
    HIGH
}

/// `HIGH` pixels by `WIDE` registers of a gemm, kept in registers from the first of the runs to the last.
#[inline(always)]
unsafe fn micro_kernel<V: Vector, const HIGH: usize, const WIDE: usize>(
    p: &Gemm<'_>,
    pass: &PanelPass<'_>,
    pixel: usize,
    pixel_step: usize,
    run_len: usize,
    output: &mut [f32],
) {
    // SAFETY: the pixels, the runs and the columns exist in the slices, whose sizes were checked.
    unsafe {
        // Where the values of register `j` of pixel `i` are in the output and in the residual.
        let place = |i: usize, j: usize| {
            let column = pass.column - p.column_range.start + j * V::LANES;
            column / BLOCK * p.block_step + column % BLOCK + (pixel + i) * BLOCK
        };
        let mut sums = [[V::splat(0.0); WIDE]; HIGH];
        if !pass.starts {
            for (i, sums) in sums.iter_mut().enumerate() {
                for (j, sum) in sums.iter_mut().enumerate() {
                    *sum = V::load_blocks(output.as_ptr().add(place(i, j)), p.block_step);
                }
            }
        }
        let mut weights = pass.weights.as_ptr();
        let mut input = p
            .input
            .as_ptr()
            .add(pixel * pixel_step + pass.runs.start * p.steps[1]);
        for _ in pass.runs.clone() {
            for k in 0..run_len {
                let mut panel = [V::splat(0.0); WIDE];
                for (j, register) in panel.iter_mut().enumerate() {
                    *register = V::load(weights.add(j * V::LANES));
                }
                for (i, sums) in sums.iter_mut().enumerate() {
                    let value = V::splat(*input.add(i * pixel_step + k));
                    for (sum, weight) in sums.iter_mut().zip(panel) {
                        *sum = sum.mul_add(value, weight);
                    }
                }
                weights = weights.add(WIDE * V::LANES);
            }
            input = input.wrapping_add(p.steps[1]);
        }
        for (i, sums) in sums.into_iter().enumerate() {
            for (j, mut sum) in sums.into_iter().enumerate() {
                let at = place(i, j);
                if pass.ends {
                    // Some biases are a hundred times the products: added first, they would cost digits at every step.
                    sum = sum.add(V::load(p.bias.as_ptr().add(pass.column + j * V::LANES)));
                    if let Some(residual) = p.residual {
                        sum = sum.add(V::load_blocks(residual.as_ptr().add(at), p.block_step));
                    }
                    sum = sum.clamp(p.clamp);
                }
                sum.store_blocks(output.as_mut_ptr().add(at), p.block_step);
            }
        }
    }
}
