//! Takes connections in, few enough and for a limited time each, encrypted or not.
//!
//! The daemon has one pool of file descriptors and one memory: whoever opens connections and then keeps quiet, or sends a byte
//! now and then, must not use them up.

use std::convert::Infallible;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsAcceptor;
use tower_service::Service;

use super::pace::Pace;
use super::slots::Slots;
use crate::page::auth::Connection;

/// Connections from the network at one moment, of all and of one address. A browser opens six.
const CONNECTIONS: usize = 96;
const CONNECTIONS_OF_ONE: usize = 24;
/// Connections from this machine, which the network's cannot use up.
const CONNECTIONS_FROM_HERE: usize = 48;
/// How long a client may take to begin, to shake hands, and to send a request's headers; a connection that waits for its next
/// request is closed after the same time.
const FIRST_BYTE: Duration = Duration::from_secs(10);
const HANDSHAKE: Duration = Duration::from_secs(10);
const HEADERS: Duration = Duration::from_secs(15);
/// Bytes of headers that are kept while they come in.
const HEADER_BYTES: usize = 32 * 1024;
/// A connection ends after so long in any case; screens connect again by themselves.
const CONNECTION: Duration = Duration::from_secs(3600);
/// Where no connection can be taken, as for want of file descriptors.
const PAUSE: Duration = Duration::from_millis(200);
/// What a TLS connection begins with.
const TLS_HANDSHAKE_RECORD: u8 = 0x16;

/// Whom connections may come from.
#[derive(Clone)]
pub(super) struct Gate {
    pub(super) router: Router,
    /// Shakes hands where the page is encrypted.
    pub(super) tls: Option<TlsAcceptor>,
    /// Addresses of proxies, which bring everybody's connections.
    pub(super) proxies: Vec<IpAddr>,
    pub(super) pace: Pace,
}

/// Takes connections in until it is dropped.
pub(super) async fn accept(listener: TcpListener, gate: Gate) {
    let network = Arc::new(Slots::new(CONNECTIONS));
    let here = Arc::new(Slots::new(CONNECTIONS_FROM_HERE));
    loop {
        let (stream, peer) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::debug!(%error, "a connection of the page could not be taken");
                tokio::time::sleep(PAUSE).await;
                continue;
            }
        };
        let peer = peer.ip().to_canonical();
        let slot = match (gate.proxies.contains(&peer), peer.is_loopback()) {
            (true, _) => network.take(peer, CONNECTIONS),
            (false, true) => here.take(peer, CONNECTIONS_FROM_HERE),
            (false, false) => network.take(peer, CONNECTIONS_OF_ONE),
        };
        let Some(slot) = slot else { continue };
        let gate = gate.clone();
        tokio::spawn(async move {
            let _slot = slot;
            let ended = tokio::time::timeout(CONNECTION, serve(stream, peer, gate)).await;
            if let Ok(Some(error)) = ended {
                tracing::trace!(%error, "a connection of the page ended");
            }
        });
    }
}

/// Serves a connection to its end; why it failed, if so.
async fn serve(stream: TcpStream, peer: IpAddr, gate: Gate) -> Option<String> {
    let mut first = [0u8; 1];
    let begun = tokio::time::timeout(FIRST_BYTE, stream.peek(&mut first)).await;
    if !matches!(begun, Ok(Ok(1))) {
        return Some("it sent nothing".to_owned());
    }
    let _ = stream.set_nodelay(true);
    let mut connection = Connection {
        peer,
        is_encrypted: false,
    };
    match gate.tls.clone() {
        Some(tls) if first[0] == TLS_HANDSHAKE_RECORD => {
            connection.is_encrypted = true;
            match tokio::time::timeout(HANDSHAKE, tls.accept(stream)).await {
                Ok(Ok(stream)) => serve_http(stream, connection, gate).await,
                Ok(Err(error)) => Some(error.to_string()),
                Err(_) => Some("it did not shake hands in time".to_owned()),
            }
        }
        _ => serve_http(stream, connection, gate).await,
    }
}

async fn serve_http(
    stream: impl AsyncRead + AsyncWrite + Unpin,
    connection: Connection,
    gate: Gate,
) -> Option<String> {
    let is_proxy = gate.proxies.contains(&connection.peer);
    let service = hyper::service::service_fn(move |mut request: hyper::Request<Incoming>| {
        request.extensions_mut().insert(connection);
        let mut router = gate.router.clone();
        let delay = gate.pace.delay(connection.peer, is_proxy, Instant::now());
        async move {
            if !delay.is_zero() {
                tokio::time::sleep(delay).await;
            }
            let Ok::<_, Infallible>(response) = router.call(request).await;
            Ok::<_, Infallible>(response)
        }
    });
    http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS)
        .max_buf_size(HEADER_BYTES)
        .serve_connection(TokioIo::new(stream), service)
        .await
        .err()
        .map(|error| error.to_string())
}
