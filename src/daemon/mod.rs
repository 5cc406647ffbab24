//! Stations that work through their queues with nobody there.
//!
//! The queue is in the store; the engine takes from it. One supervised task for each station owns its
//! instruments; what others may know of it is a snapshot ([`Status`]) in a watch channel and the numbered
//! events in the store. Nobody outside a station's task touches an instrument, and nothing is announced that
//! is not on the disk.
//!
//! - [`Engine`] is the handle that commands, pages and signals use.
//! - [`http`] is the API and [`access`] the door before it; `page` is what people look at.
//! - [`live`] is the daemon as a process; [`Presence`] says to others that there is one.
//! - `schedule` and `decide` decide, from given times, which job is next and when a job comes again.

pub mod access;
mod decide;
mod engine;
mod error;
mod follow;
mod hands;
pub mod http;
mod look;
mod metrics;
mod notify;
mod page;
mod place;
mod presence;
mod schedule;
mod serve;
mod status;
mod work;

pub use engine::{Engine, Running, StationFile, check};
pub use error::DaemonError;
pub use presence::{Claim, Presence};
pub use schedule::Every;
pub use serve::{Signals, UNIT, live};
pub use status::{Doing, Health, Live, Missing, Progress, Prompt, Status};
