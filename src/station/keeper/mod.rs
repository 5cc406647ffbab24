//! The keeper: a small process beside every process that may transmit, which switches the source off when
//! that process cannot any more.
//!
//! A process that is killed cleans nothing up, so another one must. The keeper is this same program; it holds
//! the far end of a pipe. Before an output goes on it is told so and has to answer; after the output was seen
//! off it is told that too. When the pipe ends in between, for whatever reason, it reaches the source by itself,
//! switches it off, asks whether it is, and goes on trying within a named limit. It does the same when
//! its process still lives but is hung: no heartbeat, an output on for too long, or a person who calls for a stop.
//!
//! `words` is what the two say to each other, [`Keeper`] the near end, `process` the far end, and
//! `control` the socket where others ask for a stop.
//!
//! What it cannot do: anything after a loss of power, or over a network that is down. An instrument that
//! takes one client at a time takes the keeper only once the process is gone; while that process is
//! hung and holds the connection, the keeper goes on trying and says so.

mod control;
mod handle;
mod process;
mod words;

pub use control::{StopReport, Stopped, stop, stop_owner};
pub(super) use handle::{Keeper, Told};
pub use handle::{KeeperFault, StopCall};
pub use process::keep;
pub(super) use words::Charge;
