//! Who may use the machine's cores: helpers give way to work that must not wait.
//!
//! In: announcements of urgent work, some milliseconds each (a frame to decode). Out: permits for helpers (a second thread
//! on a network), which they check between two chunks of work. On a machine with two cores the system would otherwise
//! take the core from a helper in the middle of a chunk, and the helper's own caller would wait for that chunk.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// The cores that urgent work and helpers share. Clones are the same budget: a pool whose helpers are to give way to
/// a decoder is given a clone of the decoder's.
#[derive(Clone, Debug)]
pub struct CoreBudget(Arc<Usage>);

#[derive(Debug)]
struct Usage {
    cores: usize,
    /// Threads with urgent work, besides the callers of helpers.
    urgent: AtomicUsize,
    /// Helpers at work.
    helpers: AtomicUsize,
}

/// Longer than any chunk of a helper's work; urgent work does not wait for a core longer than this.
const LONGEST_WAIT: Duration = Duration::from_millis(1);

/// Urgent work in progress, until this is dropped.
#[derive(Debug)]
#[must_use]
pub struct UrgentWork<'a>(&'a Usage);

/// A helper at work, until this is dropped.
#[derive(Debug)]
pub(crate) struct HelperPermit<'a>(&'a Usage);

impl CoreBudget {
    /// The cores of this machine, as far as this process may use them.
    pub fn of_machine() -> Self {
        Self::with_cores(machine_cores())
    }

    /// A core for everybody: no helper ever gives way.
    pub fn unlimited() -> Self {
        Self::with_cores(usize::MAX)
    }

    pub(crate) fn with_cores(cores: usize) -> Self {
        Self(Arc::new(Usage {
            cores,
            urgent: AtomicUsize::new(0),
            helpers: AtomicUsize::new(0),
        }))
    }

    /// Announces some milliseconds of computing that must not wait, and gives helpers up to a millisecond to give way.
    pub fn begin_urgent(&self) -> UrgentWork<'_> {
        let usage = &*self.0;
        usage.urgent.fetch_add(1, Ordering::SeqCst);
        if usage.is_overcommitted() {
            let began = Instant::now();
            while usage.is_overcommitted() && began.elapsed() < LONGEST_WAIT {
                std::thread::yield_now();
            }
        }
        UrgentWork(usage)
    }

    /// A permit to help, where a core is free.
    pub(crate) fn helper_permit(&self) -> Option<HelperPermit<'_>> {
        self.0.helpers.fetch_add(1, Ordering::SeqCst);
        let permit = HelperPermit(&self.0);
        permit.is_valid().then_some(permit)
    }

    /// Whether one more helper would find a core now.
    pub(crate) fn has_free_core(&self) -> bool {
        let helpers = self.0.helpers.load(Ordering::SeqCst);
        self.0.needed(helpers + 1) <= self.0.cores
    }
}

/// The cores that this process may use.
pub fn machine_cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

impl Usage {
    /// Cores needed for this many helpers, their caller and the urgent work.
    fn needed(&self, helpers: usize) -> usize {
        1 + helpers + self.urgent.load(Ordering::SeqCst)
    }

    /// Whether there are helpers and more threads at work than cores.
    fn is_overcommitted(&self) -> bool {
        let helpers = self.helpers.load(Ordering::SeqCst);
        helpers > 0 && self.needed(helpers) > self.cores
    }
}

impl Drop for UrgentWork<'_> {
    fn drop(&mut self) {
        self.0.urgent.fetch_sub(1, Ordering::SeqCst);
    }
}

impl HelperPermit<'_> {
    /// Whether the core is still free for this helper.
    pub(crate) fn is_valid(&self) -> bool {
        !self.0.is_overcommitted()
    }
}

impl Drop for HelperPermit<'_> {
    fn drop(&mut self) {
        self.0.helpers.fetch_sub(1, Ordering::SeqCst);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn helpers_have_the_cores_that_nobody_else_needs() {
        for (cores, urgent, helpers, overcommitted, free_core) in [
            (1, 0, 0, false, false),
            (1, 0, 1, true, false),
            (2, 0, 0, false, true),
            (2, 0, 1, false, false),
            (2, 1, 1, true, false),
            (2, 1, 0, false, false),
            (4, 1, 1, false, true),
            (4, 1, 2, false, false),
            (4, 1, 3, true, false),
            (4, 3, 1, true, false),
        ] {
            let budget = CoreBudget::with_cores(cores);
            budget.0.urgent.store(urgent, Ordering::SeqCst);
            budget.0.helpers.store(helpers, Ordering::SeqCst);
            let found = (budget.0.is_overcommitted(), budget.has_free_core());
            assert_eq!(
                found,
                (overcommitted, free_core),
                "{cores} {urgent} {helpers}"
            );
        }
    }

    #[test]
    fn a_permit_ends_while_urgent_work_needs_the_core() {
        let budget = CoreBudget::with_cores(2);
        let permit = budget.helper_permit().unwrap();
        assert!(permit.is_valid());
        // Nobody checks the permit meanwhile, so this waits its full millisecond.
        let urgent = budget.begin_urgent();
        assert!(!permit.is_valid());
        drop(permit);
        assert!(budget.helper_permit().is_none());
        drop(urgent);
        assert!(budget.helper_permit().is_some());
    }
}
