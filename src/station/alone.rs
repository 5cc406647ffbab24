//! One half of a station by itself: the receiver in a closed item with a recorder, and the source outside.

use std::sync::Arc;

use tokio_util::sync::CancellationToken;

use super::guard::Guard;
use super::{Identities, Station, StationError, receiver, settle_log, source, start_receiver};
use crate::config::{self, InstrumentEntry};
use crate::instrument::{Handle, Held, Receiver, ReceiverSettings};
use crate::store::Store;

/// A receiver by itself. There is no way from here to a source.
pub struct LoneReceiver {
    /// Who answered.
    pub identity: String,
    entry: InstrumentEntry,
    receiver: Handle<Receiver>,
}

impl LoneReceiver {
    /// Opens it and puts it into its known state.
    pub async fn open(entry: &InstrumentEntry) -> Result<Self, StationError> {
        let (receiver, identity) = start_receiver(entry, None).await?;
        Ok(Self {
            identity,
            entry: entry.clone(),
            receiver,
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
            held = held => Ok(held?),
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
    /// Opens the source alone, off before anything else is asked of it: the receiver is a recorder's, and is
    /// not spoken to.
    pub async fn open_source(config: config::Station, store: &Store) -> Result<Self, StationError> {
        let config = Arc::new(config);
        let source = Handle::own("source", source(&config.source)?);
        let wanted = config.source.identity.clone();
        let identity = source
            .run(move |source| Box::pin(async move { source.start(wanted.as_ref()).await }))
            .await?;
        settle_log(&config.name, store).await?;
        // It opens its link when it is first spoken to, which it is not.
        let receiver = receiver(&config.receiver, &config.receiver.address)?;
        Ok(Self {
            guard: Guard::new(config.clone(), source, store.clone()),
            receiver: Handle::own("receiver", receiver),
            identities: Identities {
                source: identity,
                receiver: String::new(),
            },
            config,
        })
    }
}
