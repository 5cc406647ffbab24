//! `muffle keeper`: started by the program itself, beside every process that may transmit.

use std::os::fd::AsFd;

use tokio::net::unix::pipe;
use tokio::signal::unix::{SignalKind, signal};

use super::CliError;
use crate::station::keep;

/// Signals that are for the process it keeps: it ends by itself when that has ended and nothing is on.
const NOT_FOR_IT: [fn() -> SignalKind; 4] = [
    SignalKind::interrupt,
    SignalKind::terminate,
    SignalKind::hangup,
    SignalKind::quit,
];

pub(super) async fn run() -> Result<u8, CliError> {
    let mut ignored = Vec::new();
    for kind in NOT_FOR_IT {
        // Listened to and never asked: a signal then does nothing.
        ignored.push(signal(kind()).map_err(|error| {
            CliError::Bench(format!("the keeper cannot ignore signals: {error}"))
        })?);
    }
    let by_hand = |error: std::io::Error| {
        CliError::Input(format!(
            "the keeper is started by the program itself, with pipes: {error}"
        ))
    };
    // The pipes themselves: tokio's own standard streams take a thread for each byte that comes.
    let from = std::io::stdin().as_fd().try_clone_to_owned();
    let from = from
        .and_then(pipe::Receiver::from_owned_fd)
        .map_err(by_hand)?;
    let to = std::io::stdout().as_fd().try_clone_to_owned();
    let to = to.and_then(pipe::Sender::from_owned_fd).map_err(by_hand)?;
    let kept = keep(from, to).await;
    drop(ignored);
    match kept {
        Ok(()) => Ok(0),
        Err(why) => Err(CliError::Bench(format!("keeper: {why}"))),
    }
}
