//! The matrix product behind every convolution that mixes channels.
//!
//! In: pixels or windows of them, packed weights, what to add. Out: the mixed, bounded channels of each pixel.

#[cfg(target_arch = "x86_64")]
use super::vector::{Avx8, Avx512x16};
use super::vector::{Base4, Vector};
use super::{Clamp, InstructionSet, Level, blocks, dispatch};
use std::mem::MaybeUninit;

/// A matrix product. One row of the left matrix is the window of the input that one output pixel sees: some runs of
/// neighbouring values, one below the other in the picture.
pub struct Product<'a> {
    /// Output pixels.
    pub rows: usize,
    /// Runs in a window, values in a run.
    pub window: [usize; 2],
    /// From the start of a window to that of the next one, from the start of a run to that of the next one.
    pub steps: [usize; 2],
    /// Channels out.
    pub columns: usize,
    /// The windows' values, from the first window's first on.
    pub input: &'a [f32],
    /// Panels of [`InstructionSet::panel_widths`] columns one after the other, each with a row of its width for every
    /// value of a window; columns past the last one are zero up to a multiple of 8.
    pub weights: &'a [f32],
    /// One value a column, up to the same multiple of 8.
    pub bias: &'a [f32],
    /// `rows * columns` values that are added before the clamp.
    pub residual: Option<&'a [f32]>,
    /// Bounds of the result.
    pub clamp: Clamp,
}

impl Product<'_> {
    /// Values in a window.
    fn depth(&self) -> usize {
        self.window[0] * self.window[1]
    }
}

/// Computes `output = clamp(windows * weights + bias + residual)` and fills all of `output`.
///
/// # Panics
/// Where a slice does not have the size that the numbers ask for.
pub fn product(set: InstructionSet, p: &Product<'_>, output: &mut [MaybeUninit<f32>]) {
    let padded = p.columns.next_multiple_of(8);
    if p.rows > 0 && p.depth() > 0 {
        let last = (p.rows - 1) * p.steps[0] + (p.window[0] - 1) * p.steps[1] + p.window[1] - 1;
        assert!(last < p.input.len(), "input of a product");
    }
    assert_eq!(p.weights.len(), p.depth() * padded, "weights of a product");
    assert_eq!(p.bias.len(), padded, "bias of a product");
    assert!(
        p.residual
            .is_none_or(|residual| residual.len() == p.rows * p.columns),
        "residual of a product"
    );
    assert_eq!(output.len(), p.rows * p.columns, "output of a product");
    dispatch!(
        set,
        product_portable,
        product_avx2,
        product_avx512,
        (p, set, output)
    );
}

unsafe fn product_portable(p: &Product<'_>, set: InstructionSet, output: &mut [MaybeUninit<f32>]) {
    // SAFETY: as promised to this function.
    unsafe { run::<Base4, Base4, 4, 1, 2>(p, set, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn product_avx2(p: &Product<'_>, set: InstructionSet, output: &mut [MaybeUninit<f32>]) {
    // SAFETY: as promised to this function.
    unsafe { run::<Avx8, Avx8, 6, 2, 2>(p, set, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,avx512f,avx512vl")]
unsafe fn product_avx512(p: &Product<'_>, set: InstructionSet, output: &mut [MaybeUninit<f32>]) {
    // SAFETY: as promised to this function.
    unsafe { run::<Avx512x16, Avx8, 8, 4, 2>(p, set, output) }
}

/// Input values that one pass over the weights works on: small enough for the first-level cache.
const BLOCK_VALUES: usize = 6 * 1024;

/// Tiles of `HIGH` rows, then `LOW`, then one; panels of `WIDE` registers `V`, of one, or of one narrow register `N`.
///
/// # Safety
/// The slices have been checked, and the sets of `V` and `N` are there.
#[inline(always)]
unsafe fn run<V: Vector, N: Vector, const HIGH: usize, const LOW: usize, const WIDE: usize>(
    p: &Product<'_>,
    set: InstructionSet,
    output: &mut [MaybeUninit<f32>],
) {
    let block_rows = (BLOCK_VALUES / p.depth().max(1))
        .next_multiple_of(HIGH)
        .max(HIGH);
    for first in (0..p.rows).step_by(block_rows) {
        let last = (first + block_rows).min(p.rows);
        for (column, width) in blocks(p.columns.next_multiple_of(8), set.panel_widths()) {
            let mut row = first;
            while row < last {
                // SAFETY: the rows and the columns of each tile lie within the matrix.
                row += unsafe {
                    if width == WIDE * V::LANES {
                        tiles::<V, HIGH, LOW, WIDE>(p, row, last - row, column, output)
                    } else if width == V::LANES {
                        tiles::<V, HIGH, LOW, 1>(p, row, last - row, column, output)
                    } else {
                        tiles::<N, HIGH, LOW, 1>(p, row, last - row, column, output)
                    }
                };
            }
        }
    }
}

/// Computes one tile as high as the rows that are left allow, and returns its height.
#[inline(always)]
unsafe fn tiles<V: Vector, const HIGH: usize, const LOW: usize, const WIDE: usize>(
    p: &Product<'_>,
    row: usize,
    left: usize,
    column: usize,
    output: &mut [MaybeUninit<f32>],
) -> usize {
    // SAFETY: no tile is higher than the rows that are left.
    unsafe {
        if left >= HIGH {
            tile::<V, HIGH, WIDE>(p, row, column, output);
            HIGH
        } else if left >= LOW {
            tile::<V, LOW, WIDE>(p, row, column, output);
            LOW
        } else {
            tile::<V, 1, WIDE>(p, row, column, output);
            1
        }
    }
}

/// `HIGH` rows by `WIDE` registers of a product, kept in registers from the first value of the windows to the last.
#[inline(always)]
unsafe fn tile<V: Vector, const HIGH: usize, const WIDE: usize>(
    p: &Product<'_>,
    row: usize,
    column: usize,
    output: &mut [MaybeUninit<f32>],
) {
    // SAFETY: rows `row..row + HIGH` and columns up to the end of this panel exist in the slices, whose sizes were
    // checked; columns past the last one are written value by value below.
    unsafe {
        let mut sums = [[V::splat(0.0); WIDE]; HIGH];
        let mut weights = p.weights.as_ptr().add(column * p.depth());
        for run in 0..p.window[0] {
            let input = p.input.as_ptr().add(row * p.steps[0] + run * p.steps[1]);
            for k in 0..p.window[1] {
                let mut panel = [V::splat(0.0); WIDE];
                for (j, register) in panel.iter_mut().enumerate() {
                    *register = V::load(weights.add(j * V::LANES));
                }
                for (i, sums) in sums.iter_mut().enumerate() {
                    let value = V::splat(*input.add(i * p.steps[0] + k));
                    for (sum, weight) in sums.iter_mut().zip(panel) {
                        *sum = sum.plus_product(value, weight);
                    }
                }
                weights = weights.add(WIDE * V::LANES);
            }
        }
        for (i, sums) in sums.into_iter().enumerate() {
            for (j, sum) in sums.into_iter().enumerate() {
                let column = column + j * V::LANES;
                let at = (row + i) * p.columns + column;
                // Some biases are a hundred times the products: added first, they would cost digits at every step.
                let sum = sum.plus(V::load(p.bias.as_ptr().add(column)));
                if column + V::LANES <= p.columns {
                    let sum = match p.residual {
                        Some(residual) => sum.plus(V::load(residual.as_ptr().add(at))),
                        None => sum,
                    };
                    sum.clamped(p.clamp)
                        .store(output.as_mut_ptr().add(at).cast());
                } else {
                    partial(p, sum, at, p.columns.saturating_sub(column), output);
                }
            }
        }
    }
}

/// Writes the `count` columns that exist of a register that reaches past the last one.
#[inline(never)]
unsafe fn partial<V: Vector>(
    p: &Product<'_>,
    sum: V,
    at: usize,
    count: usize,
    output: &mut [MaybeUninit<f32>],
) {
    let mut values = [0.0; 16];
    // SAFETY: no register is longer than these values.
    unsafe { sum.store(values.as_mut_ptr()) }
    for (lane, value) in values.into_iter().enumerate().take(count) {
        let value = value + p.residual.map_or(0.0, |residual| residual[at + lane]);
        output[at + lane].write(value.max(p.clamp.low).min(p.clamp.high));
    }
}
