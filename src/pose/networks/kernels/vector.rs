//! A vector register of floats, for each instruction set.
//!
//! In and out: pointers to adjacent floats. This is the only place that names vector instructions.

use super::Clamp;

/// A register of adjacent channels.
///
/// # Safety
/// The functions may be called only where the processor has the implementor's instruction set, from a function that was
/// compiled for it; `from` and `to` must point at `LANES` floats that may be read or written.
pub(super) trait Vector: Copy {
    /// Floats in the register.
    const LANES: usize;
    unsafe fn splat(value: f32) -> Self;
    unsafe fn load(from: *const f32) -> Self;
    unsafe fn store(self, to: *mut f32);
    /// One block of eight channels (or the part of it from `from` on) as often as the register has room for it.
    unsafe fn broadcast_block(from: *const f32) -> Self;
    /// Adjacent channels of one pixel, where blocks of eight channels are `stride` apart.
    unsafe fn load_blocks(from: *const f32, stride: usize) -> Self;
    /// Writes adjacent channels of one pixel, where blocks of eight channels are `stride` apart.
    unsafe fn store_blocks(self, to: *mut f32, stride: usize);
    unsafe fn add(self, other: Self) -> Self;
    /// `self + a * b`, rounded once where the instruction set can.
    unsafe fn mul_add(self, a: Self, b: Self) -> Self;
    /// Keeps a NaN.
    unsafe fn clamp(self, clamp: Clamp) -> Self;
}

/// The block functions of a register that is no wider than a block.
macro_rules! block_or_less {
    () => {
        #[inline(always)]
        unsafe fn broadcast_block(from: *const f32) -> Self {
            // SAFETY: as promised to this function.
            unsafe { Self::load(from) }
        }

        #[inline(always)]
        unsafe fn load_blocks(from: *const f32, _stride: usize) -> Self {
            // SAFETY: as promised to this function.
            unsafe { Self::load(from) }
        }

        #[inline(always)]
        unsafe fn store_blocks(self, to: *mut f32, _stride: usize) {
            // SAFETY: as promised to this function.
            unsafe { self.store(to) }
        }
    };
}

#[cfg(not(target_arch = "x86_64"))]
pub(super) use portable::F32x4;
#[cfg(target_arch = "x86_64")]
pub(super) use x86::{F32x4, F32x8, F32x16};

/// For other processors: four floats, which the compiler puts into the registers there are.
#[cfg(not(target_arch = "x86_64"))]
mod portable {
    use super::{Clamp, Vector};

    #[derive(Clone, Copy)]
    pub(in super::super) struct F32x4([f32; 4]);

    /// Whether the build has a fused multiply-add instruction; without one it would be a slow library call.
    const FUSED: bool = cfg!(any(target_arch = "aarch64", target_feature = "fma"));

    impl Vector for F32x4 {
        const LANES: usize = 4;

        #[inline(always)]
        unsafe fn splat(value: f32) -> Self {
            Self([value; 4])
        }

        #[inline(always)]
        unsafe fn load(from: *const f32) -> Self {
            // SAFETY: the caller promises four readable floats.
            Self(unsafe { from.cast::<[f32; 4]>().read_unaligned() })
        }

        #[inline(always)]
        unsafe fn store(self, to: *mut f32) {
            // SAFETY: the caller promises four writable floats.
            unsafe { to.cast::<[f32; 4]>().write_unaligned(self.0) }
        }

        block_or_less!();

        #[inline(always)]
        unsafe fn add(mut self, other: Self) -> Self {
            for i in 0..4 {
                self.0[i] += other.0[i];
            }
            self
        }

        #[inline(always)]
        unsafe fn mul_add(mut self, a: Self, b: Self) -> Self {
            for i in 0..4 {
                self.0[i] = if FUSED {
                    a.0[i].mul_add(b.0[i], self.0[i])
                } else {
                    a.0[i] * b.0[i] + self.0[i]
                };
            }
            self
        }

        #[inline(always)]
        unsafe fn clamp(mut self, clamp: Clamp) -> Self {
            for value in &mut self.0 {
                *value = if *value < clamp.low {
                    clamp.low
                } else {
                    *value
                };
                *value = if *value > clamp.high {
                    clamp.high
                } else {
                    *value
                };
            }
            self
        }
    }
}

#[cfg(target_arch = "x86_64")]
mod x86 {
    use super::{Clamp, Vector};
    use std::arch::x86_64::*;

    /// In place of the fused multiply-add that plain x86-64 does not have; rounds twice.
    #[inline(always)]
    unsafe fn mul_then_add(a: __m128, b: __m128, sum: __m128) -> __m128 {
        // SAFETY: every x86-64 has these instructions.
        unsafe { _mm_add_ps(_mm_mul_ps(a, b), sum) }
    }

    /// The block functions of a register of two blocks, which is read and written in halves.
    macro_rules! two_blocks {
        () => {
            #[inline(always)]
            unsafe fn broadcast_block(from: *const f32) -> Self {
                unsafe { Self::load_blocks(from, 0) }
            }

            #[inline(always)]
            unsafe fn load_blocks(from: *const f32, stride: usize) -> Self {
                unsafe {
                    let low = _mm512_castpd256_pd512(_mm256_loadu_pd(from.cast()));
                    let high = _mm256_loadu_pd(from.add(stride).cast());
                    Self(_mm512_castpd_ps(_mm512_insertf64x4::<1>(low, high)))
                }
            }

            #[inline(always)]
            unsafe fn store_blocks(self, to: *mut f32, stride: usize) {
                unsafe {
                    let both = _mm512_castps_pd(self.0);
                    _mm256_storeu_pd(to.cast(), _mm512_castpd512_pd256(both));
                    _mm256_storeu_pd(to.add(stride).cast(), _mm512_extractf64x4_pd::<1>(both));
                }
            }
        };
    }

    /// Defines a vector over one register type.
    macro_rules! vector {
        ($name:ident, $register:ident, $lanes:literal, $set1:ident, $load:ident, $store:ident, $add:ident, $fma:ident,
         $min:ident, $max:ident, $blocks:ident) => {
            #[derive(Clone, Copy)]
            pub(in super::super) struct $name($register);

            // SAFETY (whole block): the caller promises the instruction set and, for pointers, enough floats there.
            // A minimum or maximum returns its second operand where one is NaN.
            impl Vector for $name {
                const LANES: usize = $lanes;

                #[inline(always)]
                unsafe fn splat(value: f32) -> Self {
                    Self(unsafe { $set1(value) })
                }

                #[inline(always)]
                unsafe fn load(from: *const f32) -> Self {
                    Self(unsafe { $load(from) })
                }

                #[inline(always)]
                unsafe fn store(self, to: *mut f32) {
                    unsafe { $store(to, self.0) }
                }

                $blocks!();

                #[inline(always)]
                unsafe fn add(self, other: Self) -> Self {
                    Self(unsafe { $add(self.0, other.0) })
                }

                #[inline(always)]
                unsafe fn mul_add(self, a: Self, b: Self) -> Self {
                    Self(unsafe { $fma(a.0, b.0, self.0) })
                }

                #[inline(always)]
                unsafe fn clamp(self, clamp: Clamp) -> Self {
                    Self(unsafe { $min($set1(clamp.high), $max($set1(clamp.low), self.0)) })
                }
            }
        };
    }

    vector!(
        F32x4,
        __m128,
        4,
        _mm_set1_ps,
        _mm_loadu_ps,
        _mm_storeu_ps,
        _mm_add_ps,
        mul_then_add,
        _mm_min_ps,
        _mm_max_ps,
        block_or_less
    );
    vector!(
        F32x8,
        __m256,
        8,
        _mm256_set1_ps,
        _mm256_loadu_ps,
        _mm256_storeu_ps,
        _mm256_add_ps,
        _mm256_fmadd_ps,
        _mm256_min_ps,
        _mm256_max_ps,
        block_or_less
    );
    vector!(
        F32x16,
        __m512,
        16,
        _mm512_set1_ps,
        _mm512_loadu_ps,
        _mm512_storeu_ps,
        _mm512_add_ps,
        _mm512_fmadd_ps,
        _mm512_min_ps,
        _mm512_max_ps,
        two_blocks
    );
}
