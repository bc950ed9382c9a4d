//! Named threads. Every thread of the program that is not a library's own is started here.

use std::io;
use std::thread::{Builder, JoinHandle};

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
