//! Memory that several threads read and write at once, each its own ranges.
//!
//! In: who may read and write which range, as callers promise. Out: slices. Nothing here knows what the ranges hold.

use super::layout::{ALIGNMENT_SLACK, first_aligned};
use std::cell::UnsafeCell;
use std::ops::Range;

/// Floats, aligned to a cache line, of which threads borrow ranges through a [`SharedView`].
pub(crate) struct SharedBuffer {
    cells: Box<[UnsafeCell<f32>]>,
    start: usize,
    len: usize,
}

/// A view of shared floats: those of a [`SharedBuffer`], or a slice that is borrowed for as long as the view lives.
#[derive(Clone, Copy)]
pub(crate) struct SharedView<'a>(&'a [UnsafeCell<f32>]);

// SAFETY: the floats are reached only through the functions of a view, whose callers promise that no float is written
// while another thread has a slice with it.
unsafe impl Sync for SharedBuffer {}
// SAFETY: as above.
unsafe impl Sync for SharedView<'_> {}

impl SharedBuffer {
    /// A buffer of zeros.
    pub(crate) fn new(len: usize) -> Self {
        let zeros = std::iter::repeat_n(0.0, len + ALIGNMENT_SLACK);
        let cells: Box<[_]> = zeros.map(UnsafeCell::new).collect();
        let start = first_aligned(&cells);
        Self { cells, start, len }
    }

    /// All of it.
    pub(crate) fn view(&self) -> SharedView<'_> {
        SharedView(&self.cells[self.start..self.start + self.len])
    }
}

impl<'a> SharedView<'a> {
    /// A view of borrowed floats.
    pub(crate) fn of(values: &'a mut [f32]) -> Self {
        let cells = std::ptr::from_mut(values) as *const [UnsafeCell<f32>];
        // SAFETY: `UnsafeCell<f32>` has the layout of `f32`, and the exclusive borrow lasts as long as the view.
        Self(unsafe { &*cells })
    }

    /// The floats of a range.
    ///
    /// # Safety
    /// While the slice lives, no slice from [`Self::get_mut`] may overlap it.
    ///
    /// # Panics
    /// Where the range is out of bounds.
    pub(crate) unsafe fn get(self, range: Range<usize>) -> &'a [f32] {
        let cells = &self.0[range];
        // SAFETY: `UnsafeCell<f32>` has the layout of `f32`, and the caller promises that nobody writes these.
        unsafe { std::slice::from_raw_parts(cells.as_ptr().cast(), cells.len()) }
    }

    /// The floats of a range, to be changed.
    ///
    /// # Safety
    /// While the slice lives, no other slice from this memory may overlap it.
    ///
    /// # Panics
    /// Where the range is out of bounds.
    #[allow(clippy::mut_from_ref, reason = "each thread has its own ranges")]
    pub(crate) unsafe fn get_mut(self, range: Range<usize>) -> &'a mut [f32] {
        let cells = &self.0[range];
        let first = UnsafeCell::raw_get(cells.as_ptr());
        // SAFETY: `UnsafeCell<f32>` has the layout of `f32` and may be written through a shared reference, and the
        // caller promises that nobody else has these.
        unsafe { std::slice::from_raw_parts_mut(first, cells.len()) }
    }
}
