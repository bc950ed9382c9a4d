//! Who computes at the moment, so that what could wait does not stand in the way.
//!
//! In: the word of those who are about to compute for some milliseconds and must not wait (a frame to be decoded). Out:
//! whether a core is left for those who only help others along (a second thread of a pose network). On a machine with
//! two cores a helper that holds one of them would have its own caller wait for it once the system takes the core away
//! in the middle of its work; so it steps aside by itself, between two parts of it.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// The machine's cores as far as this program may use them.
pub(crate) fn count() -> usize {
    static COUNT: OnceLock<usize> = OnceLock::new();
    *COUNT.get_or_init(|| std::thread::available_parallelism().map_or(1, usize::from))
}

/// What the cores are used for; the program has one of these.
#[derive(Debug)]
struct Cores {
    count: usize,
    /// Those that compute and do not wait, besides the callers of helpers.
    busy: AtomicUsize,
    /// Helpers at work.
    helping: AtomicUsize,
}

fn ours() -> &'static Cores {
    static OURS: OnceLock<Cores> = OnceLock::new();
    OURS.get_or_init(|| Cores::new(count()))
}

/// Longer than any part of a helper's work; whoever must not wait does not wait longer than this.
const PATIENCE: Duration = Duration::from_millis(1);

/// Somebody who computes; let go of, the core is free again.
#[derive(Debug)]
#[must_use]
pub(crate) struct Busy(&'static Cores);

/// Announces some milliseconds of computing that must not wait, and gives helpers a moment to step aside.
pub(crate) fn busy() -> Busy {
    let cores = ours();
    cores.busy.fetch_add(1, Ordering::SeqCst);
    if cores.in_the_way() {
        let began = Instant::now();
        while cores.in_the_way() && began.elapsed() < PATIENCE {
            std::thread::yield_now();
        }
    }
    Busy(cores)
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.0.busy.fetch_sub(1, Ordering::SeqCst);
    }
}

/// A helper at work; let go of, it is no longer.
#[derive(Debug)]
pub(crate) struct Helping(&'static Cores);

impl Helping {
    /// Begins to help, where there is a core for it.
    pub(crate) fn begin() -> Option<Self> {
        let cores = ours();
        cores.helping.fetch_add(1, Ordering::SeqCst);
        let helping = Self(cores);
        (!cores.in_the_way()).then_some(helping)
    }

    /// Whether the core is still free for it.
    pub(crate) fn may_go_on(&self) -> bool {
        !self.0.in_the_way()
    }
}

impl Drop for Helping {
    fn drop(&mut self) {
        self.0.helping.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Whether one helper more would find a core now.
pub(crate) fn free() -> bool {
    ours().has_room()
}

impl Cores {
    const fn new(count: usize) -> Self {
        Self {
            count,
            busy: AtomicUsize::new(0),
            helping: AtomicUsize::new(0),
        }
    }

    /// Cores that are needed with so many helpers: theirs, their caller's and those of the others.
    fn taken(&self, helping: usize) -> usize {
        1 + helping + self.busy.load(Ordering::SeqCst)
    }

    /// Whether a core is left for one helper more.
    fn has_room(&self) -> bool {
        self.taken(self.helping.load(Ordering::SeqCst) + 1) <= self.count
    }

    /// Whether fewer helpers would do.
    fn in_the_way(&self) -> bool {
        let helping = self.helping.load(Ordering::SeqCst);
        helping > 0 && self.taken(helping) > self.count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn helpers_have_the_cores_that_nobody_else_needs() {
        for (count, busy, helping, in_the_way, room) in [
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
            let cores = Cores::new(count);
            cores.busy.store(busy, Ordering::SeqCst);
            cores.helping.store(helping, Ordering::SeqCst);
            let found = (cores.in_the_way(), cores.has_room());
            assert_eq!(found, (in_the_way, room), "{count} {busy} {helping}");
        }
    }
}
