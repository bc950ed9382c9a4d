//! Named threads. Every thread of the program that is not a library's own is started here.

use std::io;
use std::thread::{Builder, JoinHandle};

/// How much lower than usual the priority of a thread is.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Lower {
    /// It must not hold up the others: a tenth of a core that another thread wants as well.
    Much = 10,
    /// Only what the others leave.
    AsFarAsCanBe = 19,
}

/// Lowers the priority of the thread that calls it.
#[cfg_attr(not(target_os = "linux"), allow(unused_variables))]
pub(crate) fn give_way(by: Lower) {
    // On Linux this is about the calling thread alone; elsewhere it would be about the whole program.
    #[cfg(target_os = "linux")]
    if let Err(error) = rustix::process::setpriority_process(None, by as i32) {
        tracing::debug!(%error, "a thread keeps its priority");
    }
}

/// Starts a thread with a name, which shows in logs, panics and the system's process list.
///
/// # Errors
/// Where the system gives no thread.
#[allow(
    clippy::disallowed_methods,
    reason = "this is the one place that the lint sends everyone to"
)]
pub fn spawn<T: Send + 'static>(
    name: &str,
    work: impl FnOnce() -> T + Send + 'static,
) -> io::Result<JoinHandle<T>> {
    Builder::new().name(name.to_owned()).spawn(work)
}
