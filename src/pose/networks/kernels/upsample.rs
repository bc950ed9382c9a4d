//! Upsampling by two.
//!
//! In: a feature map. Out: the map at twice its height and width, clamped, with another one added.

use super::layout::{BLOCK, Layout, Tile};
#[cfg(target_arch = "x86_64")]
use super::vector::F32x8;
use super::vector::{F32x4, Vector};
use super::{Clamp, InstructionSet, Level, dispatch};

/// How an output pixel is made of the input pixels about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Enlarging {
    /// In half-pixel coordinates, in each direction of the nearer and the farther pixel: their centers are 1/4 and 3/4 of a
    /// pixel away.
    Bilinear,
    /// The nearer pixel's value.
    Nearest,
}

impl Enlarging {
    /// Weights of the nearer and the farther input pixel.
    const fn weights(self) -> (f32, f32) {
        match self {
            Self::Bilinear => (0.75, 0.25),
            Self::Nearest => (1.0, 0.0),
        }
    }
}

/// An upsampling by two.
pub(crate) struct Upsampling<'a> {
    /// How pixels are made.
    pub enlarging: Enlarging,
    /// The input.
    pub input: &'a [f32],
    /// The layout of the input, which holds the rows that the tile needs.
    pub from: Layout,
    /// The layout of the output.
    pub to: Layout,
    /// What to compute of the output.
    pub tile: &'a Tile,
    /// Bounds of the upsampled value.
    pub clamp: Clamp,
    /// The same tile of another map, which is added after the clamp.
    pub residual: Option<&'a [f32]>,
}

/// Computes `output = clamp(upsampled) + residual` for one tile.
///
/// # Panics
/// Where a slice does not have the length that the layouts ask for.
pub(crate) fn upsample(set: InstructionSet, e: &Upsampling<'_>, output: &mut [f32]) {
    let (from, to) = (e.from, e.to);
    assert!(
        to.height == 2 * from.height
            && to.width == 2 * from.width
            && from.holds(&e.tile.blocks)
            && e.tile.band < to.bands(),
        "size of an upsampling"
    );
    assert_eq!(e.input.len(), from.len(), "input of an upsampling");
    assert!(
        e.residual
            .is_none_or(|residual| residual.len() == to.tile_len(e.tile)),
        "residual of an upsampling"
    );
    assert_eq!(output.len(), to.tile_len(e.tile), "output of an upsampling");
    dispatch!(
        set,
        enlarge_portable,
        enlarge_avx2,
        enlarge_avx2,
        (e, output)
    );
}

unsafe fn enlarge_portable(e: &Upsampling<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x4>(e, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn enlarge_avx2(e: &Upsampling<'_>, output: &mut [f32]) {
    // SAFETY: as promised to this function.
    unsafe { run::<F32x8>(e, output) }
}

/// The input rows that some output rows are computed from.
pub(crate) fn rows_needed(
    rows: std::ops::Range<usize>,
    input_height: usize,
) -> std::ops::Range<usize> {
    (rows.start / 2).saturating_sub(usize::from(rows.start.is_multiple_of(2)))
        ..(rows.end / 2 + 1).min(input_height)
}

/// The farther of the two input rows around an output row: above for even rows, below for odd ones, the edge row itself
/// at the edges.
fn farther_row(row: usize, height: usize) -> usize {
    if row.is_multiple_of(2) {
        (row / 2).saturating_sub(1)
    } else {
        (row / 2 + 1).min(height - 1)
    }
}

/// # Safety
/// The slices have been checked, and the processor has the instruction set of `V`.
#[inline(always)]
unsafe fn run<V: Vector>(e: &Upsampling<'_>, output: &mut [f32]) {
    let Layout { height, width, .. } = e.from;
    // SAFETY: every index below is inside the input or the output, whose lengths were checked.
    unsafe {
        let (near, far) = e.enlarging.weights();
        let (near, far) = (V::splat(near), V::splat(far));
        let blend = |a: V, b: V| V::splat(0.0).mul_add(near, a).mul_add(far, b);
        for block in e.tile.blocks.clone() {
            for row in e.to.rows(e.tile.band) {
                for lane in (0..BLOCK).step_by(V::LANES) {
                    let upper = e.input.as_ptr().add(e.from.at(row / 2, block) + lane);
                    let lower = e
                        .input
                        .as_ptr()
                        .add(e.from.at(farther_row(row, height), block) + lane);
                    let column = |x: usize| {
                        let x = x.min(width - 1) * BLOCK;
                        blend(V::load(upper.add(x)), V::load(lower.add(x)))
                    };
                    let to = e.to.in_tile(e.tile, row, block) + lane;
                    let mut write = |x: usize, value: V| {
                        let at = to + x * BLOCK;
                        let mut value = value.clamp(e.clamp);
                        if let Some(residual) = e.residual {
                            value = value.add(V::load(residual.as_ptr().add(at)));
                        }
                        value.store(output.as_mut_ptr().add(at));
                    };
                    let mut here = column(0);
                    let mut before = here;
                    for x in 0..width {
                        let after = column(x + 1);
                        write(2 * x, blend(here, before));
                        write(2 * x + 1, blend(here, after));
                        (before, here) = (here, after);
                    }
                }
            }
        }
    }
}
