//! The request to stop, shared by all threads.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::thread::spawn;

/// Whether a stop was requested. Clones share it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stop(Arc<AtomicBool>);

impl Stop {
    /// No stop is requested.
    pub(crate) fn new() -> Self {
        Self::default()
    }

    /// Requests a stop.
    pub(crate) fn request(&self) {
        self.0.store(true, Ordering::Release);
    }

    /// Whether a stop was requested.
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
