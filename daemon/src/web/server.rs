//! The listener: who may connect, how many, and how long they may take.
//!
//! The HTTP/1 builder gets a timer of its own: without one, its limit on slow heads is silently
//! off.

use super::backend::PeerAddress;
use axum::Router;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tower::Layer as _;

/// Limits of the listener.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Connections at one time.
    pub connections: usize,
    /// Connections of one address.
    pub per_address: u32,
    /// Longest wait for the head of a request, also between requests.
    pub head: Duration,
    /// Longest a stop may take.
    pub drain: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self { connections: 64, per_address: 8, head: Duration::from_secs(5), drain: Duration::from_secs(3) }
    }
}

/// Largest head of a request; the smallest the library allows.
const HEAD_BYTES: usize = 8_192;
/// Most header lines.
const HEAD_LINES: usize = 64;
/// Pause after a failed accept, as when files run out.
const ACCEPT_PAUSE: Duration = Duration::from_millis(200);

#[derive(Debug, Default)]
struct Addresses(Mutex<BTreeMap<IpAddr, u32>>);

/// One place of an address, given back when dropped.
struct Place {
    addresses: Arc<Addresses>,
    from: IpAddr,
    _whole: OwnedSemaphorePermit,
}

impl Addresses {
    fn take(self: &Arc<Self>, from: IpAddr, most: u32, whole: OwnedSemaphorePermit) -> Option<Place> {
        let mut table = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = table.entry(from).or_insert(0);
        if *count >= most {
            return None;
        }
        *count += 1;
        drop(table);
        Some(Place { addresses: Arc::clone(self), from, _whole: whole })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut table = self.addresses.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = table.get_mut(&self.from) {
            *count = count.saturating_sub(1);
            if *count == 0 {
                table.remove(&self.from);
            }
        }
    }
}

/// Serves until told to stop, then lets answers under way finish for a short while.
pub async fn serve(listener: TcpListener, app: Router, limits: Limits, stop: CancellationToken) {
    serve_encrypted(listener, app, None, limits, stop).await;
}

/// The same, encrypted when there is something to encrypt with.
pub async fn serve_encrypted(
    listener: TcpListener,
    app: Router,
    tls: Option<TlsAcceptor>,
    limits: Limits,
    stop: CancellationToken,
) {
    let places = Arc::new(Semaphore::new(limits.connections));
    let addresses = Arc::new(Addresses::default());
    let mut connections = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            biased;
            () = stop.cancelled() => break,
            _ended = connections.join_next(), if !connections.is_empty() => continue,
            accepted = listener.accept() => accepted,
        };
        let (stream, from) = match accepted {
            Ok((stream, from)) => (stream, from.ip().to_canonical()),
            Err(error) => {
                tracing::warn!(%error, "the page could not take a connection");
                tokio::time::sleep(ACCEPT_PAUSE).await;
                continue;
            }
        };
        // Over the limit the connection is closed at once: an answer would cost more than it tells.
        let Ok(whole) = Arc::clone(&places).try_acquire_owned() else { continue };
        let Some(place) = addresses.take(from, limits.per_address, whole) else { continue };
        let _small_packets_are_sent_at_once = stream.set_nodelay(true);
        let (app, tls, stop) = (app.clone(), tls.clone(), stop.clone());
        connections.spawn(async move {
            let Some(tls) = tls else { return connection(stream, from, app, limits, stop, place).await };
            // Shaking hands takes no longer than the head of a request may.
            match tokio::time::timeout(limits.head, tls.accept(stream)).await {
                Ok(Ok(stream)) => connection(stream, from, app, limits, stop, place).await,
                Ok(Err(error)) => tracing::debug!(%error, "a connection of the page was not encrypted"),
                Err(_) => tracing::debug!("a connection of the page took too long to be encrypted"),
            }
        });
    }
    let drained =
        tokio::time::timeout(limits.drain, async { while connections.join_next().await.is_some() {} }).await;
    if drained.is_err() {
        tracing::info!(left = connections.len(), "connections of the page were cut at the stop");
        connections.shutdown().await;
    }
}

async fn connection<S: AsyncRead + AsyncWrite + Unpin>(
    stream: S,
    from: IpAddr,
    app: Router,
    limits: Limits,
    stop: CancellationToken,
    _place: Place,
) {
    let app = axum::Extension(PeerAddress(from)).layer(app);
    let mut builder = hyper::server::conn::http1::Builder::new();
    builder
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head)
        .max_buf_size(HEAD_BYTES)
        .max_headers(HEAD_LINES);
    let serving = builder.serve_connection(TokioIo::new(stream), TowerToHyperService::new(app));
    tokio::pin!(serving);
    let ended = tokio::select! {
        ended = serving.as_mut() => ended,
        () = stop.cancelled() => {
            serving.as_mut().graceful_shutdown();
            serving.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, "a connection of the page ended early");
    }
}
