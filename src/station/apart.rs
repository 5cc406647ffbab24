//! Threads of their own for the tasks that must go on while others hang: the watch over an emission, the tasks that
//! own the instruments, the one beside the keeper, and the interlock's.
//!
//! On the threads of the procedure they would not be safe: a task that blocks its thread there may have been the one
//! that waited for the sockets and timers of all the others, and until it returns nobody else does.

use std::future::Future;
use std::sync::OnceLock;

use tokio::runtime::{Builder, Runtime};
use tokio_util::task::AbortOnDropHandle;

use super::StationError;

/// One may be held up by the system, as by the closing of a serial port.
const THREADS: usize = 2;

/// Runs `work`, and whatever it starts, apart; dropped together with this future.
pub(super) async fn run<T: Send + 'static>(
    work: impl Future<Output = Result<T, StationError>> + Send + 'static,
) -> Result<T, StationError> {
    let work = AbortOnDropHandle::new(runtime()?.spawn(work));
    work.await
        .unwrap_or_else(|fault| Err(StationError::Threads(fault.to_string())))
}

/// For all stations of this process, and as long as it lives: who emits may be gone while the watch still is at work.
fn runtime() -> Result<&'static Runtime, StationError> {
    static RUNTIME: OnceLock<Result<Runtime, String>> = OnceLock::new();
    let started = RUNTIME.get_or_init(|| {
        Builder::new_multi_thread()
            .worker_threads(THREADS)
            .thread_name("muffle-station")
            .enable_all()
            .build()
            .map_err(|error| error.to_string())
    });
    started
        .as_ref()
        .map_err(|cause| StationError::Threads(cause.clone()))
}
