//! Why the daemon could not do what was asked.

use crate::config::ConfigError;
use crate::station::StationError;
use crate::store::StoreError;

/// Why the daemon could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The daemon has no station of that name.
    #[error("there is no station `{given}` here; there is {known}")]
    UnknownStation {
        /// What was asked for.
        given: String,
        /// What there is.
        known: String,
    },
    /// Two station files have the same name.
    #[error("two station files are called `{name}`; give each a name of its own")]
    SameName {
        /// The name.
        name: String,
    },
    /// A plan or a station file is wrong, or they do not fit.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The store failed, or refused.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The station failed.
    #[error(transparent)]
    Station(#[from] StationError),
    /// The text of a repeat cannot be understood.
    #[error(
        "`{given}` is no way to repeat: {reason}; write `30 min` or `daily 07:30 Europe/London`"
    )]
    Repeat {
        /// What was given.
        given: String,
        /// What is wrong with it.
        reason: String,
    },
    /// Told to stop, and nobody has seen the output off.
    #[error("station `{station}`: {why}")]
    StillOn {
        /// Which station.
        station: String,
        /// Why, and what to do.
        why: String,
    },
    /// Another daemon works from the store.
    #[error("{}: a daemon works from it already ({by}); end that one, or give this one a store of its own", store.display())]
    Claimed {
        /// The database file.
        store: std::path::PathBuf,
        /// By whom.
        by: String,
    },
    /// A socket, a signal or a file of the daemon itself.
    #[error("cannot {doing}: {cause}")]
    System {
        /// What was being done.
        doing: String,
        /// What the system said.
        cause: std::io::Error,
    },
}
