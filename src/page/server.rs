//! The HTTP server, which can move to another address while the program runs.

use std::net::{SocketAddr, TcpListener};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use tokio::sync::oneshot;

use super::auth::{CredentialError, CredentialKind, Credentials};
use super::state::AppState;
use super::{SessionControl, router};
use crate::sound::Language;
use crate::status::Health;

/// Why the page is not served.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ServeError {
    /// The address is taken or not this machine's.
    #[error(
        "the page cannot be served at {address}: {source}; choose another with [page] listen in the settings, or \"\" for none"
    )]
    Bind {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// Others in the network could look in without logging in.
    #[error(
        "the page is not served at {address}, where others in the network reach it, before it has both keys: set them with \
         cagehand keys pin and cagehand keys password"
    )]
    NoCredentials {
        /// The address.
        address: SocketAddr,
    },
    /// The credentials cannot be read.
    #[error(transparent)]
    Credentials(#[from] CredentialError),
    /// The system gives no thread.
    #[error("the page's thread cannot be started: {0}")]
    Thread(std::io::Error),
}

/// The page's server.
pub(crate) struct PageServer {
    state: AppState,
    served: Mutex<Option<Served>>,
}

/// One address that is served.
struct Served {
    address: SocketAddr,
    stop: oneshot::Sender<()>,
    thread: JoinHandle<()>,
}

impl Served {
    /// Stops it and frees its address.
    fn end(self) {
        // Its thread may have ended already.
        let _ = self.stop.send(());
        if self.thread.join().is_err() {
            tracing::error!("the page's thread had failed");
        }
    }
}

impl PageServer {
    /// A server that listens nowhere yet; `language` is for requests that ask for none.
    pub(crate) fn new(
        health: Arc<Health>,
        control: Arc<dyn SessionControl>,
        language: Language,
    ) -> Self {
        Self {
            state: AppState::new(health, control, language),
            served: Mutex::new(None),
        }
    }

    /// Listens at this address and no other from now on, or nowhere; returns the address, with the port that the system chose
    /// for port 0. Where the new address fails the old one stays.
    ///
    /// # Errors
    /// Where the address cannot be bound, or others could reach it and a PIN or password is missing.
    pub(crate) fn serve_at(
        &self,
        address: Option<SocketAddr>,
    ) -> Result<Option<SocketAddr>, ServeError> {
        let mut served = self.served.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(address) = address else {
            if let Some(before) = served.take() {
                before.end();
            }
            return Ok(None);
        };
        if !may_serve(address, &self.state.credentials()?) {
            return Err(ServeError::NoCredentials { address });
        }
        // Two addresses of one port may conflict: the old one closes first then, and opens again where the new one fails.
        let conflicting = served.take_if(|before| before.address.port() == address.port());
        let old = conflicting.map(|before| {
            let old = before.address;
            before.end();
            old
        });
        let next = start(address, self.state.clone()).inspect_err(|_| {
            *served = old.and_then(|old| start(old, self.state.clone()).ok());
        })?;
        let taken = next.address;
        if let Some(before) = served.replace(next) {
            before.end();
        }
        Ok(Some(taken))
    }
}

fn start(address: SocketAddr, state: AppState) -> Result<Served, ServeError> {
    let bound = |source| ServeError::Bind { address, source };
    let listener = TcpListener::bind(address).map_err(bound)?;
    listener.set_nonblocking(true).map_err(bound)?;
    let taken = listener.local_addr().map_err(bound)?;
    let service = router(state).into_make_service_with_connect_info::<SocketAddr>();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(4)
        .build()
        .map_err(ServeError::Thread)?;
    let (stop, stopped) = oneshot::channel::<()>();
    let thread = crate::thread::spawn("page", move || {
        runtime.block_on(async move {
            let served = async {
                let listener = tokio::net::TcpListener::from_std(listener)?;
                axum::serve(listener, service).await
            };
            tokio::select! {
                served = served => {
                    if let Err(error) = served {
                        tracing::error!(%error, "the page is served no more");
                    }
                }
                // The sender is dropped at the end of the program, or when another address takes over.
                _ = stopped => {}
            }
        });
    })
    .map_err(ServeError::Thread)?;
    Ok(Served {
        address: taken,
        stop,
        thread,
    })
}

/// Anywhere but on this machine the page is served only with both PIN and password set.
fn may_serve(address: SocketAddr, credentials: &Credentials) -> bool {
    address.ip().to_canonical().is_loopback()
        || (credentials.has(CredentialKind::Pin) && credentials.has(CredentialKind::Password))
}
