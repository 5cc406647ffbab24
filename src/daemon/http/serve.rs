//! Connections: accepted, encrypted if certificates are given, limited in number and in time, ended.
//!
//! Written on hyper's own connection type: the ready-made server loop has no deadline for a client that never
//! finishes its header, and no end for one that never reads the answer when the daemon is to stop.

use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower_service::Service;

use crate::daemon::access::Peer;

/// Connections at once; further ones wait in the system's queue.
pub const CONNECTIONS_MAX: usize = 512;
/// How long a client may take to send its header.
pub const HEADER_TIME_MAX: Duration = Duration::from_secs(10);
/// How long a client may take to agree on encryption.
pub const HANDSHAKE_TIME_MAX: Duration = Duration::from_secs(10);
/// Headers of a request, all together.
pub const HEADER_BYTES_MAX: usize = 32 << 10;
/// The largest certificate or key file.
const PEM_BYTES_MAX: u64 = 1 << 20;
/// Between two tries when the system has no socket to give.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Why certificates cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// The file cannot be read, or holds nothing of use.
    #[error("{}: {problem}; name a PEM file with {wanted}", path.display())]
    File {
        /// Which file.
        path: PathBuf,
        /// What should be in it.
        wanted: &'static str,
        /// What is wrong with it.
        problem: String,
    },
    /// Certificate and key do not fit, or are of a kind that is not known.
    #[error("the certificate and its key cannot be used: {0}; check that they belong together")]
    Unusable(#[from] tokio_rustls::rustls::Error),
}

/// What encrypts connections, from PEM files: the certificate with its chain, and its key.
pub fn tls(certificates: &Path, key: &Path) -> Result<TlsAcceptor, TlsError> {
    let wanted = "a certificate, followed by those that signed it";
    let chain = CertificateDer::pem_slice_iter(&read(certificates, wanted)?)
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| refuse(certificates, wanted, &error))?;
    let wanted = "its private key";
    let key = PrivateKeyDer::from_pem_slice(&read(key, wanted)?)
        .map_err(|error| refuse(key, wanted, &error))?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(chain, key)?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

fn refuse(path: &Path, wanted: &'static str, problem: &dyn std::fmt::Display) -> TlsError {
    TlsError::File {
        path: path.to_owned(),
        wanted,
        problem: problem.to_string(),
    }
}

fn read(path: &Path, wanted: &'static str) -> Result<Vec<u8>, TlsError> {
    let bytes = || {
        let size = std::fs::metadata(path)?.len();
        match size > PEM_BYTES_MAX {
            true => Err(io::Error::other(format!("{size} bytes are too many"))),
            false => std::fs::read(path),
        }
    };
    bytes().map_err(|error| refuse(path, wanted, &error))
}

/// Serves until `stop` is cancelled, then lets answers under way end for `grace`, then cuts them off.
pub async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    stop: CancellationToken,
    grace: Duration,
) {
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let connections = TaskTracker::new();
    let cut = CancellationToken::new();
    while let Some((stream, peer, place)) = next(&listener, &places, &stop).await {
        let (tls, router) = (tls.clone(), router.clone());
        let (stop, cut) = (stop.clone(), cut.clone());
        connections.spawn(async move {
            tokio::select! {
                () = connection(stream, Peer(peer), tls, router, stop) => {}
                () = cut.cancelled() => {}
            }
            drop(place);
        });
    }
    connections.close();
    if timeout(grace, connections.wait()).await.is_err() {
        tracing::warn!(left = connections.len(), "connections are cut off");
        cut.cancel();
        connections.wait().await;
    }
}

/// The next client, as soon as there is a place for it; none when it is time to stop.
async fn next(
    listener: &TcpListener,
    places: &Arc<Semaphore>,
    stop: &CancellationToken,
) -> Option<(TcpStream, SocketAddr, tokio::sync::OwnedSemaphorePermit)> {
    let accept = async {
        let place = places.clone().acquire_owned().await.ok()?;
        loop {
            match listener.accept().await {
                Ok((stream, peer)) => return Some((stream, peer, place)),
                Err(error) => {
                    tracing::warn!(%error, "a connection was not accepted");
                    tokio::time::sleep(ACCEPT_PAUSE).await;
                }
            }
        }
    };
    tokio::select! {
        biased;
        () = stop.cancelled() => None,
        client = accept => client,
    }
}

async fn connection(
    stream: TcpStream,
    peer: Peer,
    tls: Option<TlsAcceptor>,
    router: Router,
    stop: CancellationToken,
) {
    // Events are small and wanted at once.
    let _ = stream.set_nodelay(true);
    match tls {
        None => talk(stream, peer, router, stop).await,
        Some(tls) => match timeout(HANDSHAKE_TIME_MAX, tls.accept(stream)).await {
            Ok(Ok(stream)) => talk(stream, peer, router, stop).await,
            Ok(Err(error)) => tracing::debug!(%error, ?peer, "no encryption was agreed on"),
            Err(_) => tracing::debug!(?peer, "took too long to agree on encryption"),
        },
    }
}

async fn talk<S>(stream: S, peer: Peer, router: Router, stop: CancellationToken)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let mut request: Request = request.map(axum::body::Body::new);
        request.extensions_mut().insert(peer);
        router.clone().call(request)
    });
    let connection = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIME_MAX)
        .max_buf_size(HEADER_BYTES_MAX)
        .serve_connection(TokioIo::new(stream), service);
    tokio::pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = stop.cancelled() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, ?peer, "a connection ended early");
    }
}
