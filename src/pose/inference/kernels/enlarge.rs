//! The bilinear enlargement by two.
//!
//! In: a picture. Out: the picture at twice its height and width, bounded, with another one added.

#[cfg(target_arch = "x86_64")]
use super::vector::Avx8;
use super::vector::{Base4, Vector};
use super::{Clamp, InstructionSet, Level, dispatch};
use std::mem::MaybeUninit;

/// A bilinear enlargement by two in half-pixel coordinates.
pub struct Enlargement<'a> {
    /// Height and width of the input.
    pub input_size: [usize; 2],
    /// Channels, a multiple of 8.
    pub channels: usize,
    /// Height times width times channels.
    pub input: &'a [f32],
    /// Bounds of the enlarged value.
    pub clamp: Clamp,
    /// Values of the output's size that are added after the clamp.
    pub residual: Option<&'a [f32]>,
}

/// Share of the nearer and of the farther input pixel in an enlarged one: their centres lie 1/4 and 3/4 pixel away.
const NEAR: f32 = 0.75;
const FAR: f32 = 0.25;

/// Computes `output = clamp(enlarged) + residual` and fills all of `output`.
///
/// # Panics
/// Where a slice does not have the size that the numbers ask for.
pub fn enlarge(set: InstructionSet, e: &Enlargement<'_>, output: &mut [MaybeUninit<f32>]) {
    let values = e.input_size[0] * e.input_size[1] * e.channels;
    assert!(e.channels.is_multiple_of(8), "channels of an enlargement");
    assert_eq!(e.input.len(), values, "input of an enlargement");
    assert!(
        e.residual
            .is_none_or(|residual| residual.len() == 4 * values),
        "residual of an enlargement"
    );
    assert_eq!(output.len(), 4 * values, "output of an enlargement");
    dispatch!(
        set,
        enlarge_portable,
        enlarge_avx2,
        enlarge_avx2,
        (e, output)
    );
}

unsafe fn enlarge_portable(e: &Enlargement<'_>, output: &mut [MaybeUninit<f32>]) {
    // SAFETY: as promised to this function.
    unsafe { run::<Base4>(e, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn enlarge_avx2(e: &Enlargement<'_>, output: &mut [MaybeUninit<f32>]) {
    // SAFETY: as promised to this function.
    unsafe { run::<Avx8>(e, output) }
}

/// The other input pixel that an output pixel lies near: before it for even positions, after it for odd ones. The
/// border repeats itself.
fn farther(position: usize, size: usize) -> usize {
    if position.is_multiple_of(2) {
        (position / 2).saturating_sub(1)
    } else {
        (position / 2 + 1).min(size - 1)
    }
}

/// # Safety
/// The slices have been checked, and the set of `V` is there.
#[inline(always)]
unsafe fn run<V: Vector>(e: &Enlargement<'_>, output: &mut [MaybeUninit<f32>]) {
    let [height, width] = e.input_size;
    let row_values = width * e.channels;
    let mut blended = vec![0.0; row_values];
    // SAFETY: every pixel index below is inside the input or the output, whose sizes were checked, and every block of
    // lanes ends at or before the last channel because the channels are a multiple of the lanes.
    unsafe {
        let (near, far) = (V::splat(NEAR), V::splat(FAR));
        let blend = |a: *const f32, b: *const f32| {
            V::splat(0.0)
                .plus_product(near, V::load(a))
                .plus_product(far, V::load(b))
        };
        for y in 0..2 * height {
            let (a, b) = (
                e.input.as_ptr().add(y / 2 * row_values),
                e.input.as_ptr().add(farther(y, height) * row_values),
            );
            for at in (0..row_values).step_by(V::LANES) {
                blend(a.add(at), b.add(at)).store(blended.as_mut_ptr().add(at));
            }
            for x in 0..2 * width {
                let a = blended.as_ptr().add(x / 2 * e.channels);
                let b = blended.as_ptr().add(farther(x, width) * e.channels);
                let start = (y * 2 * width + x) * e.channels;
                for channel in (0..e.channels).step_by(V::LANES) {
                    let mut value = blend(a.add(channel), b.add(channel)).clamped(e.clamp);
                    if let Some(residual) = e.residual {
                        value = value.plus(V::load(residual.as_ptr().add(start + channel)));
                    }
                    value.store(output.as_mut_ptr().add(start + channel).cast());
                }
            }
        }
    }
}
