//! What the whole program must show, each topic in a module of its own. One binary, so that it links once.
//!
//! Everything runs over real sockets and terminals of this machine alone. Each test has a bench, a folder
//! and a database to itself.

mod bad_input;
mod campaign;
mod carrier;
mod daemon;
mod demo;
mod fake;
mod false_pass;
mod flags;
mod forecast;
mod heartbeat;
mod house;
mod http;
mod kill;
mod locks;
mod lots;
mod neighbour;
mod pins;
mod readback;
mod reference;
mod safety;
mod scheduled;
mod shield;
mod soak;
mod stations;
mod support;
mod trade;
mod tuning;
mod wire;
