//! The guard: the only place that switches an output on, and the one that sees to it that it goes off.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;

use super::StationError;
use super::clamp::{Allowed, allowed};
use crate::config::Station;
use crate::instrument::{Handle, InstrumentError, Permit, Source};
use crate::quantity::{Frequency, Level};
use crate::store::{EmissionEnd, NewEmission, RunId, Store};

/// Attempts to switch off a source that does not answer, before a person is told to.
const OFF_ATTEMPTS: u32 = 8;
/// The first wait between such attempts; each further one is twice as long, up to [`OFF_WAIT_MAX`].
const OFF_WAIT: Duration = Duration::from_millis(100);
/// The longest wait between attempts.
const OFF_WAIT_MAX: Duration = Duration::from_secs(2);

/// An emission that somebody wants.
#[derive(Debug, Clone)]
pub struct EmissionRequest {
    /// The run it is for.
    pub run: Option<RunId>,
    /// Where.
    pub frequency: Frequency,
    /// Level at the source's output, before it is held back.
    pub level: Level,
    /// What for; goes into the emission log.
    pub why: String,
    /// The permission for a protected band, word for word, if the plan names one.
    pub permission: Option<String>,
}

/// What an emission gave.
#[derive(Debug)]
pub struct Emitted<R> {
    /// What was measured meanwhile.
    pub measured: R,
    /// What was sent.
    pub sent: Allowed,
    /// How it ended; to be kept in the emission log with the reading.
    pub end: EmissionEnd,
}

/// Stands over the source of a station.
pub struct Guard {
    station: Arc<Station>,
    source: Handle<Source>,
    store: Store,
}

impl Guard {
    pub(super) fn new(station: Arc<Station>, source: Handle<Source>, store: Store) -> Self {
        Self {
            station,
            source,
            store,
        }
    }

    pub(super) fn source(&self) -> &Handle<Source> {
        &self.source
    }

    /// Radiates while `measure` runs, and not a moment longer: on success, on an error, when `stop` is
    /// called and when the station's longest emission is over. Off is awaited and seen on every way out.
    ///
    /// The emission is in the log, on disk, before the output goes on. On success its end is handed back,
    /// to be kept together with the reading; on every other way it is closed here.
    ///
    /// This future must be awaited to its end; stop it by `stop`, not by dropping it.
    pub async fn emit<R>(
        &self,
        request: EmissionRequest,
        stop: &CancellationToken,
        measure: impl Future<Output = Result<R, StationError>>,
    ) -> Result<Emitted<R>, StationError> {
        if stop.is_cancelled() {
            return Err(StationError::Stopped);
        }
        let sent = self.judge(&request)?;
        let id = self
            .store
            .begin_emission(&NewEmission {
                run: request.run,
                station: self.station.name.clone(),
                frequency_hz: request.frequency.hz(),
                level_dbm: sent.level.dbm(),
                radiated_dbm: Some(sent.radiated.dbm()),
                why: match &request.permission {
                    Some(permission) => format!("{}; permission: {permission}", request.why),
                    None => request.why.clone(),
                },
                began: Timestamp::now(),
            })
            .await?;
        let permit = Permit::issue(request.frequency, sent.level);
        let measured = self.radiate(permit, stop, measure).await;
        let off = self.off().await;
        let how = match &measured {
            Ok(_) => "measured".to_owned(),
            Err(error) => error.to_string(),
        };
        let end = EmissionEnd {
            id,
            ended: Timestamp::now(),
            how,
        };
        match (measured, off) {
            // The emission stays open in the log: nobody has seen it end.
            (_, Err(error)) => Err(error),
            (Ok(measured), Ok(())) => Ok(Emitted {
                measured,
                sent,
                end,
            }),
            (Err(error), Ok(())) => {
                self.store.end_emission(&end).await?;
                Err(error)
            }
        }
    }

    async fn radiate<R>(
        &self,
        permit: Permit,
        stop: &CancellationToken,
        measure: impl Future<Output = Result<R, StationError>>,
    ) -> Result<R, StationError> {
        let longest = self.station.safety.emission_max;
        let on_and_measure = async {
            self.source
                .run(move |source| Box::pin(async move { source.on(&permit).await }))
                .await?;
            measure.await
        };
        tokio::select! {
            measured = on_and_measure => measured,
            () = stop.cancelled() => Err(StationError::Stopped),
            () = tokio::time::sleep(longest.duration()) => Err(StationError::TooLong { after: longest }),
        }
    }

    /// What may be sent, or why nothing may.
    fn judge(&self, request: &EmissionRequest) -> Result<Allowed, StationError> {
        if let Some(band) = self.station.protected_band(request.frequency)
            && request.permission.is_none()
        {
            return Err(StationError::Protected {
                frequency: request.frequency,
                band: band.name.clone(),
            });
        }
        Ok(allowed(&self.station, request.frequency, request.level))
    }

    /// Switches the output off and sees that it is; keeps trying for a while when the source does not
    /// answer.
    pub async fn off(&self) -> Result<(), StationError> {
        let mut wait = OFF_WAIT;
        let mut attempt = 1;
        loop {
            let error = match self
                .source
                .run(|source| Box::pin(async move { source.off().await }))
                .await
            {
                Ok(()) => return Ok(()),
                Err(error) => error,
            };
            if attempt == OFF_ATTEMPTS || matches!(error, InstrumentError::Gone { .. }) {
                tracing::error!(%error, "THE SOURCE MAY STILL BE ON: switch it off by hand");
                return Err(error.into());
            }
            tracing::warn!(%error, attempt, "the output is not seen to be off; trying again");
            tokio::time::sleep(wait).await;
            wait = (wait * 2).min(OFF_WAIT_MAX);
            attempt += 1;
        }
    }
}
