//! What a process and its keeper say to each other: one JSON object to a line, both ways.

use std::path::PathBuf;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::io::{AsyncBufRead, AsyncBufReadExt, AsyncReadExt, AsyncWrite, AsyncWriteExt};

use crate::config::{self, Address, Driver, InstrumentEntry, Pattern};

/// The longest line; a driver's text is in one of them.
const LINE_BYTES_MAX: u64 = 4 << 20;

/// What a keeper watches over.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Charge {
    /// The station's name, as the emission log has it.
    pub station: String,
    /// Where the source is.
    pub address: String,
    /// The driver's name.
    pub driver_name: String,
    /// The driver's text.
    pub driver: String,
    /// What the source's identification must match.
    pub identity: Option<String>,
    /// The database with the emission log.
    pub store: PathBuf,
    /// Where to be reached by others.
    pub socket: PathBuf,
    /// Where the keeper of the owner before is reached, which may still be at work.
    pub before: Option<PathBuf>,
    /// The process that is kept.
    pub pid: u32,
    /// How long to go on trying to reach a source that does not answer.
    pub trying_max: Duration,
}

impl Charge {
    /// The source of a station, without anybody who is kept.
    pub fn of(station: &config::Station, trying_max: Duration) -> Self {
        let source = &station.source;
        Self {
            station: station.name.clone(),
            address: source.address.to_string(),
            driver_name: source.driver_name.clone(),
            driver: source.driver.text.clone(),
            identity: source.identity.as_ref().map(|p| p.pattern().to_owned()),
            store: PathBuf::new(),
            socket: PathBuf::new(),
            before: None,
            pid: std::process::id(),
            trying_max,
        }
    }

    /// The same, tried for another time.
    pub fn trying_for(&self, trying_max: Duration) -> Self {
        Self {
            trying_max,
            ..self.clone()
        }
    }

    /// The source's entry of a station file, made from what was told.
    pub fn source(&self) -> Result<InstrumentEntry, String> {
        let driver = Driver::read(&self.driver_name, &self.driver).map_err(|e| e.to_string())?;
        let address: Address = self.address.parse()?;
        Ok(InstrumentEntry {
            driver_name: self.driver_name.clone(),
            driver,
            address,
            found_at: Vec::new(),
            identity: self.identity.as_deref().map(Pattern::new).transpose()?,
        })
    }
}

/// To the keeper.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ToKeeper {
    /// What to watch over; answered by [`FromKeeper::Watching`].
    Watch(Box<Charge>),
    /// The output is about to go on; answered by [`FromKeeper::Ready`] or [`FromKeeper::Refused`].
    On {
        /// The longest it may be on.
        longest: Duration,
        /// The longest without a [`ToKeeper::Beat`].
        beat_max: Duration,
    },
    /// The measuring goes on.
    Beat,
    /// The output was seen off; answered by [`FromKeeper::Rested`].
    Rest,
    /// A call to stop was heard, and will be obeyed.
    Heard,
}

/// From the keeper.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FromKeeper {
    /// It watches.
    Watching,
    /// It knows that the output goes on.
    Ready,
    /// It cannot watch, or the output must not go on.
    Refused {
        /// Why; for an output, who has called for a stop.
        why: String,
    },
    /// It knows that the output is off.
    Rested {
        /// Why it switched the output off by itself meanwhile, if it did.
        interfered: Option<String>,
    },
    /// Somebody calls for a stop.
    Stop {
        /// Who.
        who: String,
    },
    /// It has begun to switch the output off by itself.
    Interfering {
        /// Why.
        why: String,
    },
}

/// Writes one line.
pub async fn say(to: &mut (impl AsyncWrite + Unpin), word: &impl Serialize) -> std::io::Result<()> {
    let mut line = serde_json::to_vec(word)?;
    line.push(b'\n');
    to.write_all(&line).await?;
    to.flush().await
}

/// The next line; none at the end. May be dropped and called again as long as `partial` is kept.
pub async fn hear<T: serde::de::DeserializeOwned>(
    from: &mut (impl AsyncBufRead + Unpin),
    partial: &mut Vec<u8>,
) -> std::io::Result<Option<T>> {
    let left = LINE_BYTES_MAX.saturating_sub(partial.len() as u64);
    from.take(left).read_until(b'\n', partial).await?;
    if !partial.ends_with(b"\n") {
        return match partial.is_empty() {
            true => Ok(None),
            false => Err(std::io::ErrorKind::UnexpectedEof.into()),
        };
    }
    let line = std::mem::take(partial);
    serde_json::from_slice(&line).map(Some).map_err(Into::into)
}
