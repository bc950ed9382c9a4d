//! What a run is asked from outside: signals, and Enter at the terminal.

use std::io::{self, IsTerminal};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::thread::spawn;

/// A flag that is raised by Enter at the terminal, or by the signal USR1: somebody asks for the count of swings.
///
/// # Errors
/// Where the system gives no thread.
pub(super) fn count_requests() -> io::Result<Arc<AtomicBool>> {
    let asked = Arc::new(AtomicBool::new(false));
    raise_on_user_signal(&asked)?;
    if io::stdin().is_terminal() {
        let asked = Arc::clone(&asked);
        // It ends with the program: a read of the terminal cannot be canceled.
        spawn("terminal", move || {
            for line in io::stdin().lines() {
                if line.is_err() {
                    return;
                }
                asked.store(true, Ordering::Relaxed);
            }
        })?;
    }
    Ok(asked)
}

/// Raises a flag whenever the process gets the signal USR1; on systems without it, never.
///
/// # Errors
/// Where the system gives no thread.
fn raise_on_user_signal(flag: &Arc<AtomicBool>) -> std::io::Result<()> {
    #[cfg(unix)]
    raise_on(
        tokio::signal::unix::SignalKind::user_defined1(),
        "user-signal",
        flag,
    )?;
    #[cfg(not(unix))]
    let _ = flag;
    Ok(())
}

/// Raises a flag whenever the process gets the signal HUP, which then no longer ends it; on systems without it, never.
///
/// # Errors
/// Where the system gives no thread.
pub(super) fn raise_on_hangup_signal(flag: &Arc<AtomicBool>) -> std::io::Result<()> {
    #[cfg(unix)]
    raise_on(
        tokio::signal::unix::SignalKind::hangup(),
        "hangup-signal",
        flag,
    )?;
    #[cfg(not(unix))]
    let _ = flag;
    Ok(())
}

#[cfg(unix)]
fn raise_on(
    kind: tokio::signal::unix::SignalKind,
    thread: &str,
    flag: &Arc<AtomicBool>,
) -> std::io::Result<()> {
    let flag = Arc::clone(flag);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    spawn(thread, move || {
        runtime.block_on(async {
            let Ok(mut asked) = tokio::signal::unix::signal(kind) else {
                return;
            };
            while asked.recv().await.is_some() {
                flag.store(true, Ordering::Relaxed);
            }
        });
    })?;
    Ok(())
}
