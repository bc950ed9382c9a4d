//! What a run is asked from outside: signals, and Enter at the terminal.

use std::io::{self, IsTerminal};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::requests::{Request, RequestSender};
use crate::thread::spawn;

/// Asks for the count and the last rep on Enter at the terminal and on the signal USR1.
///
/// # Errors
/// Where the system gives no thread.
pub(super) fn ask_by_terminal_and_signal(requests: &RequestSender) -> io::Result<()> {
    #[cfg(unix)]
    on_signal(
        tokio::signal::unix::SignalKind::user_defined1(),
        "user-signal",
        {
            let requests = requests.clone();
            move || requests.ask(Request::Again)
        },
    )?;
    if io::stdin().is_terminal() {
        let requests = requests.clone();
        // It ends with the program: a read of the terminal cannot be canceled.
        spawn("terminal", move || {
            for line in io::stdin().lines() {
                if line.is_err() {
                    return;
                }
                requests.ask(Request::Again);
            }
        })?;
    }
    Ok(())
}

/// Raises a flag whenever the process gets the signal HUP, which then no longer ends it; on systems without it, never.
///
/// # Errors
/// Where the system gives no thread.
pub(super) fn raise_on_hangup_signal(flag: &Arc<AtomicBool>) -> std::io::Result<()> {
    #[cfg(unix)]
    on_signal(
        tokio::signal::unix::SignalKind::hangup(),
        "hangup-signal",
        {
            let flag = Arc::clone(flag);
            move || flag.store(true, Ordering::Relaxed)
        },
    )?;
    #[cfg(not(unix))]
    let _ = flag;
    Ok(())
}

#[cfg(unix)]
fn on_signal(
    kind: tokio::signal::unix::SignalKind,
    thread: &str,
    act: impl Fn() + Send + 'static,
) -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    spawn(thread, move || {
        runtime.block_on(async {
            let Ok(mut asked) = tokio::signal::unix::signal(kind) else {
                return;
            };
            while asked.recv().await.is_some() {
                act();
            }
        });
    })?;
    Ok(())
}
