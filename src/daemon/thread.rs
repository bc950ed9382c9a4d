//! Named threads. The one place where threads of this program are started.

use std::io;
use std::thread::{Builder, JoinHandle};

/// Starts a thread with a name, which shows in logs, panics and the system's process list.
///
/// # Errors
/// Where the system gives no thread.
pub fn spawn<T: Send + 'static>(
    name: &str,
    work: impl FnOnce() -> T + Send + 'static,
) -> io::Result<JoinHandle<T>> {
    Builder::new().name(name.to_owned()).spawn(work)
}
