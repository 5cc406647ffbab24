//! One half of a station by itself: the receiver in a closed item with a recorder, and the source outside.

use tokio_util::sync::CancellationToken;

use super::{InstrumentLock, Opening, Owner, Station, StationError, start_receiver};
use crate::config::{self, InstrumentEntry, Lone};
use crate::instrument::{Handle, Held, Receiver, ReceiverSettings};
use crate::store::Store;

/// A receiver by itself. There is no way from here to a source.
pub struct LoneReceiver {
    /// Who answered.
    pub identity: String,
    /// How far it and the source may be off, as a part of the frequency.
    pub frequency_tolerance: f64,
    entry: InstrumentEntry,
    receiver: Handle<Receiver>,
    // Let go of last.
    _locks: [Option<InstrumentLock>; 2],
}

impl LoneReceiver {
    /// Takes the lock on it, opens it and puts it into its known state.
    pub async fn open(lone: &Lone) -> Result<Self, StationError> {
        let entry = &lone.receiver;
        let owner = Owner::this_process(&lone.name);
        let lock = InstrumentLock::take("receiver", &entry.address, &owner)?;
        let (receiver, identity) = start_receiver(entry, None).await?;
        let known = (&entry.address, identity.as_str());
        let itself = InstrumentLock::take_instrument("receiver", known, &owner)?;
        Ok(Self {
            identity,
            frequency_tolerance: lone.frequency_tolerance,
            entry: entry.clone(),
            receiver,
            _locks: [Some(lock), itself],
        })
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
            // A recorder keeps no flags: what proves nothing is a fault, and held again.
            held = held => Ok(held?.unchanged()?),
            () = stop.cancelled() => Err(StationError::Stopped),
        }
    }

    /// Puts it into its known state again after a fault on the wire.
    pub async fn restart(&self) -> Result<(), StationError> {
        let wanted = self.entry.identity.clone();
        self.receiver
            .run(move |receiver| Box::pin(async move { receiver.start(wanted.as_ref()).await }))
            .await?;
        Ok(())
    }
}

impl Station {
    /// Opens the source alone, kept, watched and off as with [`Station::open`]: the receiver is a recorder's. It is
    /// neither locked nor spoken to.
    pub async fn open_source(
        config: config::Station,
        store: &Store,
        opening: &Opening,
    ) -> Result<Self, StationError> {
        Self::open_apart(config, false, store, opening).await
    }
}
