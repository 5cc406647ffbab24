//! The instruments of one place, opened and owned together, and the guard that stands over the source.
//!
//! Opening a station switches the source off before anything else and puts every emission that a crash
//! left open in the log to rest. The guard is the only way to an output that is on.

mod alone;
mod clamp;
mod guard;
mod placement;
mod sealed;

use std::sync::Arc;

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;

use crate::config::{self, Address, InstrumentEntry, Words};
use crate::instrument::{Handle, Held, InstrumentError, Receiver, ReceiverSettings, Source};
use crate::link::{Framing, link};
use crate::quantity::{Frequency, Time};
use crate::store::{EmissionEnd, Store, StoreError};

pub use alone::LoneReceiver;
pub use clamp::{Allowed, HeldBackBy, allowed, allowed_anywhere};
pub use guard::{EmissionRequest, Emitted, Guard};
pub use placement::{Placement, State, place_by_command};

/// Why a station could not do something.
#[derive(Debug, thiserror::Error)]
pub enum StationError {
    /// An instrument failed.
    #[error(transparent)]
    Instrument(#[from] InstrumentError),
    /// The emission log cannot be written, so nothing may be emitted.
    #[error("nothing is emitted that cannot be logged: {0}")]
    Log(Box<StoreError>),
    /// A protected band without a permission.
    #[error(
        "{frequency} lies in the protected band `{band}`; nothing was emitted. Name the permission in the plan, or leave the frequency out"
    )]
    Protected {
        /// Where.
        frequency: Frequency,
        /// Whose.
        band: String,
    },
    /// The output was on for as long as the station allows.
    #[error(
        "the output was switched off after {after}, the longest the station allows for one emission; raise `emission_max` in [safety], or make the sweeps shorter"
    )]
    TooLong {
        /// The station's limit.
        after: Time,
    },
    /// Somebody asked to stop.
    #[error("stopped")]
    Stopped,
    /// The receiver did not come back after the item was opened.
    #[error(
        "the receiver that was armed is not to be found after {after} (looked at {looked}); connect it, give `found_at` in [receiver] if its device name changes, and go on with the run: the closing is repeated"
    )]
    ReceiverAway {
        /// Where.
        looked: String,
        /// For how long.
        after: Time,
    },
    /// Neither the receiver nor the plan says how long a sweep takes, which the plan's own check refuses.
    #[error("nobody says how long a sweep of the receiver takes; give `sweep_time` in the plan")]
    NoSweepTime,
    /// The placement command failed.
    #[error("placing {placement}: `{command}` {reason}")]
    Placement {
        /// What was to be placed.
        placement: String,
        /// The command.
        command: String,
        /// How it failed.
        reason: String,
    },
    /// A driver of the wrong role, which the station file's own check refuses.
    #[error("the driver `{driver}` is not for a {role}")]
    WrongRole {
        /// Its name.
        driver: String,
        /// What it was wanted for.
        role: &'static str,
    },
}

impl From<StoreError> for StationError {
    fn from(error: StoreError) -> Self {
        Self::Log(Box::new(error))
    }
}

/// Who answered at the addresses of the station.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Identities {
    /// The source's answer.
    pub source: String,
    /// The receiver's answer; empty where it is a recorder's.
    pub receiver: String,
}

/// An open station: the source is off, both instruments are known and in their known state.
pub struct Station {
    /// The station file.
    pub config: Arc<config::Station>,
    /// Who answered.
    pub identities: Identities,
    guard: Guard,
    receiver: Handle<Receiver>,
}

impl Station {
    /// Opens the instruments: the source first, and off before anything else is asked of it.
    pub async fn open(config: config::Station, store: &Store) -> Result<Self, StationError> {
        let config = Arc::new(config);
        let source = Handle::own("source", source(&config.source)?);
        let wanted = config.source.identity.clone();
        let started = source
            .run(move |source| Box::pin(async move { source.start(wanted.as_ref()).await }))
            .await;
        let identity = match started {
            Ok(identity) => identity,
            Err(error) => {
                tracing::error!(%error, "the source could not be started");
                return Err(error.into());
            }
        };
        settle_log(&config.name, store).await?;
        let (receiver, receiver_identity) =
            start_receiver(&config.receiver, Some(&config.source.address)).await?;
        Ok(Self {
            guard: Guard::new(config.clone(), source, store.clone()),
            receiver,
            identities: Identities {
                source: identity,
                receiver: receiver_identity,
            },
            config,
        })
    }

    /// The one way to an output that is on, and always to one that is off.
    pub fn guard(&self) -> &Guard {
        &self.guard
    }

    /// Holds the peak and reads the trace; gives up as soon as `stop` is called.
    pub async fn hold(
        &self,
        settings: ReceiverSettings,
        stop: &CancellationToken,
    ) -> Result<Held, StationError> {
        let held = self
            .receiver
            .run(move |receiver| Box::pin(async move { receiver.hold(&settings).await }));
        tokio::select! {
            held = held => Ok(held?),
            () = stop.cancelled() => Err(StationError::Stopped),
        }
    }

    /// Puts both instruments into their known state again, the source off, after a fault on the wire.
    pub async fn restart(&self) -> Result<(), StationError> {
        let wanted = self.config.source.identity.clone();
        self.guard
            .source()
            .run(move |source| Box::pin(async move { source.start(wanted.as_ref()).await }))
            .await?;
        let wanted = self.config.receiver.identity.clone();
        self.receiver
            .run(move |receiver| Box::pin(async move { receiver.start(wanted.as_ref()).await }))
            .await?;
        Ok(())
    }

    /// Round trips so far, of source and receiver.
    pub async fn trips(&self) -> Result<(u64, u64), StationError> {
        let source = self
            .guard
            .source()
            .run(|source| Box::pin(async move { Ok(source.trips()) }))
            .await?;
        let receiver = self
            .receiver
            .run(|receiver| Box::pin(async move { Ok(receiver.trips()) }))
            .await?;
        Ok((source, receiver))
    }
}

fn source(entry: &InstrumentEntry) -> Result<Source, StationError> {
    let driver = &entry.driver;
    match &driver.words {
        Words::Source(words) => {
            let link = link(&entry.address, Framing::from(&driver.dialect));
            Ok(Source::new(link, driver, words))
        }
        Words::Receiver(_) => Err(StationError::WrongRole {
            driver: driver.name.clone(),
            role: "source",
        }),
    }
}

/// The receiver in its known state, and who it is; looked for where else it may be when it is not at its
/// address.
async fn start_receiver(
    entry: &InstrumentEntry,
    but_not: Option<&Address>,
) -> Result<(Handle<Receiver>, String), StationError> {
    let mut first_error = None;
    for address in sealed::addresses(entry, but_not) {
        let receiver = Handle::own("receiver", receiver(entry, &address)?);
        let wanted = entry.identity.clone();
        let started = receiver
            .run(move |receiver| Box::pin(async move { receiver.start(wanted.as_ref()).await }))
            .await;
        match started {
            Ok(identity) => return Ok((receiver, identity)),
            Err(error) => first_error = first_error.or(Some(error)),
        }
    }
    Err(first_error
        .unwrap_or(InstrumentError::Gone {
            instrument: "receiver",
        })
        .into())
}

fn receiver(entry: &InstrumentEntry, address: &Address) -> Result<Receiver, StationError> {
    let driver = &entry.driver;
    match &driver.words {
        Words::Receiver(words) => {
            let link = link(address, Framing::from(&driver.dialect));
            Ok(Receiver::new(link, driver, words))
        }
        Words::Source(_) => Err(StationError::WrongRole {
            driver: driver.name.clone(),
            role: "receiver",
        }),
    }
}

/// Closes the emissions that a crash left open; the source has just been seen to be off.
async fn settle_log(station: &str, store: &Store) -> Result<(), StoreError> {
    for emission in store.open_emissions(station).await? {
        tracing::warn!(
            began = %emission.began,
            frequency_hz = emission.frequency_hz,
            "an earlier program ended while its output was on; it is off now"
        );
        store
            .end_emission(&EmissionEnd {
                id: emission.id,
                ended: Timestamp::now(),
                how: "the program ended while it was on; switched off at the next start".to_owned(),
            })
            .await?;
    }
    Ok(())
}
