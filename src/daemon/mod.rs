//! Stations that work through their queues with nobody there.
//!
//! The queue is in the store; the engine takes from it. One supervised task for each station owns its
//! instruments; what others may know of it is a snapshot ([`Status`]) in a watch channel and the numbered
//! events in the store. Nobody outside a station's task touches an instrument, and nothing is announced that
//! is not on the disk.
//!
//! - [`Engine`] is the handle that commands, pages and signals use.
//! - [`http`] is the API and [`access`] the door before it; `page` is what people look at.
//! - `schedule` decides, from given times, which job is next and when a job comes again.

pub mod access;
mod decide;
mod engine;
mod error;
mod follow;
mod hands;
pub mod http;
mod metrics;
mod notify;
mod page;
mod place;
mod schedule;
mod status;
mod work;

pub use engine::{Engine, Running, StationFile, check};
pub use error::DaemonError;
pub use schedule::Every;
pub use status::{Doing, Health, Live, Missing, Progress, Prompt, Status, Transmitting};
