//! Where the page is served, and how it moves to another address while the program runs.

use std::net::{SocketAddr, TcpListener};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use tokio::sync::oneshot;

use super::keys::KeyError;
use super::shared::{Shared, may_serve};
use super::{SeatHitter, router};
use crate::sound::Language;
use crate::status::Health;

/// Why the page is not served.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PageError {
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
    /// Others in the network could look in without a key.
    #[error(
        "the page is not served at {address}, where others in the network reach it, before it has both keys: set them with \
         cagehand keys pin and cagehand keys password"
    )]
    NoKeys {
        /// The address.
        address: SocketAddr,
    },
    /// The keys cannot be read.
    #[error(transparent)]
    Keys(#[from] KeyError),
    /// The system gives no thread.
    #[error("the page's thread cannot be started: {0}")]
    Thread(std::io::Error),
}

/// The page's server, which may move to another address while the program runs.
pub(crate) struct PageServer {
    shared: Shared,
    served: Mutex<Option<Served>>,
}

/// One address that is served.
struct Served {
    address: SocketAddr,
    stop: oneshot::Sender<()>,
    thread: JoinHandle<()>,
}

impl Served {
    /// Ends it and gives its address free.
    fn end(self) {
        // Its thread may have ended already; then there is nothing to stop.
        let _ = self.stop.send(());
        if self.thread.join().is_err() {
            tracing::error!("the page's thread had failed");
        }
    }
}

impl PageServer {
    /// A server that serves nowhere yet; `language` is for whoever asks for none.
    pub(crate) fn new(health: Arc<Health>, seat: Arc<dyn SeatHitter>, language: Language) -> Self {
        Self {
            shared: Shared::new(health, seat, language),
            served: Mutex::new(None),
        }
    }

    /// Serves at this address and nowhere else from now on, or nowhere; gives the address, with the port that was taken
    /// where 0 was asked for. Where the new address cannot be had the old one stays.
    ///
    /// # Errors
    /// Where the address cannot be had, or others could reach it and there are no keys.
    pub(crate) fn serve_at(
        &self,
        address: Option<SocketAddr>,
    ) -> Result<Option<SocketAddr>, PageError> {
        let mut served = self.served.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(address) = address else {
            if let Some(before) = served.take() {
                before.end();
            }
            return Ok(None);
        };
        if !may_serve(address, &self.shared.keys()?) {
            return Err(PageError::NoKeys { address });
        }
        // Two addresses of one port may be in each other's way: the old one goes first then, and comes back where the new
        // one cannot be had.
        let in_the_way = served.take_if(|before| before.address.port() == address.port());
        let old = in_the_way.map(|before| {
            let old = before.address;
            before.end();
            old
        });
        let next = start(address, self.shared.clone()).inspect_err(|_| {
            *served = old.and_then(|old| start(old, self.shared.clone()).ok());
        })?;
        let taken = next.address;
        if let Some(before) = served.replace(next) {
            before.end();
        }
        Ok(Some(taken))
    }
}

fn start(address: SocketAddr, shared: Shared) -> Result<Served, PageError> {
    let bound = |source| PageError::Bind { address, source };
    let listener = TcpListener::bind(address).map_err(bound)?;
    listener.set_nonblocking(true).map_err(bound)?;
    let taken = listener.local_addr().map_err(bound)?;
    let service = router(shared).into_make_service_with_connect_info::<SocketAddr>();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(4)
        .build()
        .map_err(PageError::Thread)?;
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
                // The sender goes with the program, or with the address that took this one's place.
                _ = stopped => {}
            }
        });
    })
    .map_err(PageError::Thread)?;
    Ok(Served {
        address: taken,
        stop,
        thread,
    })
}
