//! Which sample a decoded picture came from.

use super::super::mp4::{Sample, Shown};

/// The samples inside the decoder, sorted so that the one shown first is last.
///
/// The decoder gives pictures in the order in which they are shown, so the next picture is that of the
/// earliest sample here.
#[derive(Default)]
pub(super) struct ReorderQueue(Vec<(i64, Option<Shown>)>);

impl ReorderQueue {
    pub(super) fn len(&self) -> usize {
        self.0.len()
    }

    pub(super) fn add(&mut self, sample: Sample) {
        let at = self.0.partition_point(|(order, _)| *order > sample.order);
        self.0.insert(at, (sample.order, sample.shown));
    }

    pub(super) fn remove(&mut self, sample: &Sample) {
        if let Some(at) = self.0.iter().position(|(order, _)| *order == sample.order) {
            self.0.remove(at);
        }
    }

    /// Removes the earliest; `None` where its frame is not shown.
    pub(super) fn pop_earliest(&mut self) -> Option<Shown> {
        self.0.pop()?.1
    }
}
