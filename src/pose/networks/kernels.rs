//! The inner loops of the networks: 32-bit floats in the blocked layout (see [`Layout`]), no threads, no allocation.
//!
//! In: slices and sizes. Out: filled output slices. Each loop is written once over a [`vector::Vector`] of adjacent
//! channels, compiled once per instruction set, and dispatched at run time, so one program serves every machine. Nothing
//! here knows about graphs or models.
//!
//! Every output value sums its products in one fixed order, so the instruction sets with fused multiply-add agree in
//! every bit.

// Vector instructions that the build does not assume, and loads through pointers in loops where a bounds check per load
// would cost as much as the arithmetic. Each function that starts such a loop checks its slices once before, and an
// `InstructionSet` exists only after the processor was found to have it.
#![allow(unsafe_code)]

mod depthwise;
mod gemm;
mod layout;
mod shared;
mod upsample;
mod vector;

pub(super) use depthwise::{Depthwise, depthwise};
pub(super) use gemm::{Gemm, Patch, gemm, pack_weights, panel_blocks};
pub(super) use layout::{AlignedBuffer, BLOCK, Layout, Tile};
pub(super) use shared::{SharedBuffer, SharedView};
pub(super) use upsample::{Enlarging, Upsampling, rows_needed, upsample};

/// An instruction set that this machine has.
#[derive(Clone, Copy, Debug, Hash, PartialEq, Eq)]
pub(super) struct InstructionSet(Level);

#[derive(Clone, Copy, Debug, Hash, PartialEq, Eq)]
enum Level {
    /// What the build assumes everywhere (SSE2 on x86-64, NEON on 64-bit ARM).
    Portable,
    /// 256-bit registers with fused multiply-add (x86-64 since about 2013).
    #[cfg(target_arch = "x86_64")]
    Avx2,
    /// 512-bit registers (newer x86-64).
    #[cfg(target_arch = "x86_64")]
    Avx512,
}

impl InstructionSet {
    /// The set to use on this machine: the widest, or none where tract's own operators are tuned for the processor, as
    /// they are on ARM.
    pub(super) fn preferred() -> Option<Self> {
        if cfg!(target_arch = "x86_64") {
            Self::available().last().copied()
        } else {
            None
        }
    }

    /// Every set this machine has, narrowest first.
    pub(super) fn available() -> Vec<Self> {
        let mut found = vec![Self(Level::Portable)];
        found.extend(Self::wider());
        found
    }

    #[cfg(target_arch = "x86_64")]
    fn wider() -> impl Iterator<Item = Self> {
        let avx2 = is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma");
        let avx512 =
            avx2 && is_x86_feature_detected!("avx512f") && is_x86_feature_detected!("avx512vl");
        let avx2 = avx2.then_some(Self(Level::Avx2));
        avx2.into_iter()
            .chain(avx512.then_some(Self(Level::Avx512)))
    }

    #[cfg(not(target_arch = "x86_64"))]
    fn wider() -> impl Iterator<Item = Self> {
        std::iter::empty()
    }

    /// Floats in a register.
    fn lanes(self) -> usize {
        match self.0 {
            #[cfg(target_arch = "x86_64")]
            Level::Avx512 => 16,
            #[cfg(target_arch = "x86_64")]
            Level::Avx2 => 8,
            Level::Portable => 4,
        }
    }
}

/// Bounds of an output value.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clamp {
    /// The lower bound.
    pub low: f32,
    /// The upper bound.
    pub high: f32,
}

/// Calls the copy of a loop that was compiled for an instruction set.
macro_rules! dispatch {
    ($set:expr, $portable:expr, $avx2:expr, $avx512:expr, ($($argument:expr),*)) => {
        match $set.0 {
            // SAFETY: the processor has the set, and the caller has checked the slices.
            Level::Portable => unsafe { $portable($($argument),*) },
            // SAFETY: as above.
            #[cfg(target_arch = "x86_64")]
            Level::Avx2 => unsafe { $avx2($($argument),*) },
            // SAFETY: as above.
            #[cfg(target_arch = "x86_64")]
            Level::Avx512 => unsafe { $avx512($($argument),*) },
        }
    };
}
use dispatch;
