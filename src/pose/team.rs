//! Threads that share the work on a frame.
//!
//! In: a job that any number of threads may work on at once. Out: nothing; the job is done when the call returns. The
//! helpers sleep between jobs. Nobody waits for a helper that has not begun, and a helper steps aside while its core is
//! needed for something that must not wait (see `cores`). How a job is shared out is the job's affair.

// A job lives on its caller's stack, and a helper that outlives the call is handed a pointer to it.
#![allow(unsafe_code)]

use crate::cores::{self, Helping};
use crate::thread::spawn;
use std::cell::UnsafeCell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::ptr::NonNull;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::thread::{self, JoinHandle, Thread};

/// The caller's thread and its helpers.
pub struct Team {
    helpers: Vec<Helper>,
    /// Whether helpers step aside where their core is needed.
    polite: bool,
    /// Whether a job is being done.
    taken: AtomicBool,
    /// Whether somebody's work on the job at hand broke off.
    failed: Arc<AtomicBool>,
}

type Job = dyn Fn(&Member<'_>) + Sync + 'static;

/// A thread that works on a job.
pub struct Member<'a> {
    number: usize,
    role: Role<'a>,
    failed: &'a AtomicBool,
}

enum Role<'a> {
    /// The caller, with the team if the job was given to it.
    Caller(Option<&'a Team>),
    /// A helper, with its claim to a core where it needs one.
    Helper(Option<Helping>),
}

impl Member<'_> {
    /// 0 for the caller, another number under [`Team::threads`] for each helper.
    pub fn number(&self) -> usize {
        self.number
    }

    /// Whether to go on; a helper that may not ends its work on the job, and leaves nothing half done.
    pub fn may_go_on(&self) -> bool {
        match &self.role {
            Role::Helper(Some(helping)) => helping.may_go_on(),
            Role::Helper(None) | Role::Caller(_) => true,
        }
    }

    /// Whether somebody's work on the job broke off: what they had taken will never be done.
    pub fn is_deserted(&self) -> bool {
        self.failed.load(Ordering::Acquire)
    }

    /// Has the caller call helpers that are not there, where there is a core for them.
    pub fn call_helpers(&self) {
        if let Role::Caller(Some(team)) = self.role
            && (!team.polite || cores::free())
        {
            for helper in &team.helpers {
                helper.call();
            }
        }
    }
}

struct Helper {
    desk: Arc<Desk>,
    thread: Thread,
    handle: Option<JoinHandle<()>>,
}

/// Where a helper finds its job.
struct Desk {
    state: AtomicU8,
    /// Written by the caller while `IDLE`, read by the helper while `AT_WORK`.
    job: UnsafeCell<Option<NonNull<Job>>>,
    /// The team's.
    failed: Arc<AtomicBool>,
}

/// Nothing to do.
const IDLE: u8 = 0;
/// The caller wants help with the job that lies there, and the helper has not looked yet.
const CALLED: u8 = 1;
/// The helper works on the job.
const AT_WORK: u8 = 2;
/// The helper is to end.
const DISMISSED: u8 = 3;

// SAFETY: the job is written and read in turns that `state` hands over, and may be shared itself.
unsafe impl Send for Desk {}
// SAFETY: as above.
unsafe impl Sync for Desk {}

impl Team {
    /// Starts the helpers; fewer where the system gives no more threads.
    pub fn new(threads: usize) -> Self {
        Self::start(threads, true)
    }

    /// A team whose helpers do not care what else the cores are needed for.
    #[cfg(test)]
    pub fn stubborn(threads: usize) -> Self {
        Self::start(threads, false)
    }

    fn start(threads: usize, polite: bool) -> Self {
        let failed = Arc::new(AtomicBool::new(false));
        let start = |number| {
            let desk = Arc::new(Desk {
                state: AtomicU8::new(IDLE),
                job: UnsafeCell::new(None),
                failed: Arc::clone(&failed),
            });
            let handle = spawn(&format!("pose-helper-{number}"), {
                let desk = Arc::clone(&desk);
                move || desk.serve(number, polite)
            })
            .ok()?;
            Some(Helper {
                desk,
                thread: handle.thread().clone(),
                handle: Some(handle),
            })
        };
        Self {
            helpers: (1..threads).map_while(start).collect(),
            polite,
            taken: AtomicBool::new(false),
            failed,
        }
    }

    /// Threads that may work on a job: the caller and the helpers.
    pub fn threads(&self) -> usize {
        self.helpers.len() + 1
    }

    /// Does a job: calls it here, and on each helper that comes before it is done here, on one that stepped aside once
    /// more where it is called again. Where the team has a job already, this one is done here alone.
    ///
    /// # Panics
    /// Where the job does, here or on a helper.
    pub fn run(&self, job: &(dyn Fn(&Member<'_>) + Sync)) {
        let caller = |team, failed| Member {
            number: 0,
            role: Role::Caller(team),
            failed,
        };
        if self.taken.swap(true, Ordering::Acquire) {
            job(&caller(None, &AtomicBool::new(false)));
            return;
        }
        self.failed.store(false, Ordering::Release);
        let given = Given(self);
        for helper in &self.helpers {
            // SAFETY: `Given` takes the job back, or waits for the helper to leave it, before this call ends.
            unsafe { helper.give(job) };
        }
        let caller = caller(Some(self), &self.failed);
        caller.call_helpers();
        job(&caller);
        given.0.recall();
        assert!(!caller.is_deserted(), "a helper's work broke off");
    }

    /// Takes the job back from all helpers.
    fn recall(&self) {
        self.helpers.iter().for_each(Helper::recall);
    }
}

/// A job that was given out; let go of, it is taken back.
struct Given<'a>(&'a Team);

impl Drop for Given<'_> {
    fn drop(&mut self) {
        if thread::panicking() {
            self.0.failed.store(true, Ordering::Release);
        }
        self.0.recall();
        self.0.taken.store(false, Ordering::Release);
    }
}

impl Helper {
    /// Lays a job on the desk of a helper that is idle.
    ///
    /// # Safety
    /// [`Self::recall`] must follow before the job is gone, and before the next job is given.
    unsafe fn give(&self, job: &(dyn Fn(&Member<'_>) + Sync)) {
        let job = NonNull::from(job);
        // SAFETY: only the lifetime changes, and the caller sees to it that the job outlives its use.
        let job = unsafe {
            std::mem::transmute::<NonNull<dyn Fn(&Member<'_>) + Sync + '_>, NonNull<Job>>(job)
        };
        // SAFETY: the helper is idle and does not look at it.
        unsafe { *self.desk.job.get() = Some(job) };
    }

    /// Calls a helper that is idle to the job on its desk.
    fn call(&self) {
        let state = &self.desk.state;
        // Only the caller's thread makes an idle helper anything else.
        if state.load(Ordering::Acquire) == IDLE {
            state.store(CALLED, Ordering::Release);
            self.thread.unpark();
        }
    }

    /// Takes the job back from a helper that has not begun, or waits for it to leave.
    fn recall(&self) {
        let state = &self.desk.state;
        let not_begun = state.compare_exchange(CALLED, IDLE, Ordering::Acquire, Ordering::Relaxed);
        if not_begun.is_err() {
            wait_until(|| state.load(Ordering::Acquire) != AT_WORK);
        }
    }
}

impl Desk {
    /// A helper's life.
    fn serve(&self, number: usize, polite: bool) {
        let mut turns = 0;
        loop {
            match self
                .state
                .compare_exchange(CALLED, AT_WORK, Ordering::Acquire, Ordering::Acquire)
            {
                Ok(_) => {
                    self.help(number, polite);
                    self.state.store(IDLE, Ordering::Release);
                    turns = 0;
                }
                Err(DISMISSED) => return,
                // Jobs often follow each other closely, and to fall asleep and be woken takes longer.
                Err(_) if turns < TURNS && (!polite || cores::free()) => {
                    turns += 1;
                    std::hint::spin_loop();
                }
                Err(_) => thread::park(),
            }
        }
    }

    /// Works on the job on the desk, if there is a core for it.
    fn help(&self, number: usize, polite: bool) {
        let helping = match polite {
            true => match Helping::begin() {
                Some(helping) => Some(helping),
                None => return,
            },
            false => None,
        };
        let member = Member {
            number,
            role: Role::Helper(helping),
            failed: &self.failed,
        };
        // SAFETY: the caller wrote it before it called, and does not touch it while somebody is at work.
        if let Some(job) = unsafe { *self.job.get() } {
            // SAFETY: the caller waits until the helper is no longer at work before the job goes.
            let job = unsafe { job.as_ref() };
            if catch_unwind(AssertUnwindSafe(|| job(&member))).is_err() {
                self.failed.store(true, Ordering::Release);
            }
        }
    }
}

impl Drop for Team {
    fn drop(&mut self) {
        for helper in &mut self.helpers {
            helper.desk.state.store(DISMISSED, Ordering::Release);
            helper.thread.unpark();
            if let Some(handle) = helper.handle.take() {
                // It catches what its jobs throw.
                let _ = handle.join();
            }
        }
    }
}

/// Turns of a waiting loop before the core is offered to others: some tens of microseconds.
const TURNS: u32 = 2_000;

/// Waits for something that another thread is about to bring about.
pub(super) fn wait_until(done: impl Fn() -> bool) {
    let mut turns = 0;
    while !done() {
        if turns < TURNS {
            turns += 1;
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
    fn every_piece_of_every_job_is_done_once() {
        for threads in [1, 2, 4] {
            let team = Team::stubborn(threads);
            assert_eq!(team.threads(), threads);
            for pieces in [0, 1, 7, 500] {
                let (next, sum) = (AtomicUsize::new(0), AtomicUsize::new(0));
                team.run(&|member: &Member<'_>| {
                    assert!(member.number() < threads);
                    loop {
                        let piece = next.fetch_add(1, Ordering::Relaxed);
                        if piece >= pieces {
                            break;
                        }
                        sum.fetch_add(piece + 1, Ordering::Relaxed);
                    }
                });
                assert_eq!(sum.into_inner(), pieces * (pieces + 1) / 2);
            }
        }
    }

    /// Waits for the others for longer than any of them should need.
    fn wait_for(done: impl Fn() -> bool) {
        let began = Instant::now();
        wait_until(|| done() || began.elapsed() > Duration::from_secs(30));
        assert!(done(), "nobody came");
    }

    #[test]
    fn helpers_do_come() {
        let team = Team::stubborn(2);
        let came = AtomicBool::new(false);
        team.run(&|member: &Member<'_>| match member.number() {
            0 => wait_for(|| came.load(Ordering::Acquire)),
            _ => came.store(true, Ordering::Release),
        });
    }

    #[test]
    fn a_job_inside_a_job_is_done_alone() {
        let team = Team::stubborn(3);
        let inner = AtomicUsize::new(0);
        team.run(&|member: &Member<'_>| {
            if member.number() == 0 {
                team.run(&|member: &Member<'_>| {
                    assert_eq!(member.number(), 0);
                    inner.fetch_add(1, Ordering::Relaxed);
                });
            }
        });
        assert_eq!(inner.into_inner(), 1);
    }

    #[test]
    fn a_job_that_breaks_off_anywhere_breaks_off_here_and_the_team_goes_on() {
        let team = Team::stubborn(2);
        for breaking in [0, 1] {
            let came = AtomicBool::new(false);
            let failed = catch_unwind(AssertUnwindSafe(|| {
                team.run(&|member: &Member<'_>| {
                    if member.number() == 1 {
                        came.store(true, Ordering::Release);
                    }
                    wait_for(|| came.load(Ordering::Acquire));
                    assert_ne!(member.number(), breaking, "as told");
                    wait_for(|| member.is_deserted());
                });
            }));
            assert!(failed.is_err(), "{breaking}");
        }
        let calls = AtomicUsize::new(0);
        team.run(&|member: &Member<'_>| {
            assert!(!member.is_deserted());
            calls.fetch_add(1, Ordering::AcqRel);
            wait_for(|| calls.load(Ordering::Acquire) == 2);
        });
    }

    #[test]
    fn a_helper_that_left_can_be_called_again() {
        let team = Team::stubborn(2);
        let comings = AtomicUsize::new(0);
        team.run(&|member: &Member<'_>| match member.number() {
            0 => wait_for(|| {
                member.call_helpers();
                comings.load(Ordering::Acquire) >= 3
            }),
            _ => {
                comings.fetch_add(1, Ordering::AcqRel);
            }
        });
    }

    #[test]
    fn a_polite_helper_leaves_no_work_undone() {
        // Others of these tests decode beside, or nobody does: either way all of it is done.
        let team = Team::new(2);
        for busy in [false, true] {
            let _busy = busy.then(cores::busy);
            let (next, sum) = (AtomicUsize::new(0), AtomicUsize::new(0));
            team.run(&|member: &Member<'_>| {
                while member.may_go_on() {
                    let piece = next.fetch_add(1, Ordering::Relaxed);
                    if piece >= 1000 {
                        break;
                    }
                    sum.fetch_add(piece + 1, Ordering::Relaxed);
                }
            });
            assert_eq!(sum.into_inner(), 500_500);
        }
    }
}
