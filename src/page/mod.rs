//! What the daemon serves on the local machine: its health as a page, as JSON and as metrics.
//!
//! In: the health figures. Out: `/` for the owner, `/health` for programs, `/metrics` in the open Prometheus text format.
//! Runs on the thread `page`; it only reads, and nothing it does can hold up the line.

mod health_page;
mod machine;
mod metrics;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Instant;

use axum::Router;
use axum::extract::State;
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE, HOST};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use crate::daemon::{Health, thread};

pub use health_page::{HealthFigures, health_lines};
pub use machine::free_bytes;

/// What the handlers know.
#[derive(Clone)]
struct Shared {
    health: Arc<Health>,
    began: Instant,
}

/// Why the page is not served.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
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
    /// The system gives no thread.
    #[error("the page's thread cannot be started: {0}")]
    Thread(std::io::Error),
}

/// Serves the health figures at this address until the program ends; gives the address, with the port that was taken
/// where 0 was asked for.
///
/// # Errors
/// Where the address cannot be had.
pub fn serve(address: SocketAddr, health: Arc<Health>) -> Result<SocketAddr, PageError> {
    let bound = |source| PageError::Bind { address, source };
    let listener = std::net::TcpListener::bind(address).map_err(bound)?;
    listener.set_nonblocking(true).map_err(bound)?;
    let taken = listener.local_addr().map_err(bound)?;
    let shared = Shared {
        health,
        began: Instant::now(),
    };
    let router = Router::new()
        .route("/", get(page))
        .route("/health", get(json))
        .route("/metrics", get(prometheus))
        .with_state(shared);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(PageError::Thread)?;
    thread::spawn("page", move || {
        runtime.block_on(async move {
            let served = async {
                let listener = tokio::net::TcpListener::from_std(listener)?;
                axum::serve(listener, router).await
            };
            if let Err(error) = served.await {
                tracing::error!(%error, "the page is served no more");
            }
        });
    })
    .map_err(PageError::Thread)?;
    Ok(taken)
}

/// A name that another site made this machine answer to is refused: only addresses and the machine's own names are let in.
fn refused(headers: &HeaderMap) -> bool {
    let Some(host) = headers.get(HOST).and_then(|host| host.to_str().ok()) else {
        return true;
    };
    let name = host.rsplit_once(':').map_or(host, |(name, port)| {
        if port.chars().all(|c| c.is_ascii_digit()) {
            name
        } else {
            host
        }
    });
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    !(bare == "localhost" || bare.parse::<std::net::IpAddr>().is_ok())
}

fn answer(headers: &HeaderMap, kind: &'static str, body: impl FnOnce() -> String) -> Response {
    if refused(headers) {
        return (StatusCode::MISDIRECTED_REQUEST, "unknown host\n").into_response();
    }
    (
        [
            (CONTENT_TYPE, kind),
            (
                CONTENT_SECURITY_POLICY,
                "default-src 'none'; style-src 'unsafe-inline'",
            ),
        ],
        body(),
    )
        .into_response()
}

async fn page(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    answer(&headers, "text/html; charset=utf-8", || {
        health_page::page(&HealthFigures::of(&shared.health, shared.began.elapsed()))
    })
}

async fn json(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    answer(&headers, "application/json", || {
        let figures = HealthFigures::of(&shared.health, shared.began.elapsed());
        serde_json::to_string(&figures).unwrap_or_else(|error| {
            tracing::error!(%error, "the health figures could not be written");
            "{}".to_owned()
        })
    })
}

async fn prometheus(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    answer(&headers, "text/plain; version=0.0.4; charset=utf-8", || {
        metrics::text(&HealthFigures::of(&shared.health, shared.began.elapsed()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_host(host: &str) -> HeaderMap {
        let mut headers = HeaderMap::new();
        headers.insert(HOST, host.parse().unwrap());
        headers
    }

    #[test]
    fn only_addresses_and_localhost_are_let_in() {
        for host in [
            "127.0.0.1:7420",
            "localhost",
            "localhost:7420",
            "[::1]:7420",
            "192.168.1.5",
        ] {
            assert!(!refused(&with_host(host)), "{host}");
        }
        for host in ["evil.example", "cagehand.example:7420", ""] {
            assert!(refused(&with_host(host)), "{host}");
        }
        assert!(refused(&HeaderMap::new()));
    }
}
