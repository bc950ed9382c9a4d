//! The convolution of each channel with its own kernel.
//!
//! In: a picture, one small kernel a channel. Out: the bounded result. Kernel taps that fall outside the picture are
//! left out, which is what a border of zeros would give.

#[cfg(target_arch = "x86_64")]
use super::vector::{Avx8, Avx512x16};
use super::vector::{Base4, Vector};
use super::{Clamp, InstructionSet, Level, blocks, dispatch};
use std::mem::MaybeUninit;
use std::ops::Range;

/// A convolution of each channel with its own `K` by `K` kernel.
pub struct Depthwise<'a> {
    /// Height and width of the input.
    pub input_size: [usize; 2],
    /// Height and width of the output.
    pub output_size: [usize; 2],
    /// Channels, a multiple of 8.
    pub channels: usize,
    /// Step in both directions.
    pub stride: usize,
    /// Rows above and columns left of the input that count as zero.
    pub padding: [usize; 2],
    /// Height times width times channels.
    pub input: &'a [f32],
    /// Blocks of [`InstructionSet::lane_widths`] channels one after the other, each with its `K * K` taps in row order.
    pub weights: &'a [f32],
    /// One value a channel.
    pub bias: &'a [f32],
    /// Bounds of the result.
    pub clamp: Clamp,
}

/// Computes `output = clamp(depthwise convolution + bias)` and fills all of `output`.
///
/// # Panics
/// Where a slice does not have the size that the numbers ask for.
pub fn depthwise<const K: usize>(
    set: InstructionSet,
    d: &Depthwise<'_>,
    output: &mut [MaybeUninit<f32>],
) {
    assert!(
        d.channels.is_multiple_of(8) && d.stride > 0,
        "channels and stride of a depthwise convolution"
    );
    assert_eq!(
        d.input.len(),
        d.input_size[0] * d.input_size[1] * d.channels,
        "input of a depthwise convolution"
    );
    assert_eq!(
        d.weights.len(),
        K * K * d.channels,
        "weights of a depthwise convolution"
    );
    assert_eq!(d.bias.len(), d.channels, "bias of a depthwise convolution");
    assert_eq!(
        output.len(),
        d.output_size[0] * d.output_size[1] * d.channels,
        "output of a depthwise convolution"
    );
    dispatch!(
        set,
        depthwise_portable::<K>,
        depthwise_avx2::<K>,
        depthwise_avx512::<K>,
        (d, set, output)
    );
}

unsafe fn depthwise_portable<const K: usize>(
    d: &Depthwise<'_>,
    set: InstructionSet,
    output: &mut [MaybeUninit<f32>],
) {
    // SAFETY: as promised to this function.
    unsafe { run::<Base4, Base4, K>(d, set, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn depthwise_avx2<const K: usize>(
    d: &Depthwise<'_>,
    set: InstructionSet,
    output: &mut [MaybeUninit<f32>],
) {
    // SAFETY: as promised to this function.
    unsafe { run::<Avx8, Avx8, K>(d, set, output) }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,avx512f,avx512vl")]
unsafe fn depthwise_avx512<const K: usize>(
    d: &Depthwise<'_>,
    set: InstructionSet,
    output: &mut [MaybeUninit<f32>],
) {
    // SAFETY: as promised to this function.
    unsafe { run::<Avx512x16, Avx8, K>(d, set, output) }
}

/// # Safety
/// The slices have been checked, and the sets of `V` and `N` are there.
#[inline(always)]
unsafe fn run<V: Vector, N: Vector, const K: usize>(
    d: &Depthwise<'_>,
    set: InstructionSet,
    output: &mut [MaybeUninit<f32>],
) {
    for (channel, width) in blocks(d.channels, set.lane_widths()) {
        // SAFETY: the channels of a block exist.
        unsafe {
            if width == V::LANES {
                all_pixels::<V, K>(d, channel, output);
            } else {
                all_pixels::<N, K>(d, channel, output);
            }
        }
    }
}

/// Every output pixel of the channels from `channel` on that fill one register.
#[inline(always)]
unsafe fn all_pixels<V: Vector, const K: usize>(
    d: &Depthwise<'_>,
    channel: usize,
    output: &mut [MaybeUninit<f32>],
) {
    let [height, width] = d.input_size;
    let [rows, columns] = d.output_size;
    let [top, left] = d.padding;
    // Between these columns the whole kernel lies inside the input.
    let inner_start = left.div_ceil(d.stride).min(columns);
    let inner_end = (width + left)
        .checked_sub(K)
        .map_or(0, |room| (room / d.stride + 1).min(columns));
    for row in 0..rows {
        let y = row * d.stride;
        let ky = top.saturating_sub(y).min(K)..(height + top).saturating_sub(y).min(K);
        let mut column = 0;
        while column < columns {
            let inner = if column >= inner_start {
                inner_end.saturating_sub(column)
            } else {
                0
            };
            // SAFETY: the kernel rows and columns are those that lie inside the input, for each of the pixels.
            column += unsafe {
                if inner >= 8 {
                    pixels::<V, K, 8>(d, channel, row, column, ky.clone(), 0..K, output)
                } else if inner >= 4 {
                    pixels::<V, K, 4>(d, channel, row, column, ky.clone(), 0..K, output)
                } else if inner >= 2 {
                    pixels::<V, K, 2>(d, channel, row, column, ky.clone(), 0..K, output)
                } else {
                    let x = column * d.stride;
                    let kx = left.saturating_sub(x).min(K)..(width + left).saturating_sub(x).min(K);
                    pixels::<V, K, 1>(d, channel, row, column, ky.clone(), kx, output)
                }
            };
        }
    }
}

/// `COUNT` neighbouring output pixels together, so that each weight is read once for all; returns their number.
#[inline(always)]
unsafe fn pixels<V: Vector, const K: usize, const COUNT: usize>(
    d: &Depthwise<'_>,
    channel: usize,
    row: usize,
    column: usize,
    ky: Range<usize>,
    kx: Range<usize>,
    output: &mut [MaybeUninit<f32>],
) -> usize {
    // SAFETY: taps `ky` and `kx` of all these pixels lie inside the input and the slices have been checked.
    unsafe {
        let weights = d.weights.as_ptr().add(channel * K * K);
        let step = d.stride * d.channels;
        let mut sums = [V::splat(0.0); COUNT];
        for ky in ky {
            let y = row * d.stride + ky - d.padding[0];
            for kx in kx.clone() {
                let x = column * d.stride + kx - d.padding[1];
                let input = d
                    .input
                    .as_ptr()
                    .add((y * d.input_size[1] + x) * d.channels + channel);
                let weight = V::load(weights.add((ky * K + kx) * V::LANES));
                for (n, sum) in sums.iter_mut().enumerate() {
                    *sum = sum.plus_product(V::load(input.add(n * step)), weight);
                }
            }
        }
        let bias = V::load(d.bias.as_ptr().add(channel));
        let to = output
            .as_mut_ptr()
            .add((row * d.output_size[1] + column) * d.channels + channel);
        for (n, sum) in sums.into_iter().enumerate() {
            sum.plus(bias)
                .clamped(d.clamp)
                .store(to.add(n * d.channels).cast());
        }
    }
    COUNT
}
