//! Helper threads that share the jobs of the thread that calls them.
//!
//! In: a job, a closure that any number of threads may run at once. Out: nothing; the job is done when [`WorkerPool::run`]
//! returns. How the work is divided is up to the job, which usually has its threads claim chunks from a counter.
//!
//! Helpers sleep between jobs. The caller never waits for a helper that has not started on the job, and a helper gives
//! way while its core is needed for urgent work (see [`CoreBudget`]).

// A job lives on its caller's stack, and helpers, which outlive the call, are handed a pointer to it.
#![allow(unsafe_code)]

use crate::cores::{CoreBudget, HelperPermit};
use std::cell::UnsafeCell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::ptr::NonNull;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::thread::{self, JoinHandle, Thread};

/// Helper threads that share the work of whichever thread calls [`Self::run`].
pub struct WorkerPool {
    helpers: Vec<Helper>,
    cores: CoreBudget,
    /// Whether a job is in progress.
    busy: AtomicBool,
    /// Whether a thread panicked in the current job.
    failed: Arc<AtomicBool>,
}

type Job = dyn Fn(&Worker<'_>) + Sync + 'static;

/// A thread that runs a job, as the job sees it.
pub struct Worker<'a> {
    number: usize,
    role: Role<'a>,
    failed: &'a AtomicBool,
}

enum Role<'a> {
    /// The caller, with the pool unless it runs the job alone.
    Caller(Option<&'a WorkerPool>),
    /// A helper, with its permit to use a core.
    Helper(HelperPermit<'a>),
}

impl Worker<'_> {
    /// 0 for the caller, a number of its own below [`WorkerPool::threads`] for each helper.
    pub(crate) fn number(&self) -> usize {
        self.number
    }

    /// Whether to go on with the job. A helper that may not returns from it, with no chunk left half done.
    pub fn may_continue(&self) -> bool {
        match &self.role {
            Role::Helper(permit) => permit.is_valid(),
            Role::Caller(_) => true,
        }
    }

    /// Whether a thread panicked in this job, so that a chunk it had claimed will never be done.
    pub(crate) fn has_failed(&self) -> bool {
        self.failed.load(Ordering::Acquire)
    }

    /// On the caller: wakes the helpers that are not running the job, where a core is free for them.
    pub(crate) fn wake_helpers(&self) {
        if let Role::Caller(Some(pool)) = self.role
            && pool.cores.has_free_core()
        {
            for helper in &pool.helpers {
                helper.wake();
            }
        }
    }
}

struct Helper {
    slot: Arc<Slot>,
    thread: Thread,
    handle: Option<JoinHandle<()>>,
}

/// Where a helper finds its job.
struct Slot {
    state: AtomicU8,
    /// Written by the caller while the helper does not run, read by the helper while `RUNNING`.
    job: UnsafeCell<Option<NonNull<Job>>>,
    /// The pool's flag.
    failed: Arc<AtomicBool>,
    cores: CoreBudget,
}

/// Nothing to do.
const IDLE: u8 = 0;
/// The caller offers the job in the slot, and the helper has not taken it yet.
const PENDING: u8 = 1;
/// The helper runs the job.
const RUNNING: u8 = 2;
/// The helper is to end.
const SHUTDOWN: u8 = 3;

// SAFETY: `state` says whose turn it is to touch the pointer to the job, and the job itself is `Sync`.
unsafe impl Send for Slot {}
// SAFETY: as above.
unsafe impl Sync for Slot {}

impl WorkerPool {
    /// A pool of `threads` threads, the caller's included: starts the helpers, fewer where the system gives no more
    /// threads. They give way to urgent work that is announced to `cores`.
    #[allow(
        clippy::disallowed_methods,
        reason = "this crate cannot use the program's helper that starts threads"
    )]
    pub fn new(threads: usize, cores: &CoreBudget) -> Self {
        let failed = Arc::new(AtomicBool::new(false));
        let start = |number| {
            let slot = Arc::new(Slot {
                state: AtomicU8::new(IDLE),
                job: UnsafeCell::new(None),
                failed: Arc::clone(&failed),
                cores: cores.clone(),
            });
            let handle = thread::Builder::new()
                .name(format!("pose-helper-{number}"))
                .spawn({
                    let slot = Arc::clone(&slot);
                    move || slot.run_jobs(number)
                })
                .ok()?;
            Some(Helper {
                slot,
                thread: handle.thread().clone(),
                handle: Some(handle),
            })
        };
        Self {
            helpers: (1..threads).map_while(start).collect(),
            cores: cores.clone(),
            busy: AtomicBool::new(false),
            failed,
        }
    }

    /// Threads that may run a job: the caller and the helpers.
    pub(crate) fn threads(&self) -> usize {
        self.helpers.len() + 1
    }

    /// Runs a job on this thread, and on every helper that wakes before this thread is through with it; on a helper that
    /// gave way once more if the job wakes it again. While the pool is busy with another job, this one runs here alone.
    ///
    /// # Panics
    /// Where the job does, on this thread or on a helper.
    pub fn run(&self, job: &(dyn Fn(&Worker<'_>) + Sync)) {
        let caller = |pool, failed| Worker {
            number: 0,
            role: Role::Caller(pool),
            failed,
        };
        if self.busy.swap(true, Ordering::Acquire) {
            job(&caller(None, &AtomicBool::new(false)));
            return;
        }
        self.failed.store(false, Ordering::Release);
        let assignment = Assignment(self);
        for helper in &self.helpers {
            // SAFETY: `Assignment` retracts the job from every helper before this call ends, by a panic too.
            unsafe { helper.assign(job) };
        }
        let caller = caller(Some(self), &self.failed);
        caller.wake_helpers();
        job(&caller);
        assignment.0.retract();
        assert!(!caller.has_failed(), "a helper panicked");
    }

    /// Retracts the job from all helpers.
    fn retract(&self) {
        self.helpers.iter().for_each(Helper::retract);
    }
}

/// A job that helpers may run; dropping this retracts it.
struct Assignment<'a>(&'a WorkerPool);

impl Drop for Assignment<'_> {
    fn drop(&mut self) {
        if thread::panicking() {
            self.0.failed.store(true, Ordering::Release);
        }
        self.0.retract();
        self.0.busy.store(false, Ordering::Release);
    }
}

impl Helper {
    /// Puts a job into the slot of a helper that is idle.
    ///
    /// # Safety
    /// [`Self::retract`] must be called before the job is dropped and before the next one is assigned.
    unsafe fn assign(&self, job: &(dyn Fn(&Worker<'_>) + Sync)) {
        let job = NonNull::from(job);
        // SAFETY: only the lifetime changes, and the job outlives its use, as the caller promises.
        let job = unsafe {
            std::mem::transmute::<NonNull<dyn Fn(&Worker<'_>) + Sync + '_>, NonNull<Job>>(job)
        };
        // SAFETY: the helper is idle, so it does not read the slot.
        unsafe { *self.slot.job.get() = Some(job) };
    }

    /// Wakes an idle helper for the job in its slot.
    fn wake(&self) {
        let state = &self.slot.state;
        // In one step: a job may share its caller's `Worker` among threads, and none of them may overwrite `RUNNING`.
        let idle = state.compare_exchange(IDLE, PENDING, Ordering::AcqRel, Ordering::Relaxed);
        if idle.is_ok() {
            self.thread.unpark();
        }
    }

    /// Takes the job back from a helper that has not started on it, or waits until the helper returns from it.
    fn retract(&self) {
        let state = &self.slot.state;
        let not_started =
            state.compare_exchange(PENDING, IDLE, Ordering::Acquire, Ordering::Relaxed);
        if not_started.is_err() {
            wait_until(|| state.load(Ordering::Acquire) != RUNNING);
        }
    }
}

impl Slot {
    /// The body of a helper's thread.
    fn run_jobs(&self, number: usize) {
        let mut spins = 0;
        loop {
            match self.state.compare_exchange(
                PENDING,
                RUNNING,
                Ordering::Acquire,
                Ordering::Acquire,
            ) {
                Ok(_) => {
                    self.run_job(number);
                    self.state.store(IDLE, Ordering::Release);
                    spins = 0;
                }
                Err(SHUTDOWN) => return,
                // The next job is often microseconds away, and parking and waking take longer.
                Err(_) if spins < SPIN_LIMIT && self.cores.has_free_core() => {
                    spins += 1;
                    std::hint::spin_loop();
                }
                Err(_) => thread::park(),
            }
        }
    }

    /// Runs the job in the slot, if a core is free.
    fn run_job(&self, number: usize) {
        let Some(permit) = self.cores.helper_permit() else {
            return;
        };
        let worker = Worker {
            number,
            role: Role::Helper(permit),
            failed: &self.failed,
        };
        // SAFETY: the caller wrote it before it woke this thread, and does not touch it while this thread is `RUNNING`.
        if let Some(job) = unsafe { *self.job.get() } {
            // SAFETY: the caller does not drop the job before this thread has left `RUNNING`.
            let job = unsafe { job.as_ref() };
            if catch_unwind(AssertUnwindSafe(|| job(&worker))).is_err() {
                self.failed.store(true, Ordering::Release);
            }
        }
    }
}

impl Drop for WorkerPool {
    fn drop(&mut self) {
        for helper in &mut self.helpers {
            helper.slot.state.store(SHUTDOWN, Ordering::Release);
            helper.thread.unpark();
            if let Some(handle) = helper.handle.take() {
                // The thread catches what its jobs throw.
                let _ = handle.join();
            }
        }
    }
}

/// How often a waiting thread checks before it yields or parks: some tens of microseconds.
const SPIN_LIMIT: u32 = 2_000;

/// Waits for something that another thread is about to bring about.
pub(crate) fn wait_until(done: impl Fn() -> bool) {
    let mut spins = 0;
    while !done() {
        if spins < SPIN_LIMIT {
            spins += 1;
            std::hint::spin_loop();
        } else {
            thread::yield_now();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicUsize;
    use std::time::{Duration, Instant};

    #[test]
    fn every_chunk_of_every_job_is_done_once() {
        for threads in [1, 2, 4] {
            let pool = WorkerPool::new(threads, &CoreBudget::unlimited());
            assert_eq!(pool.threads(), threads);
            for chunks in [0, 1, 7, 500] {
                let (next, sum) = (AtomicUsize::new(0), AtomicUsize::new(0));
                pool.run(&|worker: &Worker<'_>| {
                    assert!(worker.number() < threads);
                    loop {
                        let chunk = next.fetch_add(1, Ordering::Relaxed);
                        if chunk >= chunks {
                            break;
                        }
                        sum.fetch_add(chunk + 1, Ordering::Relaxed);
                    }
                });
                assert_eq!(sum.into_inner(), chunks * (chunks + 1) / 2);
            }
        }
    }

    /// Waits for the others for longer than any of them should need.
    fn wait_for(done: impl Fn() -> bool) {
        let began = Instant::now();
        wait_until(|| done() || began.elapsed() > Duration::from_secs(30));
        assert!(done(), "timed out");
    }

    #[test]
    fn helpers_take_part() {
        let pool = WorkerPool::new(2, &CoreBudget::unlimited());
        let started = AtomicBool::new(false);
        pool.run(&|worker: &Worker<'_>| match worker.number() {
            0 => wait_for(|| started.load(Ordering::Acquire)),
            _ => started.store(true, Ordering::Release),
        });
    }

    #[test]
    fn a_job_inside_a_job_runs_on_its_caller_alone() {
        let pool = WorkerPool::new(3, &CoreBudget::unlimited());
        let inner = AtomicUsize::new(0);
        pool.run(&|worker: &Worker<'_>| {
            if worker.number() == 0 {
                pool.run(&|worker: &Worker<'_>| {
                    assert_eq!(worker.number(), 0);
                    inner.fetch_add(1, Ordering::Relaxed);
                });
            }
        });
        assert_eq!(inner.into_inner(), 1);
    }

    #[test]
    fn a_panic_on_any_thread_reaches_the_caller_and_the_pool_goes_on() {
        let pool = WorkerPool::new(2, &CoreBudget::unlimited());
        for panicking in [0, 1] {
            let started = AtomicBool::new(false);
            let failed = catch_unwind(AssertUnwindSafe(|| {
                pool.run(&|worker: &Worker<'_>| {
                    if worker.number() == 1 {
                        started.store(true, Ordering::Release);
                    }
                    wait_for(|| started.load(Ordering::Acquire));
                    assert_ne!(worker.number(), panicking, "on purpose");
                    wait_for(|| worker.has_failed());
                });
            }));
            assert!(failed.is_err(), "{panicking}");
        }
        let calls = AtomicUsize::new(0);
        pool.run(&|worker: &Worker<'_>| {
            assert!(!worker.has_failed());
            calls.fetch_add(1, Ordering::AcqRel);
            wait_for(|| calls.load(Ordering::Acquire) == 2);
        });
    }

    #[test]
    fn a_helper_that_returned_can_be_woken_again() {
        let pool = WorkerPool::new(2, &CoreBudget::unlimited());
        let starts = AtomicUsize::new(0);
        pool.run(&|worker: &Worker<'_>| match worker.number() {
            0 => wait_for(|| {
                worker.wake_helpers();
                starts.load(Ordering::Acquire) >= 3
            }),
            _ => {
                starts.fetch_add(1, Ordering::AcqRel);
            }
        });
    }

    #[test]
    fn a_helper_that_gives_way_leaves_no_chunk_undone() {
        let cores = CoreBudget::with_cores(2);
        let pool = WorkerPool::new(2, &cores);
        for urgent in [false, true] {
            let _urgent = urgent.then(|| cores.begin_urgent());
            let (next, sum) = (AtomicUsize::new(0), AtomicUsize::new(0));
            pool.run(&|worker: &Worker<'_>| {
                while worker.may_continue() {
                    let chunk = next.fetch_add(1, Ordering::Relaxed);
                    if chunk >= 1000 {
                        break;
                    }
                    sum.fetch_add(chunk + 1, Ordering::Relaxed);
                }
            });
            assert_eq!(sum.into_inner(), 500_500);
        }
    }
}
