//! The HTTP server, which can move to another address while the program runs.

mod accept;
mod pace;
mod slots;
mod tls;

use std::net::{SocketAddr, TcpListener};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use tokio::sync::oneshot;

use self::accept::Gate;
use self::pace::Pace;
use super::auth::{CredentialError, Credentials};
use super::state::AppState;
use super::{SessionControl, router};
use crate::settings::PageSettings;
use crate::sound::Language;
use crate::status::Health;

pub(super) use slots::Slots;
pub(crate) use tls::{PageCertificate, TlsError};

/// Threads that render pages, query the journal and check keys, beside the one that takes requests.
const WORKERS: usize = 4;

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
    /// The page cannot be encrypted.
    #[error(transparent)]
    Tls(#[from] TlsError),
    /// The system gives no thread.
    #[error("the page's thread cannot be started: {0}")]
    Thread(std::io::Error),
}

/// Where the page is served, as it is told to people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct ServedAt {
    address: SocketAddr,
    /// Of the certificate, where the page is encrypted.
    fingerprint: Option<String>,
}

impl std::fmt::Display for ServedAt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.fingerprint {
            None => write!(f, "page: http://{}/", self.address),
            Some(fingerprint) => write!(
                f,
                "page: https://{}/ (certificate SHA-256 {fingerprint})",
                self.address
            ),
        }
    }
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

    /// Serves as these settings say from now on. Returns the address, with the port that the system chose for port 0. Where that
    /// fails everything stays as before.
    ///
    /// # Errors
    /// Where the address cannot be bound, the page cannot be encrypted, or others could reach it and a PIN or password is
    /// missing.
    pub(crate) fn serve(&self, settings: &PageSettings) -> Result<Option<ServedAt>, ServeError> {
        let mut served = self.served.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(address) = settings.listen else {
            if let Some(before) = served.take() {
                before.end();
            }
            self.state.set_rules(settings.clone());
            return Ok(None);
        };
        if !may_serve(address, &*self.state.credentials()?) {
            return Err(ServeError::NoCredentials { address });
        }
        self.state.sweep_clips();
        let journal = self.state.control.journal();
        let certificate = PageCertificate::of(settings, journal.as_deref())?;
        let rules_before = self.state.rules();
        // Two addresses of one port may conflict: the old one closes first then, and opens again where the new one fails.
        let conflicting = served.take_if(|before| before.address.port() == address.port());
        let old = conflicting.map(|before| {
            let old = before.address;
            before.end();
            old
        });
        self.state.set_rules(settings.clone());
        let next = self.start(address, certificate.as_ref()).inspect_err(|_| {
            self.state.set_rules((*rules_before).clone());
            // Where nothing was closed, what was served is served still.
            if let Some(old) = old {
                let certificate = PageCertificate::of(&rules_before, journal.as_deref());
                *served = self.start(old, certificate.ok().flatten().as_ref()).ok();
            }
        })?;
        let taken = ServedAt {
            address: next.address,
            fingerprint: certificate.map(|certificate| certificate.fingerprint),
        };
        if let Some(before) = served.replace(next) {
            before.end();
        }
        Ok(Some(taken))
    }

    /// Whether it is served anywhere.
    pub(crate) fn is_served(&self) -> bool {
        let served = self.served.lock();
        served.unwrap_or_else(PoisonError::into_inner).is_some()
    }

    /// Serves nowhere any more.
    pub(crate) fn end(&self) {
        self.end_clips();
        let served = self
            .served
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
        if let Some(served) = served {
            served.end();
        }
    }

    /// Gives up what is read of clips. To be called before the journal is closed.
    pub(crate) fn end_clips(&self) {
        self.state.clips.end();
    }

    fn start(
        &self,
        address: SocketAddr,
        certificate: Option<&PageCertificate>,
    ) -> Result<Served, ServeError> {
        let bound = |source| ServeError::Bind { address, source };
        let listener = TcpListener::bind(address).map_err(bound)?;
        listener.set_nonblocking(true).map_err(bound)?;
        let taken = listener.local_addr().map_err(bound)?;
        let gate = Gate {
            router: router(self.state.clone()),
            tls: certificate.map(|certificate| certificate.acceptor.clone()),
            proxies: self.state.rules().behind_proxy.clone(),
            pace: Pace::default(),
        };
        // The line from camera to cue comes first wherever both want a core.
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .max_blocking_threads(WORKERS)
            .on_thread_start(|| crate::thread::give_way(crate::thread::Lower::Much))
            .build()
            .map_err(ServeError::Thread)?;
        let (stop, stopped) = oneshot::channel::<()>();
        let thread = crate::thread::spawn("page", move || {
            crate::thread::give_way(crate::thread::Lower::Much);
            runtime.block_on(async move {
                let served = async {
                    let listener = tokio::net::TcpListener::from_std(listener)?;
                    accept::accept(listener, gate).await;
                    std::io::Result::Ok(())
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
}

/// Anywhere but on this machine the page is served only with both PIN and password set.
fn may_serve(address: SocketAddr, keys: &Credentials) -> bool {
    address.ip().to_canonical().is_loopback() || (keys.has_pin() && keys.has_coach())
}

#[cfg(test)]
mod tests {
    use std::net::TcpStream;

    use super::*;
    use crate::page::auth::door_tests::EmptyCage;

    fn keys(pin: bool, coach: bool) -> Credentials {
        let mut keys = Credentials::default();
        keys.set_pin(pin.then_some("246971")).unwrap();
        keys.set_password("coach", coach.then_some("nine long innings"))
            .unwrap();
        keys
    }

    #[test]
    fn beyond_this_machine_the_page_is_served_with_both_keys_alone() {
        for (pin, coach, served) in [
            (false, false, false),
            (true, false, false),
            (false, true, false),
            (true, true, true),
        ] {
            let keys = keys(pin, coach);
            for (address, served) in [
                ("127.0.0.1:7420", true),
                ("[::1]:7420", true),
                ("[::ffff:127.0.0.1]:7420", true),
                ("0.0.0.0:7420", served),
                ("192.0.2.1:7420", served),
                ("[::]:7420", served),
            ] {
                let may = may_serve(address.parse().unwrap(), &keys);
                assert_eq!(may, served, "{address}, PIN {pin}, password {coach}");
            }
        }
    }

    #[test]
    fn the_page_moves_closes_and_stays_where_the_next_address_cannot_be_had() {
        let folder = tempfile::tempdir().unwrap();
        let control = Arc::new(EmptyCage(folder.path().join("journal.db")));
        let server = PageServer::new(Arc::default(), control, Language::English);
        let at = |listen: Option<SocketAddr>| PageSettings {
            listen,
            ..PageSettings::default()
        };
        let port = || Some("127.0.0.1:0".parse().unwrap());
        let is_open = |at: &ServedAt| TcpStream::connect(at.address).is_ok();
        let first = server.serve(&at(port())).unwrap().unwrap();
        assert!(is_open(&first));
        assert_eq!(
            first.to_string(),
            format!("page: http://{}/", first.address)
        );
        let second = server.serve(&at(port())).unwrap().unwrap();
        assert!(is_open(&second) && !is_open(&first));
        // The same port again, as after an edit of something else.
        let again = server.serve(&at(Some(second.address))).unwrap().unwrap();
        assert_eq!(again, second);
        assert!(is_open(&second));

        let taken = TcpListener::bind("127.0.0.1:0").unwrap();
        let refused = server.serve(&at(Some(taken.local_addr().unwrap())));
        assert!(matches!(refused, Err(ServeError::Bind { .. })));
        let beyond = server.serve(&at(Some("0.0.0.0:0".parse().unwrap())));
        assert!(matches!(beyond, Err(ServeError::NoCredentials { .. })));
        // Whatever was begun to close it would be through by then.
        std::thread::sleep(std::time::Duration::from_millis(300));
        assert!(is_open(&second));
        assert_eq!(server.serve(&at(None)).unwrap(), None);
        assert!(!is_open(&second));
    }
}
