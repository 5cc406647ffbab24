//! Connections: accepted, encrypted if certificates are given, limited in number and in time, ended.
//!
//! Written on hyper's own connection type: the ready-made server loop has no deadline for a client that never
//! finishes its header, and no end for one that never reads the answer when the daemon is to stop.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::Router;
use axum::extract::Request;
use axum::http::header::CONTENT_TYPE;
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower_service::Service;

use crate::config::read_bounded;
use crate::daemon::access::Peer;

/// Connections at once; for a further one, the one that has been silent for longest is closed.
pub const CONNECTIONS_MAX: usize = 512;
/// Never more than this, however young they are.
const CONNECTIONS_LIMIT: usize = 4096;
/// So long a new client is left in peace: a call to stop must have time to arrive, also on a busy machine.
const YOUNG: Duration = Duration::from_secs(1);
/// How long a client may take to send its header.
pub const HEADER_TIME_MAX: Duration = Duration::from_secs(10);
/// How long a client may take to agree on encryption.
pub const HANDSHAKE_TIME_MAX: Duration = Duration::from_secs(10);
/// Headers of a request, all together.
pub const HEADER_BYTES_MAX: usize = 32 << 10;
/// The largest certificate or key file.
const PEM_BYTES_MAX: u64 = 1 << 20;
/// Connections that may wait to be accepted; the system may allow fewer.
const BACKLOG: u32 = 4096;
/// What a stream of events is sent as.
const EVENT_STREAM: &str = "text/event-stream";
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
    read_bounded(path, PEM_BYTES_MAX).map_err(|error| refuse(path, wanted, &error))
}

/// A socket to be served. Connections that were not accepted yet wait in a queue of the system's; in one that
/// overflows a call to stop would be tried again only after a second (RFC 6298, 2.1).
pub fn listen(at: SocketAddr) -> io::Result<TcpListener> {
    let socket = match at {
        SocketAddr::V4(_) => TcpSocket::new_v4()?,
        SocketAddr::V6(_) => TcpSocket::new_v6()?,
    };
    // A daemon that is started again must not wait for what is left of the connections of the one before.
    socket.set_reuseaddr(true)?;
    socket.bind(at)?;
    allow_many_files();
    socket.listen(BACKLOG)
}

/// As many open files as the system lets this process have: each connection is one.
fn allow_many_files() {
    let limits = getrlimit(Resource::Nofile);
    let raised = Rlimit {
        current: limits.maximum,
        ..limits
    };
    if let Err(error) = setrlimit(Resource::Nofile, raised) {
        tracing::debug!(%error, "the limit of open files stays as it is");
    }
}

/// Serves until `stop` is cancelled, then lets answers under way end for `grace`, then cuts them off.
pub async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    stop: CancellationToken,
    grace: Duration,
) {
    let seats = Arc::new(Seats::default());
    let connections = TaskTracker::new();
    let cut = CancellationToken::new();
    while let Some((stream, peer)) = next(&listener, &stop).await {
        let (tls, router) = (tls.clone(), router.clone());
        let (stop, seat) = (stop.clone(), seats.take(cut.child_token()));
        connections.spawn(async move {
            let cut = seat.cut.clone();
            tokio::select! {
                () = connection(stream, Peer(peer), tls, router, stop, seat) => {}
                () = cut.cancelled() => {}
            }
        });
    }
    connections.close();
    if timeout(grace, connections.wait()).await.is_err() {
        tracing::warn!(left = connections.len(), "connections are cut off");
        cut.cancel();
        connections.wait().await;
    }
}

/// The next client; none when it is time to stop.
async fn next(listener: &TcpListener, stop: &CancellationToken) -> Option<(TcpStream, SocketAddr)> {
    let accept = async {
        loop {
            match listener.accept().await {
                Ok(client) => return client,
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
        client = accept => Some(client),
    }
}

/// Who is connected. A new client is never kept waiting: it may want to stop something. Clients that send nothing, or
/// begin a request and never finish it, give way to it.
#[derive(Debug, Default)]
struct Seats {
    taken: Mutex<BTreeMap<u64, Taken>>,
    ever: AtomicU64,
}

#[derive(Debug)]
struct Taken {
    /// Since when nothing was asked; none while a request is answered.
    silent: Option<Instant>,
    cut: CancellationToken,
}

/// One connection's place, given back when it is dropped.
#[derive(Debug)]
struct Seat {
    number: u64,
    cut: CancellationToken,
    seats: Arc<Seats>,
}

impl Seats {
    fn take(self: &Arc<Self>, cut: CancellationToken) -> Seat {
        let number = self.ever.fetch_add(1, Ordering::Relaxed);
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if taken.len() >= CONNECTIONS_MAX
            && let Some(oldest) = gives_way(&taken, Instant::now())
            && let Some(closed) = taken.remove(&oldest)
        {
            closed.cut.cancel();
        }
        let seat = Taken {
            silent: Some(Instant::now()),
            cut: cut.clone(),
        };
        taken.insert(number, seat);
        Seat {
            number,
            cut,
            seats: self.clone(),
        }
    }
}

/// Whoever was silent for longest, unless that is not long; at the limit the oldest of all. A call to stop is among the
/// newest.
fn gives_way(taken: &BTreeMap<u64, Taken>, now: Instant) -> Option<u64> {
    let silent = taken
        .iter()
        .filter_map(|(number, seat)| Some((seat.silent?, *number)));
    let longest = silent
        .min()
        .filter(|(since, _)| now.duration_since(*since) >= YOUNG);
    let oldest = || {
        let is_full = taken.len() >= CONNECTIONS_LIMIT;
        taken.keys().next().copied().filter(|_| is_full)
    };
    longest.map(|(_, number)| number).or_else(oldest)
}

impl Seat {
    fn is_silent(&self, silent: bool) {
        let mut taken = self
            .seats
            .taken
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        if let Some(seat) = taken.get_mut(&self.number) {
            seat.silent = silent.then(Instant::now);
        }
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut taken = self
            .seats
            .taken
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        taken.remove(&self.number);
    }
}

async fn connection(
    stream: TcpStream,
    peer: Peer,
    tls: Option<TlsAcceptor>,
    router: Router,
    stop: CancellationToken,
    seat: Seat,
) {
    // Events are small and wanted at once.
    let _ = stream.set_nodelay(true);
    match tls {
        None => talk(stream, peer, router, stop, seat).await,
        Some(tls) => match timeout(HANDSHAKE_TIME_MAX, tls.accept(stream)).await {
            Ok(Ok(stream)) => talk(stream, peer, router, stop, seat).await,
            Ok(Err(error)) => tracing::debug!(%error, ?peer, "no encryption was agreed on"),
            Err(_) => tracing::debug!(?peer, "took too long to agree on encryption"),
        },
    }
}

async fn talk<S>(stream: S, peer: Peer, router: Router, stop: CancellationToken, seat: Seat)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let seat = Arc::new(seat);
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let mut request: Request = request.map(axum::body::Body::new);
        request.extensions_mut().insert(peer);
        let (seat, answer) = (seat.clone(), router.clone().call(request));
        async move {
            seat.is_silent(false);
            let answer = answer.await?;
            // An event stream goes on for as long as somebody listens.
            let is_stream = answer
                .headers()
                .get(CONTENT_TYPE)
                .is_some_and(|kind| kind == EVENT_STREAM);
            seat.is_silent(!is_stream);
            Ok::<_, Infallible>(answer)
        }
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
