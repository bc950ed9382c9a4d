//! The wish to stop, shared by all threads.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::thread::spawn;

/// Remembers that somebody asked the program to stop. Clones share the memory.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Nobody has asked yet.
    pub(crate) fn new() -> Self {
        Self::default()
    }

    /// Asks everybody to stop in order.
    pub(crate) fn request(&self) {
        self.0.store(true, Ordering::Release);
    }

    /// Whether somebody has asked.
    pub(crate) fn requested(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }

    /// Stops on Ctrl-C and on the service manager's request (SIGTERM). A second one ends the process at once.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub(crate) fn on_signals(&self) -> std::io::Result<()> {
        let stop = self.clone();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        spawn("signals", move || {
            runtime.block_on(async {
                for count in 0.. {
                    if let Err(error) = signal().await {
                        tracing::warn!(%error, "signals cannot be received; stop with a kill");
                        return;
                    }
                    if count > 0 {
                        std::process::exit(1);
                    }
                    stop.request();
                }
            });
        })?;
        Ok(())
    }
}

/// Raises a flag whenever the process gets the signal USR1; on systems without it, never.
///
/// # Errors
/// Where the system gives no thread.
pub(crate) fn raise_on_user_signal(flag: &Arc<AtomicBool>) -> std::io::Result<()> {
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
pub(crate) fn raise_on_hangup_signal(flag: &Arc<AtomicBool>) -> std::io::Result<()> {
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

#[cfg(unix)]
async fn signal() -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    tokio::select! {
        interrupted = tokio::signal::ctrl_c() => interrupted,
        _ = terminate.recv() => Ok(()),
    }
}

#[cfg(not(unix))]
async fn signal() -> std::io::Result<()> {
    tokio::signal::ctrl_c().await
}
