//! The life of the daemon as a process: ready, alive, told to read its files anew, told to end.

use std::path::PathBuf;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::signal::unix::{Signal, SignalKind, signal};

use super::{DaemonError, Engine, Running};
use crate::config;

/// The unit file for systemd; `muffle serve unit` prints it.
pub const UNIT: &str = include_str!("muffle.service");

/// Signals that the daemon knows. Taken before anything is opened, so that none is missed.
#[derive(Debug)]
pub struct Signals {
    terminate: Signal,
    interrupt: Signal,
    hang_up: Signal,
}

impl Signals {
    /// Listens from now on.
    pub fn listen() -> Result<Self, DaemonError> {
        let on = |kind| {
            signal(kind).map_err(|cause| DaemonError::System {
                doing: "listen for signals".to_owned(),
                cause,
            })
        };
        Ok(Self {
            terminate: on(SignalKind::terminate())?,
            interrupt: on(SignalKind::interrupt())?,
            hang_up: on(SignalKind::hangup())?,
        })
    }
}

/// Runs until SIGTERM or SIGINT; SIGHUP reads the files anew. Answers with the stations whose output nobody has
/// seen to be off.
pub async fn live(
    engine: &Engine,
    running: Running,
    mut signals: Signals,
    file: Option<PathBuf>,
) -> Vec<String> {
    notify(&[NotifyState::Ready]);
    let watchdog = sd_notify::watchdog_enabled();
    // Twice in the time that systemd allows (sd_notify(3) recommends half of it).
    let mut beat =
        tokio::time::interval(watchdog.map_or(Duration::from_secs(3600), |time| time / 2));
    loop {
        tokio::select! {
            _ = signals.terminate.recv() => break,
            _ = signals.interrupt.recv() => break,
            _ = signals.hang_up.recv() => reload(engine, file.as_ref()),
            _ = beat.tick() => if watchdog.is_some() { notify(&[NotifyState::Watchdog]) },
        }
    }
    notify(&[NotifyState::Stopping]);
    tracing::info!("told to end");
    running.stop().await
}

fn reload(engine: &Engine, file: Option<&PathBuf>) {
    match file.map(|file| config::Daemon::load(file)).transpose() {
        Ok(Some(settings)) => engine.set_settings(settings),
        Ok(None) => {}
        Err(error) => tracing::error!(%error, "the daemon's file is wrong; it goes on as before"),
    }
    for line in engine.reload_stations() {
        tracing::warn!("{line}");
    }
}

fn notify(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::warn!(%error, "systemd was not told");
    }
}
