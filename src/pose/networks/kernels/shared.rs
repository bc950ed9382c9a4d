//! Memory on which several threads work at once, each on its own places.
//!
//! In: who may read and write where, which the caller promises. Out: slices. Nothing here knows what lies where.

use super::layout::{ALIGNMENT_SLACK, to_cache_line};
use std::cell::UnsafeCell;
use std::ops::Range;

/// Floats that start where a line of the processor's cache does.
pub(crate) struct SharedBuffer {
    cells: Box<[UnsafeCell<f32>]>,
    start: usize,
    len: usize,
}

/// A view of such floats, or of others that nobody else may use meanwhile.
#[derive(Clone, Copy)]
pub(crate) struct SharedView<'a>(&'a [UnsafeCell<f32>]);

// SAFETY: the floats are reached only through the functions of a view, whose callers promise that nobody writes what
// somebody else has a slice of.
unsafe impl Sync for SharedBuffer {}
// SAFETY: as above.
unsafe impl Sync for SharedView<'_> {}

impl SharedBuffer {
    /// Zeros.
    pub(crate) fn new(len: usize) -> Self {
        let zeros = std::iter::repeat_n(0.0, len + ALIGNMENT_SLACK);
        let cells: Box<[_]> = zeros.map(UnsafeCell::new).collect();
        let start = to_cache_line(&cells);
        Self { cells, start, len }
    }

    /// All of them.
    pub(crate) fn view(&self) -> SharedView<'_> {
        SharedView(&self.cells[self.start..self.start + self.len])
    }
}

impl<'a> SharedView<'a> {
    /// Of floats that are somebody else's otherwise.
    pub(crate) fn of(values: &'a mut [f32]) -> Self {
        let cells = std::ptr::from_mut(values) as *const [UnsafeCell<f32>];
        // SAFETY: a cell is laid out like its float, and as long as the view lives the floats are reached through it only.
        Self(unsafe { &*cells })
    }

    /// The values of some places.
    ///
    /// # Safety
    /// As long as the slice lives nobody may have one of [`Self::get_mut`] with a place of it.
    ///
    /// # Panics
    /// Where there are no such places.
    pub(crate) unsafe fn get(self, places: Range<usize>) -> &'a [f32] {
        let cells = &self.0[places];
        // SAFETY: a cell is laid out like its float, and the caller promises that none of them is written.
        unsafe { std::slice::from_raw_parts(cells.as_ptr().cast(), cells.len()) }
    }

    /// The values of some places, to be changed.
    ///
    /// # Safety
    /// As long as the slice lives nobody may have another slice with a place of it.
    ///
    /// # Panics
    /// Where there are no such places.
    #[allow(clippy::mut_from_ref, reason = "each thread has its own places")]
    pub(crate) unsafe fn get_mut(self, places: Range<usize>) -> &'a mut [f32] {
        let cells = &self.0[places];
        let first = UnsafeCell::raw_get(cells.as_ptr());
        // SAFETY: a cell is laid out like its float, may be written through a shared reference, and the caller promises
        // that nobody else has these.
        unsafe { std::slice::from_raw_parts_mut(first, cells.len()) }
    }
}
